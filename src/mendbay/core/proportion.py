"""A share of things counted, `good` of `counted`, and the interval in which the true chance likely lies.

The interval is that of H. Jeffreys' prior, equal tails, with the ends set to 0 and 1 where none or all were
good: L. D. Brown, T. T. Cai, A. DasGupta, "Interval estimation for a binomial proportion", Statistical
Science 16 (2001) 101-133, who recommend it for small counts. Beside it stands the one of C. J. Clopper and
E. S. Pearson, Biometrika 26 (1934) 404-413, which never covers less than it says and is wider for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

LEVEL = 0.9
"""Of the intervals shown: 9 in 10, as everywhere in Mendbay."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Proportion:
    """`good` of `counted`.

    Raises:
        ValueError: nothing was counted, or not 0 <= good <= counted.
    """

    good: int
    counted: int

    def __post_init__(self) -> None:
        if not 0 <= self.good <= self.counted or self.counted == 0:
            raise ValueError(f"{self.good} is not a part of {self.counted}")

    @property
    def share(self) -> float:
        """0 to 1, as counted."""
        return self.good / self.counted

    @property
    def interval(self) -> Interval:
        """Where the true chance likely lies: Jeffreys, `LEVEL`."""
        return jeffreys(self.good, self.counted)

    def words(self) -> str:
        """The counts and the interval: `2 of 3; 23 to 93 %`."""
        return f"{self.good} of {self.counted}; {interval_text(self.interval)}"

    def apart_from(self, other: Proportion) -> bool:
        """Whether the two intervals have nothing in common. Intervals that overlap do not show that the
        chances are the same, only that so few cases cannot tell them apart."""
        (low, high), (other_low, other_high) = self.interval, other.interval
        return high < other_low or other_high < low


def interval_text(interval: Interval) -> str:
    """An interval of chances in whole per cent, rounded outwards so that it never claims more than it is:
    `23 to 93 %`."""
    low, high = interval
    return f"{math.floor(100 * low)} to {math.ceil(100 * high)} %"


@lru_cache(maxsize=1 << 14)
def jeffreys(good: int, counted: int, level: float = LEVEL) -> Interval:
    """The equal-tailed interval of Beta(good + 1/2, counted - good + 1/2), its ends 0 and 1 where none or all
    were good.

    Raises:
        ValueError: not 0 <= good <= counted, nothing counted, or a level outside 0 to 1.
    """
    Proportion(good, counted)
    tail, bad = _tail(level), counted - good
    low, high = _beta_quantiles(good + 0.5, bad + 0.5, tail, 1 - tail)
    return 0.0 if good == 0 else low, 1.0 if bad == 0 else high


@lru_cache(maxsize=1 << 14)
def clopper_pearson(good: int, counted: int, level: float = LEVEL) -> Interval:
    """The interval whose ends are the chances at which so many, or so few, good ones would just be met in a
    share (1 - level) / 2 of series; it covers the true chance at least as often as it says.

    Raises:
        ValueError: as for `jeffreys`.
    """
    Proportion(good, counted)
    tail, bad = _tail(level), counted - good
    low = 0.0 if good == 0 else beta_quantile(good, bad + 1, tail)
    return low, 1.0 if bad == 0 else beta_quantile(good + 1, bad, 1 - tail)


def _tail(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise ValueError(f"{level} is not a level of an interval")
    return (1 - level) / 2


def beta_quantile(alpha: float, beta: float, share: float) -> float:
    """The point below which a Beta distribution has this share of its weight, to about six digits.

    Raises:
        ValueError: a parameter below 0.1 or above 1e7, or a share outside 0 to 1.
    """
    return _beta_quantiles(alpha, beta, share)[0]


@lru_cache(maxsize=1 << 12)
def _beta_quantiles(alpha: float, beta: float, *shares: float) -> tuple[float, ...]:
    """By summing the density over log-odds, where it is smooth and falls off exponentially on both sides even
    if a parameter is below 1."""
    sound = min(alpha, beta) >= 0.1 and max(alpha, beta) <= 1e7
    if not (sound and all(0.0 < share < 1.0 for share in shares)):
        raise ValueError(f"no quantile {shares[0]} of Beta({alpha}, {beta})")
    centre = math.log(alpha / beta)
    left = 40.0 / alpha + 14.0 / math.sqrt(min(alpha, beta))
    right = 40.0 / beta + 14.0 / math.sqrt(min(alpha, beta))
    at = np.linspace(centre - left, centre + right, 200_001)
    height = -alpha * np.logaddexp(0.0, -at) - beta * np.logaddexp(0.0, at)
    weight = np.exp(height - height.max())
    below = np.concatenate(([0.0], np.cumsum((weight[1:] + weight[:-1]) / 2)))
    points = np.interp(shares, below / below[-1], at)
    return tuple(1.0 / (1.0 + math.exp(-float(point))) for point in points)
