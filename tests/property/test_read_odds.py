"""The evidence that the planner draws its chances from."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.odds import Evidence

SECTORS = 9_000

ranges = st.lists(
    st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 3_000)).map(
        lambda pair: Span(pair[0] * 512, min(pair[0] + pair[1], SECTORS) * 512)
    ),
    max_size=12,
)


def fresh() -> Evidence:
    return Evidence(512, SECTORS, Assumptions())


@given(ranges)
def test_what_earlier_runs_gave_counts_like_what_this_one_gives(spans: list[Span]) -> None:
    together = SpanSet(spans)
    known, told = Evidence(512, SECTORS, Assumptions(), together), fresh()
    for span in together:
        told.given(span.start // 512, span.stop // 512, 0.01)
    for one in (known, told):
        one.refused(SECTORS // 2, SECTORS // 2 + 1, 3.0)
    for at in range(0, SECTORS, 500):
        assert math.isclose(known.density(at), told.density(at))


@given(st.floats(1e-7, 0.03))
def test_the_size_of_a_read_is_near_the_best_one(density: float) -> None:
    """Against trying every size: sectors per second of life within 5 % of the optimum."""
    evidence = fresh()
    sizes = np.arange(1, 60_000, dtype=float)

    def rate(count: np.ndarray) -> np.ndarray:
        chance = (1 - density) ** count
        seconds = 0.002 + chance * count * evidence.sector_seconds
        return count * chance / (seconds + (1 - chance) * evidence.refusal_cost)

    chosen = float(min(evidence.best_sectors(density), 59_999))
    assert rate(np.array([chosen]))[0] >= 0.95 * rate(sizes).max()


def test_damage_raises_the_odds_nearby_and_hardly_far_away() -> None:
    evidence = fresh()
    evidence.given(0, SECTORS, 0.1)
    before = evidence.density(8_000)
    evidence.refused(1_000, 1_001, 3.0)
    assert evidence.density(1_010) > 20 * evidence.density(8_000)
    assert evidence.density(8_000) < 3 * before


@given(st.lists(st.tuples(st.integers(0, SECTORS - 300), st.integers(1, 300), st.booleans()), max_size=25))
def test_chances_lie_between_0_and_1_whatever_was_learned(reads: list[tuple[int, int, bool]]) -> None:
    evidence = fresh()
    for start, sectors, was_given in reads:
        if was_given:
            evidence.given(start, start + sectors, 0.01)
        else:
            evidence.refused(start, start + sectors, 3.0)
        evidence.learn_anew()
    for start in range(0, SECTORS, 1_000):
        view = evidence.look(start, start + 900)
        density = evidence.density(start)
        chances = [evidence.read_chance(view, start, start + size, density) for size in (1, 30, 900)]
        assert all(0 <= one <= 1 for one in chances)
        if evidence.bands.around(start) is None:  # a band's borders are blurred: there it holds only nearly
            assert chances[0] + 1e-6 >= chances[1] >= chances[2] - 1e-6


@given(st.floats(1e-7, 0.5))
def test_on_a_long_way_reads_are_not_shorter_and_seldom_refused(density: float) -> None:
    evidence = fresh()
    steady = evidence.steady_sectors(density)
    assert steady >= evidence.best_sectors(density)
    assert steady == evidence.best_sectors(density) or steady * density <= 0.1
