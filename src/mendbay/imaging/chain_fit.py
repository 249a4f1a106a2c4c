"""How long good and bad stretches are, how much is refused inside, and how dense lone bad sectors are: the
likeliest explanation of everything that was given and refused.

The states along the addresses are a two-state chain (`runs`). Seen are ranges that were given, ranges that
were refused, and gaps that nobody asked for. With the transition T(n) over n sectors and G(n), staying in one
state with every sector given, a given range moves the chain by G, a gap by T and a refused range by T - G:
whatever may happen in it but that all is given. The likelihood of all of it follows by running along the
addresses once (the forward algorithm: Rabiner, "A Tutorial on Hidden Markov Models", Proc. IEEE 77(2), 1989,
from memory). It does not depend on the order in which places were asked for, so it is not misled by a planner
that asks where it hopes most. A grid of explanations is weighed, each with its prior, and the mean taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_BAD_SHARES = (1e-4, 1e-3, 0.01, 0.03, 0.1, 0.2, 0.35, 0.5)
_BAD_SECTORS = (30.0, 300.0, 3_000.0, 12_000.0, 40_000.0)
_DENSITIES = (1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)
_REFUSED_SHARES = (0.995, 0.9, 0.3, 0.07)
_USUAL_SHARE, _SHARE_SPREAD = 0.004, 2.5
_USUAL_SECTORS, _SECTORS_SPREAD = 1_500.0, 1.5
_DENSITY_SPREAD = 2.0
_REFUSED_PRIOR = (0.4, 0.2, 0.2, 0.2)
# Priors are log-normal: medians and spreads in nats, own choice from simulated trials, no source.


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen along the addresses, in order: refused ranges, given runs and gaps.

    Within an entry a single given run comes last; where there are several, or a refused range follows, gaps
    and runs take turns, alike in length.

    Attributes:
        unread, given: sectors by what is known of them, before the refused range; shape (n,).
        runs: in how many runs those given lie: each tells of its own place; shape (n,).
        refused: length of the refused range at the entry's end; 0 if there is none; shape (n,).
        times: how many sectors were refused singly, one after the other, where `refused` is 1; shape (n,).
        begins: whether nothing is known of the state before the entry; shape (n,).
    """

    unread: Floats
    given: Floats
    runs: npt.NDArray[np.int64]
    refused: Floats
    times: npt.NDArray[np.int64]
    begins: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ChainFit:
    """The explanation: chances by the sector to enter and to leave a bad stretch, the chance that a sector
    inside one is refused, and that a lone sector outside is bad."""

    enter: float
    leave: float
    refused_share: float
    density: float


class Grid:
    """Every explanation, in columns of shape (explanations,).

    Attributes:
        share: of the drive that lies in bad stretches.
        enter, leave, refused, density: as in `ChainFit`.
        log_prior: how likely each is before anything is seen, in nats; not normalised.
    """

    def __init__(self, usual_density: float) -> None:
        axes = np.meshgrid(_BAD_SHARES, _BAD_SECTORS, _DENSITIES, _REFUSED_SHARES, indexing="ij")
        self.share, sectors, self.density, self.refused = (axis.ravel() for axis in axes)
        self.leave = 1 / sectors
        self.enter = self.leave * self.share / (1 - self.share)
        prior = (np.log(self.share / _USUAL_SHARE) / _SHARE_SPREAD) ** 2
        prior = prior + (np.log(sectors / _USUAL_SECTORS) / _SECTORS_SPREAD) ** 2
        prior = prior + (np.log(self.density / usual_density) / _DENSITY_SPREAD) ** 2
        likely = dict(zip(_REFUSED_SHARES, _REFUSED_PRIOR, strict=True))
        self.log_prior = -prior / 2 + np.log([likely[one] for one in self.refused.tolist()])


def fit(seen: Seen, usual_density: float) -> ChainFit:
    """The mean explanation of what was seen; that of the priors if nothing was.

    Args:
        usual_density: of lone bad sectors, where nothing is known.
    """
    grid, likelihood = log_likelihood(seen, usual_density)
    worth = grid.log_prior + likelihood
    weight = np.exp(worth - worth.max())
    weight /= weight.sum()
    share = math.exp(float(weight @ np.log(grid.share)))
    leave, density = (math.exp(float(weight @ np.log(one))) for one in (grid.leave, grid.density))
    return ChainFit(
        enter=min(0.1, leave * share / (1 - share)),
        leave=leave,
        refused_share=float(weight @ grid.refused),
        density=density,
    )


def log_likelihood(seen: Seen, usual_density: float) -> tuple[Grid, Floats]:
    """Every explanation, and the log likelihood of everything seen under each; shape (explanations,)."""
    grid = Grid(usual_density)
    share, good_share = grid.share, 1 - grid.share
    speed = grid.enter + grid.leave
    # Logarithms of the chance that a sector is given and the next one is in the same state.
    good_ends, bad_ends = np.log1p(-grid.density) - grid.enter, np.log1p(-grid.refused) - grid.leave
    good, bad = good_share.copy(), share.copy()
    total = np.zeros(share.size)
    singly = np.log(grid.density) - grid.enter, np.log(grid.refused) - grid.leave
    columns = (seen.unread, seen.given, seen.runs, seen.refused, seen.times, seen.begins)
    for unread, given, runs, refused, times, begins in zip(*(one.tolist() for one in columns), strict=True):
        if begins:
            good, bad = good_share.copy(), share.copy()
        if unread and not (given and runs):
            good, bad = _moved(good, bad, share, np.exp(-speed * unread))
        elif given and runs == 1 and not refused:  # its place is known: the gap lies before it
            if unread:
                good, bad = _moved(good, bad, share, np.exp(-speed * unread))
            good, bad = good * np.exp(good_ends * given), bad * np.exp(bad_ends * given)
        elif given and runs:
            faded = np.exp(-speed * (unread / (runs + 1)))
            gives = np.exp(good_ends * (given / runs)), np.exp(bad_ends * (given / runs))
            good, bad, lost = _moved_through(good, bad, share, faded, gives, runs)
            total += lost
            good, bad = _moved(good, bad, share, faded)
        if refused == 1:
            good, bad = good * np.exp(singly[0] * times), bad * np.exp(singly[1] * times)
        elif refused:
            all_good, all_bad = good * np.exp(good_ends * refused), bad * np.exp(bad_ends * refused)
            good, bad = _moved(good, bad, share, np.exp(-speed * refused))
            good, bad = np.maximum(good - all_good, 0.0), np.maximum(bad - all_bad, 0.0)
        chance = np.maximum(good + bad, 1e-290)
        total += np.log(chance)
        good, bad = good / chance, bad / chance
    return grid, total


def _moved_through(
    good: Floats, bad: Floats, share: Floats, faded: Floats, gives: tuple[Floats, Floats], runs: int
) -> tuple[Floats, Floats, Floats]:
    """The states after so many times a gap and a given run, and what was divided out of them, in nats: by
    squaring the step as often as needed."""
    to_bad, to_good = share * (1 - faded), (1 - share) * (1 - faded)
    kept = [[1 - to_bad, to_bad], [to_good, 1 - to_good]]
    step = np.array([[row[0] * gives[0], row[1] * gives[1]] for row in kept])
    lost, scale = np.zeros(share.size), np.zeros(share.size)
    while True:
        if runs & 1:
            good, bad = good * step[0, 0] + bad * step[1, 0], good * step[0, 1] + bad * step[1, 1]
            both = np.maximum(good + bad, 1e-290)
            good, bad = good / both, bad / both
            lost += np.log(both) + scale
        runs >>= 1
        if not runs:
            return good, bad, lost
        step = np.einsum("ijk,jlk->ilk", step, step)
        largest = np.maximum(step.max(axis=(0, 1)), 1e-290)
        step, scale = step / largest, 2 * scale + np.log(largest)


def _moved(good: Floats, bad: Floats, share: Floats, faded: Floats) -> tuple[Floats, Floats]:
    """The states after so many sectors that nobody asked for."""
    both = good + bad
    moved = both * share + (bad - both * share) * faded
    return both - moved, moved
