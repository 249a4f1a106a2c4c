"""Repairs that were made, and did not help or did."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.triage.belief import (
    HELPED,
    SURELY,
    TRIED,
    Asked,
    Belief,
    Tried,
    after_failure,
    after_success,
)
from mendbay.triage.next_step import NextStep, kept_off
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, StepKind
from mendbay.triage.worlds import Subject, Worlds
from support.triage import known, some_answers

TABLES = packaged_tables()
BOX = Worlds(TABLES, Subject(("1", "2")))
REPAIRS = [
    (one, bay)
    for one in TABLES.steps.values()
    if one.kind is StepKind.REPAIR
    for bay in (("1", "2") if one.seat is Seat.BAY else ("",))
]


def tried(step: str, bay: str = "", **answers: str) -> Tried:
    return Tried(TABLES.steps[step], bay, known(**answers))


def test_a_repair_that_did_not_help_makes_its_fault_unlikely_and_is_not_offered_again() -> None:
    dark = known(lights="none", lights_empty="none")
    before = Belief(BOX, dark)
    after = Belief(BOX, {}, [Tried(TABLES.steps["new-adapter"], "", dark)])
    assert before.fault("adapter") > 0.5
    assert after.fault("adapter") < 0.2
    assert after.fault("box-board") > before.fault("box-board")
    assert "new-adapter" in [one.step.id for one in NextStep(before).offers()]
    assert "new-adapter" not in [one.step.id for one in NextStep(after).offers()]


def test_what_a_repair_may_have_changed_is_open_again_and_what_happened_is_not() -> None:
    belief = Belief(BOX, {}, [tried("mend-supply", "1", detected_bay1="no", history="surge")])
    assert belief.answers == known(history="surge")
    again = Belief(BOX, known(detected_bay1="right"), belief.tried)
    assert again.answers == known(history="surge", detected_bay1="right")
    assert again.ever(Asked("detected", "1")) == ("no", "right")


def test_a_drive_that_was_heard_to_click_stays_without_power() -> None:
    assert "1" in kept_off(Belief(BOX, {}, [tried("swap-board", "1", sound_alone_bay1="clicks")]))


def test_a_failed_repair_is_among_what_moved_a_fault() -> None:
    belief = Belief(BOX, known(lights="none"), [tried("new-adapter")])
    moved = {(one.asked, one.answer): one.bits for one in belief.moved("adapter")}
    assert moved[Asked("new-adapter"), TRIED] < -1
    assert moved[Asked("lights"), "none"] > 0


@given(some_answers(BOX, 3), some_answers(BOX, 2), st.sampled_from(REPAIRS))
@settings(max_examples=40, deadline=None)
def test_the_worlds_after_it_by_going_through_them_one_by_one(
    before: dict[Asked, str], since: dict[Asked, str], repair: tuple[object, str]
) -> None:
    """Written apart: of every world, what the repair leaves and where that goes."""
    step, bay = repair
    then = Belief(BOX, before)
    left = np.zeros(BOX.count)
    solves = BOX.chance(step.solves, bay)  # type: ignore[attr-defined]
    fixes = BOX.mended(step, bay)  # type: ignore[arg-type]
    for world in np.flatnonzero(then.weights > 1e-12).tolist():
        broken = np.flatnonzero(BOX.faulty[world]).tolist()
        outcomes = [(world, then.weights[world] * (1 - solves[world]))]
        for place in broken:
            outcomes = [
                (int(BOX.without[place][at]) if mended else at, weight * share)
                for at, weight in outcomes
                for mended, share in ((True, fixes.get(place, 0.0)), (False, 1 - fixes.get(place, 0.0)))
            ]
        for at, weight in outcomes:
            if BOX.faulty[at].any():
                left[at] += weight
    for asked, answer in since.items():
        sign = TABLES.signs[asked.sign]
        left *= BOX.likelihood(sign, asked.bay)[:, sign.place(answer)]
    after = Belief(BOX, since, [Tried(step, bay, before)])  # type: ignore[arg-type]
    assert after.weights == pytest.approx(left / left.sum(), abs=1e-9)


@given(some_answers(BOX, 3), st.sampled_from(REPAIRS))
@settings(max_examples=30, deadline=None)
def test_what_a_repair_mends_is_left_in_no_more_than_its_misses(
    answers: dict[Asked, str], repair: tuple[object, str]
) -> None:
    step, bay = repair
    before = Belief(BOX, answers)
    after = after_failure(BOX, before.weights, step, bay)  # type: ignore[arg-type]
    assert (after >= -1e-15).all()
    assert after.sum() <= before.weights.sum() + 1e-12
    for place, chance in BOX.mended(step, bay).items():  # type: ignore[arg-type]
        broken = BOX.faulty[:, place]
        assert after[broken].sum() <= (1 - chance) * before.weights[broken].sum() + 1e-12


def test_what_a_repair_that_helped_mends_works_since_and_is_offered_no_more() -> None:
    burnt = known(supply_measured_bay1="amiss", lights="none")
    before = Belief(BOX, burnt)
    swapped = Tried(TABLES.steps["swap-board"], "1", burnt, helped=True)
    after = Belief(BOX, {}, [swapped])
    assert before.fault("board-supply", "1") > 0.8
    assert after.fault("board-supply", "1") < 0.02
    assert after.fault("board-supply", "2") == pytest.approx(before.fault("board-supply", "2"), rel=0.01)
    assert after.sound() > 0.5
    assert Asked("supply-measured", "1") not in after.answers, "that was another board"
    offered = [(one.step.id, one.bay) for one in NextStep(after).offers()]
    assert ("swap-board", "1") not in offered
    moved = {(one.asked, one.answer): one.bits for one in after.moved("board-supply", "1")}
    assert moved[Asked("swap-board", "1"), HELPED] < -4


@given(some_answers(BOX, 3), st.sampled_from(REPAIRS))
@settings(max_examples=30, deadline=None)
def test_a_repair_that_helped_moves_chances_and_loses_none(
    answers: dict[Asked, str], repair: tuple[object, str]
) -> None:
    """Written apart: world by world."""
    step, bay = repair
    before = Belief(BOX, answers).weights
    expected = np.zeros(BOX.count)
    mends = list(BOX.mended(step, bay))  # type: ignore[arg-type]
    for world in np.flatnonzero(before).tolist():
        outcomes = [(world, float(before[world]))]
        for place in mends:
            if BOX.faulty[world, place]:
                outcomes = [
                    (int(BOX.without[place][at]) if mended else at, weight * share)
                    for at, weight in outcomes
                    for mended, share in ((True, SURELY), (False, 1 - SURELY))
                ]
        for at, weight in outcomes:
            expected[at] += weight
    after = after_success(BOX, before, step, bay)  # type: ignore[arg-type]
    assert after == pytest.approx(expected, abs=1e-12)
    assert after.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("step", "bay"),
    [("stop-and-send", ""), ("smell", ""), ("mend-supply", ""), ("mend-supply", "3"), ("new-adapter", "1")],
)
def test_what_is_no_repair_there_is_refused(step: str, bay: str) -> None:
    with pytest.raises(UsageError, match="no repair"):
        Belief(BOX, {}, [tried(step, bay)])
