"""The plan of an unsteady drive against a plain one that looks at every sector in turn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet
from mendbay.inlets.fault_plan import FaultPlan, Faults, Turn

SECTORS = 24

places = st.sets(st.integers(0, SECTORS - 1), max_size=6)
reads = st.lists(
    st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 20)).map(
        lambda one: (one[0], min(one[1], SECTORS - one[0]))
    ),
    min_size=1,
    max_size=25,
)


def spans(sectors: set[int]) -> SpanSet:
    return SpanSet(Span.at(one, 1) for one in sectors)


class PlainPlan:
    """The same rules, sector by sector."""

    def __init__(
        self,
        refused: set[int],
        hang: set[int],
        vanish: set[int],
        weak: dict[int, int],
        slow: dict[int, float],
    ) -> None:
        self.refused, self.hang, self.vanish, self.weak, self.slow = refused, hang, vanish, dict(weak), slow
        self.gone = False
        self.head = 0

    def meet(self, first: int, count: int) -> tuple[Turn, float]:
        if self.gone:
            return Turn.GONE, 0.0
        seconds = 1.0 + (8.0 if first != self.head else 0.0)
        for sector in range(first, first + count):
            self.head = sector
            seconds += self.slow.get(sector, 0.0)
            if sector in self.refused or self.weak.get(sector, 0) > 0:
                if sector in self.weak:
                    self.weak[sector] = max(self.weak[sector] - 1, 0)
                return Turn.REFUSES, seconds + 100.0
            if sector in self.hang:
                return Turn.HANGS, seconds
            if sector in self.vanish:
                self.gone = True
                return Turn.VANISHES, seconds
            seconds += 0.125
            self.head = sector + 1
        return Turn.GIVES, seconds


@given(
    places,
    places,
    places,
    st.dictionaries(st.integers(0, SECTORS - 1), st.integers(1, 3), max_size=6),
    st.dictionaries(st.integers(0, SECTORS - 1), st.sampled_from([0.5, 4.0]), max_size=6),
    reads,
)
def test_every_read_meets_the_fate_of_its_first_bad_sector(
    refused: set[int],
    hang: set[int],
    vanish: set[int],
    weak: dict[int, int],
    slow: dict[int, float],
    asked: list[tuple[int, int]],
) -> None:
    hang, vanish = hang - refused - set(weak), vanish - refused - hang - set(weak)
    plan = FaultPlan(
        Faults(
            spans(refused),
            spans(hang),
            spans(vanish),
            np.array(sorted(weak), dtype=np.int64),
            np.array([weak[one] for one in sorted(weak)], dtype=np.int64),
            np.array(sorted(slow), dtype=np.int64),
            np.array(sorted(slow), dtype=np.int64) + 1,
            np.array([slow[one] for one in sorted(slow)], dtype=np.float64),
            command_seconds=1.0,
            seek_seconds=8.0,
            seconds_per_sector=0.125,
            refusal_seconds=100.0,
        )
    )
    plain = PlainPlan(refused, hang, vanish, weak, slow)
    for first, count in asked:
        fate = plan.meet(first, count)
        turn, seconds = plain.meet(first, count)
        assert fate.turn is turn
        if turn not in (Turn.VANISHES, Turn.GONE):
            assert fate.seconds == pytest.approx(seconds)
        twin = FaultPlan(plan.faults)
        twin.wear(plan.worn())
        assert twin.worn() == plan.worn()
        assert np.array_equal(twin.weak_left, plan.weak_left)
