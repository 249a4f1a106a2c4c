"""What nobody can beat: the exact optimum of a relaxed problem in which everything is known.

Relaxed: every sector's chance of being given is known; sectors that are never given are never tried; seeks,
commands, pauses, hangs and drop-outs cost nothing; a sector can be read alone at the price of its transfer.

Why no order of reading beats it, in expectation:

1. A read of many sectors can be played by single reads: ask for its sectors in their order, stop at the first
   refusal. That takes the same transfer and the same refusal, gains at least as much, and not later. Sectors
   that are dead or already read are left out, which only saves. So only single reads need be compared.
2. A single sector of weight w, transfer s and chance p of each try is a job that is asked again until it is
   given. Tries are independent. If the hazard h and the life g spent by a refusal of T seconds are constant,
   a success multiplies the chance of survival by d = exp(-h s) and a refusal by r = exp(-h T - g): discounts
   that depend on the job alone. For finitely many such jobs, one worked on at a time, it is optimal always
   to work on the one of largest index (Gittins, "Bandit Processes and Dynamic Allocation Indices",
   J. R. Statist. Soc. B 41, 1979, from memory), here w p d / (1 - p d - (1 - p) r), which does not change
   until success. So each job runs to its end; it is worth V = w p d / (1 - (1 - p) r), leaves the discount
   D = p d / (1 - (1 - p) r) to those after it, and the optimum is the sum of V_i times the D_j before it.
3. If the hazard rises with age or refusals, the constant hazard of the start spends less life for the same
   reads, so the optimum under it is still a bound. `by_age` gives another one: whatever the order, the
   expected weight gained by tries begun up to age t is at most F(t + longest try), where F is the fractional
   knapsack of weights w over expected times s + T (1 - p) / p (Wald's equation: the number of tries begun
   by t is a stopping time). Survival is at most S(t) = exp(-hazard by age), which falls; so the value is at
   most the integral of S over that gain (summation by parts). The smaller of the two bounds counts.

A weak head makes this bound looser than it need be: who knows each sector's chance reads the sure ones
between the weak ones, which nobody can tell apart before trying. `bound_of_bands` is what cannot be beaten
by one who knows the bands and how weak they are, but not which of their sectors are. Then a sector of a
band is a job whose chance of success falls with each refusal, since it is ever more likely one of the
weaker. Its index falls with it, and for such jobs the index of the next try alone is the right one (same
source). Each try is a job of its own in the order; sectors are independent, so their discounts multiply as
before. Step 1 holds as it stands: single reads tell more than one of many. This is an expectation over
which sectors are weak, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imaging_yield.models import DriveModel, Floats, Ints, WeakBands

_STEPS = 20_000
_TRIES = 200
"""After that many refusals a weak sector is given up: below one in a million of them is still unread."""


@dataclass(frozen=True, slots=True)
class Jobs:
    """`count` sectors each of one weight, transfer time and chance."""

    count: Floats
    weight: Floats
    seconds: Floats
    chance: Floats


def jobs_of(model: DriveModel, wanted_weight: float) -> Jobs:
    """Everything a clairvoyant would read of a drive."""
    edges = _edges(model)
    left, length = edges[:-1], np.diff(edges)
    wanted = _in_spans(model.wanted, left)
    weak_at = np.searchsorted(edges, model.weak, side="right") - 1
    length = length - np.bincount(weak_at, minlength=left.size)
    length[_in_spans(model.dead, left) | np.isin(left, model.bad)] = 0
    pace = np.diff(model.pace_seconds) / np.diff(model.pace_at)
    seconds = pace[np.searchsorted(model.pace_at, left, side="right") - 1]
    weight = np.where(wanted, wanted_weight, 1.0)
    return Jobs(
        np.concatenate([length, np.ones(model.weak.size)]),
        np.concatenate([weight, weight[weak_at]]),
        np.concatenate([seconds, seconds[weak_at]]),
        np.concatenate([np.ones(left.size), model.weak_gives]),
    )


def _in_spans(spans: tuple[Ints, Ints], places: Ints) -> np.ndarray:
    if spans[0].size == 0:
        return np.zeros(places.size, dtype=bool)
    at = np.searchsorted(spans[0], places, side="right") - 1
    return (at >= 0) & (places < spans[1][np.maximum(at, 0)])


def _edges(model: DriveModel) -> Ints:
    """Places between which sectors differ at most in being weak."""
    bands = model.weak_bands
    more = (bands.starts, bands.stops) if bands else ()
    ends = [model.pace_at.astype(np.int64), *model.wanted, *model.dead, model.bad, model.bad + 1, *more]
    return np.unique(np.concatenate(ends))


def bound(model: DriveModel, wanted_weight: float) -> float:
    """The most weight that any order can be expected to gain from the drive before it dies."""
    jobs = jobs_of(model, wanted_weight)
    return min(by_index(jobs, model), by_age(jobs, model))


@dataclass(frozen=True, slots=True)
class _Order:
    """`count` jobs each of one index; what one is worth when its turn comes, and the logarithm of the
    discount it leaves to those after it."""

    count: Floats
    index: Floats
    worth: Floats
    left: Floats


def by_index(jobs: Jobs, model: DriveModel) -> float:
    """The optimum under the hazard of the start."""
    return _in_order(_known(jobs, model))


def _known(jobs: Jobs, model: DriveModel) -> _Order:
    chance, hazard = jobs.chance, model.hazard
    given = np.exp(-jobs.seconds / hazard.life_seconds)
    refused = np.exp(-model.refusal_seconds / hazard.life_seconds - hazard.refusal)
    with np.errstate(divide="ignore"):
        last = 1 - (1 - chance) * refused
        worth = jobs.weight * chance * given / last
        left = np.log(chance * given / last)
        index = worth / -np.expm1(left)
    keep = (jobs.count > 0) & (chance > 0)
    return _Order(jobs.count[keep], index[keep], worth[keep], left[keep])


def _in_order(jobs: _Order) -> float:
    """The value of jobs done in order of their index."""
    order = np.argsort(-jobs.index, kind="stable")
    count, worth, left = jobs.count[order], jobs.worth[order], jobs.left[order]
    before = np.concatenate([[0.0], np.cumsum(count * left)[:-1]])
    together = count.copy()  # 1 + D + D^2 + ..., count times
    falls = left != 0
    together[falls] = np.expm1(count[falls] * left[falls]) / np.expm1(left[falls])
    return float((np.exp(before) * worth * together).sum())


def by_age(jobs: Jobs, model: DriveModel) -> float:
    """The integral of survival by age over the most that can be gained by each age."""
    keep = (jobs.count > 0) & (jobs.chance > 0)
    count, chance = jobs.count[keep], jobs.chance[keep]
    time = jobs.seconds[keep] + model.refusal_seconds * (1 - chance) / chance
    order = np.argsort(-jobs.weight[keep] / time, kind="stable")
    ends = np.concatenate([[0.0], np.cumsum((time * count)[order])])
    gains = np.concatenate([[0.0], np.cumsum((jobs.weight[keep] * count)[order])])
    longest = max(model.refusal_seconds, float(jobs.seconds[keep].max(initial=0.0)))
    steps = np.linspace(0.0, ends[-1], _STEPS)
    ages = np.maximum(steps[:-1] - longest, 0.0)  # survival at the start of each step: never too low
    return float((np.exp(-model.hazard.by_age(ages)) * np.diff(np.interp(steps, ends, gains))).sum())


def bound_of_bands(model: DriveModel, wanted_weight: float) -> float:
    """The most weight that one who knows everything but which sectors of a weak head are the weak ones can be
    expected to gain; the same as `bound` if no head is weak."""
    clairvoyant, bands = bound(model, wanted_weight), model.weak_bands
    if bands is None:
        return clairvoyant
    jobs, left = jobs_of(model, wanted_weight), _edges(model)[:-1]
    weak_at = np.searchsorted(left, model.weak, side="right") - 1
    inside = _in_spans((bands.starts, bands.stops), left)
    unknown = np.where(inside, jobs.count[: left.size] + np.bincount(weak_at, minlength=left.size), 0)
    sure = np.concatenate([np.where(inside, 0, jobs.count[: left.size]), ~inside[weak_at]])
    known = _known(Jobs(sure, jobs.weight, jobs.seconds, jobs.chance), model)
    some = unknown > 0
    tries = tries_of(
        unknown[some], jobs.weight[: left.size][some], jobs.seconds[: left.size][some], bands, model
    )
    parts = [
        np.concatenate(both)
        for both in (
            (known.count, tries.count),
            (known.index, tries.index),
            (known.worth, tries.worth),
            (known.left, tries.left),
        )
    ]
    return min(clairvoyant, _in_order(_Order(*parts)))


def tries_of(
    count: Floats, weight: Floats, seconds: Floats, bands: WeakBands, model: DriveModel, most: int = _TRIES
) -> _Order:
    """Each try of sectors that may be weak as a job of its own; `most` tries of each."""
    low, high = bands.gives
    number = np.arange(most + 1)
    refused_so_far = bands.share * ((1 - low) ** (number + 1) - (1 - high) ** (number + 1))
    refused_so_far /= (number + 1) * (high - low)  # the mean of (1 - p)^number for p drawn evenly
    refused_so_far[0] = 1.0
    chance = 1 - refused_so_far[1:] / refused_so_far[:-1]
    given = np.exp(-seconds / model.hazard.life_seconds)[:, None]
    refused = float(np.exp(-model.refusal_seconds / model.hazard.life_seconds - model.hazard.refusal))
    reached = refused_so_far * refused**number
    lost = 1 - chance * given - (1 - chance) * refused  # of the discount, by one try
    index = weight[:, None] * chance * given / lost
    gain = reached[:-1] * chance * given
    discount = np.concatenate([np.zeros_like(given), np.cumsum(gain, axis=1)], axis=1) + reached
    worth = weight[:, None] * gain / discount[:, :-1]
    left = np.log1p(-reached[:-1] * lost / discount[:, :-1])
    many = np.repeat(count, most)
    return _Order(many, index.ravel(), worth.ravel(), left.ravel())


def value_of_tries(
    count: Floats, weight: Floats, seconds: Floats, bands: WeakBands, model: DriveModel, most: int
) -> float:
    """What sectors that may be weak are worth by themselves, each tried `most` times at most."""
    return _in_order(tries_of(count, weight, seconds, bands, model, most))
