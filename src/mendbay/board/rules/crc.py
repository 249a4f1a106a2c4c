"""Cyclic checks of all regions of a dump at once, by the algebra of polynomials over GF(2).

A check of width w without start or final value over bytes s to e is the remainder of their polynomial times
x^w. With Q[i] the remainder of the first i bytes, that of any region is Q[e] + x^(8(e-s)) Q[s]; and since x
can be inverted (every polynomial used here has the constant term 1), N[i] = x^(-8i) Q[i] gives
x^(8e) (N[e] + N[s]): the question "which regions hold their value" becomes a join of two lists.

Everything here works most significant bit first. A reflected check is the same on bytes and values with
their bits reversed.
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
UInt64s = npt.NDArray[np.uint64]

_ONE = np.uint32(1)
_LINE_BITS = 10
_LINE = 1 << _LINE_BITS
"""Bytes of the longest lines that a dump is divided in, to be stepped through side by side; a matter of speed
only."""

_AT_ONCE = 4096
"""Products made together, so that what is between stays in the cache; a matter of speed only."""

_THIRDS = [np.uint32(0x49249249 << place & 0xFFFFFFFF) for place in range(3)]
_FOURTHS = [np.uint64(0x1111111111111111 << place) for place in range(4)]

_REVERSED = np.array([int(f"{i:08b}"[::-1], 2) for i in range(256)], np.uint8)


def reversed_bits(data: Bytes) -> Bytes:
    """The bytes with the bits of each in reverse."""
    return _REVERSED[data]


def reversed_values(values: UInt32s, width: int) -> UInt32s:
    """The values with their lowest `width` bits in reverse."""
    found = np.zeros(values.shape, np.uint32)
    for byte in range(width // 8):
        part = _REVERSED[(values >> np.uint32(8 * byte)) & np.uint32(0xFF)]
        found |= part.astype(np.uint32) << np.uint32(width - 8 - 8 * byte)
    return found


def _flat(values: UInt32s, shape: tuple[int, ...]) -> UInt32s:
    return np.broadcast_to(values, shape).reshape(-1)


def _spread_product(left: UInt32s, right: UInt32s) -> UInt32s:
    """Products without carries of numbers of at most 16 bits.

    Of each number every third bit is taken by itself: then no more than six ones meet in any place of a
    common product, their sum ends before the next place that is kept, and its lowest bit is the exclusive or.
    """
    one, two = ([part & mask for mask in _THIRDS] for part in (left, right))
    found = (one[0] * two[0] ^ one[1] * two[2] ^ one[2] * two[1]) & _THIRDS[0]
    found = found | (one[0] * two[1] ^ one[1] * two[0] ^ one[2] * two[2]) & _THIRDS[1]
    return found | (one[0] * two[2] ^ one[1] * two[1] ^ one[2] * two[0]) & _THIRDS[2]


def _wide_product(left: UInt32s, right: UInt32s) -> UInt64s:
    """The same of numbers of at most 32 bits, by every fourth bit: no more than eight ones meet."""
    wide = (left.astype(np.uint64), right.astype(np.uint64))
    one, two = ([part & mask for mask in _FOURTHS] for part in wide)
    found = np.zeros(np.broadcast_shapes(left.shape, right.shape), np.uint64)
    for place, mask in enumerate(_FOURTHS):
        part = one[0] * two[place]
        for other in range(1, 4):
            part ^= one[other] * two[place - other]
        part &= mask
        found |= part
    return found


class Field:
    """Remainders modulo one polynomial of 8 to 32 bits, as unsigned 32-bit numbers.

    Args:
        polynomial: normal notation without its highest term; must be odd.
        width: its degree: 8, 16, 24 or 32.

    Raises:
        ValueError: the polynomial is even or does not fit.
    """

    def __init__(self, polynomial: int, width: int) -> None:
        if not 0 < polynomial < 1 << width or not polynomial & 1 or not 8 <= width <= 32:
            raise ValueError(f"no polynomial of {width} bits with a constant term: {polynomial:#x}")
        self.polynomial, self.width = polynomial, width
        self.mask = np.uint32((1 << width) - 1)
        self._poly = np.uint32(polynomial)
        self.table = self._table()
        self._low = self._geometric(self._byte_step(), _LINE)
        self._high = np.array([1], np.uint32)
        self._low_inverse = self._high_inverse = np.zeros(0, np.uint32)

    def _table(self) -> UInt32s:
        found = np.arange(256, dtype=np.uint32) << np.uint32(self.width - 8)
        for _ in range(8):
            found = self.times_x(found)
        return found

    def _byte_step(self) -> np.uint32:
        """x^8."""
        step = np.ones(1, np.uint32)
        for _ in range(8):
            step = self.times_x(step)
        return np.uint32(step[0])

    def times_x(self, values: UInt32s) -> UInt32s:
        """The values times x."""
        top = (values >> np.uint32(self.width - 1)) & _ONE
        return ((values << _ONE) & self.mask) ^ (top * self._poly)

    def over_x(self, values: UInt32s) -> UInt32s:
        """The values divided by x."""
        low = values & _ONE
        top = low << np.uint32(self.width - 1)
        return ((values ^ (low * self._poly)) >> _ONE) | top

    def times(self, left: UInt32s, right: UInt32s) -> UInt32s:
        """Products, element by element."""
        shape = np.broadcast_shapes(left.shape, right.shape)
        size = math.prod(shape)
        if size <= _AT_ONCE:
            return self._product(left, right)
        one, two = (part.reshape(-1) if part.size == 1 else _flat(part, shape) for part in (left, right))
        found = np.empty(size, np.uint32)
        for at in range(0, size, _AT_ONCE):
            some = slice(at, at + _AT_ONCE)
            found[some] = self._product(*(part if part.size == 1 else part[some] for part in (one, two)))
        return found.reshape(shape)

    def _product(self, left: UInt32s, right: UInt32s) -> UInt32s:
        product = _spread_product(left, right) if self.width <= 16 else _wide_product(left, right)
        found = (product & self.mask).astype(np.uint32)
        for byte, table in enumerate(self._folded):
            found ^= table[(product >> (self.width + 8 * byte)).astype(np.uint8)]
        return found

    @cached_property
    def _folded(self) -> list[UInt32s]:
        """What each byte of a product above the width leaves, the lowest first."""
        found = [self.table]
        while 8 * len(found) < self.width:
            found.append(self.next_state(found[-1], np.zeros(256, np.uint8)))
        return found

    def next_state(self, states: UInt32s, data: Bytes) -> UInt32s:
        """The states after one byte each."""
        shift = np.uint32(self.width - 8)
        index = ((states >> shift) ^ data) & np.uint32(0xFF)
        shifted = (states << np.uint32(8)) & self.mask if self.width > 8 else np.uint32(0)
        found: UInt32s = self.table[index] ^ shifted
        return found

    def power(self, lengths: Int64s) -> UInt32s:
        """x^(8i) for each i of `lengths` (none negative), shape as given."""
        rows = (int(lengths.max()) >> _LINE_BITS) + 1 if lengths.size else 1
        if self._high.size < rows:
            self._high = self._geometric(self.times(self._low[-1:], self._low[1:2])[0], 2 * rows)
        low = self._low[lengths & (_LINE - 1)]
        return low if rows == 1 else self.times(self._high[lengths >> _LINE_BITS], low)

    def _geometric(self, step: np.uint32, count: int) -> UInt32s:
        """1, step, step^2 and so on, by doubling."""
        found = np.array([1], np.uint32)
        factor = np.array([step], np.uint32)
        while found.size < count:
            found = np.concatenate([found, self.times(found, factor)])
            factor = self.times(factor, factor)
        return found[:count]

    def inverse_power(self, places: Int64s) -> UInt32s:
        """x^(-8i) for each i of `places` (none negative), shape as given."""
        rows = (int(places.max()) >> _LINE_BITS) + 1 if places.size else 1
        if not self._low_inverse.size:
            step = np.array(1, np.uint32)
            for _ in range(8):
                step = self.over_x(step)
            self._low_inverse = self._geometric(np.uint32(step), _LINE + 1)
        if self._high_inverse.size < rows:
            self._high_inverse = self._geometric(self._low_inverse[_LINE], 2 * rows)
        low = self._low_inverse[places & (_LINE - 1)]
        return low if rows == 1 else self.times(self._high_inverse[places >> _LINE_BITS], low)

    def line_starts(self, remainders: UInt32s, length: int) -> UInt32s:
        """The state before each line of so many bytes, from the remainder that each line gives alone."""
        jump = [int(one) for one in self._line_jump(length)]
        state, found = 0, []
        for remainder in remainders.tolist():
            found.append(state)
            moved, bit = remainder, 0
            while state:
                if state & 1:
                    moved ^= jump[bit]
                state >>= 1
                bit += 1
            state = moved
        return np.array(found, np.uint32)

    def _line_jump(self, length: int) -> UInt32s:
        """x^(8 * length + k) for every bit k: what each bit of a state becomes over one line."""
        power = self.power(np.array([length]))
        found = []
        for _ in range(self.width):
            found.append(power[0])
            power = self.times_x(power)
        return np.array(found, np.uint32)

    def value(self, data: Bytes, start: int) -> int:
        """The state after all bytes from a start value."""
        size = data.size
        if size <= 256:
            return self._stepped(data, start)
        lines = 1 << min(12, (size >> 5).bit_length() - 1)
        length = -(-size // lines)
        padded = np.zeros(lines * length, np.uint8)
        padded[padded.size - size :] = data
        state = np.zeros(lines, np.uint32)
        for column in np.ascontiguousarray(padded.reshape(lines, length).T):
            state = self.next_state(state, column)
        while state.size > 1:
            state = self.times(state[::2], self.power(np.array([length]))) ^ state[1::2]
            length *= 2
        begun = self.times(np.array([start], np.uint32), self.power(np.array([size])))
        return int(state[0] ^ begun[0])

    def _stepped(self, data: Bytes, start: int) -> int:
        state, table, shift, mask = start, self.table_list(), self.width - 8, int(self.mask)
        for byte in data.tolist():
            state = table[(state >> shift) ^ byte] ^ ((state << 8) & mask)
        return state

    def table_list(self) -> list[int]:
        """The table of one byte as plain numbers."""
        return [int(one) for one in self.table]


class Remainders:
    """The remainders of a dump, kept so that those at chosen places cost little.

    Args:
        of: the field.
        data: the bytes, most significant bit first.
    """

    def __init__(self, of: Field, data: Bytes) -> None:
        self._field = of
        # As many lines as bytes in each, nearly: what is stepped through side by side must not be too short.
        self._bits = min(_LINE_BITS, max(6, data.size.bit_length() // 2))
        length = 1 << self._bits
        lines = max(1, -(-(data.size + 1) // length))
        padded = np.zeros(lines * length, np.uint8)
        padded[: data.size] = data
        columns = np.ascontiguousarray(padded.reshape(lines, length).T)
        self._inside = np.empty((length, lines), np.uint32)
        state = np.zeros(lines, np.uint32)
        for i, column in enumerate(columns):
            self._inside[i] = state
            state = of.next_state(state, column)
        self._before = of.line_starts(state, length)

    def at(self, places: Int64s) -> UInt32s:
        """Q at the places, shape as given."""
        line, inside = places >> self._bits, places & ((1 << self._bits) - 1)
        moved = self._field.times(self._field.power(inside), self._before[line])
        found: UInt32s = self._inside[inside, line] ^ moved
        return found

    def between(self, starts: Int64s, ends: Int64s) -> UInt32s:
        """The checks of the regions without start and final value, shape as given."""
        marked = np.zeros(self._inside.size, np.bool_)
        marked[starts] = marked[ends] = True
        edges = np.flatnonzero(marked)
        rank = np.empty(marked.size, np.int32)
        rank[edges] = np.arange(edges.size)
        known = self.at(edges)
        shift = self._field.power(ends - starts)
        found: UInt32s = known[rank[ends]] ^ self._field.times(shift, known[rank[starts]])
        return found


class Difference:
    """The same for the bits in which two dumps differ, when they are few.

    Args:
        of: the field.
        places: where the dumps differ, rising, shape (bytes,).
        bits: exclusive or of the two bytes at each place.
    """

    def __init__(self, of: Field, places: Int64s, bits: Bytes) -> None:
        self._field, self._places = of, places
        self.totals = np.zeros(places.size + 1, np.uint32)
        parts = of.times(of.table[bits], of.inverse_power(places + 1))
        self.totals[1:] = np.bitwise_xor.accumulate(parts)

    def between(self, starts: Int64s, ends: Int64s) -> UInt32s:
        """What the checks of the regions differ by."""
        first, last = np.searchsorted(self._places, starts), np.searchsorted(self._places, ends)
        found = np.zeros(starts.shape, np.uint32)
        touched = last > first
        inner = self.totals[last[touched]] ^ self.totals[first[touched]]
        found[touched] = self._field.times(self._field.power(ends[touched]), inner)
        return found


@lru_cache(maxsize=64)
def field(polynomial: int, width: int) -> Field:
    """The field of one polynomial, kept with its small tables."""
    return Field(polynomial, width)


def remainder_gcd(left: int, right: int) -> int:
    """Greatest common divisor of two polynomials over GF(2), bit i standing for x^i."""
    while right:
        degree = right.bit_length()
        while (shift := left.bit_length() - degree) >= 0:
            left ^= right << shift
        left, right = right, left
    return left
