"""Density, slow reads and retries: what each learns from outcomes."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.retries import Retries
from mendbay.imaging.slowness import Slowness

NONE = np.empty(0, np.int64)


def density(sectors: int = 1 << 21) -> tuple[Density, GivenPlaces, Slowness]:
    given, slow = GivenPlaces(NONE, NONE), Slowness()
    return Density(sectors, 2e-5, given, slow), given, slow


def test_the_estimate_follows_a_drawn_density() -> None:
    """A drive read whole with one sector in 500 bad: the estimate away from a refusal is near 1/500."""
    counts, given, _ = density()
    chance = np.random.default_rng(3)
    bad = np.flatnonzero(chance.random(1 << 21) < 1 / 500)
    for start, stop in zip(np.concatenate(([0], bad + 1)).tolist(), [*bad.tolist(), 1 << 21], strict=True):
        if start < stop:
            counts.tried(start, stop)
            given.add(start, stop)
    for one in bad.tolist():
        counts.refused(one, one + 1, 1.0)
    at = chance.integers(0, 1 << 21, 400)
    assert np.mean([counts.at(int(one)) for one in at]) == pytest.approx(1 / 500, rel=0.15)


def test_damage_is_local() -> None:
    counts, given, _ = density()
    counts.tried(0, 1 << 21)
    given.add(0, 1 << 21)
    counts.refused(500_000, 500_001, 1.0)
    assert counts.at(500_050) > 30 * counts.at(505_000)
    assert counts.at(505_000) > counts.at(1_500_000)


def test_what_a_bad_stretch_explains_does_not_count_as_single_errors() -> None:
    counts, _, _ = density()
    other, _, _ = density()
    for at in range(1_000, 1_050):
        counts.refused(at, at + 1, 0.01)
        other.refused(at, at + 1, 1.0)
    assert counts.share < other.share / 5


def test_a_settled_range_leaves_no_trace() -> None:
    counts, _, _ = density()
    before = counts.at(10_000)
    counts.refused(9_000, 11_000, 1.0)
    assert counts.at(10_000) > before
    counts.settled(9_000, 11_000)
    assert counts.at(10_000) == pytest.approx(before)
    assert not counts.damage_between(0, 20_000)


def test_a_slow_read_raises_the_chance_of_a_bad_sector_nearby() -> None:
    counts, _, slow = density()
    before = counts.at(5_000)
    assert slow.given(4_900, 5_000, seconds=0.5, expected_seconds=0.01)
    assert counts.at(5_000) > 5 * before


def test_slow_reads_are_worth_what_they_foretold() -> None:
    true, false = Slowness(), Slowness()
    for at in range(0, 2_000_000, 20_000):
        for one in (true, false):
            one.given(at, at + 100, seconds=0.5, expected_seconds=0.01)
        true.refused(at + 100, at + 200)
        false.given(at + 100, at + 200, seconds=0.01, expected_seconds=0.01)
    assert true.worth > 0.8
    assert false.worth < 0.05


def test_a_long_read_that_keeps_the_usual_rate_is_not_slow() -> None:
    slow = Slowness()
    assert not slow.given(0, 4_096, seconds=2.0, expected_seconds=1.0)
    assert not slow.given(0, 1, seconds=0.03, expected_seconds=0.002)
    assert slow.between(0, 10_000) == 0


def test_retries_are_counted_by_number_of_tries_and_by_place() -> None:
    retries = Retries(0.05, 16_384)
    assert retries.chance(0, 1) == pytest.approx(0.05)
    for at in range(40):
        retries.note(at, 1, success=True)
        retries.note(1_000_000 + at, 1, success=False)
    assert retries.chance(50, 1) > 0.85
    assert retries.chance(1_000_050, 1) < 0.1
    assert 0.4 < retries.chance(5_000_000, 1) < 0.6
    assert retries.chance(5_000_000, 2) == pytest.approx(0.05)
