"""The bands found so far, stretch by stretch of the drive."""

from __future__ import annotations

import math

import numpy as np

from mendbay.imaging.bands import LEAST_BAD, MOST_BAD, Bands, Floats, fit
from mendbay.imaging.density import CELL, Density
from mendbay.imaging.given_places import REGION, GivenPlaces

UNIT = 64
"""Finest detail looked for, in sectors."""
_MOST_STRETCHES = 32
_WINDOWS = (20, 40, 80, 160)
"""Refused places in one fit."""
_CENTRES = 2
_MANY_BAD, _LONGEST_WAIT = 160, 7
"""With so many refused places and no bands among them, it is looked for them at most so much more seldom."""
_RUNS_LIMIT = 32 * REGION
_START_TRUST, _MOST_TRUST, _SURPRISE = -1.0, 4.0, 0.03
"""Log odds of the bands against the chain at the start and at most, and the least chance counted for an
outcome: a fit must first foretell something, and one that stopped doing so is soon left (own choice)."""


class BandStretch:
    """Fitted bands with what the chances between two edges need.

    Attributes:
        bands: the fit.
        reach: over how many sectors what a neighbour tells fades.
        stray: chance by the sector that something bad begins between bands.
    """

    def __init__(self, bands: Bands, stray: float) -> None:
        self.bands = bands
        self.reach = max(2.0 * UNIT, 0.02 * bands.period)
        self.stray = stray

    def chance(self, at: int) -> float:
        """Chance that the place lies in a band."""
        return self.bands.chance(at)


class BandMap:
    """Fits bands around the latest refusal and keeps the fits; a later one goes before those it overlaps."""

    def __init__(self) -> None:
        self._stretches: list[BandStretch] = []
        self._in_vain = 0
        self._wait = 0
        self._log_trust = _START_TRUST

    @property
    def trust(self) -> float:
        """Weight of the bands against what neighbours tell, 0 to 1: by how well each foretold the reads so
        far (Dawid, "Present Position and Potential Developments: Some Personal Views: Statistical Theory: The
        Prequential Approach", J. R. Statist. Soc. A 147, 1984, cited from memory)."""
        return 1 / (1 + math.exp(-self._log_trust))

    def weigh(self, by_bands: float, by_chain: float, given: bool) -> None:
        """Notes a read at a place with bands.

        Args:
            by_bands, by_chain: chances of its being given, foretold by the bands and without them.
        """
        floor = _SURPRISE
        told = [min(1 - floor, max(floor, one if given else 1 - one)) for one in (by_bands, by_chain)]
        moved = self._log_trust + math.log(told[0] / told[1])
        self._log_trust = max(-_MOST_TRUST, min(_MOST_TRUST, moved))

    def around(self, at: int) -> BandStretch | None:
        """The bands at a place, None where none are known."""
        for one in self._stretches:
            if one.bands.low <= at < one.bands.high:
                return one
        return None

    def learn(self, damage: Density, given: GivenPlaces, latest: list[int]) -> bool:
        """Looks for bands anew, with all that was refused and given so far, around the places that were
        refused lately; returns whether any were found or given up. The longer it has looked in vain, the more
        seldom it looks: most drives have none."""
        if self._wait:
            self._wait -= 1
            return False
        bad = _bad_places(damage)
        if bad.size < LEAST_BAD:
            return False
        looked = [self._learn_around(place, bad, damage, given) for place in _centres(latest)]
        found = any(looked)
        self._in_vain = 0 if found or bad.size < _MANY_BAD else self._in_vain + 1
        self._wait = min(_LONGEST_WAIT, self._in_vain)
        return found

    def _learn_around(self, place: int, bad: Floats, damage: Density, given: GivenPlaces) -> bool:
        """Fits windows of several widths around a place, since the period changes along the drive, and
        keeps the fit that explains most of what it looked at; returns whether what is believed changed."""
        nearest = bad[np.argsort(np.abs(bad - place), kind="stable")]
        best: Bands | None = None
        for count in _WINDOWS:
            found = _fitted(np.sort(nearest[:count]), damage, given)
            if found is not None and (best is None or found.share > best.share):
                best = found
            if count >= nearest.size:
                break
        known = self.around(place)
        if best is None:
            if known is not None:  # what was believed here no longer holds
                self._stretches.remove(known)
            return known is not None
        low, high = int(max(0, best.low)), int(best.high)
        inside = nearest[(nearest >= low) & (nearest < high)]
        outside = sum(best.chance(one) < 0.5 for one in inside)
        stretch = BandStretch(best, (outside + 0.5) / (damage.tried_between(low, high) + 50_000))
        kept = [one for one in self._stretches if not _inside(one.bands, best)]
        self._stretches = [stretch, *kept][:_MOST_STRETCHES]
        return True


def _centres(latest: list[int]) -> list[int]:
    """A few of the places, spread over all of them."""
    ordered = sorted(latest)
    return (
        ordered
        if len(ordered) <= _CENTRES
        else [ordered[(2 * k + 1) * len(ordered) // (2 * _CENTRES)] for k in range(_CENTRES)]
    )


def _inside(one: Bands, other: Bands) -> bool:
    return other.low <= one.low and one.high <= other.high


def _bad_places(damage: Density) -> Floats:
    """Middles of everything refused, once for every unit."""
    ranges = np.array(damage.ranges, dtype=np.float64).reshape(-1, 2).mean(axis=1)
    both = np.concatenate((np.array(damage.bad, dtype=np.float64), ranges))
    _, first = np.unique(both // UNIT, return_index=True)
    return both[first]


def _fitted(bad: Floats, damage: Density, given: GivenPlaces) -> Bands | None:
    if bad.size < LEAST_BAD:
        return None
    span = float(bad[-1] - bad[0])
    margin = span / max(4, bad.size)
    low, high = int(max(0, bad[0] - margin)), int(bad[-1] + margin)
    if high - low > _RUNS_LIMIT:
        return fit(bad, damage.whole_cells(low, high), CELL)
    return fit(bad, _given_sample(given, low, high), UNIT)


def _given_sample(given: GivenPlaces, low: int, high: int) -> Floats:
    """Places evenly chosen among the given sectors between two places."""
    runs = np.array(given.runs_between(low, high), dtype=np.int64).reshape(-1, 2).clip(low, high)
    lengths = runs[:, 1] - runs[:, 0]
    total = int(lengths.sum())
    if not total:
        return np.empty(0)
    ends = np.cumsum(lengths)
    steps = np.arange(min(total, 2 * MOST_BAD)) * (total / min(total, 2 * MOST_BAD)) + 0.5
    at = np.minimum(np.searchsorted(ends, steps, side="right"), lengths.size - 1)
    return np.asarray(runs[at, 0] + steps - (ends[at] - lengths[at]), dtype=np.float64)
