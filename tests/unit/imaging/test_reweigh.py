"""Values that change while a drive is being read."""

from __future__ import annotations

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.planner import WEIGHT_WANTED, Planner, Want

SECTOR = 512
BAD = {400, 30_000, 30_001, 150_000}


def read(planner: Planner, span: Span) -> bool:
    """One read of a drive whose sectors `BAD` are refused; whether it was given."""
    refused = any(span.start // SECTOR <= one < span.stop // SECTOR for one in BAD)
    outcome = Outcome.REFUSED if refused else Outcome.GIVEN
    planner.learn(Attempt(span, outcome, memoryview(b""), 3.0 if refused else 0.01))
    return not refused


def test_a_folder_ticked_while_reading_goes_first_and_nothing_is_read_twice_or_forgotten() -> None:
    planner = Planner(Coverage(200_000 * SECTOR, SECTOR))
    given: list[Span] = []
    for _ in range(12):
        span = planner.choose()
        assert span is not None
        if read(planner, span):
            given.append(span)
    wanted = SpanSet([Span(180_000 * SECTOR, 180_100 * SECTOR), Span(90_000 * SECTOR, 90_001 * SECTOR)])
    under_way = planner.choose()
    assert under_way is not None
    planner.reweigh([Want(wanted, WEIGHT_WANTED)], 1.0)
    if read(planner, under_way):
        given.append(under_way)
    left = wanted - SpanSet(given)
    while left:
        span = planner.choose()
        assert span is not None
        assert wanted.overlaps(span)
        assert read(planner, span)
        given.append(span)
        left = left - SpanSet([span])
    while (span := planner.choose()) is not None:
        if read(planner, span):
            given.append(span)
    whole = Span(0, 200_000 * SECTOR)
    bad = SpanSet(Span(one * SECTOR, (one + 1) * SECTOR) for one in BAD)
    assert SpanSet(given) == bad.complement(whole)
    assert sum(span.length for span in given) == SpanSet(given).total_bytes


def test_the_rest_can_be_waived_while_reading() -> None:
    planner = Planner(Coverage(200_000 * SECTOR, SECTOR))
    span = planner.choose()
    assert span is not None
    read(planner, span)
    wanted = SpanSet([Span(100_000 * SECTOR, 100_500 * SECTOR)])
    planner.reweigh([Want(wanted, 5.0)], 0.0)
    while (span := planner.choose()) is not None:
        assert wanted.covers(span)
        read(planner, span)


def test_tries_made_before_a_change_of_values_count_after_it() -> None:
    planner = Planner(Coverage(64 * SECTOR, SECTOR))
    alone: dict[int, int] = {}
    for turn in range(2_000):
        span = planner.choose()
        if span is None:
            break
        refused = span.start // SECTOR <= 20 < span.stop // SECTOR
        if refused and span.length == SECTOR:
            alone[span.start] = alone.get(span.start, 0) + 1
        outcome = Outcome.REFUSED if refused else Outcome.GIVEN
        planner.learn(Attempt(span, outcome, memoryview(b""), 0.01))
        if turn % 3 == 0:
            planner.reweigh([], 1.0 + turn % 2)
    assert alone == {20 * SECTOR: planner.assumed.most_tries}
