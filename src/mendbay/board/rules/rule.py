"""One learned rule: which bytes are checked how, and where the value lies."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mendbay.board.rules.algorithm import Algorithm, Bytes, Order, as_array, stored_value


class Hole(StrEnum):
    """What stands for the stored value while the check is computed, if it lies inside its own region."""

    NONE = "none"
    """It lies outside."""
    ZEROS = "zeros"
    ONES = "ones"
    LEFT_OUT = "left out"


FILL = {Hole.ZEROS: 0x00, Hole.ONES: 0xFF}


@dataclass(frozen=True, slots=True)
class Length:
    """A number in the dump that says where a region ends: at `base` plus `unit` times the number.

    Args:
        place: first byte of the number.
        width: its bits, 8, 16 or 32.
        order: its byte order.
        unit: bytes that each of what it counts takes.
        base: place of the dump it counts from.
    """

    place: int
    width: int
    order: Order
    unit: int
    base: int

    def end(self, data: Bytes) -> int:
        """Where the region ends in a dump; not checked to lie inside it."""
        return self.base + self.unit * stored_value(data, self.place, self.width, self.order)


@dataclass(frozen=True, slots=True)
class Rule:
    """A region that checks itself.

    Args:
        algorithm: how the value is computed.
        start, end: the region, end exclusive, in bytes of the dump.
        place: first byte of the stored value.
        order: byte order of the stored value.
        hole: what stands for the stored value if it lies inside the region.
        evidence: bits by which the dumps speak for the rule, what was tried already taken off.
        dumps: known-good dumps it rests on.
        distinct: different values among them.
        revisions: numbers of the code revisions it was seen to hold in.
        length: what says where the region ends, if that differs from drive to drive; `end` is then the
            furthest that the known-good dumps reach.
    """

    algorithm: Algorithm
    start: int
    end: int
    place: int
    order: Order
    hole: Hole = Hole.NONE
    evidence: float = 0.0
    dumps: int = 1
    distinct: int = 1
    revisions: tuple[int, ...] = (0,)
    length: Length | None = None

    @property
    def field_bytes(self) -> int:
        """Bytes of the stored value."""
        return self.algorithm.width // 8

    @property
    def covers(self) -> tuple[tuple[int, int], ...]:
        """Ranges (start, end) whose change the rule would notice, stored value and number included; rising,
        apart. A counted region is taken as far as it reaches in any known-good dump."""
        return self._covers(self.end)

    def covers_in(self, data: bytes | Bytes) -> tuple[tuple[int, int], ...]:
        """As `covers`, but with a counted region as long as this dump says; if what it says cannot be, as
        long as it is known to be."""
        end = self.end_in(data)
        return self._covers(end if self.start < end <= len(data) else self.end)

    def _covers(self, end: int) -> tuple[tuple[int, int], ...]:
        spans = [(self.start, end), (self.place, self.place + self.field_bytes)]
        if self.length is not None:
            spans.append((self.length.place, self.length.place + self.length.width // 8))
        return joined(spans)

    @property
    def size_needed(self) -> int:
        """Bytes a dump must have for the rule to be asked."""
        return self.covers[-1][1]

    def end_in(self, data: bytes | Bytes) -> int:
        """Where the region ends in a dump; before its start, or behind the dump, if a damaged length says
        so."""
        return self.end if self.length is None else self.length.end(as_array(data))

    def computed(self, data: bytes | Bytes) -> int:
        """What the region gives."""
        taken = as_array(data)[self.start : max(self.start, self.end_in(data))]
        if self.hole is not Hole.NONE:
            first = self.place - self.start
            inside = slice(first, first + self.field_bytes)
            if self.hole is Hole.LEFT_OUT:
                taken = np.delete(taken, inside)
            else:
                taken = taken.copy()
                taken[inside] = FILL[self.hole]
        return self.algorithm.value(taken)

    def stored(self, data: bytes | Bytes) -> int:
        """What the dump says it should be."""
        return stored_value(as_array(data), self.place, self.algorithm.width, self.order)

    def holds(self, data: bytes | Bytes) -> bool:
        """Whether the region gives the stored value; false too if the dump is too short."""
        if len(data) < self.size_needed or not self.start < self.end_in(data) <= len(data):
            return False
        return self.computed(data) == self.stored(data)

    @property
    def name(self) -> str:
        """In words."""
        inside = "" if self.hole is Hole.NONE else f", its own place taken as {self.hole.value}"
        reach = f"{self.start:#x} to {self.end - 1:#x}"
        if self.length is not None:
            reach += f" at most, as counted at {self.length.place:#x}"
        return f"{self.algorithm.name} of {reach}, stored at {self.place:#x} ({self.order.value}){inside}"


def joined(spans: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """The ranges in rising order, touching ones joined."""
    found: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        elif end > start:
            found.append((start, end))
    return tuple(found)
