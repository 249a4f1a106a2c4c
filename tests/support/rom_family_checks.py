"""One hidden self-check of a board ROM: what it covers, how it is computed, where it is stored."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from support.rom_family_formulas import Formula

Order = Literal["little", "big"]
Region = tuple[int, int]
"""[start, end) in bytes of the dump."""


class Varies(StrEnum):
    """Between which dumps the covered content differs."""

    DRIVE = "per drive"
    REVISION = "per revision"
    """The same in all drives of a revision, changed by at least one of the revisions 1 to 3."""
    NEVER = "never"


class OwnField(StrEnum):
    """What the stored field counts as while its own check is computed."""

    OUTSIDE = "outside the covered bytes"
    ZEROED = "inside, taken as 00"
    FILLED = "inside, taken as FF"


@dataclass(frozen=True)
class LengthField:
    """A length in the dump itself that says where the last covered region ends.

    The end is the region's start plus `unit` times the number at `at`, plus `extra`.
    """

    at: int
    width: int
    order: Order
    unit: int = 1
    extra: int = 0


@dataclass(frozen=True)
class HiddenCheck:
    """A self-check as its engineers know it. All places are those in the dump.

    Args:
        name: unique in the family, the same in all revisions.
        covered: the regions, in the order in which they are fed.
        at, width, order: the stored field; `order` is that of the machine, see `pair_swapped`.
        length: for a check whose covered length is written in the dump; `covered` is then the most it can be.
        pair_swapped: the dump holds every two bytes swapped; formula and field work on them swapped back.
        fields: the stored fields of all checks of the revision, its own included.
    """

    name: str
    formula: Formula
    covered: tuple[Region, ...]
    at: int
    width: int
    order: Order
    own_field: OwnField = OwnField.OUTSIDE
    varies: Varies = Varies.NEVER
    length: LengthField | None = None
    pair_swapped: bool = False
    fields: tuple[Region, ...] = ()

    @property
    def findable(self) -> bool:
        """False if nobody can find it from dumps, however many."""
        return not self.formula.secret

    @property
    def published(self) -> bool:
        """Whether every number in the formula stands in published lists."""
        return self.formula.published

    @property
    def algorithm(self) -> str:
        return self.formula.words

    @property
    def parameters(self) -> dict[str, int | str | bool]:
        return self.formula.parameters

    @property
    def field(self) -> Region:
        return self.at, self.at + self.width

    def regions_in(self, dump: bytes | bytearray) -> tuple[Region, ...]:
        """What is covered in this very dump."""
        if self.length is None:
            return self.covered
        start, most = self.covered[-1]
        number = int.from_bytes(dump[self.length.at : self.length.at + self.length.width], self.length.order)
        return (*self.covered[:-1], (start, min(most, start + number * self.length.unit + self.length.extra)))

    def fed(self, dump: bytes | bytearray) -> bytes:
        """The bytes as they go into the formula."""
        parts = []
        for start, end in self.regions_in(dump):
            part = bytearray(dump[start:end])
            if self.own_field is not OwnField.OUTSIDE:
                low, high = max(start, self.at), min(end, self.at + self.width)
                if low < high:
                    filler = 0 if self.own_field is OwnField.ZEROED else 0xFF
                    part[low - start : high - start] = bytes([filler]) * (high - low)
            parts.append(bytes(part))
        data = b"".join(parts)
        return swapped_pairs(data) if self.pair_swapped else data

    def value(self, dump: bytes | bytearray) -> int | None:
        """What should be stored; None if the covered bytes give no value."""
        return self.formula.value(self.fed(dump))

    def stored(self, dump: bytes | bytearray) -> int:
        """What is stored."""
        field = bytes(dump[self.at : self.at + self.width])
        return int.from_bytes(swapped_pairs(field) if self.pair_swapped else field, self.order)

    def holds(self, dump: bytes | bytearray) -> bool:
        return self.value(dump) == self.stored(dump)


def swapped_pairs(data: bytes) -> bytes:
    """Every two bytes exchanged; the length must be even."""
    return np.frombuffer(data, dtype=np.uint16).byteswap().tobytes()


def learnable(check: HiddenCheck, dumps: Sequence[bytes]) -> bool:
    """Whether the check takes at least two values over those of the dumps in which it holds.

    Dumps of a revision that has the check elsewhere do not hold and count for nothing.
    """
    seen: set[int | None] = set()
    for dump in dumps:
        value = check.value(dump)
        if value is not None and value == check.stored(dump):
            seen.add(value)
            if len(seen) > 1:
                return True
    return False


def flip_bit_inside(check: HiddenCheck, dump: bytes, rng: random.Random) -> bytes:
    """The dump with one bit flipped inside what the check covers, in no check's stored field.

    The bit is one that the check's value depends on; the field that gives the length is left alone too.

    Raises:
        ValueError: everything covered is a stored field.
    """
    avoided = list(check.fields)
    if check.length is not None:
        avoided.append((check.length.at, check.length.at + check.length.width))
    places = without(merged(check.regions_in(dump)), merged(avoided))
    total = sum(end - start for start, end in places)
    if not total:
        raise ValueError(f"{check.name}: all covered bytes are stored fields of checks")
    before = check.value(dump)
    for _ in range(64):  # the last bits of a packed stream may be padding that nothing depends on
        index = rng.randrange(total)
        for start, end in places:
            if index < end - start:
                break
            index -= end - start
        spoilt = bytearray(dump)
        spoilt[start + index] ^= 1 << rng.randrange(8)
        if check.value(spoilt) != before:
            return bytes(spoilt)
    raise ValueError(f"{check.name}: its value depends on none of the bits tried")


def merged(regions: Iterable[Region]) -> list[Region]:
    """Sorted, overlapping and touching ones joined, empty ones dropped."""
    result: list[Region] = []
    for start, end in sorted(one for one in regions if one[0] < one[1]):
        if result and start <= result[-1][1]:
            result[-1] = result[-1][0], max(end, result[-1][1])
        else:
            result.append((start, end))
    return result


def without(regions: Sequence[Region], removed: Sequence[Region]) -> list[Region]:
    """What is in `regions` but not in `removed`; both merged."""
    result: list[Region] = []
    for start, end in regions:
        at = start
        for low, high in removed:
            if high <= at or low >= end:
                continue
            if low > at:
                result.append((at, low))
            at = max(at, high)
        if at < end:
            result.append((at, end))
    return result


def overlap(one: Iterable[Region], other: Sequence[Region]) -> bool:
    """Whether any byte is in both."""
    return any(start < high and low < end for start, end in one for low, high in other)
