"""The planner alone: what one rule leads to on drives whose damage is known."""

from __future__ import annotations

import pytest

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.pieces import Choice, Piece
from mendbay.imaging.planner import WEIGHT_WANTED, Planner, Want
from mendbay.imaging.scoring import Scoring

SECTOR = 512


def play(planner: Planner, bad: set[int], limit: int = 100_000) -> list[tuple[Span, Outcome]]:
    """Runs the planner to its end against a drive with the given bad sectors; returns every read."""
    reads: list[tuple[Span, Outcome]] = []
    while (span := planner.choose()) is not None:
        assert len(reads) < limit, "the planner does not come to an end"
        sectors = range(span.start // SECTOR, span.stop // SECTOR)
        refused = any(one in bad for one in sectors)
        outcome = Outcome.REFUSED if refused else Outcome.GIVEN
        data = memoryview(b"" if refused else bytes(span.length))
        planner.learn(Attempt(span, outcome, data, 3.0 if refused else 0.002 + span.length / 150e6))
        reads.append((span, outcome))
    return reads


def fresh(sectors: int) -> Coverage:
    return Coverage(sectors * SECTOR, SECTOR)


def given(reads: list[tuple[Span, Outcome]]) -> SpanSet:
    return SpanSet(span for span, outcome in reads if outcome is Outcome.GIVEN)


def test_healthy_drive_is_read_once_in_order_and_whole() -> None:
    reads = play(Planner(fresh(500_000)), set())
    assert given(reads) == SpanSet([Span(0, 500_000 * SECTOR)])
    assert [span.start for span, _ in reads] == sorted(span.start for span, _ in reads)
    assert sum(span.length for span, _ in reads) == 500_000 * SECTOR


def test_every_good_sector_is_read_and_every_bad_one_tried_to_the_limit() -> None:
    bad = {7, 8, 9, 1000, 40_000, 40_001, 59_999}
    reads = play(Planner(fresh(60_000), assumed=Assumptions(most_tries=3)), bad)
    wanted = SpanSet(Span(s * SECTOR, (s + 1) * SECTOR) for s in bad).complement(Span(0, 60_000 * SECTOR))
    assert given(reads) == wanted
    for sector in bad:
        alone = Span(sector * SECTOR, (sector + 1) * SECTOR)
        assert sum(span == alone for span, _ in reads) == 3


def test_no_sector_is_read_twice() -> None:
    reads = play(Planner(fresh(60_000)), {5, 300, 301, 50_000})
    total = sum(span.length for span, outcome in reads if outcome is Outcome.GIVEN)
    assert total == given(reads).total_bytes


def test_healthy_runs_come_before_the_damaged_place() -> None:
    bad = set(range(20_000, 20_400))
    reads = play(Planner(fresh(200_000)), bad)
    before_near = next(i for i, (span, _) in enumerate(reads) if span.length == SECTOR)
    covered = given(reads[:before_near]).total_bytes
    assert covered > 0.9 * (200_000 - 400) * SECTOR


def test_damage_is_approached_from_both_sides() -> None:
    bad = set(range(20_000, 21_000))
    reads = play(Planner(fresh(200_000)), bad)
    starts = [span.start // SECTOR for span, outcome in reads if outcome is Outcome.GIVEN]
    behind = [start for start in starts if 21_000 <= start < 22_000]
    assert behind == sorted(behind, reverse=True), "the far side is read backwards, towards the damage"
    assert len(behind) > 1


def test_single_tries_in_a_dead_stretch_come_last() -> None:
    bad = set(range(20_000, 20_400))
    reads = play(Planner(fresh(200_000)), bad)
    inside = [i for i, (span, _) in enumerate(reads) if 20_050 * SECTOR <= span.start < 20_350 * SECTOR]
    long_given = [span.length > 64 * SECTOR and outcome is Outcome.GIVEN for span, outcome in reads]
    last_long = max(i for i, given_long in enumerate(long_given) if given_long)
    assert sum(i < last_long for i in inside) < 0.1 * len(inside)


def test_wanted_ranges_are_read_before_anything_else() -> None:
    wanted = SpanSet([Span(90_000 * SECTOR, 90_001 * SECTOR), Span(150_000 * SECTOR, 150_100 * SECTOR)])
    reads = play(Planner(fresh(200_000), wants=[Want(wanted, WEIGHT_WANTED)]), set())
    first = given([reads[0], reads[1]])
    assert (wanted - first).total_bytes == 0


def test_a_damaged_wanted_range_is_worked_on_before_healthy_rest() -> None:
    wanted = SpanSet([Span(90_000 * SECTOR, 90_064 * SECTOR)])
    bad = {90_020}
    reads = play(Planner(fresh(200_000), wants=[Want(wanted, WEIGHT_WANTED)]), bad)
    tried = [i for i, (span, _) in enumerate(reads) if wanted.overlaps(span)]
    rest = [i for i, (span, _) in enumerate(reads) if not wanted.overlaps(span)]
    first_round = [i for i in tried if i < rest[0]]
    assert (wanted - given(reads[: len(first_round)])).total_bytes <= SECTOR


def test_rest_weight_zero_leaves_the_rest_alone() -> None:
    wanted = SpanSet([Span(10 * SECTOR, 20 * SECTOR)])
    reads = play(Planner(fresh(1000), wants=[Want(wanted, 5.0)], rest_weight=0.0), {12})
    assert all(wanted.covers(span) for span, _ in reads)


def test_a_refused_long_read_leaves_its_sectors_open_and_is_not_repeated() -> None:
    reads = play(Planner(fresh(60_000)), {30_000})
    refused = [span for span, outcome in reads if outcome is Outcome.REFUSED]
    assert len({(span.start, span.stop) for span in refused if span.length > SECTOR}) == len(
        [span for span in refused if span.length > SECTOR]
    )


def test_a_resumed_plan_knows_the_refused_ranges() -> None:
    refused = Span(1024 * SECTOR, 2048 * SECTOR)
    coverage = Coverage(60_000 * SECTOR, SECTOR, SpanSet([Span(0, 1024 * SECTOR)]))
    planner = Planner(coverage, [(refused.start, refused.stop, 3.0)])
    first = planner.choose()
    assert first is not None
    assert not refused.overlaps(first), "healthy land first, not the range that was just refused"


def test_hung_ranges_are_left_to_the_end() -> None:
    planner = Planner(fresh(60_000))
    hung = planner.choose()
    assert hung is not None
    planner.learn(Attempt(hung, Outcome.HUNG, memoryview(b""), 60.0))
    seen = []
    while (span := planner.choose()) is not None:
        seen.append(span)
        planner.learn(Attempt(span, Outcome.GIVEN, memoryview(bytes(span.length)), 0.01))
    outside = [i for i, span in enumerate(seen) if not hung.overlaps(span)]
    inside = [i for i, span in enumerate(seen) if hung.overlaps(span)]
    assert max(outside) < min(inside)


def test_a_range_given_back_is_chosen_again_as_if_never_out() -> None:
    planner, untouched = Planner(fresh(60_000)), Planner(fresh(60_000))
    first = planner.choose()
    second = planner.choose()
    assert first is not None
    assert second is not None
    planner.give_back(second)
    planner.give_back(first)
    assert play(planner, {400}) == play(untouched, {400})


def test_choose_within_stays_inside_and_ends_with_every_sector_decided() -> None:
    planner = Planner(fresh(60_000))
    asked = SpanSet([Span(100 * SECTOR, 200 * SECTOR), Span(50_000 * SECTOR, 50_001 * SECTOR)])
    bad = {150, 50_000}
    got = SpanSet()
    while (span := planner.choose_within(asked)) is not None:
        assert asked.covers(span)
        refused = any(one in bad for one in range(span.start // SECTOR, span.stop // SECTOR))
        if not refused:
            got = got | SpanSet([span])
        outcome = Outcome.REFUSED if refused else Outcome.GIVEN
        planner.learn(Attempt(span, outcome, memoryview(b"" if refused else bytes(span.length)), 0.01))
    assert (asked - got).total_bytes == 2 * SECTOR


def test_learning_about_a_range_that_is_not_out_is_a_mistake() -> None:
    with pytest.raises(KeyError):
        Planner(fresh(1000)).learn(Attempt(Span(0, 512), Outcome.GIVEN, memoryview(bytes(512)), 0.01))


def test_of_nested_refused_ranges_only_the_smallest_is_remembered() -> None:
    nested = [
        (0, 4096, 3.0),
        (1024, 3072, 3.0),
        (1024, 2048, 3.0),
        (8192, 16_384, 3.0),
        (12_288, 16_384, 3.0),
    ]
    planner = Planner(fresh(60_000), [(start * SECTOR, stop * SECTOR, s) for start, stop, s in nested])
    reads = play(planner, {1500, 13_000})
    assert given(reads).total_bytes == (60_000 - 2) * SECTOR


def test_a_long_log_is_taken_up_quickly_enough_to_resume() -> None:
    """100 000 refused reads: a plan that compared each with each would need minutes."""
    log = [(at * 64 * SECTOR, (at * 64 + 1 + at % 2 * 31) * SECTOR, 3.0) for at in range(100_000)]
    refusals = [(start, stop) for start, stop, _ in log]
    coverage = Coverage.from_log(6_400_000 * SECTOR, SECTOR, SpanSet(), refusals)
    planner = Planner(coverage, log)
    assert planner.choose() is not None


def test_what_waits_to_be_chosen_does_not_grow_with_every_read() -> None:
    planner = Planner(fresh(20_000_000), assumed=Assumptions(largest_read_bytes=512 * 512))
    for _ in range(5_000):
        span = planner.choose()
        assert span is not None
        planner.learn(Attempt(span, Outcome.GIVEN, memoryview(bytes(span.length)), 0.001))
    assert len(planner._heap) < 2_000


@pytest.mark.parametrize("in_one_span", [True, False])
def test_a_promise_looks_at_the_first_few_pieces_however_many_ranges_it_is_asked_about(
    in_one_span: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    odd = [Span.at(one * SECTOR, SECTOR) for one in range(1, 1600, 2)]
    planner = Planner(Coverage(1600 * SECTOR, SECTOR, SpanSet(odd)))
    scored: list[int] = []
    best = Scoring.best

    def counted(scoring: Scoring, piece: Piece) -> Choice:
        scored.append(piece.start)
        return best(scoring, piece)

    even = SpanSet(odd).complement(Span(0, 1600 * SECTOR))
    assert planner.promise(even.clip(Span(0, SECTOR))) is not None  # the region is open from here on
    monkeypatch.setattr(Scoring, "best", counted)
    found = planner.promise(SpanSet([even.hull()]) if in_one_span else even)
    assert scored == [0, 2, 4, 6, 8, 10, 12, 14]
    assert found == planner.promise(even.clip(Span(0, 16 * SECTOR)))
