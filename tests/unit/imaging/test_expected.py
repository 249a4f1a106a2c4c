"""What is expected of one read, against what is reckoned by hand from the planner's own numbers."""

from __future__ import annotations

import math

import pytest

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.adapter_odds import AdapterOdds
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import Condition
from mendbay.imaging.planner import WEIGHT_WANTED, Planner, Want

SECTOR = 512
ASSUMED = Assumptions(
    command_seconds=0.01,
    seek_seconds=0.1,
    bytes_per_second=SECTOR * 1000.0,
    refusal_seconds=4.0,
    refusal_wear_seconds=6.0,
    bad_share=1e-4,
    retry_share=0.25,
)


def planner(sectors: int = 10_000, read: SpanSet | None = None, **more: object) -> Planner:
    known = Coverage(sectors * SECTOR, SECTOR, read or SpanSet())
    return Planner(known, assumed=ASSUMED, **more)  # type: ignore[arg-type]


def answered(span: Span, outcome: Outcome, seconds: float) -> Attempt:
    data = memoryview(bytes(span.length if outcome is Outcome.GIVEN else 0))
    return Attempt(span, outcome, data, seconds)


def test_where_nothing_is_known_it_is_the_density_and_the_pace_that_are_assumed() -> None:
    one = planner()
    span = one.choose()
    assert span is not None
    told = one.why(span, 0)
    assert told is not None
    sectors = span.length // SECTOR
    share, runs = one.evidence.damage.share, one.evidence.runs
    by_hand = (1 - runs.stationary) * math.exp(sectors * (math.log1p(-share) - runs.enter))
    assert told.chance == pytest.approx(by_hand)
    assert told.seconds == pytest.approx(0.01 + sectors / 1000)
    assert told.loss_seconds == pytest.approx(4.0 + 6.0)
    assert (told.weight, told.tries, told.is_retry, told.is_doubted) == (1.0, 0, False, False)


def test_a_read_elsewhere_takes_the_heads_there_first() -> None:
    one = planner()
    span = one.choose()
    assert span is not None
    here, there = one.why(span, span.start), one.why(span, span.start + 99 * SECTOR)
    assert here is not None
    assert there is not None
    assert there.seconds - here.seconds == pytest.approx(0.1)
    assert there.chance == here.chance


def test_a_sector_asked_for_again_has_the_chance_of_retries_and_what_refusals_took() -> None:
    one = planner(1)
    span = one.choose()
    assert span is not None
    one.learn(answered(span, Outcome.REFUSED, 9.0))
    assert one.choose() == span
    told = one.why(span, span.stop)
    assert told is not None
    assert (told.tries, told.is_retry) == (1, True)
    assert told.chance == pytest.approx(0.25), "as assumed: it was never asked for again"
    assert told.seconds == pytest.approx(0.01 + 0.1 + 1 / 1000)
    assert told.loss_seconds == pytest.approx((4 * 4.0 + 9.0) / 5 + 6.0), "four refusals are assumed"
    one.learn(answered(span, Outcome.REFUSED, 4.0))
    assert one.choose() == span
    again = one.why(span, 0)
    assert again is not None
    assert again.tries == 2
    place = (0 + 4 * 0.25) / (1 + 4)  # one retry failed here
    assert again.chance == pytest.approx(place)


def test_a_sector_that_only_other_adapters_refused_is_a_retry_without_tries() -> None:
    odds = AdapterOdds("", {}, {})
    one = planner(1, elsewhere=odds)
    one._tries[0] = 0
    one.reweigh([], 1.0)
    span = one.choose()
    assert span is not None
    told = one.why(span, 0)
    assert told is not None
    assert (told.tries, told.is_retry) == (0, True)


def test_the_rest_of_a_refused_range_is_doubted_and_likelier_to_be_refused() -> None:
    one = planner()
    span = one.choose()
    assert span is not None
    before = one.why(span, 0)
    one.learn(answered(span, Outcome.REFUSED, 4.0))
    while (inside := one.choose()) is not None:
        if span.start <= inside.start < span.stop:
            break
        one.learn(answered(inside, Outcome.GIVEN, 0.01 + inside.length / SECTOR / 1000))
    assert inside is not None
    told = one.why(inside, 0)
    assert told is not None
    assert before is not None
    assert told.is_doubted
    assert told.chance ** (span.length / inside.length) < before.chance, "sector by sector"


def test_it_is_worth_what_was_said_and_asking_changes_nothing() -> None:
    wanted = SpanSet([Span(5_000 * SECTOR, 5_100 * SECTOR)])
    asked, plain = planner(wants=[Want(wanted, WEIGHT_WANTED)]), planner(wants=[Want(wanted, WEIGHT_WANTED)])
    spans: list[list[Span]] = [[], []]
    for one, seen in zip((asked, plain), spans, strict=True):
        while (span := one.choose()) is not None:
            seen.append(span)
            if one is asked:
                for _ in range(3):
                    told = one.why(span, span.start)
                assert told is not None
                assert told.weight == (WEIGHT_WANTED if span.start in wanted else 1.0)
            bad = span.start <= 7_000 * SECTOR < span.stop
            one.learn(answered(span, Outcome.REFUSED if bad else Outcome.GIVEN, 4.0 if bad else 0.02))
    assert spans[0] == spans[1]


def test_of_a_range_that_is_not_out_nothing_is_expected() -> None:
    one = planner()
    span = one.choose()
    assert span is not None
    assert one.why(Span(span.stop, span.stop + SECTOR), 0) is None
    one.learn(answered(span, Outcome.GIVEN, 0.1))
    assert one.why(span, 0) is None


def test_what_a_refusal_wears_can_be_changed_while_it_reads() -> None:
    one = planner()
    span = one.choose()
    assert span is not None
    one.assume(Assumptions.of(Condition.CLICKS))
    told = one.why(span, 0)
    assert told is not None
    assert told.loss_seconds == pytest.approx(4.0 + 20.0)
    assert one.assumed.most_tries == ASSUMED.most_tries
    assert one.assumed.command_seconds == ASSUMED.command_seconds, "all else stays"


def test_a_planner_told_later_chooses_as_one_that_knew_from_the_start() -> None:
    late, knew = (
        planner(),
        Planner(Coverage(10_000 * SECTOR, SECTOR), assumed=Assumptions.of(Condition.CLICKS, ASSUMED)),
    )
    late.assume(Assumptions.of(Condition.CLICKS))
    for _ in range(200):
        spans = late.choose(), knew.choose()
        assert spans[0] == spans[1]
        if spans[0] is None:
            break
        bad = spans[0].start <= 1_000 * SECTOR < spans[0].stop
        for one in (late, knew):
            one.learn(answered(spans[0], Outcome.REFUSED if bad else Outcome.GIVEN, 4.0 if bad else 0.02))
