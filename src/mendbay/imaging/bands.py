"""Bands that a weak or dead head leaves across a drive, found from places that were refused and given.

The heads of a drive take turns, so the sectors behind one of them return along the addresses with a period
that changes slowly from the outer to the inner tracks (per-zone densities: Gim & Won, "DIG: Rapid
Characterization of Modern Hard Disk Drive and its Performance Implications", ACM Trans. Storage 6(2), 2010).
The fit folds the places at many trial periods, takes the box of phases that explains them best, and then
refines period, drift and width. It says nothing unless the gain is large.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_BAD, LEAST_PLACES = 6, 24
MOST_BAD = 250
"""Places used for one fit; more make it slower, not better."""
_PERIODS, _BINS, _FINE_BINS = 220, 48, 96
_DUTIES = (0.03, 0.06, 1 / 8, 1 / 6, 1 / 4, 1 / 3, 1 / 2)
_BAD_IN, _BAD_OUT = math.log(0.95 / 0.03), math.log(0.05 / 0.97)
_LEAST_GAIN, _LEAST_SHARE = 12.0, 0.35
_DRIFTS = np.linspace(-0.06, 0.06, 13)
_EDGE_SHARE = 0.01
_REACH_PERIODS = 2.5
_COMPANY, _STRAY = 25, 0.01
_LEAST_PERIODS = 4
# Trial periods, bins, duties and thresholds: own choice, checked on drawn data (unit/imaging/test_bands.py);
# the rates inside and outside that score a fold are those of a nearly dead head with a few stray errors.


@dataclass(frozen=True, slots=True)
class Bands:
    """One fitted stretch of bands. Places are sector numbers.

    Attributes:
        low, high: between which places it may be believed.
        centre: the place that `phase` refers to.
        period: sectors from band to band at `centre`.
        drift: relative change of the period over the stretch `scale`.
        scale: length of the stretch fitted.
        phase: where bands begin, as a share of a period after `centre`.
        duty: share of a period that is bad.
        inside, outside: chance that a place is bad within a band and between bands.
        gain: how much better than a constant chance it explains the places, in nats.
        share: of what could be gained by explaining every place.
    """

    low: float
    high: float
    centre: float
    period: float
    drift: float
    scale: float
    phase: float
    duty: float
    inside: float
    outside: float
    gain: float
    share: float

    def covers(self, at: float) -> bool:
        """Whether it says anything about `at`."""
        return self.low <= at < self.high

    def turn(self, at: float) -> float:
        """How far `at` is into its period, 0 to 1, where bands begin at 0 and end at `duty`."""
        x = at - self.centre
        return ((x - self.drift * x * x / (2 * self.scale)) / self.period - self.phase) % 1.0

    def chance(self, at: float) -> float:
        """Chance that the place `at` is bad; between `outside` and `inside`."""
        turn = self.turn(at)
        depth = min(turn, self.duty - turn) if turn < self.duty else -min(turn - self.duty, 1 - turn)
        weight = 1 / (1 + math.exp(-max(-60.0, min(60.0, depth / _EDGE_SHARE))))
        return self.outside + (self.inside - self.outside) * weight

    def next_edge(self, at: float) -> tuple[int, bool]:
        """The next border of a band after `at`, and whether bad begins there (else it ends there)."""
        turn = self.turn(at)
        local = self.period * (1 + self.drift * (at - self.centre) / self.scale)
        bad_begins = turn >= self.duty
        ahead = (1 - turn) if bad_begins else self.duty - turn
        return int(at + max(1.0, ahead * local)), bad_begins

    def good_ahead(self, at: float, forwards: bool) -> int:
        """How many sectors after (or before) `at` the current stretch between bands goes on; 0 in a band."""
        turn = self.turn(at)
        if turn < self.duty:
            return 0
        local = self.period * (1 + self.drift * (at - self.centre) / self.scale)
        return int(((1 - turn) if forwards else (turn - self.duty)) * local)


def fit(bad: Floats, good: Floats, unit: float) -> Bands | None:
    """The bands that the places show, or None if there is no clear sign of any.

    Args:
        bad, good: places that were refused and given, sorted.
        unit: the finest detail worth finding, in sectors; periods below 12 units are not tried.
    """
    if bad.size < LEAST_BAD or bad.size + good.size < LEAST_PLACES or good.size == 0:
        return None
    bad, good = _thinned(bad, MOST_BAD), _thinned(good, 2 * MOST_BAD)
    places = np.concatenate((bad, good))
    low, high = float(places.min()), float(places.max())
    window = high - low
    if window / 2.5 <= 12 * unit:
        return None
    centre = (low + high) / 2
    x = places - centre
    is_bad = np.arange(places.size) < bad.size
    periods = np.geomspace(12 * unit, window / 2.5, _PERIODS)
    turns = x[None, :] / periods[:, None]
    best = _best_box(turns, is_bad, np.array(_DUTIES), _BINS)
    fine = _finer(x, is_bad, window, float(periods[best.row]), best.duty)
    gain, share = _gain(fine.turn, fine.duty, places, is_bad)
    if gain < _LEAST_GAIN or share < _LEAST_SHARE or not _recurs(fine, x, is_bad):
        return None
    return _bands(fine, is_bad, centre, (low, high), (gain, share))


def _thinned(places: Floats, most: int) -> Floats:
    """At most `most` of the places, evenly chosen."""
    if places.size <= most:
        return places
    return places[np.linspace(0, places.size - 1, most).astype(np.int64)]


@dataclass(frozen=True, slots=True)
class _Box:
    """The best box of phases: which row of turns, where it begins and how wide it is."""

    row: int
    begins: float
    duty: float
    total: float


def _best_box(turns: Floats, is_bad: npt.NDArray[np.bool_], duties: Floats, bins: int) -> _Box:
    """The best circular box over the phases, over all rows of `turns`."""
    rows = turns.shape[0]
    at = np.minimum((turns % 1.0 * bins).astype(np.int64), bins - 1) + np.arange(rows)[:, None] * bins
    weight = np.where(is_bad, _BAD_IN, _BAD_OUT)
    summed = np.bincount(at.ravel(), np.broadcast_to(weight, at.shape).ravel(), rows * bins)
    folded = summed.reshape(rows, bins)
    running = np.concatenate((np.zeros((rows, 1)), np.cumsum(np.concatenate((folded, folded), 1), 1)), 1)
    best = _Box(0, 0.0, float(duties[0]), -math.inf)
    for duty in duties:
        wide = max(1, round(float(duty) * bins))
        box = running[:, wide : wide + bins] - running[:, :bins]
        flat = int(np.argmax(box))
        total = float(box.flat[flat])
        if total > best.total + 1e-9:
            best = _Box(flat // bins, flat % bins / bins, wide / bins, total)
    return best


@dataclass(frozen=True, slots=True)
class _Fine:
    """The refined fit: turn of every place with bands from 0 to `duty`."""

    period: float
    drift: float
    scale: float
    phase: float
    duty: float
    turn: Floats


def _finer(x: Floats, is_bad: npt.NDArray[np.bool_], window: float, period: float, duty: float) -> _Fine:
    """Period within 1.5 %, drift within 6 % over the window, duty within 20 %, on a finer grid."""
    steps = np.linspace(-0.015, 0.015, 21)
    bent = x[None, :] - _DRIFTS[:, None] * (x * x)[None, :] / (2 * window)
    turns = (bent[:, None, :] / (period * (1 + steps))[None, :, None]).reshape(-1, x.size)
    best = _best_box(turns, is_bad, duty * np.linspace(0.8, 1.2, 7), _FINE_BINS)
    drift, step = float(_DRIFTS[best.row // steps.size]), float(steps[best.row % steps.size])
    turn = (turns[best.row] - best.begins) % 1.0
    return _Fine(period * (1 + step), drift, window, best.begins, best.duty, turn)


def _recurs(fine: _Fine, x: Floats, is_bad: npt.NDArray[np.bool_]) -> bool:
    """Whether the bad places lie in several periods: one damaged place fits any period."""
    inside = is_bad & (fine.turn < fine.duty)
    return bool(np.unique(np.floor(x[inside] / fine.period - fine.phase)).size >= _LEAST_PERIODS)


def _gain(turn: Floats, duty: float, places: Floats, is_bad: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Nats gained over the best explanation without a period, and their share of what could be gained."""
    inside = turn < duty
    total, bad = is_bad.size, int(is_bad.sum())
    bad_in, all_in = int((is_bad & inside).sum()), int(inside.sum())
    if not all_in or bad_in / all_in <= bad / total:
        return 0.0, 0.0
    apart = _nats(bad_in, all_in) + _nats(bad - bad_in, total - all_in)
    without = max(_nats(bad, total), _nats_in_company(places, is_bad))
    gain = apart - without
    return gain, gain / -without if without else 0.0


def _nats(bad: int, all_of: int) -> float:
    """How well so many outcomes are explained by their share, in nats; at most 0."""
    return sum(n * math.log(n / all_of) for n in (bad, all_of - bad) if n)


def _nats_in_company(places: Floats, is_bad: npt.NDArray[np.bool_]) -> float:
    """How well outcomes are explained by those beside them alone, as a two-state chain along the addresses
    does: places in one damaged stretch say little about a period, for they are alike anyway."""
    order = np.argsort(places, kind="stable")
    at, state = places[order], is_bad[order]
    level = np.where(state[1:], state.mean(), 1 - state.mean())
    gaps, alike = np.diff(at), state[1:] == state[:-1]
    window = float(at[-1] - at[0])
    faded = np.exp(-gaps[None, :] / np.geomspace(window / 4096, window, _COMPANY)[:, None])
    chance = np.where(alike, level + (1 - level) * faded, level * (1 - faded))
    strays = np.clip(chance, _STRAY, 1 - _STRAY)
    first = math.log(max(_STRAY, float(is_bad.mean() if state[0] else 1 - is_bad.mean())))
    return first + float(np.log(strays).sum(axis=1).max())


def _bands(
    fine: _Fine,
    is_bad: npt.NDArray[np.bool_],
    centre: float,
    ends: tuple[float, float],
    gained: tuple[float, float],
) -> Bands:
    inside = fine.turn < fine.duty
    bad_in, all_in = int((is_bad & inside).sum()), int(inside.sum())
    bad_out, all_out = int((is_bad & ~inside).sum()), int((~inside).sum())
    reach = _REACH_PERIODS * fine.period
    return Bands(
        low=ends[0] - reach,
        high=ends[1] + reach,
        centre=centre,
        period=fine.period,
        drift=fine.drift,
        scale=fine.scale,
        phase=fine.phase,
        duty=fine.duty,
        inside=min(0.95, max(0.1, (bad_in + 1) / (all_in + 2))),
        outside=min(0.2, max(0.005, (bad_out + 0.2) / (all_out + 2))),
        gain=gained[0],
        share=gained[1],
    )
