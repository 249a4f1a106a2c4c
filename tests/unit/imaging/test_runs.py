"""Bad stretches as a two-state chain: its closed forms against chains that are drawn and counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.imaging.chain_fit import ChainFit
from mendbay.imaging.runs import BadRuns

chances = st.floats(0.001, 0.999)


def drawn(runs: BadRuns, length: int, times: int) -> np.ndarray:
    """States of many chains; row i is one walk, begun in the long run's mixture."""
    generator = np.random.default_rng(5)
    state = generator.random(times) < runs.stationary
    walk = [state]
    for _ in range(length):
        luck = generator.random(times)
        state = np.where(state, luck >= runs.leave, luck < runs.enter)
        walk.append(state)
    return np.array(walk).T


def test_a_read_between_two_known_places_stays_good_as_often_as_in_drawn_chains() -> None:
    runs = BadRuns(200, 60)
    walks = drawn(runs, 120, 60_000)
    kept = walks[~walks[:, 0] & ~walks[:, 120]]  # good at both ends
    counted = float(np.mean(~kept[:, 30:81].any(axis=1)))
    good, _ = runs.stays(50, runs.fade(0.0, 30), runs.fade(0.0, 40))
    assert good == pytest.approx(counted, abs=0.02)
    kept = walks[walks[:, 0] & walks[:, 120]]  # bad at both
    counted = float(np.mean(kept[:, 30:81].all(axis=1)))
    _, bad = runs.stays(50, runs.fade(1.0, 30), runs.fade(1.0, 40))
    assert bad == pytest.approx(counted, abs=0.02)


@given(st.floats(1, 1e6), chances, chances, st.floats(100, 1e6), st.floats(10, 1e5))
def test_chances_of_staying_are_chances(
    sectors: float, before: float, behind: float, good: float, bad: float
) -> None:
    stays_good, stays_bad = BadRuns(good, bad).stays(sectors, before, behind)
    assert stays_good >= 0
    assert stays_bad >= 0
    assert stays_good + stays_bad <= 1 + 1e-9


@given(chances, st.floats(0, 1e7))
def test_what_is_known_fades_to_the_share_of_the_drive(bad: float, sectors: float) -> None:
    runs = BadRuns(5_000, 500)
    faded = runs.fade(bad, sectors)
    low, high = sorted((bad, runs.stationary))
    assert low - 1e-12 <= faded <= high + 1e-12
    assert runs.fade(bad, 1e9) == pytest.approx(runs.stationary)


@pytest.mark.parametrize("density", [0.002, 0.02])
def test_beyond_a_refused_read_it_is_as_often_bad_as_in_drawn_chains(density: float) -> None:
    """A bad stretch may have begun anywhere in the read, or a single bad sector refused it."""
    runs, length = BadRuns(400, 100), 40
    walks = drawn(runs, length, 60_000)
    spots = np.random.default_rng(6).random(walks.shape) < density
    walks, spots = walks[~walks[:, 0]], spots[~walks[:, 0]]  # good where the read begins
    refused = (walks | spots)[:, :length].any(axis=1)
    counted = float(walks[refused, length].mean())
    signs = [runs.refused_sign(100, 100 + length, density), runs.given_sign(0, 100)]
    assert runs.message(100 + length, signs) == pytest.approx(counted, abs=0.05)


def test_a_single_refusal_between_good_land_is_no_stretch() -> None:
    runs = BadRuns()
    alone = [runs.given_sign(1_000, 1_100), runs.refused_sign(1_100, 1_101, 1e-4)]
    assert runs.message(1_101, alone[::-1]) < 0.6
    row = [runs.refused_sign(at, at + 1, 1e-4) for at in range(1_104, 1_100, -1)]
    assert runs.message(1_105, row) > 0.95


def test_it_goes_on_with_another_estimate() -> None:
    runs = BadRuns()
    runs.take(ChainFit(enter=1 / 9_000, leave=1 / 1_000, refused_share=0.3, density=1e-4))
    assert runs.stationary == pytest.approx(0.1)
    assert runs.fade(1.0, 1e9) == pytest.approx(0.1)
    assert runs.given_sign(0, 10).log_odds == pytest.approx(10 * math.log(0.7 / 0.998))


def test_the_sign_of_given_sectors_is_held_within_the_limit() -> None:
    runs = BadRuns()
    assert runs.given_sign(0, 1_000_000).log_odds == -12
    assert -12 < runs.given_sign(0, 1).log_odds < 0
    assert math.isfinite(runs.refused_sign(0, 4_096, 1e-7).log_odds)
