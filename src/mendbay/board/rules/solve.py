"""Parameters that no list holds: start and final value from blocks of different length, and the polynomial
itself from the greatest common divisor of what differs between dumps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Order, lanes, turned
from mendbay.board.rules.crc import Field, remainder_gcd, reversed_bits
from mendbay.board.rules.directory import Directory
from mendbay.board.rules.engines import CrcEngine
from mendbay.board.rules.material import Material
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.segments import clusters

Int64s = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def start_and_final(of: Field, lengths: Sequence[int], values: Sequence[int]) -> tuple[int, int] | None:
    """Start and final value that turn the basic values of regions into those stored.

    Args:
        of: the field of the polynomial.
        lengths: bytes of each region, at least two different ones.
        values: basic value combined with stored value by exclusive or, most significant bit first.

    Returns:
        (start, final), most significant bit first; where several fit, one of them. None if none fits.
    """
    powers = of.power(np.array(lengths, np.int64))
    column, columns = powers[1:] ^ powers[0], []
    for _ in range(of.width):
        columns.append(column)
        column = of.times_x(column)
    bits = np.arange(of.width, dtype=np.uint64)
    whole = np.stack(columns, axis=1).astype(np.uint64)[:, np.newaxis, :]
    left = ((whole >> bits[:, np.newaxis] & np.uint64(1)) << bits).sum(axis=2)
    rows = []
    for equations, value in zip(left.tolist(), values[1:], strict=True):
        right = value ^ values[0]
        rows += [row | (right >> bit & 1) << of.width for bit, row in enumerate(equations)]
    start = _solution(rows, of.width)
    if start is None:
        return None
    moved = of.times(np.array([start], np.uint32), powers[:1])
    return start, values[0] ^ int(moved[0])


def _solution(rows: Sequence[int], width: int) -> int | None:
    """A solution of linear equations over GF(2), bit `width` of each row its right side."""
    pivots: dict[int, int] = {}
    for row in rows:
        for bit, pivot in pivots.items():
            if row >> bit & 1:
                row ^= pivot
        low = row & ((1 << width) - 1)
        if not low:
            if row:
                return None
            continue
        lead = low.bit_length() - 1
        for bit in list(pivots):
            if pivots[bit] >> lead & 1:
                pivots[bit] ^= row
        pivots[lead] = row
    return sum((row >> width & 1) << bit for bit, row in pivots.items())


def _variant(engine: CrcEngine, solved: tuple[int, int]) -> Algorithm:
    start, final = solved
    if engine.base.reflected:
        start, final = (turned(one, engine.base.width) for one in solved)
    return replace(engine.base, initial=start, final=final)


_EQUATIONS = 4
_LAYOUTS = ((0, 0), (0, 1), (1, 0))
"""Fields left out at the start and the end of a row's block: stored after, at its end, at its start."""


def from_directory(engine: CrcEngine, material: Material, table: Directory) -> Iterator[Algorithm]:
    """Variants whose start and final value fit four blocks of a directory or all, if there are fewer."""
    size = engine.base.width // 8
    _, first = np.unique(table.ends - table.starts, return_index=True)
    chosen = np.sort(first)[:_EQUATIONS]
    if chosen.size < 3:
        return
    for head, tail in _LAYOUTS:
        starts, ends = table.starts[chosen] + size * head, table.ends[chosen] - size * tail
        places = starts - size if head else ends
        if (ends - starts < 16).any() or (places + size > material.size).any():
            continue
        raw = engine.raw(0, starts, ends)
        for order in material.orders(engine.base.width):
            stored = material.stored(0, places, engine.base.width, order).tolist()
            solved = _solve(engine, (ends - starts).tolist(), raw.tolist(), stored)
            if solved is not None:
                yield _variant(engine, solved)


def _solve(
    engine: CrcEngine, lengths: Sequence[int], raw: Sequence[int], stored: Sequence[int]
) -> tuple[int, int] | None:
    width = engine.base.width
    turn = [turned(one, width) if engine.base.reflected else one for one in stored]
    return start_and_final(engine.field, lengths, [one ^ other for one, other in zip(raw, turn, strict=True)])


_NEAREST = 4


def from_pair(
    engine: CrcEngine, material: Material, one: Rule, two: Rule, natural: Int64s
) -> Iterator[Algorithm]:
    """Variants that fit two rules of unknown start and final value, each begun at one of the natural places
    before its first per-drive byte."""
    begins = [
        natural[: np.searchsorted(natural, rule.start, side="right")][-_NEAREST:] for rule in (one, two)
    ]
    for left in begins[0].tolist():
        for right in begins[1].tolist():
            starts, ends = np.array([left, right]), np.array([one.end, two.end])
            if starts.min() < 0 or (ends - starts)[0] == (ends - starts)[1]:
                continue
            raw = engine.raw(0, starts, ends).tolist()
            stored = [rule.stored(material.dumps[0]) for rule in (one, two)]
            solved = _solve(engine, (ends - starts).tolist(), raw, stored)
            if solved is not None:
                yield _variant(engine, solved)


@dataclass(frozen=True, slots=True)
class Divisor:
    """A polynomial that divides all differences: normal notation without its highest term."""

    polynomial: int
    width: int
    reflected: bool


_LONGEST, _BEFORE = 8192, 3
"""Bytes of the longest difference divided, and how many clusters of per-drive bytes before the stored value
are taken as the first of its region."""
_BEGIN_GAPS = (2, 16, 128)
"""Bytes between clusters at which they count as two."""
_MOST_FOUND = 8
_APART = 4
"""Bytes from other varying ones that a stored value should keep."""
_WORK = 1.5e10
"""Total work, as bits times the sum of 2000 and the words of 64 bits of each difference: some seconds."""


def polynomials(material: Material) -> list[Divisor]:
    """Polynomials that the differences of three and more dumps of one revision are multiples of.

    For every place where a stored value may end a stretch of per-drive bytes: the differences of the region
    with the stored value behind it must all be multiples of the polynomial, whatever the start and final
    value. Two random differences share a factor of 16 bits with a chance of one in 65 536.
    """
    if material.own < 3:
        return []
    tries = sorted(set(_tries(material.vary)), key=lambda one: (one[0], one[2] - one[1]))
    found: list[Divisor] = []
    work = 0.0
    for _, begin, place, width in tries:
        bits = 8 * (place - begin)
        if place - begin > _LONGEST:
            continue
        work += 4 * bits * (2000.0 + bits / 64)
        if work > _WORK:
            break
        for reflected in (False, True):
            for order in (Order.LITTLE, Order.BIG):
                for one in _divisors(material, begin, place, width, reflected, order):
                    if one not in found:
                        found.append(one)
        if any(one.width == 32 for one in found) or len(found) >= _MOST_FOUND:
            break  # two differences share a factor of 32 bits by no chance, of 16 now and then
    return found


def _tries(vary: Flags) -> Iterator[tuple[int, int, int, int]]:
    """Rank, first byte of a region, place of the value and its width: stored values that stand alone first,
    with the clusters just before them, narrow ones and wide ones."""
    starts, ends = clusters(vary, 2)
    begins = [clusters(vary, gap)[0] for gap in _BEGIN_GAPS]
    room = np.concatenate([[_APART], starts[1:] - ends[:-1], [_APART]])
    apart = np.minimum(room[:-1], room[1:]) >= _APART
    for number, end in enumerate(ends.tolist()[:256]):
        start = int(starts[number])
        long = end - start
        for width in (32, 16):
            size = width // 8
            alone = size - 1 <= long <= size
            if long < size and not alone:
                continue
            crowded = (0 if apart[number] else 1) if alone else 2
            for place in {end - size, start} if alone else {end - size}:
                for wide, among in enumerate(begins):
                    before = among[: np.searchsorted(among, place)][-_BEFORE:][::-1].tolist()
                    for rank, begin in enumerate(before):
                        yield rank + wide + crowded, begin, place, width


def _divisors(
    material: Material, begin: int, place: int, width: int, reflected: bool, order: Order
) -> Iterator[Divisor]:
    base = _message(material, 0, begin, place, width, reflected, order)
    divisor = 0
    for dump in range(1, min(material.own, 6)):
        difference = base ^ _message(material, dump, begin, place, width, reflected, order)
        divisor = remainder_gcd(divisor, difference) if divisor else difference
        if divisor.bit_length() <= width:
            return
    excess = divisor.bit_length() - 1 - width
    if excess > 6:
        return
    for small in range(1 << excess, 2 << excess):
        quotient, rest = _divided(divisor, small)
        if not rest and quotient & 1 and quotient.bit_length() == width + 1:
            yield Divisor(quotient & ((1 << width) - 1), width, reflected)


def _message(
    material: Material, dump: int, begin: int, place: int, width: int, reflected: bool, order: Order
) -> int:
    """Region and stored value as one polynomial; a constant start value does not matter to differences."""
    data = material.dumps[dump][begin : place + width // 8]
    region = data[: place - begin]
    value = sum(int(data[place - begin + i]) << shift for i, shift in enumerate(lanes(width, order)))
    if reflected:
        region, value = reversed_bits(region), turned(value, width)
    return int.from_bytes(region.tobytes(), "big") << width | value


def _divided(left: int, right: int) -> tuple[int, int]:
    """Quotient and remainder of polynomials over GF(2)."""
    quotient, degree = 0, right.bit_length()
    while left.bit_length() >= degree:
        shift = left.bit_length() - degree
        quotient |= 1 << shift
        left ^= right << shift
    return quotient, left
