"""The values of many regions in several dumps, for one basic algorithm and its variants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Kind, Order, turned
from mendbay.board.rules.crc import Difference, Remainders, field, reversed_bits, reversed_values
from mendbay.board.rules.sums import Totals

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
Flags = npt.NDArray[np.bool_]

_SPARSE = 16
"""A dump that differs from the first in less than one byte in so many is treated by its differences."""


class Engine(Protocol):
    """One basic algorithm over a set of dumps of the same size."""

    base: Algorithm
    price: float
    """Bits that naming the algorithm costs: minus log2 of its share among those tried."""

    @property
    def variants(self) -> tuple[Algorithm, ...]:
        """The algorithms that differ in start and final value only."""
        ...

    def fits(self, starts: Int64s, ends: Int64s) -> Flags:
        """Which regions the algorithm can be applied to."""
        ...

    def raw(self, dump: int, starts: Int64s, ends: Int64s) -> UInt32s:
        """The basic values of the regions in one dump."""
        ...

    def finished(self, variant: Algorithm, raw: UInt32s, lengths: Int64s) -> UInt32s:
        """The values of a variant, from the basic ones and the lengths of the regions."""
        ...

    def release(self) -> None:
        """Drops the tables; they are made again when asked for."""
        ...


class SumEngine:
    """Sums, exclusive-ors and Fletcher sums."""

    def __init__(self, dumps: Sequence[Bytes], base: Algorithm, price: float) -> None:
        self._dumps, self.base, self.price = dumps, base, price
        self._totals: dict[int, Totals] = {}

    @cached_property
    def variants(self) -> tuple[Algorithm, ...]:
        """As is; also negated (sums) and inverted."""
        found = [self.base]
        if self.base.kind is Kind.SUM:
            found.append(replace(self.base, negated=True))
        if self.base.kind is not Kind.FLETCHER:
            found.append(replace(self.base, final=self.base.mask))
        return tuple(found)

    def fits(self, starts: Int64s, ends: Int64s) -> Flags:
        """Those of whole words."""
        fitting: Flags = (ends - starts) % self.base.word == 0
        return fitting

    def raw(self, dump: int, starts: Int64s, ends: Int64s) -> UInt32s:
        """Totals, modulo two to the width."""
        if dump not in self._totals:
            self._totals[dump] = Totals(self._dumps[dump], self.base)
        return self._totals[dump].values(starts, ends)

    def release(self) -> None:
        """Drops the totals."""
        self._totals.clear()

    def finished(self, variant: Algorithm, raw: UInt32s, lengths: Int64s) -> UInt32s:
        """Negated and inverted as the variant says."""
        value = (~raw + np.uint32(1)) & np.uint32(variant.mask) if variant.negated else raw
        return value ^ np.uint32(variant.final)


class CrcEngine:
    """A cyclic check of one polynomial, plain or reflected. `raw` is most significant bit first, also of a
    reflected check."""

    def __init__(self, dumps: Sequence[Bytes], base: Algorithm, price: float) -> None:
        self._dumps, self.base, self.price = dumps, base, price
        self.field = field(base.polynomial, base.width)
        self._first: Remainders | None = None
        self._others: dict[int, Remainders | Difference] = {}
        self._powers: tuple[Int64s, UInt32s] | None = None

    @cached_property
    def variants(self) -> tuple[Algorithm, ...]:
        """Start and final value all zeros or all ones."""
        ends = (0, self.base.mask)
        return tuple(replace(self.base, initial=one, final=two) for one in ends for two in ends)

    def fits(self, starts: Int64s, ends: Int64s) -> Flags:
        """All."""
        return np.ones(starts.shape, np.bool_)

    def taken(self, dump: int) -> Bytes:
        """The bytes of a dump as they enter the algebra."""
        data = self._dumps[dump]
        return reversed_bits(data) if self.base.reflected else data

    def raw(self, dump: int, starts: Int64s, ends: Int64s) -> UInt32s:
        """Remainders without start and final value."""
        first = self.remainders()
        if dump == 0:
            return first.between(starts, ends)
        if dump not in self._others:
            self._others[dump] = self._other(dump)
        other = self._others[dump]
        if isinstance(other, Difference):
            return first.between(starts, ends) ^ other.between(starts, ends)
        return other.between(starts, ends)

    def release(self) -> None:
        """Drops the remainders."""
        self._first, self._powers = None, None
        self._others.clear()

    def remainders(self) -> Remainders:
        """Those of the first dump."""
        if self._first is None:
            self._first = Remainders(self.field, self.taken(0))
        return self._first

    def _other(self, dump: int) -> Remainders | Difference:
        places = np.flatnonzero(self._dumps[dump] != self._dumps[0])
        if places.size * _SPARSE > self._dumps[0].size:
            return Remainders(self.field, self.taken(dump))
        return self.difference(dump, places)

    def difference(self, dump: int, places: Int64s) -> Difference:
        """How a dump differs from the first, at the places given (where else it must not)."""
        bits = self.taken(dump)[places] ^ self.taken(0)[places]
        return Difference(self.field, places, bits)

    def finished(self, variant: Algorithm, raw: UInt32s, lengths: Int64s) -> UInt32s:
        """With start and final value, bits reversed for a reflected check."""
        value = raw
        if variant.initial:
            value = raw ^ self._started(variant.initial, lengths)
        if variant.reflected:
            value = reversed_values(value, variant.width)
        return value ^ np.uint32(variant.final)

    def _started(self, initial: int, lengths: Int64s) -> UInt32s:
        """What the start value leaves after so many bytes."""
        width = self.base.width
        seed = np.uint32(turned(initial, width) if self.base.reflected else initial)
        if self._powers is None or self._powers[0] is not lengths:
            distinct, index = np.unique(lengths, return_inverse=True)
            self._powers = (lengths, self.field.power(distinct)[index])
        return self.field.times(np.full(1, seed), self._powers[1])


@dataclass(frozen=True, slots=True)
class Polynomial:
    """A polynomial to try, and whether it is one of the most usual of its width."""

    value: int
    width: int
    usual: bool


POLYNOMIALS = (
    *(Polynomial(one, 32, True) for one in (0x04C11DB7, 0x1EDC6F41)),
    *(Polynomial(one, 32, False) for one in (0x741B8CD7, 0x814141AB, 0xA833982B, 0xF4ACFB13, 0x000000AF)),
    *(Polynomial(one, 16, True) for one in (0x1021, 0x8005)),
    *(Polynomial(one, 16, False) for one in (0x3D65, 0x8BB7, 0xC867, 0x0589, 0xA097, 0x755B)),
    *(Polynomial(one, 8, True) for one in (0x07, 0x31)),
    *(Polynomial(one, 8, False) for one in (0x1D, 0x9B, 0xD5, 0x2F, 0x39, 0xA7)),
)
"""Of the published catalogue of cyclic checks, from memory."""

USUAL_PRICE, RARE_PRICE = 7.0, 9.0
"""Bits for naming an algorithm: some 110 usual and 190 rare ones are tried, each variant counted."""


def sum_algorithms() -> tuple[tuple[Algorithm, float], ...]:
    """The basic sums, exclusive-ors and Fletcher sums tried, with their prices."""
    found = [(Algorithm(Kind.SUM, width), USUAL_PRICE) for width in (8, 16, 32)]
    found += [(Algorithm(Kind.XOR, 8), USUAL_PRICE), (Algorithm(Kind.ONES, 16, 2), USUAL_PRICE)]
    for order in (Order.LITTLE, Order.BIG):
        for width, word in ((16, 2), (32, 2), (32, 4)):
            found.append((Algorithm(Kind.SUM, width, word, order), USUAL_PRICE))
        found += [(Algorithm(Kind.XOR, 8 * word, word, order), USUAL_PRICE) for word in (2, 4)]
        for modulus in (65535, 65536):
            one = Algorithm(Kind.FLETCHER, 32, 2, order, modulus=modulus)
            found.append((one, USUAL_PRICE if modulus == 65535 else RARE_PRICE))
    for upper in (True, False):
        small = [Algorithm(Kind.FLETCHER, 16, modulus=one, upper_first=upper) for one in (255, 256)]
        adler = Algorithm(Kind.FLETCHER, 32, initial=1, modulus=65521, upper_first=upper)
        wide = Algorithm(Kind.FLETCHER, 32, modulus=65535, upper_first=upper)
        found += [(one, USUAL_PRICE if upper else RARE_PRICE) for one in (*small, adler)]
        found.append((wide, RARE_PRICE))
    return tuple(found)


def engines(dumps: Sequence[Bytes], widths: Sequence[int], few: bool = False) -> list[Engine]:
    """All engines of these widths; with `few` only cyclic checks of the most usual polynomials."""
    made: list[Engine] = [
        SumEngine(dumps, one, price) for one, price in sum_algorithms() if one.width in widths and not few
    ]
    for polynomial in POLYNOMIALS:
        if polynomial.width in widths and (polynomial.usual or not few):
            price = USUAL_PRICE if polynomial.usual else RARE_PRICE
            made += crc_engines(dumps, polynomial.value, polynomial.width, price)
    return made


def crc_engines(dumps: Sequence[Bytes], polynomial: int, width: int, price: float) -> list[Engine]:
    """The plain and the reflected engine of a polynomial."""
    return [
        CrcEngine(dumps, Algorithm(Kind.CRC, width, polynomial=polynomial, reflected=one), price)
        for one in (False, True)
    ]


def engine_for(dumps: Sequence[Bytes], algorithm: Algorithm) -> Engine:
    """The engine that an algorithm is a variant of, at no price."""
    if algorithm.kind is Kind.CRC:
        return CrcEngine(dumps, replace(algorithm, initial=0, final=0), 0.0)
    if algorithm.kind is Kind.FLETCHER:
        return SumEngine(dumps, algorithm, 0.0)
    return SumEngine(dumps, replace(algorithm, final=0, negated=False), 0.0)
