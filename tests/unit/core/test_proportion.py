from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.proportion import (
    Interval,
    Proportion,
    beta_quantile,
    clopper_pearson,
    interval_text,
    jeffreys,
)

COUNTS = st.integers(1, 60).flatmap(lambda counted: st.tuples(st.integers(0, counted), st.just(counted)))


def chance_of(good: int, counted: int, chance: float) -> float:
    """Of so many good ones, from the binomial formula."""
    return math.comb(counted, good) * chance**good * (1 - chance) ** (counted - good)


@pytest.mark.parametrize("share", [0.01, 0.05, 0.5, 0.95])
def test_beta_quantiles_with_a_closed_form(share: float) -> None:
    """Beta(1, 1) is uniform; Beta(a, 1) has the distribution x^a and Beta(1, b) has 1 - (1 - x)^b; Beta(1/2,
    1/2) is that of a sine squared."""
    assert beta_quantile(1, 1, share) == pytest.approx(share, abs=1e-6)
    assert beta_quantile(7.5, 1, share) == pytest.approx(share ** (1 / 7.5), abs=1e-6)
    assert beta_quantile(1, 0.7, share) == pytest.approx(1 - (1 - share) ** (1 / 0.7), abs=1e-6)
    assert beta_quantile(3, 9, share) == pytest.approx(1 - beta_quantile(9, 3, 1 - share), abs=1e-6)
    assert beta_quantile(0.5, 0.5, share) == pytest.approx(math.sin(math.pi * share / 2) ** 2, abs=1e-6)


def test_what_has_no_quantile_or_share() -> None:
    for bad in ((0.0, 1.0, 0.5), (1.0, 1.0, 0.0), (float("nan"), 1.0, 0.5)):
        with pytest.raises(ValueError, match="quantile"):
            beta_quantile(*bad)
    for good, counted in ((0, 0), (3, 2), (-1, 2)):
        with pytest.raises(ValueError, match="not a part"):
            Proportion(good, counted)
    with pytest.raises(ValueError, match="level"):
        jeffreys(1, 2, 1.0)


@settings(deadline=None, max_examples=40)  # a quantile takes some hundredths of a second
@given(COUNTS)
def test_an_interval_holds_what_was_counted_and_is_symmetric(counts: tuple[int, int]) -> None:
    good, counted = counts
    for kind in (jeffreys, clopper_pearson):
        low, high = kind(good, counted)
        assert 0 <= low <= good / counted <= high <= 1
        mirrored = kind(counted - good, counted)
        assert (1 - high, 1 - low) == pytest.approx(mirrored, abs=1e-6)
    inner, outer = jeffreys(good, counted), clopper_pearson(good, counted)
    assert outer[0] <= inner[0] + 1e-9
    assert inner[1] <= outer[1] + 1e-9


@settings(deadline=None, max_examples=40)  # a quantile takes some hundredths of a second
@given(COUNTS.filter(lambda counts: counts[0] < counts[1]))
def test_more_good_ones_never_lower_an_end(counts: tuple[int, int]) -> None:
    good, counted = counts
    for kind in (jeffreys, clopper_pearson):
        fewer, more = kind(good, counted), kind(good + 1, counted)
        assert fewer[0] < more[0]
        assert fewer[1] <= more[1]


@pytest.mark.parametrize("counted", [1, 2, 5, 12, 30])
@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
def test_the_wider_interval_covers_at_least_what_it_says(counted: int, level: float) -> None:
    """Every outcome added up, over chances that the ends do not fall on."""
    ends = [clopper_pearson(good, counted, level) for good in range(counted + 1)]
    for chance in np.linspace(0.0013, 0.9987, 301):
        covered = sum(
            chance_of(good, counted, chance) for good, (low, high) in enumerate(ends) if low <= chance <= high
        )
        assert covered >= level - 1e-9


@pytest.mark.parametrize("counted", [1, 3, 5, 12, 40])
def test_the_interval_shown_covers_on_average_what_it_says(counted: int) -> None:
    """Averaged over its own prior, an interval of a posterior covers exactly what it says (Bayes' rule); an
    end set to 0 or 1, where none or all were good, adds half of the rest. A chance with that prior is the
    sine squared of an even angle, so an even grid of angles averages over it."""
    angles = (np.arange(20_000) + 0.5) / 20_000 * math.pi / 2
    chances = np.sin(angles) ** 2
    covered, at_the_ends = np.zeros_like(chances), np.zeros_like(chances)
    for good in range(counted + 1):
        low, high = jeffreys(good, counted)
        chance = math.comb(counted, good) * chances**good * (1 - chances) ** (counted - good)
        covered += chance * ((low <= chances) & (chances <= high))
        at_the_ends += chance * (good in (0, counted))
    assert covered.mean() == pytest.approx(0.9 + 0.05 * at_the_ends.mean(), abs=3e-4)


def near(found: Interval, low: float, high: float, within: float) -> bool:
    return found == pytest.approx((low, high), abs=within)


def test_published_intervals() -> None:
    """Clopper-Pearson: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1, 4 of 20 at two-sided 90 %
    (numbers from memory). Jeffreys at 95 %: table 5 of Brown, Cai and DasGupta (from memory)."""
    assert near(clopper_pearson(4, 20, 0.9), 0.071354, 0.401029, 2e-6)
    assert near(jeffreys(0, 7, 0.95), 0.0, 0.292, 6e-4)
    assert near(jeffreys(1, 7, 0.95), 0.016, 0.501, 6e-4)
    assert near(jeffreys(2, 7, 0.95), 0.065, 0.648, 6e-4)
    assert near(jeffreys(0, 8, 0.95), 0.0, 0.262, 6e-4)


@pytest.mark.parametrize("counted", [1, 4, 25])
def test_none_of_some(counted: int) -> None:
    """None is met of `counted` with the chance (1 - p)^counted, so the upper end is where that is half of
    what may be missed."""
    assert clopper_pearson(0, counted, 0.9)[1] == pytest.approx(1 - 0.05 ** (1 / counted), abs=1e-6)


def test_words_are_rounded_outwards() -> None:
    assert Proportion(0, 1).words().startswith("0 of 1; 0 to ")
    assert interval_text((0.239, 0.9301)) == "23 to 94 %"
    assert interval_text((0.0, 1.0)) == "0 to 100 %"


def test_what_cannot_be_told_apart() -> None:
    assert not Proportion(2, 3).apart_from(Proportion(0, 1))
    assert Proportion(40, 41).apart_from(Proportion(3, 40))
    assert Proportion(3, 40).apart_from(Proportion(40, 41))
