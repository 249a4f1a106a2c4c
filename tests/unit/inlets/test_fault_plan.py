"""Limits after which an unsteady drive drops off or dies; single reads are in the property test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.inlets.fault_plan import FaultPlan, Faults, Turn

NONE = np.empty(0, dtype=np.int64)
SOUND = Faults(SpanSet(), SpanSet(), SpanSet(), NONE, NONE, NONE, NONE, np.empty(0))
BAD = replace(SOUND, refused=SpanSet([Span(10, 12)]), refusal_seconds=3.0)


def turns(plan: FaultPlan, count: int, first: int = 0) -> str:
    return "".join(plan.meet(first, 1).turn.value[0] for _ in range(count))


def test_it_drops_off_after_so_many_reads_each_time_it_has_power() -> None:
    plan = FaultPlan(replace(SOUND, vanish_after_reads=3))
    assert turns(plan, 5) == "gggvg"
    assert plan.meet(0, 1).turn is Turn.GONE
    plan.power_cycle()
    assert turns(plan, 4) == "gggv"


def test_it_drops_off_no_more_often_than_said() -> None:
    plan = FaultPlan(replace(SOUND, vanish_after_reads=1, vanish_times=2))
    for _ in range(2):
        assert turns(plan, 2) == "gv"
        plan.power_cycle()
    assert turns(plan, 9) == "g" * 9
    at_place = FaultPlan(replace(SOUND, vanish_at=SpanSet([Span(0, 1)]), vanish_times=1))
    assert turns(at_place, 1) == "v"
    at_place.power_cycle()
    assert turns(at_place, 3) == "ggg"


def test_it_dies_of_its_refusals_for_good() -> None:
    plan = FaultPlan(replace(BAD, dies_after_refusals=2))
    assert turns(plan, 2, first=10) == "rr"
    assert turns(plan, 1) == "r"
    plan.power_cycle()
    assert turns(plan, 1) == "r"
    assert plan.dead


def test_it_dies_of_the_work_it_did() -> None:
    plan = FaultPlan(replace(SOUND, dies_after_seconds=1.0, command_seconds=0.25))
    assert turns(plan, 6) == "ggggrr"


def test_a_long_read_wears_only_the_sector_it_stops_at() -> None:
    weak = replace(
        SOUND, weak_at=np.array([5, 6], dtype=np.int64), weak_refuses=np.array([1, 2], dtype=np.int64)
    )
    plan = FaultPlan(weak)
    assert [plan.meet(0, 20).turn for _ in range(4)] == [Turn.REFUSES] * 3 + [Turn.GIVES]


def test_hangs_can_be_let_go() -> None:
    plan = FaultPlan(replace(SOUND, hang=SpanSet([Span(0, 1)])))
    assert turns(plan, 1) == "h"
    plan.hangs = False
    assert plan.meet(0, 1).turn is Turn.GIVES


@pytest.mark.parametrize(
    "damage",
    [
        {"weak_at": [4], "weak_left": [1]},
        {"weak_at": [5], "weak_left": []},
        {"weak_at": [900], "weak_left": [1]},
        {"refusals": None},
    ],
)
def test_wear_of_another_drive_is_not_taken(damage: dict[str, object]) -> None:
    weak = replace(SOUND, weak_at=np.array([5], dtype=np.int64), weak_refuses=np.array([2], dtype=np.int64))
    with pytest.raises(ValueError, match=r"its weak sectors are others|incomplete"):
        FaultPlan(weak).wear(FaultPlan(weak).worn() | damage)


@pytest.mark.parametrize("missing", FaultPlan(SOUND).worn())
def test_wear_that_lacks_something_is_not_taken(missing: str) -> None:
    worn = FaultPlan(SOUND).worn()
    del worn[missing]
    with pytest.raises(ValueError, match=f"incomplete: '{missing}'"):
        FaultPlan(SOUND).wear(worn)
