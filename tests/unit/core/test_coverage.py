"""The four conditions of a drive's ranges, each where it belongs."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.core.coverage import Condition, Coverage, Stretch
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet

SECTOR = 512


def sectors(*pairs: tuple[int, int]) -> SpanSet:
    return SpanSet(Span(start * SECTOR, stop * SECTOR) for start, stop in pairs)


def sector(number: int, stop: int | None = None) -> Span:
    return Span(number * SECTOR, (number + 1 if stop is None else stop) * SECTOR)


def test_a_new_drive_is_unread() -> None:
    fresh = Coverage(10 * SECTOR, SECTOR)
    assert fresh.stretches() == (Stretch(sector(0, 10), Condition.UNREAD),)
    assert fresh.total_bytes(Condition.UNREAD) == 10 * SECTOR
    assert not fresh.decided


def test_one_refused_request_of_many_sectors_leaves_them_unread() -> None:
    seen = Coverage.from_log(10 * SECTOR, SECTOR, SpanSet(), [(0, 8 * SECTOR)])
    assert seen == Coverage(10 * SECTOR, SECTOR)
    assert seen.tries_at(0) == 0


def test_single_refusals_count_their_tries() -> None:
    log = [(512, 1024), (512, 1024), (1024, 1536), (0, 4096), (512, 1024)]
    seen = Coverage.from_log(10 * SECTOR, SECTOR, SpanSet(), log)
    assert [seen.tries_at(offset) for offset in (511, 512, 1023, 1024, 1536)] == [0, 3, 3, 1, 0]
    assert seen.stretches() == (
        Stretch(sector(0), Condition.UNREAD),
        Stretch(sector(1), Condition.REFUSED, 3),
        Stretch(sector(2), Condition.REFUSED, 1),
        Stretch(sector(3, 10), Condition.UNREAD),
    )


def test_a_sector_given_in_the_end_is_read_whatever_came_before() -> None:
    seen = Coverage.from_log(4 * SECTOR, SECTOR, sectors((1, 2)), [(512, 1024)], waived=sectors((0, 4)))
    assert seen.read == sectors((1, 2))
    assert not seen.refused
    assert seen.waived == sectors((0, 1), (2, 4))


def test_refused_wins_over_waived() -> None:
    seen = Coverage.from_log(4 * SECTOR, SECTOR, SpanSet(), [(512, 1024)], waived=sectors((0, 3)))
    assert seen.refused == sectors((1, 2))
    assert seen.waived == sectors((0, 1), (2, 3))
    assert seen.unread == sectors((3, 4))


def test_an_empty_refusal_is_no_try() -> None:
    assert not Coverage.from_log(4 * SECTOR, SECTOR, SpanSet(), [(512, 512)]).refused


def test_a_last_sector_that_is_cut_short() -> None:
    seen = Coverage.from_log(3 * SECTOR + 100, SECTOR, SpanSet(), [(3 * SECTOR, 3 * SECTOR + 100)])
    assert seen.refused == SpanSet([Span(3 * SECTOR, 3 * SECTOR + 100)])
    assert seen.total_bytes(Condition.REFUSED) == 100


def test_gaps_name_each_reason_in_order_and_keep_to_the_span_asked() -> None:
    seen = Coverage.from_log(
        10 * SECTOR, SECTOR, sectors((0, 2), (5, 6)), [(1024, 1536)], waived=sectors((4, 5))
    )
    assert seen.gaps(sector(1, 8)) == (
        Gap(sector(2), Lack.REFUSED),
        Gap(sector(3), Lack.UNREAD),
        Gap(sector(4), Lack.WAIVED),
        Gap(sector(6, 8), Lack.UNREAD),
    )
    assert seen.gaps(Span(100, 900)) == ()
    assert seen.gaps(Span(1100, 1200)) == (Gap(Span(1100, 1200), Lack.REFUSED),)
    assert seen.gaps(Span(1100, 1100)) == ()


def test_what_lies_beyond_the_end_is_not_the_coverages_to_answer() -> None:
    assert Coverage(2 * SECTOR, SECTOR).gaps(Span(512, 5000)) == (Gap(Span(512, 1024), Lack.UNREAD),)


def test_equality_looks_at_every_condition() -> None:
    base = Coverage.from_log(4 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024)])
    assert base == Coverage.from_log(4 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024), (0, 2048)])
    assert hash(base) == hash(Coverage.from_log(4 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024)]))
    assert base != Coverage.from_log(4 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024)] * 2)
    assert base != Coverage.from_log(4 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024)], sectors((3, 4)))
    assert base != Coverage.from_log(5 * SECTOR, SECTOR, sectors((0, 1)), [(512, 1024)])


@pytest.mark.parametrize("condition", list(Condition))
def test_totals_add_up(condition: Condition) -> None:
    seen = Coverage(
        8 * SECTOR,
        SECTOR,
        sectors((0, 3)),
        np.array([3 * SECTOR, 5 * SECTOR]),
        np.array([1, 2]),
        sectors((6, 8)),
    )
    expected = {Condition.READ: 3, Condition.REFUSED: 2, Condition.WAIVED: 2, Condition.UNREAD: 1}
    assert seen.total_bytes(condition) == expected[condition] * SECTOR
