"""Reading by what fails as one: the physical sectors of a drive that is asked for smaller ones.

A physical sector that fails can give none of the sectors in it, so asking for each of them is wear for
nothing. A drive that says what its physical sectors are is therefore planned for, and asked, in these; the
record stays in sectors. What it says may be wrong all the same: its physical sectors may be smaller, or begin
elsewhere. So what was refused to the end as a physical sector is asked for once in pieces, as long as that
brings anything.
"""

from __future__ import annotations

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


def last_pieces(
    coverage: Coverage,
    refused: Int64s,
    unit_bytes: int,
    most_tries: int,
    within: SpanSet,
) -> tuple[Span, ...]:
    """The sectors of the first unit that had all its tries as a whole and whose sectors were not asked for
    alone yet, in order; none if there is no such unit, or the drive's word for its units is believed.

    Args:
        coverage: in sectors.
        refused: start and stop of every read not given that counts; shape (n, 2).
        within: where to look.
    """
    sector = coverage.sector_bytes
    alone = np.unique(refused_alone(refused, sector)[0])
    if _is_believed(coverage, alone, unit_bytes):
        return ()
    starts = coverage.refused_starts[coverage.refused_tries >= most_tries]
    due = np.setdiff1d(starts[within.holds(starts)], alone)
    if not due.size:
        return ()
    first = due[due // unit_bytes == due[0] // unit_bytes]
    return tuple(Span.at(at, sector) for at in first.tolist())


def _is_believed(coverage: Coverage, alone: Int64s, unit_bytes: int) -> bool:
    """Whether enough units were asked for in pieces to see that none come.

    Only those count of which every sector was asked for, and of units that adjoin only the first: there a
    stretch of bad sectors begins, and if they were smaller than a unit some beside them would be given.
    """
    numbers = np.unique(alone // unit_bytes)
    first = numbers[np.diff(numbers, prepend=-2) > 1]
    inside = np.arange(0, unit_bytes, coverage.sector_bytes, dtype=np.int64)
    pieces = first[:, np.newaxis] * unit_bytes + inside
    given = coverage.read.holds(pieces.reshape(-1)).reshape(pieces.shape)
    asked = (np.isin(pieces, alone) | given).all(axis=1)
    count = int(np.count_nonzero(asked)) * inside.size
    return count >= BELIEVED_AFTER and int(np.count_nonzero(given[asked])) < BELIEVED_SHARE * count


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
