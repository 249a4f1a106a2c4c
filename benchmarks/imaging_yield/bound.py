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

This bound is out of reach where luck decides which sectors are bad: who knows each sector's chance goes
round the strewn bad ones and reads the sure ones between the weak ones of a weak head, which nobody can tell
apart before trying. `bound_of_law` is what cannot be beaten by one who knows everything else: bands, dead
ranges, clusters, slow zones, and by what law sectors are bad or weak, but not which of those. Then such a
sector is a job whose chance of success falls with each refusal, since it is ever more likely one of the
worse. Its index falls with it, and for such jobs the index of the next try alone is the right one (same
source). Each try is a job of its own in the order; sectors are independent, so their discounts multiply as
before. Step 1 holds as it stands: single reads tell more than one of many. This is an expectation over which
sectors are bad, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imaging_yield.models import DriveModel, Floats, Ints
from imaging_yield.parameters import Range

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


def jobs_of(model: DriveModel, wanted_weight: float, rest_weight: float = 1.0) -> Jobs:
    """Everything a clairvoyant would read of a drive."""
    edges = _edges(model)
    left, length = edges[:-1], np.diff(edges)
    wanted = _in_spans(model.wanted, left)
    weak_at = np.searchsorted(edges, model.weak, side="right") - 1
    length = length - np.bincount(weak_at, minlength=left.size)
    length[_in_spans(model.dead, left) | np.isin(left, model.bad)] = 0
    pace = np.diff(model.pace_seconds) / np.diff(model.pace_at)
    seconds = pace[np.searchsorted(model.pace_at, left, side="right") - 1]
    weight = np.where(wanted, wanted_weight, rest_weight)
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


def bound(model: DriveModel, wanted_weight: float, rest_weight: float = 1.0) -> float:
    """The most weight that any order can be expected to gain from the drive before it dies."""
    jobs = jobs_of(model, wanted_weight, rest_weight)
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
    keep = (jobs.count > 0) & (chance > 0) & (jobs.weight > 0)
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
    keep = (jobs.count > 0) & (jobs.chance > 0) & (jobs.weight > 0)
    count, chance = jobs.count[keep], jobs.chance[keep]
    time = jobs.seconds[keep] + model.refusal_seconds * (1 - chance) / chance
    order = np.argsort(-jobs.weight[keep] / time, kind="stable")
    ends = np.concatenate([[0.0], np.cumsum((time * count)[order])])
    gains = np.concatenate([[0.0], np.cumsum((jobs.weight[keep] * count)[order])])
    longest = max(model.refusal_seconds, float(jobs.seconds[keep].max(initial=0.0)))
    steps = np.linspace(0.0, ends[-1], _STEPS)
    ages = np.maximum(steps[:-1] - longest, 0.0)  # survival at the start of each step: never too low
    return float((np.exp(-model.hazard.by_age(ages)) * np.diff(np.interp(steps, ends, gains))).sum())


@dataclass(frozen=True, slots=True)
class Law:
    """By what chances a sector is bad: never given with chance `dead`; and with the chance of each of `weak`,
    given at a try with a chance drawn evenly from its range."""

    dead: float
    weak: tuple[tuple[float, Range], ...]

    def refused_so_far(self, most: int) -> Floats:
        """The chance that a sector has been refused each time, for 0 to `most` tries."""
        tries = np.arange(most + 1)
        refused = np.full(most + 1, self.dead)
        for share, (low, high) in self.weak:  # the mean of (1 - p)^tries for p drawn evenly
            refused += (
                share * ((1 - low) ** (tries + 1) - (1 - high) ** (tries + 1)) / (tries + 1) / (high - low)
            )
        refused[0] = 1.0
        return refused


def _laws(model: DriveModel) -> tuple[Law | None, Law | None]:
    """The law between the bands of a weak head, and in them; None where every sector is known."""
    dead, strewn = 0.0, ()
    if model.strewn is not None:
        dead, strewn = model.strewn.dead, ((model.strewn.weak, model.strewn.gives),)
    outside = Law(dead, strewn) if strewn else None
    if model.weak_bands is None:
        return outside, outside
    share = model.weak_bands.share * (1 - dead - sum(one[0] for one in strewn))
    return outside, Law(dead, (*strewn, (share, model.weak_bands.gives)))


def bound_of_law(model: DriveModel, wanted_weight: float, rest_weight: float = 1.0) -> float:
    """The most weight that one can be expected to gain who knows everything but which sectors luck made bad
    or weak; the same as `bound` if luck made none. The mean over where luck put them: on a single drive it
    may be more than `bound` and less than what was gained."""
    laws = _laws(model)
    if laws == (None, None):
        return bound(model, wanted_weight, rest_weight)
    jobs, edges = jobs_of(model, wanted_weight, rest_weight), _edges(model)
    left, length = edges[:-1], np.diff(edges)
    bands, places = model.weak_bands, model.strewn.places if model.strewn else edges[:0]
    inside = _in_spans((bands.starts, bands.stops), left) if bands else np.zeros(left.size, dtype=bool)
    weak_at = np.searchsorted(left, model.weak, side="right") - 1
    weak_known = ~np.isin(model.weak, places) & ~inside[weak_at]
    hidden = length - np.bincount(weak_at[weak_known], minlength=left.size)
    hidden[_in_spans(model.dead, left) | (np.isin(left, model.bad) & ~np.isin(left, places))] = 0
    sure = np.zeros(left.size)
    parts: list[_Order] = []
    for some, law in ((~inside, laws[0]), (inside, laws[1])):
        if law is None:
            sure = np.where(some, jobs.count[: left.size], sure)
            continue
        some = some & (hidden > 0) & (jobs.weight[: left.size] > 0)
        columns = (hidden, jobs.weight[: left.size], jobs.seconds[: left.size])
        parts.append(tries_of(*(column[some].astype(float) for column in columns), law, model))
    known = np.concatenate([sure, weak_known])
    parts.append(_known(Jobs(known, jobs.weight, jobs.seconds, jobs.chance), model))
    columns = zip(*((one.count, one.index, one.worth, one.left) for one in parts), strict=True)
    return _in_order(_Order(*(np.concatenate(column) for column in columns)))


def tries_of(
    count: Floats, weight: Floats, seconds: Floats, law: Law, model: DriveModel, most: int = _TRIES
) -> _Order:
    """Each try of sectors under a law as a job of its own; `most` tries of each."""
    refused_so_far = law.refused_so_far(most)
    chance = 1 - refused_so_far[1:] / refused_so_far[:-1]
    given = np.exp(-seconds / model.hazard.life_seconds)[:, None]
    refused = float(np.exp(-model.refusal_seconds / model.hazard.life_seconds - model.hazard.refusal))
    reached = refused_so_far * refused ** np.arange(most + 1)
    lost = 1 - chance * given - (1 - chance) * refused  # of the discount, by one try
    index = weight[:, None] * chance * given / lost
    gain = reached[:-1] * chance * given
    discount = np.concatenate([np.zeros_like(given), np.cumsum(gain, axis=1)], axis=1) + reached
    worth = weight[:, None] * gain / discount[:, :-1]
    left = np.log1p(-reached[:-1] * lost / discount[:, :-1])
    many = np.repeat(count, most)
    return _Order(many, index.ravel(), worth.ravel(), left.ravel())


def value_of_tries(
    count: Floats, weight: Floats, seconds: Floats, law: Law, model: DriveModel, most: int
) -> float:
    """What sectors under a law are worth by themselves, each tried `most` times at most."""
    return _in_order(tries_of(count, weight, seconds, law, model, most))
