"""The odds of a swap against a published regression and against brute force that shares no code with them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from mendbay.board.swap_odds import (
    ATTRIBUTES,
    Agreement,
    Attribute,
    Coefficient,
    Level,
    Priors,
    Purpose,
    SwapOdds,
    SwapOutcome,
    fit,
    packaged_priors,
)
from mendbay.core.proportion import beta_quantile

Floats = npt.NDArray[np.float64]

# The worked example of the encyclopaedia article "Logistic regression": hours of study of 20 students and
# whether each passed. Data and results from memory of that article: coefficients -4.0777 (standard error
# 1.7610) and 1.5046 (0.6287), and chances to pass after 1 to 5 hours of 0.07, 0.26, 0.61, 0.87 and 0.97.
HOURS = "0.5 0.75 1 1.25 1.5 1.75 1.75 2 2.25 2.5 2.75 3 3.25 3.5 4 4.25 4.5 4.75 5 5.5"
PASSED = "0 0 0 0 0 0 1 0 1 0 1 0 1 0 1 1 1 1 1 1"
BASIS = "for this check"


def test_hours_of_study() -> None:
    hours, passed = (np.array(text.split(), np.float64) for text in (HOURS, PASSED))
    design = np.column_stack((np.ones(20), hours))
    found = fit(design, np.ones(20), passed, np.zeros(2), np.full(2, 1e5))
    assert found.mean == pytest.approx([-4.0777, 1.5046], abs=5e-5)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([1.7610, 0.6287], abs=5e-5)
    chances = 1 / (1 + np.exp(-(found.mean[0] + found.mean[1] * np.arange(1, 6))))
    assert chances == pytest.approx([0.07, 0.26, 0.61, 0.87, 0.97], abs=5e-3)


def test_cases_counted_together_are_cases_one_by_one() -> None:
    hours, passed = (np.array(text.split(), np.float64) for text in (HOURS, PASSED))
    design = np.column_stack((np.ones(20), np.round(hours)))
    prior = (np.zeros(2), np.array([2.0, 1.0]))
    single = fit(design, np.ones(20), passed, *prior)
    rows, place = np.unique(design, axis=0, return_inverse=True)
    tries = np.bincount(place).astype(np.float64)
    together = fit(rows, tries, np.bincount(place, passed).astype(np.float64), *prior)
    assert together.mean == pytest.approx(single.mean, abs=1e-9)
    assert together.covariance == pytest.approx(single.covariance, abs=1e-9)


def on_a_grid(
    design: Floats, tries: Floats, worked: Floats, mean: Floats, deviation: Floats, asked: Floats
) -> tuple[float, float, float]:
    """Mean and 5 % and 95 % points of the chance at `asked`, by adding up the exact posterior of two
    coefficients over a fine grid."""
    axes = [np.linspace(m - 8 * d, m + 8 * d, 1201) for m, d in zip(mean, deviation, strict=True)]
    first, second = np.meshgrid(*axes, indexing="ij")
    height = -(((first - mean[0]) / deviation[0]) ** 2 + ((second - mean[1]) / deviation[1]) ** 2) / 2
    for row, n, k in zip(design, tries, worked, strict=True):
        log_odds = row[0] * first + row[1] * second
        height += k * log_odds - n * np.logaddexp(0, log_odds)
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    chance = 1 / (1 + np.exp(-(asked[0] * first + asked[1] * second)))
    order = np.argsort(chance, axis=None)
    below = np.cumsum(weight.ravel()[order])
    low, high = chance.ravel()[order][np.searchsorted(below, [0.05, 0.95])]
    return float((weight * chance).sum()), float(low), float(high)


def two_coefficients(mean: float, deviation: float) -> Priors:
    """Priors in which only the start and one attribute are uncertain."""
    packaged = packaged_priors()
    pinned = {what: Coefficient(0.0, 1e-3, BASIS) for what in packaged.coefficients[Purpose.BOARD_SWAP]}
    pinned[Attribute.FIRMWARE, Level.SAME] = Coefficient(mean, deviation, BASIS)
    return Priors(
        {one: Coefficient(0.5, 0.9, BASIS) for one in Purpose},
        {**packaged.coefficients, Purpose.BOARD_SWAP: pinned},
        packaged.stops,
        packaged.close_days,
        packaged.near_days,
    )


def agreement(firmware: Level) -> Agreement:
    return Agreement.from_words(Purpose.BOARD_SWAP, {"firmware": firmware})


@pytest.mark.parametrize(
    ("same", "other", "tolerance"),
    [
        ((0, 0), (0, 0), 1e-3),
        ((12, 9), (10, 4), 0.01),
        ((3, 3), (4, 0), 0.02),
        ((1, 0), (0, 0), 0.02),
        ((40, 39), (9, 1), 0.01),
    ],
)
def test_chance_and_interval_against_the_exact_posterior(
    same: tuple[int, int], other: tuple[int, int], tolerance: float
) -> None:
    """Laplace's approximation is off by a few per cent at most, with no, few, one-sided and many outcomes."""
    kinds = ((Level.SAME, *same), (Level.UNKNOWN, *other))
    outcomes = [
        SwapOutcome(agreement(level), at < worked) for level, tries, worked in kinds for at in range(tries)
    ]
    odds = SwapOdds(Purpose.BOARD_SWAP, two_coefficients(0.4, 0.8), outcomes)
    for level, row in ((Level.SAME, [1.0, 1.0]), (Level.UNKNOWN, [1.0, 0.0])):
        exact = on_a_grid(
            np.array([[1.0, 1.0], [1.0, 0.0]]),
            np.array([same[0], other[0]], np.float64),
            np.array([same[1], other[1]], np.float64),
            np.array([0.5, 0.4]),
            np.array([0.9, 0.8]),
            np.array(row),
        )
        found = odds.odds(agreement(level))
        assert found.chance == pytest.approx(exact[0], abs=tolerance)
        assert found.low == pytest.approx(exact[1], abs=2.5 * tolerance)
        assert found.high == pytest.approx(exact[2], abs=2.5 * tolerance)


def test_all_coefficients_against_sampling() -> None:
    """All 42 coefficients at once: importance sampling from the prior weighs each draw by its likelihood."""
    draws, chance = 400_000, np.random.default_rng(5)
    priors, purpose = packaged_priors(), Purpose.BOARD_SWAP
    best = dict.fromkeys(ATTRIBUTES[purpose][:7], Level.SAME)
    best |= {
        Attribute.MADE_ON: Level.CLOSE,
        Attribute.CONDITION: Level.TESTED_GOOD,
        Attribute.ROM: Level.MOVED,
    }
    worse = best | {Attribute.REVISION: Level.DIFFERENT, Attribute.SITE: Level.UNKNOWN}
    recorded = [(best, 6, 4), (worse, 5, 1)]
    values = {None: chance.normal(priors.intercept[purpose].mean, priors.intercept[purpose].deviation, draws)}
    for what in {*best.items(), *worse.items()}:
        prior = priors.coefficients[purpose][what]
        values[what] = chance.normal(prior.mean, prior.deviation, draws)  # type: ignore[index]

    def log_odds(levels: dict[Attribute, Level]) -> Floats:
        return values[None] + sum(values[what] for what in levels.items())  # type: ignore[index]

    height = np.zeros(draws)
    for levels, tries, worked in recorded:
        height += worked * log_odds(levels) - tries * np.logaddexp(0, log_odds(levels))
    weight = np.exp(height - height.max())
    outcomes = [
        SwapOutcome(Agreement(purpose, tuple(levels[one] for one in ATTRIBUTES[purpose])), at < worked)
        for levels, tries, worked in recorded
        for at in range(tries)
    ]
    odds = SwapOdds(purpose, priors, outcomes)
    for levels in (best, worse):
        exact = float(np.average(1 / (1 + np.exp(-log_odds(levels))), weights=weight))
        found = odds.odds(Agreement(purpose, tuple(levels[one] for one in ATTRIBUTES[purpose])))
        assert found.chance == pytest.approx(exact, abs=0.015)


@pytest.mark.parametrize(("alpha", "beta"), [(29.0, 0.7), (45.0, 3.7), (0.5, 0.5), (1.0, 8.0), (300.0, 4.0)])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_beta_quantiles_against_sampling(alpha: float, beta: float, share: float) -> None:
    drawn = np.random.default_rng(3).beta(alpha, beta, 400_000)
    assert np.mean(drawn < beta_quantile(alpha, beta, share)) == pytest.approx(share, abs=0.0025)
