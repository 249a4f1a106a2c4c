"""How long good and bad stretches are, how much is refused inside, and how dense lone bad sectors are: the
likeliest explanation of everything that was given and refused.

The states along the addresses are a two-state chain (`runs`): each sector is given or refused by its state,
then the state changes or stays. Seen are ranges that were given, ranges that were refused, and gaps that
nobody asked for. With the transition T and the chances G that a state gives its sector, n sectors given move
the chain by (G T)^n, a gap by T^n, and a refused range by T^n - (G T)^n: whatever may happen in it but that
all is given. The likelihood of all of it follows by running along the addresses once (the forward algorithm:
Rabiner, "A Tutorial on Hidden Markov Models", Proc. IEEE 77(2), 1989, from memory). It does not depend on the
order in which places were asked for, so it is not misled by a planner that asks where it hopes most. A grid
of explanations is weighed, each with its prior, and the mean taken.
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
        counts: how often what the entry tells counts: 0 for one that only leads to the next, more than 1 for
            one that stands for others; shape (n,).
    """

    unread: Floats
    given: Floats
    runs: npt.NDArray[np.int64]
    refused: Floats
    times: npt.NDArray[np.int64]
    begins: npt.NDArray[np.bool_]
    counts: Floats


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
    share = grid.share
    start = np.stack((1 - share, share))
    moves = np.array([[1 - grid.enter, grid.enter], [grid.leave, 1 - grid.leave]])
    fades = np.log1p(-(grid.enter + grid.leave))
    gives = _Power(np.stack((1 - grid.density, 1 - grid.refused)), moves)
    refuses = _Power(np.stack((grid.density, grid.refused)), moves)
    state, total = start, np.zeros(share.size)
    columns = (seen.unread, seen.given, seen.runs, seen.refused, seen.times, seen.begins, seen.counts)
    for unread, given, runs, refused, times, begins, counts in zip(
        *(one.tolist() for one in columns), strict=True
    ):
        if begins:
            state = start
        lost = np.zeros(share.size)
        if unread and not (given and runs):
            state = _moved(state, share, np.exp(fades * unread))
        elif given and runs == 1 and not refused:  # its place is known: the gap lies before it
            if unread:
                state = _moved(state, share, np.exp(fades * unread))
            state, lost = gives.after(state, given)
        elif given and runs:
            faded = np.exp(fades * (unread / (runs + 1)))
            state, lost = _moved_through(state, share, faded, gives.matrix(given / runs), runs)
            state = _moved(state, share, faded)
        if refused == 1:
            state, more = refuses.after(state, times)
            lost = lost + more
        elif refused:
            none, scale = gives.after(state, refused)
            state = _moved(state, share, np.exp(fades * refused)) - none * np.exp(scale)
        state, more = _scaled(np.maximum(state, 0.0))
        if counts:
            total += counts * (lost + more)
    return grid, total


class _Power:
    """Powers of D M, where D has the chances of an outcome in either state and M the moves, for each
    explanation: by the eigenvalues, which are apart, as the states differ in their chances.

    Args:
        chances: of the outcome; shape (2, explanations).
        moves: shape (2, 2, explanations).
    """

    def __init__(self, chances: Floats, moves: Floats) -> None:
        once = chances[:, None] * moves
        (a, b), (c, d) = once
        apart = np.sqrt((a - d) ** 2 + 4 * b * c)
        greater = (a + d + apart) / 2
        lesser = (a * d - b * c) / greater
        self._log_greater, self._log_ratio = np.log(greater), np.log(lesser / greater)
        unit = np.eye(2)[:, :, None]
        self._stays, self._fades = (once - lesser * unit) / apart, (once - greater * unit) / apart

    def after(self, state: Floats, times: float) -> tuple[Floats, Floats]:
        """The state after so many such sectors, and what is to be multiplied to it, in nats."""
        ratio = np.exp(self._log_ratio * times)
        found = _through(state, self._stays) - ratio * _through(state, self._fades)
        return np.maximum(found, 0.0), self._log_greater * times

    def matrix(self, times: float) -> tuple[Floats, Floats]:
        """The power itself, shape (2, 2, explanations), and what is to be multiplied to it, in nats."""
        found = self._stays - np.exp(self._log_ratio * times) * self._fades
        return np.maximum(found, 0.0), self._log_greater * times


def _through(state: Floats, step: Floats) -> Floats:
    return np.stack(
        (state[0] * step[0, 0] + state[1] * step[1, 0], state[0] * step[0, 1] + state[1] * step[1, 1])
    )


def _scaled(state: Floats) -> tuple[Floats, Floats]:
    """The state with its chances adding to one, and the logarithm of what they added to."""
    both = np.maximum(state[0] + state[1], 1e-290)
    return state / both, np.log(both)


def _moved_through(
    state: Floats, share: Floats, faded: Floats, gives: tuple[Floats, Floats], runs: int
) -> tuple[Floats, Floats]:
    """The state after so many times a gap and a given run, and what was divided out of it, in nats: by
    squaring the step as often as needed."""
    to_bad, to_good = share * (1 - faded), (1 - share) * (1 - faded)
    gap = np.array([[1 - to_bad, to_bad], [to_good, 1 - to_good]])
    step, scale = np.einsum("ijk,jlk->ilk", gap, gives[0]), gives[1]
    lost = np.zeros(share.size)
    while True:
        if runs & 1:
            state, more = _scaled(_through(state, step))
            lost += more + scale
        runs >>= 1
        if not runs:
            return state, lost
        step = np.einsum("ijk,jlk->ilk", step, step)
        largest = np.maximum(step.max(axis=(0, 1)), 1e-290)
        step, scale = step / largest, 2 * scale + np.log(largest)


def _moved(state: Floats, share: Floats, faded: Floats) -> Floats:
    """The state after sectors that nobody asked for."""
    both = state[0] + state[1]
    bad = both * share + (state[1] - both * share) * faded
    return np.stack((both - bad, bad))
