"""What dumps of one revision differ by: the varying bytes, and the change that a check's value takes from
them.

Whatever does not vary cancels out between two dumps of one revision: start and final value, constant code,
and the question where exactly a region begins or ends between two varying bytes. What is left is a small
question about the varying bytes alone: which run of them changes by what a varying stored value changes by.

A place between two varying bytes is told by its class, the number of varying bytes before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.crc import Difference, field, reversed_bits, reversed_values
from mendbay.board.rules.material import Material

Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
UInt64s = npt.NDArray[np.uint64]
Flags = npt.NDArray[np.bool_]

MOST_DUMPS = 6
"""Dumps compared; further ones only confirm what was found."""
_MOST_FIELDS = 6000
_NEAR_EDGE, _WINDOW = 12, 256
"""Where more varies, only so many bytes from each end of a run of varying bytes are asked for stored values,
and the varying bytes of evenly spaced windows: of a long array of records some tell the rest."""


class Changes:
    """The varying bytes of dumps of one revision.

    Args:
        material: at least two dumps of its own revision.

    `places` are the varying bytes, rising, shape (varying,); `bytes_of[d]` their values in dump d.
    """

    def __init__(self, material: Material) -> None:
        self.material = material
        self.places = material.varying_places
        self.dumps = min(material.own, MOST_DUMPS)
        self.bytes_of = [material.dumps[one][self.places] for one in range(self.dumps)]

    @property
    def count(self) -> int:
        """Varying bytes."""
        return int(self.places.size)

    def classes(self, places: Int64s) -> Int64s:
        """Varying bytes before each place, shape as given."""
        return np.searchsorted(self.places, places)

    def fields(self, width: int, taken: Flags) -> Int64s:
        """Places where a varying value of this width may be stored.

        Args:
            width: bits.
            taken: bytes that hold the value of a known check, shape (size,).
        """
        size = width // 8
        near = self.places
        if near.size > _MOST_FIELDS:
            gaps = np.flatnonzero(np.diff(self.places) > 1)
            ends = np.concatenate([[0], gaps + 1, gaps, [near.size - 1]])
            reach = np.arange(-_NEAR_EDGE, _NEAR_EDGE + 1)
            chosen = (ends[:, None] + reach[None, :]).reshape(-1)
            chosen = np.unique(chosen[(chosen >= 0) & (chosen < near.size)])[:_MOST_FIELDS]
            windows = max(1, (_MOST_FIELDS - chosen.size) // _WINDOW)
            starts = np.linspace(0, near.size - _WINDOW, windows).astype(np.int64)
            inside = (starts[:, None] + np.arange(_WINDOW)[None, :]).reshape(-1)
            near = self.places[np.union1d(chosen, inside)]
        found = np.unique((near[:, None] - np.arange(size)[None, :]).reshape(-1))
        found = found[(found >= 0) & (found + size <= self.material.size)]
        for byte in range(size):
            found = found[~taken[found + byte]]
        return found

    def stored(self, dump: int, places: Int64s, width: int, order: Order) -> UInt32s:
        """Values stored at the places."""
        return self.material.stored(dump, places, width, order)


class ChangeEngine(Protocol):
    """One basic algorithm on the varying bytes.

    `signs` are the ways a stored value may follow: 1, and for sums also -1 (negated or inverted). `by_class`
    says that the exact place of an end does not matter, only its class.
    """

    base: Algorithm
    price: float
    phase: int
    signs: tuple[int, ...]
    by_class: bool

    def keys(self) -> UInt64s:
        """A number for each class that stands for the totals of all dumps up to it, shape (varying + 1,)."""
        ...

    def start_keys(self, ends: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """The key of the class a region must begin in to end at `ends` with its value at `places`."""
        ...

    def end_keys(self, starts: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """The key of the class a region must end in that begins in class `starts`; only if `by_class`."""
        ...

    def value_keys(self, starts: Int64s, ends: Int64s) -> UInt64s:
        """A number for the changes of regions from class `starts` to place `ends`."""
        ...

    def stored_keys(self, places: Int64s, order: Order, sign: int) -> UInt64s:
        """The same number for the changes of stored values."""
        ...

    def fits(self, ends: Int64s) -> Flags:
        """Which ends whole words can end at."""
        ...


_MIX = np.random.default_rng(0x6D656E64).integers(1, 1 << 63, 4 * MOST_DUMPS, np.uint64) | np.uint64(1)
"""Odd factors that join the parts of a key: equal parts always give equal keys, others hardly ever."""


def _mixed(parts: Sequence[Int64s]) -> UInt64s:
    found = np.zeros(parts[0].shape, np.uint64)
    for factor, part in zip(_MIX, parts, strict=False):
        value = part.astype(np.uint64)
        value = (value ^ (value >> np.uint64(7))) * factor
        found += value ^ (value >> np.uint64(29))
    return found


class CrcChanges:
    """A cyclic check."""

    signs: tuple[int, ...] = (1,)
    by_class = False
    phase = 0

    def __init__(self, changes: Changes, base: Algorithm, price: float) -> None:
        self._changes, self.base, self.price = changes, base, price
        self._field = field(base.polynomial, base.width)
        first = changes.bytes_of[0]
        self._totals = []
        for one in changes.bytes_of[1:]:
            bits = reversed_bits(one ^ first) if base.reflected else one ^ first
            self._totals.append(Difference(self._field, changes.places, bits).totals)

    def _stored(self, places: Int64s, order: Order) -> list[UInt32s]:
        width = self.base.width
        first = self._changes.stored(0, places, width, order)
        found = [
            self._changes.stored(dump, places, width, order) ^ first for dump in range(1, self._changes.dumps)
        ]
        return [reversed_values(one, width) for one in found] if self.base.reflected else found

    def keys(self) -> UInt64s:
        """See ChangeEngine."""
        return _mixed([one.astype(np.int64) for one in self._totals])

    def start_keys(self, ends: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        classes, back = self._changes.classes(ends), self._field.inverse_power(ends)
        parts = [
            totals[classes] ^ self._field.times(back, stored)
            for totals, stored in zip(self._totals, self._stored(places, order), strict=True)
        ]
        return _mixed([one.astype(np.int64) for one in parts])

    def end_keys(self, starts: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """Not for a cyclic check, whose value depends on the exact end."""
        raise NotImplementedError

    def value_keys(self, starts: Int64s, ends: Int64s) -> UInt64s:
        """See ChangeEngine."""
        classes, power = self._changes.classes(ends), self._field.power(ends)
        parts = [self._field.times(power, totals[classes] ^ totals[starts]) for totals in self._totals]
        return _mixed([one.astype(np.int64) for one in parts])

    def stored_keys(self, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        return _mixed([one.astype(np.int64) for one in self._stored(places, order)])

    def fits(self, ends: Int64s) -> Flags:
        """All."""
        return np.ones(ends.shape, np.bool_)


def _weights(changes: Changes, base: Algorithm, phase: int) -> Int64s:
    """What each varying byte counts in its word."""
    lane = (changes.places - phase) % base.word
    if base.word_order is Order.BIG:
        lane = base.word - 1 - lane
    weights: Int64s = np.int64(1) << (8 * lane)
    return weights


class SumChanges:
    """Sums and exclusive-ors of words that begin at places equal to `phase` modulo their size."""

    by_class = True

    def __init__(self, changes: Changes, base: Algorithm, price: float, phase: int = 0) -> None:
        self._changes, self.base, self.price, self.phase = changes, base, price, phase
        self._xor = base.kind is Kind.XOR
        self.signs: tuple[int, ...] = (1,) if self._xor else (1, -1)
        self._modulus = np.int64(65535 if base.kind is Kind.ONES else 1 << base.width)
        weights, first = _weights(changes, base, phase), changes.bytes_of[0].astype(np.int64)
        self._totals = []
        for one in changes.bytes_of[1:]:
            totals = np.zeros(changes.count + 1, np.int64)
            if self._xor:
                np.bitwise_xor.accumulate((one.astype(np.int64) ^ first) * weights, out=totals[1:])
            else:
                np.cumsum((one.astype(np.int64) - first) * weights, out=totals[1:])
                totals %= self._modulus
            self._totals.append(totals)

    def _stored(self, places: Int64s, order: Order, sign: int) -> list[Int64s]:
        width = self.base.width
        first = self._changes.stored(0, places, width, order).astype(np.int64)
        found = []
        for dump in range(1, self._changes.dumps):
            one = self._changes.stored(dump, places, width, order).astype(np.int64)
            found.append(one ^ first if self._xor else (sign * (one - first)) % self._modulus)
        return found

    def _less(self, left: Int64s, right: Int64s) -> Int64s:
        return left ^ right if self._xor else (left - right) % self._modulus

    def _plus(self, left: Int64s, right: Int64s) -> Int64s:
        return left ^ right if self._xor else (left + right) % self._modulus

    def keys(self) -> UInt64s:
        """See ChangeEngine."""
        return _mixed(self._totals)

    def start_keys(self, ends: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        classes = self._changes.classes(ends)
        pairs = zip(self._totals, self._stored(places, order, sign), strict=True)
        return _mixed([self._less(totals[classes], stored) for totals, stored in pairs])

    def end_keys(self, starts: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        pairs = zip(self._totals, self._stored(places, order, sign), strict=True)
        return _mixed([self._plus(totals[starts], stored) for totals, stored in pairs])

    def value_keys(self, starts: Int64s, ends: Int64s) -> UInt64s:
        """See ChangeEngine."""
        classes = self._changes.classes(ends)
        return _mixed([self._less(totals[classes], totals[starts]) for totals in self._totals])

    def stored_keys(self, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        return _mixed(self._stored(places, order, sign))

    def fits(self, ends: Int64s) -> Flags:
        """All: where words end between two varying bytes is not known yet."""
        return np.ones(ends.shape, np.bool_)


class FletcherChanges:
    """Fletcher and Adler sums: the second sum weighs each word by its distance from the end."""

    by_class = False
    signs: tuple[int, ...] = (1,)

    def __init__(self, changes: Changes, base: Algorithm, price: float, phase: int = 0) -> None:
        self._changes, self.base, self.price, self.phase = changes, base, price, phase
        self._modulus = np.int64(base.modulus)
        weights, first = _weights(changes, base, phase), changes.bytes_of[0].astype(np.int64)
        index = (changes.places - phase) // base.word
        self._totals: list[tuple[Int64s, Int64s]] = []
        for one in changes.bytes_of[1:]:
            change = (one.astype(np.int64) - first) * weights
            plain, weighted = np.zeros(changes.count + 1, np.int64), np.zeros(changes.count + 1, np.int64)
            np.cumsum(change, out=plain[1:])
            np.cumsum(change % self._modulus * (index % self._modulus) % self._modulus, out=weighted[1:])
            self._totals.append((plain % self._modulus, weighted % self._modulus))

    def _stored(self, places: Int64s, order: Order) -> list[tuple[Int64s, Int64s]]:
        half = self.base.width // 2
        split = []
        for dump in range(self._changes.dumps):
            value = self._changes.stored(dump, places, self.base.width, order).astype(np.int64)
            high, low = value >> half, value & ((1 << half) - 1)
            split.append((low, high) if self.base.upper_first else (high, low))
        first = split[0]
        return [
            ((one[0] - first[0]) % self._modulus, (one[1] - first[1]) % self._modulus) for one in split[1:]
        ]

    def _index(self, ends: Int64s) -> Int64s:
        return (ends - self.phase) // self.base.word % self._modulus

    def keys(self) -> UInt64s:
        """See ChangeEngine."""
        return _mixed([part for pair in self._totals for part in pair])

    def start_keys(self, ends: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        classes, index = self._changes.classes(ends), self._index(ends)
        parts = []
        for (plain, weighted), (lower, upper) in zip(self._totals, self._stored(places, order), strict=True):
            parts.append((plain[classes] - lower) % self._modulus)
            parts.append((weighted[classes] + upper - index * lower) % self._modulus)
        return _mixed(parts)

    def end_keys(self, starts: Int64s, places: Int64s, order: Order, sign: int) -> UInt64s:
        """Not for a Fletcher sum, whose value depends on the exact end."""
        raise NotImplementedError

    def value_keys(self, starts: Int64s, ends: Int64s) -> UInt64s:
        """See ChangeEngine."""
        classes, index = self._changes.classes(ends), self._index(ends)
        parts = []
        for plain, weighted in self._totals:
            lower = (plain[classes] - plain[starts]) % self._modulus
            parts += [lower, (index * lower - weighted[classes] + weighted[starts]) % self._modulus]
        return _mixed(parts)

    def stored_keys(self, places: Int64s, order: Order, sign: int) -> UInt64s:
        """See ChangeEngine."""
        return _mixed([part for pair in self._stored(places, order) for part in pair])

    def fits(self, ends: Int64s) -> Flags:
        """Those where a word of this phase ends."""
        fitting: Flags = (ends - self.phase) % self.base.word == 0
        return fitting


_ODD_PHASE = 3.0
"""Bits for words that do not begin at a multiple of their size."""


def change_engines(changes: Changes, bases: Sequence[tuple[Algorithm, float]]) -> list[ChangeEngine]:
    """The engines of basic algorithms and their prices, words of every phase."""
    found: list[ChangeEngine] = []
    for base, price in bases:
        if base.kind is not Kind.FLETCHER:  # whose start value is part of its name, as of Adler's
            base = replace(base, initial=0, final=0, negated=False)
        if base.kind is Kind.CRC:
            found.append(CrcChanges(changes, base, price))
            continue
        made = FletcherChanges if base.kind is Kind.FLETCHER else SumChanges
        for phase in range(base.word):
            found.append(made(changes, base, price + (_ODD_PHASE if phase else 0.1), phase))
    return found
