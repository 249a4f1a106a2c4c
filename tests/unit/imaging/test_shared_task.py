"""Who reads what of two drives that hold the same, on scripted drives."""

from __future__ import annotations

import pytest

from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.imaging.alike import Alike, lower_half, sample
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.hazard import Condition
from mendbay.imaging.shared_task import SPARED_READ_BYTES
from mendbay.imaging.values import Want
from support.shared_drives import SECTOR, Rig, drive, sectors

SECTORS = 60_000
WHOLE = SpanSet([Span(0, SECTORS * SECTOR)])
NOTHING = SpanSet()


def union(rig: Rig) -> SpanSet:
    return rig.shared(0) | rig.shared(1)


def twice(rig: Rig) -> SpanSet:
    return rig.shared(0) & rig.shared(1) & rig.alike.spans(0)


def test_two_healthy_drives_read_a_half_each_at_the_same_time() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin().run()
    assert union(rig) == WHOLE
    assert twice(rig) == NOTHING
    one, other = rig.sides
    assert len(one.given) == len(other.given) == 1, "each runs through its own half"
    alone = 0.002 * SECTORS * SECTOR / (256 << 10) + SECTORS * SECTOR / 150e6
    assert max(one.seconds, other.seconds) < 0.55 * alone


def test_a_slow_drive_is_helped_out() -> None:
    """Each sector of one drive was refused so often that it takes long: the other reads most of all."""
    many = Rig((drive(SECTORS), drive(SECTORS, set(range(40_000, 50_000, 7))))).begin().run()
    assert union(many) == WHOLE
    assert many.sides[0].given.total_bytes > 0.6 * WHOLE.total_bytes
    assert twice(many) == NOTHING


def test_what_one_is_refused_the_other_is_asked_before_the_first_asks_again() -> None:
    bad = {1_000, 1_001, 20_000}
    rig = Rig((drive(SECTORS, bad), drive(SECTORS, {40_000}))).begin().run()
    assert union(rig) == WHOLE
    for side in (0, 1):
        refusals = rig.sides[side].refusals()
        asked_again = [one for at, one in enumerate(refusals) if any(one.overlaps(a) for a in refusals[:at])]
        assert not asked_again, "the other gave it, so nobody had to ask again"
    assert len(rig.sides[0].refusals()) <= 3
    assert len(rig.sides[1].refusals()) == 1


def test_it_is_asked_of_the_other_soon() -> None:
    """Not after all the rest: among the next reads of the other drive."""
    rig = Rig((drive(SECTORS, {100}), drive(SECTORS))).begin()
    assert rig.step(0)
    refused = rig.sides[0].refusals()[0]
    assert rig.step(1)
    assert rig.step(1)
    assert any(refused.overlaps(span) for span, _ in rig.sides[1].log)


def test_where_both_refuse_each_tries_in_small_and_both_come_to_an_end() -> None:
    both = {5_000, 5_001, 5_002}
    rig = Rig((drive(SECTORS, both | {5_003}), drive(SECTORS, both | {4_999}))).begin().run()
    assert union(rig) == WHOLE - sectors(*both)
    for side in rig.sides:
        for number in both:
            tries = [span for span in side.refusals() if span == Span.at(number * SECTOR, SECTOR)]
            assert len(tries) == 3


def test_a_drive_at_far_greater_risk_is_asked_only_for_what_the_other_refused() -> None:
    conditions = (Condition.HEALTHY, Condition.CLICKS)
    rig = Rig((drive(SECTORS, {700}), drive(SECTORS)), conditions=conditions).begin().run()
    assert union(rig) == WHOLE
    asked = rig.sides[1].asked()
    assert asked.total_bytes <= SPARED_READ_BYTES
    assert all(span.overlaps(refused) for span in asked for refused in rig.sides[0].refusals()[:1])


def test_a_spared_drive_is_asked_for_little_around_each_of_many_bad_places() -> None:
    conditions = (Condition.HEALTHY, Condition.CLICKS)
    bad = set(range(500, SECTORS, 997))
    rig = Rig((drive(SECTORS, bad), drive(SECTORS)), conditions=conditions).begin().run()
    assert union(rig) == WHOLE
    assert max(span.length for span, _ in rig.sides[1].log) <= SPARED_READ_BYTES
    assert rig.sides[1].asked().total_bytes <= 0.2 * SECTORS * SECTOR


def test_it_is_not_asked_at_all_while_the_other_gives_everything() -> None:
    conditions = (Condition.CLICKS, Condition.HEALTHY)
    rig = Rig((drive(SECTORS), drive(SECTORS)), conditions=conditions).begin().run()
    assert rig.sides[0].log == []
    assert rig.shared(1) == WHOLE


def test_a_drive_that_gets_worse_while_it_is_read_is_spared_until_it_is_better_again() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin().run(20)
    before = [len(one.log) for one in rig.sides]
    rig.task.risk((10.0, 1.0))
    rig.begin().run(60)
    assert len(rig.sides[0].log) == before[0] > 0
    assert len(rig.sides[1].log) == before[1] + 40
    rig.task.risk((1.0, 1.0))
    rig.begin().run()
    assert len(rig.sides[0].log) > before[0]
    assert union(rig) == WHOLE
    assert not twice(rig)


def test_two_failing_drives_share_the_wear() -> None:
    conditions = (Condition.CLICKS, Condition.CLICKS)
    first, second = set(range(10_000, 20_000, 500)), set(range(30_000, 40_000, 500))
    rig = Rig((drive(SECTORS, first), drive(SECTORS, second)), conditions=conditions).begin().run()
    assert union(rig) == WHOLE
    alone = [Rig((drive(SECTORS, bad), drive(SECTORS, bad)), length=0) for bad in (first, second)]
    for at, whole in enumerate(alone):
        whole.begin()
        while whole.step(0):
            pass
        assert len(rig.sides[at].refusals()) < 0.5 * len(whole.sides[0].refusals())
        assert rig.sides[at].seconds < 0.5 * whole.sides[0].seconds


def test_the_sample_and_nothing_else_is_read_from_both() -> None:
    drawn = sample(WHOLE, 3)
    rig = Rig((drive(SECTORS), drive(SECTORS)), sample=drawn).begin().run()
    assert twice(rig) == drawn
    assert SpanSet(pair.spans[0] for pair in rig.pairs) == drawn
    assert all(pair.spans[0] == pair.spans[1] for pair in rig.pairs)


def test_a_sample_that_one_refuses_is_not_asked_of_it_again() -> None:
    drawn = SpanSet([Span(0, 4096)])
    rig = Rig((drive(SECTORS), drive(SECTORS, {2})), sample=drawn).begin().run()
    assert union(rig) == WHOLE
    assert len(rig.sides[1].refusals()) <= 1


def test_halves_that_lie_at_different_places_are_matched_by_place() -> None:
    starts, length = (2_048 * SECTOR, 4_096 * SECTOR), 50_000 * SECTOR
    pair = (drive(SECTORS, {2_048 + 7_000}), drive(SECTORS, {4_096 + 30_000}))
    drawn = SpanSet([Span.at(starts[0] + 8 * SECTOR, 16 * SECTOR)])
    rig = Rig(pair, starts=starts, length=length, sample=drawn).begin().run()
    shared = SpanSet([Span.at(starts[0], length)])
    assert union(rig) & shared == shared
    assert twice(rig) == drawn
    for side, at in enumerate(starts):
        own = WHOLE - SpanSet([Span.at(at, length)])
        assert rig.sides[side].given & own == own, "what only one drive has it reads itself"
    assert {(pair.spans[1].start - pair.spans[0].start) for pair in rig.pairs} == {2_048 * SECTOR}


def test_after_a_difference_both_are_read_whole() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS, {9}))).begin().run(most_reads=20)
    rig.task.read_whole()
    rig.run()
    assert rig.shared(0) == WHOLE
    assert rig.shared(1) == WHOLE - sectors(9)
    assert rig.task.left_to_other(0) == NOTHING


def test_what_a_drive_leaves_behind_the_other_reads() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin().run(most_reads=20)
    rig.task.leave(0)
    while rig.step(1):
        pass
    assert rig.task.is_done
    assert union(rig) == WHOLE
    assert rig.task.left_to_other(0) == WHOLE - rig.shared(0)


def test_a_read_given_back_untried_is_open_to_both() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin()
    span = rig.task.choose(0)
    assert span is not None
    rig.task.give_back(0, span)
    rig.task.leave(0)
    while rig.step(1):
        pass
    assert rig.shared(1) == WHOLE


def test_what_weighs_more_goes_first_on_both_drives() -> None:
    wanted = SpanSet([Span(0, 1 << 20), Span.at(20 << 20, 1 << 20)])
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin(([Want(wanted, 1e5)], [Want(wanted, 1e5)]))
    rig.run(most_reads=8)
    assert union(rig) == wanted
    assert twice(rig) == NOTHING


def test_a_change_of_values_takes_effect_with_the_next_read_and_nothing_is_read_again() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin().run(most_reads=20)
    before = union(rig)
    wanted = SpanSet([Span.at(13 << 20, 512 << 10)])
    assert not wanted & before
    rig.begin(([Want(wanted, 1e5)], [Want(wanted, 1e5)]))
    rig.run(most_reads=22)
    assert union(rig) - before == wanted
    assert union(rig.run()) == WHOLE
    assert twice(rig) == NOTHING


def test_only_what_is_wanted_is_read_when_the_rest_is_worth_nothing() -> None:
    wanted = SpanSet([Span(0, 100 * SECTOR)])
    rig = (
        Rig((drive(SECTORS, {3}), drive(SECTORS)))
        .begin(([Want(wanted, 1.0)], [Want(wanted, 1.0)]), 0.0)
        .run()
    )
    assert union(rig) == wanted


def test_a_read_on_its_way_is_not_handed_to_the_other_when_the_values_change() -> None:
    rig = Rig((drive(SECTORS), drive(SECTORS))).begin()
    span = rig.task.choose(0)
    assert span is not None
    rig.begin()
    while (other := rig.task.choose(1)) is not None:
        assert not other.overlaps(span)
        rig.task.learn(1, Attempt(other, Outcome.GIVEN, memoryview(b""), 0.01))
    assert not rig.task.is_done
    assert not rig.task.has_nothing_for(1)


# ---------------------------------------------------------------------- samples and maps


def test_a_sample_is_drawn_from_every_part_and_is_always_the_same() -> None:
    spans = SpanSet([Span(0, 1 << 30), Span(3 << 30, 5 << 30)])
    drawn = sample(spans, 7)
    assert drawn == sample(spans, 7)
    assert drawn != sample(spans, 8)
    assert drawn & spans == drawn
    assert drawn.total_bytes == pytest.approx(0.01 * spans.total_bytes, rel=0.1)
    for part in range(12):
        place = Span.at(part * (3 << 30) // 12, (3 << 30) // 12)
        inside = SpanSet([place]) if place.stop <= 1 << 30 else SpanSet([place.shift(2 << 30)])
        if inside & spans == inside:
            assert drawn & inside


def test_a_small_set_is_sampled_too() -> None:
    spans = SpanSet([Span(0, 1 << 20)])
    assert len(sample(spans, 1)) >= 2
    assert sample(spans, 1, share=0) == NOTHING
    assert sample(spans, 1, share=1) == spans
    assert sample(NOTHING, 1) == NOTHING


def test_half_of_the_bytes_not_of_the_ranges() -> None:
    spans = SpanSet([Span(0, 8192), Span.at(1 << 20, 1 << 20)])
    half = lower_half(spans)
    assert abs(half.total_bytes - spans.total_bytes // 2) <= 4096
    assert half & spans == half


def test_several_stretches_map_both_ways() -> None:
    alike = Alike((SameBytes((100, 1000), 50), SameBytes((500, 0), 100)))
    assert alike.across(0, SpanSet([Span(90, 110), Span(590, 700)])) == SpanSet(
        [Span(1000, 1010), Span(90, 100)]
    )
    assert alike.across(1, SpanSet([Span(0, 10), Span(1040, 1060)])) == SpanSet(
        [Span(500, 510), Span(140, 150)]
    )
    assert alike.spans(1) == SpanSet([Span(0, 100), Span(1000, 1050)])


def test_what_something_speaks_against_takes_nothing_off_the_other_drive() -> None:
    doubted = SpanSet([Span(100 * 512, 400 * 512)])
    rig = Rig((drive(1_000), drive(1_000)), in_doubt=(NOTHING, doubted))
    for one in doubted:  # the second drive gave it in an earlier session
        rig.sides[1].planner.evidence.given(one.start // 512, one.stop // 512, 0.01)
    rig.begin().run()
    assert rig.sides[0].given & doubted == doubted
    assert not rig.task.left_to_other(0) & doubted
