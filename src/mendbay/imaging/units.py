"""Reading by what fails as one: the physical sectors of a drive that is asked for smaller ones.

A physical sector that fails can give none of the sectors in it, so asking for each of them is wear for
nothing. A drive that says what its physical sectors are is therefore planned for, and asked, in these; the
record stays in sectors. What it says may be wrong all the same: its physical sectors may be smaller, or begin
elsewhere. So what was refused to the end as a physical sector is asked for once in pieces, as long as that
brings anything.
"""

from __future__ import annotations

import heapq

import numpy as np

from mendbay.core.coverage import Coverage, refused_alone
from mendbay.core.span import Int64s, SameBytes, Span, SpanSet
from mendbay.imaging.alike import Alike

BELIEVED_AFTER = 64
"""Pieces asked for alone after which the drive's word is believed, if next to none was given: eight of the
usual physical sectors (own choice, no source)."""
BELIEVED_SHARE = 0.02
"""The share of such pieces given below which it is (own choice, no source)."""


def in_units(coverage: Coverage, unit_bytes: int) -> Coverage:
    """A coverage as one whose sectors are units, for planning in these.

    A unit is read if all of it is. It is refused if all that was not read of it was refused, as often as the
    sector refused least; waived if all that was not read is waived; else unread, also where a part was read
    before: to read that along costs nothing.

    Args:
        unit_bytes: a multiple of the sector that divides the drive; a sector for the coverage as it is.
    """
    if unit_bytes == coverage.sector_bytes:
        return coverage
    read = coverage.read.narrow(unit_bytes)
    refused = (coverage.read | coverage.refused).narrow(unit_bytes)
    waived = (coverage.read | coverage.waived).narrow(unit_bytes) - read
    numbers, which = np.unique(coverage.refused_starts // unit_bytes, return_inverse=True)
    least = np.full(numbers.size, np.iinfo(np.int64).max)
    np.minimum.at(least, which, coverage.refused_tries)
    starts = numbers * unit_bytes
    kept = refused.holds(starts)
    return Coverage(coverage.size_bytes, unit_bytes, read, starts[kept], least[kept], waived)


class LastPieces:
    """The sectors of units that had all their tries as a whole and were not asked for alone yet, unit by unit
    in order, as long as the drive's word for its units is not believed.

    Every sector handed out must be told of: `asked` or `give_back`. What is handed out, and the list itself,
    rest on the record as it was at the start: after any other read, and where `within` grows, make a new one.

    Args:
        coverage: in sectors.
        refused: start and stop of every read not given that counts; shape (n, 2).
        unit_bytes: what the drive says fails as one.
        most_tries: tries of a unit as a whole after which it is asked for in pieces.
        within: where to look.
    """

    def __init__(
        self, coverage: Coverage, refused: Int64s, unit_bytes: int, most_tries: int, within: SpanSet
    ) -> None:
        self._sector, self._unit = coverage.sector_bytes, unit_bytes
        alone = np.unique(refused_alone(refused, self._sector)[0])
        starts = coverage.refused_starts[coverage.refused_tries >= most_tries]
        due: list[int] = np.setdiff1d(starts[within.holds(starts)], alone).tolist()
        self._due = due  # sorted, so a heap
        self._word = _WordOfUnits(coverage, alone, unit_bytes)

    def next_unit(self) -> tuple[Span, ...]:
        """Hands out the sectors of the first such unit, in order; none if there is no such unit, or the
        drive's word is believed."""
        if not self._due or self._word.is_believed:
            return ()
        unit = self._due[0] // self._unit
        found: list[Span] = []
        while self._due and self._due[0] // self._unit == unit:
            found.append(Span.at(heapq.heappop(self._due), self._sector))
        return tuple(found)

    def asked(self, span: Span, *, is_given: bool) -> None:
        """Takes in what came of asking for a sector alone."""
        self._word.asked(span.start, is_given=is_given)

    def give_back(self, span: Span) -> None:
        """Takes back a sector that was handed out but never tried."""
        heapq.heappush(self._due, span.start)


class _WordOfUnits:
    """Whether enough units were asked for in pieces to see that none come.

    Only those count of which every sector was asked for, and of units that adjoin only the first: there a
    stretch of bad sectors begins, and if they were smaller than a unit some beside them would be given.

    Args:
        alone: the first bytes of the sectors refused alone, sorted.
    """

    def __init__(self, coverage: Coverage, alone: Int64s, unit_bytes: int) -> None:
        self._sector, self._unit = coverage.sector_bytes, unit_bytes
        self._inside = np.arange(0, unit_bytes, self._sector, dtype=np.int64)
        self._read, self._given = coverage.read, set[int]()
        self._refused: dict[int, int] = {}  # by number of the unit, a bit for each of its sectors
        for at in alone.tolist():
            self._note_refused(at)
        self._pieces = self._came = 0
        for unit in self._refused:
            self._count(unit, 1)

    @property
    def is_believed(self) -> bool:
        return self._pieces >= BELIEVED_AFTER and self._came < BELIEVED_SHARE * self._pieces

    def asked(self, at: int, *, is_given: bool) -> None:
        unit = at // self._unit
        changed = (unit, unit + 1)  # the next one is the first of its kind only while this one is none
        for one in changed:
            self._count(one, -1)
        if is_given:
            self._given.add(at)
        else:
            self._note_refused(at)
        for one in changed:
            self._count(one, 1)

    def _note_refused(self, at: int) -> None:
        unit = at // self._unit
        self._refused[unit] = self._refused.get(unit, 0) | 1 << at % self._unit // self._sector

    def _count(self, unit: int, times: int) -> None:
        """Adds a unit that counts to the pieces asked for and to those that came, or takes it off."""
        if unit not in self._refused or unit - 1 in self._refused:
            return
        places = unit * self._unit + self._inside
        given = self._read.holds(places)
        came = [was or at in self._given for was, at in zip(given.tolist(), places.tolist(), strict=True)]
        refused = self._refused[unit]
        if all(was or refused >> number & 1 for number, was in enumerate(came)):
            self._pieces += times * len(came)
            self._came += times * sum(came)


def common_unit(alike: Alike, units: tuple[int, int], sector_bytes: int) -> int:
    """The unit in which two drives can be planned together: theirs, where it is the same and its borders meet
    in all that they hold alike; else a sector."""
    unit = units[0]
    meet = all((one.starts[0] - one.starts[1]) % unit == 0 for one in alike.stretches)
    return unit if units[1] == unit and meet else sector_bytes


def alike_in_units(alike: Alike, unit_bytes: int) -> Alike:
    """The whole units that two drives hold alike, for a unit whose borders meet."""
    found = []
    for one in alike.stretches:
        cut = -one.starts[0] % unit_bytes
        length = (one.length - cut) // unit_bytes * unit_bytes
        if length > 0:
            found.append(SameBytes((one.starts[0] + cut, one.starts[1] + cut), length))
    return Alike(tuple(found))
