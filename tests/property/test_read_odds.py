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


def nothing_tried(low: int, high: int) -> int:
    return 0


@given(ranges)
def test_what_earlier_runs_gave_counts_like_what_this_one_gives(spans: list[Span]) -> None:
    known, told = fresh(), fresh()
    together = SpanSet(spans)
    known.known(together)
    for span in together:
        told.given(span.start // 512, span.stop // 512, 0.01)
    for one in (known, told):
        one.refused(SECTORS // 2, SECTORS // 2 + 1, 3.0)
    for at in range(0, SECTORS, 500):
        assert math.isclose(known.density(at, nothing_tried), told.density(at, nothing_tried))


@given(st.integers(1, 5_000), st.floats(1e-9, 0.9), st.integers(0, 5_000))
def test_chances_are_chances_and_longer_reads_are_less_likely(
    sectors: int, density: float, doubtful: int
) -> None:
    chance = Evidence.chance(sectors, density, doubtful)
    assert 0 <= chance <= 1
    assert Evidence.chance(sectors + 1, density, doubtful) <= chance + 1e-12


@given(st.integers(2, 60), st.floats(0.001, 0.5), st.integers(1, 59))
def test_a_known_refusal_is_conditioned_on_exactly(doubtful: int, density: float, sectors: int) -> None:
    """P(a given part is good | at least one of u is bad), counted out by the definition of the chance."""
    sectors = min(sectors, doubtful - 1)
    good_part = (1 - density) ** sectors
    all_good = (1 - density) ** doubtful
    expected = (good_part - all_good) / (1 - all_good)
    assert math.isclose(Evidence.chance(sectors, density, doubtful), max(expected, 0.02), rel_tol=1e-9)


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
    before = evidence.density(8_000, nothing_tried)
    evidence.refused(1_000, 1_001, 3.0)
    tried = lambda low, high: high - low  # noqa: E731
    assert evidence.density(1_010, tried) > 20 * evidence.density(8_000, tried)
    assert evidence.density(8_000, tried) < 3 * before
