"""Bands fitted to drawn places, judged at places the fit has not seen."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.imaging.bands import Bands, fit

SIZE = 1 << 20


class Truth:
    """A drawn drive with one weak head: bands of a period that drifts over the drive, a few stray errors."""

    def __init__(self, seed: int, drift: float) -> None:
        self.chance = np.random.default_rng([seed, round(drift * 1000)])
        self.period = self.chance.uniform(60_000, 120_000)
        self.duty = 1 / self.chance.choice([2, 3, 4, 6, 8])
        self.phase = self.chance.random()
        self.drift = drift

    def bad(self, at: np.ndarray) -> np.ndarray:
        middle = at - SIZE / 2
        turn = (middle - self.drift * middle * middle / (2 * SIZE)) / self.period
        return np.asarray((turn - self.phase) % 1 < self.duty)

    def seen(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        at = np.sort(self.chance.uniform(0, SIZE, count))
        bad = self.bad(at) ^ (self.chance.random(count) < 0.01)
        return at[bad], at[~bad]


def balanced_accuracy(found: Bands | None, truth: Truth) -> float:
    """Mean of the shares told right among bad and among good places; 0.5 if nothing was found."""
    if found is None:
        return 0.5
    at = truth.chance.uniform(0, SIZE, 2_000)
    bad = truth.bad(at)
    told = np.array([found.chance(one) > 0.5 for one in at])
    return float((told[bad].mean() + (~told[~bad]).mean()) / 2)


@pytest.mark.parametrize(
    ("places", "drift", "least"),
    [(40, 0.0, 0.70), (80, 0.0, 0.88), (160, 0.0, 0.94), (160, 0.03, 0.93), (500, 0.05, 0.96)],
)
def test_bands_are_told_at_places_not_seen(places: int, drift: float, least: float) -> None:
    """Measured over 40 other drives: .81, .93, .96, .96, .99; the limits leave room for the draw."""
    drives = [Truth(seed, drift) for seed in range(100, 112)]
    accuracy = [balanced_accuracy(fit(*truth.seen(places), 64), truth) for truth in drives]
    assert np.mean(accuracy) > least


def test_no_bands_are_seen_in_damage_without_a_period() -> None:
    for seed in range(40):
        chance = np.random.default_rng(seed)
        at = np.sort(chance.uniform(0, SIZE, 150))
        bad = chance.random(150) < 0.3
        assert fit(at[bad], at[~bad], 64) is None


def test_one_cluster_is_no_band() -> None:
    good = np.linspace(0, SIZE, 200)
    assert fit(np.arange(500_000.0, 500_400.0, 10), good[(good < 490_000) | (good > 510_000)], 64) is None


def test_a_few_long_damaged_stretches_are_no_bands() -> None:
    """Places close together in one stretch are alike anyway: that they fit a period says nothing."""
    for seed in range(40):
        chance = np.random.default_rng(seed)
        begins = np.sort(chance.uniform(50_000, SIZE - 50_000, 6))
        ends = begins + chance.uniform(20_000, 60_000, 6)
        asked = chance.uniform(0, SIZE, 6)  # a few folders' neighbourhoods
        at = np.sort((asked[:, None] + chance.normal(0, 20_000, (6, 25))).ravel())
        bad = np.any((at[:, None] >= begins) & (at[:, None] < ends), axis=1)
        assert fit(at[bad], at[~bad], 64) is None


def test_too_few_places_say_nothing() -> None:
    assert fit(np.arange(5.0) * 1000, np.arange(100.0) * 999, 64) is None
    assert fit(np.arange(50.0) * 1000, np.empty(0), 64) is None


def test_the_next_border_is_where_the_chance_crosses_a_half() -> None:
    bands = Bands(0, SIZE, SIZE / 2, 80_000, 0.04, SIZE, 0.2, 0.4, 0.95, 0.01, 50, 0.9)
    at = 100_000
    for _ in range(8):
        edge, bad_begins = bands.next_edge(at)
        assert edge > at
        inside, outside = (edge + 3_000, edge - 3_000) if bad_begins else (edge - 3_000, edge + 3_000)
        assert bands.chance(inside) > 0.5 > bands.chance(outside)
        at = edge


def test_the_way_ahead_ends_at_the_border() -> None:
    bands = Bands(0, SIZE, SIZE / 2, 80_000, 0.0, SIZE, 0.2, 0.4, 0.95, 0.01, 50, 0.9)
    edge, bad_begins = bands.next_edge(300_000)
    if not bad_begins:
        start = edge + 10
        edge, bad_begins = bands.next_edge(start)
    else:
        start = 300_000
    assert bad_begins
    assert bands.good_ahead(start, forwards=True) == pytest.approx(edge - start, abs=2)
    assert bands.good_ahead(edge + 10, forwards=True) == 0
