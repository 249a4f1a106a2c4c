"""Planning in physical sectors while the record stays in sectors."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.core.coverage import Coverage
from mendbay.core.source import Identity
from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.imaging.alike import Alike
from mendbay.imaging.units import (
    BELIEVED_AFTER,
    BELIEVED_SHARE,
    LastPieces,
    alike_in_units,
    common_unit,
    in_units,
)

SECTOR, UNIT = 512, 4096
SIZE = 64 * UNIT
EVERYWHERE = SpanSet([Span(0, 1 << 40)])


def spans(*pairs: tuple[int, int]) -> SpanSet:
    """Ranges by sectors."""
    return SpanSet(Span(start * SECTOR, stop * SECTOR) for start, stop in pairs)


def coverage(
    read: SpanSet, refusals: list[tuple[int, int]], waived: SpanSet | None = None, size: int = SIZE
) -> Coverage:
    """Of a log with these refused reads, told by sectors."""
    log = [(start * SECTOR, stop * SECTOR) for start, stop in refusals]
    return Coverage.from_log(size, SECTOR, read, log, waived, UNIT)


@pytest.mark.parametrize(
    ("size", "sector", "physical", "unit"),
    [
        (1 << 20, 512, 4096, 4096),
        (1 << 20, 512, 1024, 1024),
        (1 << 20, 512, 0, 512),
        (1 << 20, 512, 512, 512),
        (1 << 20, 4096, 4096, 4096),
        (1 << 20, 4096, 512, 4096),
        ((1 << 20) + 512, 512, 4096, 512),
        (1 << 20, 512, 1 << 20, 512),
        (1 << 20, 512, 700, 512),
    ],
)
def test_what_fails_as_one_is_a_physical_sector_where_the_drive_is_made_of_whole_ones(
    size: int, sector: int, physical: int, unit: int
) -> None:
    assert Identity("drive", "one", size, sector, physical).unit_bytes == unit


def test_a_refused_unit_is_a_try_of_each_of_its_sectors() -> None:
    seen = coverage(spans((16, 17)), [(8, 16), (8, 16), (8, 9), (16, 24), (28, 36), (32, 48)])
    assert seen.refused == spans((8, 16), (17, 24)), (
        "what lies across units, or is more than one, says nothing"
    )
    assert [seen.tries_at(at * SECTOR) for at in (8, 9, 15, 17)] == [3, 2, 2, 1]
    plain = Coverage.from_log(SIZE, SECTOR, SpanSet(), [(8 * SECTOR, 16 * SECTOR)])
    assert not plain.refused


def test_a_unit_has_the_condition_of_its_sectors_taken_together() -> None:
    seen = coverage(
        spans((0, 8), (8, 12), (16, 20), (24, 28), (32, 36)),
        [*((one, one + 1) for one in range(12, 16)), (13, 14), (20, 21), *[(40, 48)] * 3, (56, 57)],
        spans((28, 32), (36, 37), (48, 56), (57, 64)),
    )
    units = in_units(seen, UNIT)
    assert (units.size_bytes, units.sector_bytes) == (SIZE, UNIT)
    assert units.read == spans((0, 8))
    assert units.refused == spans((8, 16), (40, 48))
    assert [units.tries_at(at * SECTOR) for at in (8, 40)] == [1, 3], "as often as the one refused least"
    assert units.waived == spans((24, 32), (48, 56))
    assert units.unread == SpanSet([Span(0, SIZE)]) - units.decided
    assert in_units(seen, SECTOR) is seen


def test_tries_that_went_through_other_adapters_only_count_as_none() -> None:
    seen = Coverage(
        SIZE, SECTOR, None, np.arange(8, 16, dtype=np.int64) * SECTOR, np.array([3, 3, 0, 3, 3, 3, 3, 3])
    )
    units = in_units(seen, UNIT)
    assert units.refused_starts.tolist() == [UNIT]
    assert units.refused_tries.tolist() == [0]


def due(seen: Coverage, refusals: list[tuple[int, int]], within: SpanSet = EVERYWHERE) -> list[int]:
    """The sectors that are asked for alone next."""
    reads = np.array(refusals, dtype=np.int64) * SECTOR
    return [one.start // SECTOR for one in LastPieces(seen, reads, UNIT, 3, within).next_unit()]


def test_only_what_had_all_its_tries_as_a_whole_is_asked_for_in_pieces_once() -> None:
    refusals = [*[(8, 16)] * 2, *[(24, 32)] * 3, *[(40, 48)] * 3, (0, 64)]
    assert due(coverage(SpanSet(), refusals), refusals) == list(range(24, 32))
    refusals += [(24, 25), (27, 28)]
    assert due(coverage(spans((30, 32)), refusals), refusals) == [25, 26, 28, 29]
    refusals += [(one, one + 1) for one in range(24, 32)]
    assert due(coverage(SpanSet(), refusals), refusals) == list(range(40, 48))
    assert due(coverage(SpanSet(), refusals), refusals, spans((0, 40))) == []


def tried(units: list[int]) -> list[tuple[int, int]]:
    """The refused reads of units asked for as a whole, then sector by sector."""
    return [
        read
        for unit in units
        for read in (
            *[(8 * unit, 8 * unit + 8)] * 3,
            *((8 * unit + one, 8 * unit + one + 1) for one in range(8)),
        )
    ]


def test_the_drive_is_believed_once_no_piece_came_from_enough_places() -> None:
    places = BELIEVED_AFTER // 8
    last = [(8 * 60, 8 * 60 + 8)] * 3
    for apart, believed in ((list(range(0, 2 * places, 2)), True), (list(range(places + 30)), False)):
        refusals = [*tried(apart), *last]
        assert (due(coverage(SpanSet(), refusals), refusals) == []) is believed
    fewer = [*tried(list(range(0, 2 * places - 2, 2))), *last]
    assert due(coverage(SpanSet(), fewer), fewer) == list(range(480, 488))


def test_a_drive_that_gave_pieces_is_not_believed() -> None:
    refusals = [*tried(list(range(0, 2 * BELIEVED_AFTER // 8, 2))), *[(480, 488)] * 3]
    few = max(1, int(BELIEVED_SHARE * BELIEVED_AFTER) + 1)
    given = spans(*((8 * one, 8 * one + 1) for one in range(0, 2 * few, 2)))
    assert due(coverage(given, refusals), refusals) == list(range(480, 488))


def test_two_drives_are_planned_together_in_units_whose_borders_meet() -> None:
    alike = Alike((SameBytes((UNIT + 512, 3 * UNIT + 512), 10 * UNIT),))
    assert common_unit(alike, (UNIT, UNIT), SECTOR) == UNIT
    assert common_unit(alike, (UNIT, SECTOR), SECTOR) == SECTOR
    assert common_unit(Alike((SameBytes((0, 512), UNIT),)), (UNIT, UNIT), SECTOR) == SECTOR
    assert alike_in_units(alike, UNIT).stretches == (SameBytes((2 * UNIT, 4 * UNIT), 9 * UNIT),)
    assert alike_in_units(alike, SECTOR) == alike
    assert alike_in_units(Alike((SameBytes((512, 512), UNIT),)), UNIT).stretches == ()
