"""What is left of a drive, for a look ahead: drawn from the pieces, summed where nothing was begun."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mendbay.core.span import Int64s
from mendbay.imaging.ahead import Prospect
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.layout import Layout
from mendbay.imaging.odds import Evidence, Outlook
from mendbay.imaging.pieces import Choice, Piece, Pieces

_DRAWN = 1_000
"""Pieces that are weighed; more change little and cost time."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scores:
    """How the planner scores: the best read in a piece; rows where nothing is known, by weights and sectors;
    a retry of a sector of weight 1."""

    of_piece: Callable[[Piece], Choice]
    unseen: Callable[[Floats, Int64s], Floats]
    retry: float


def prospects(
    evidence: Evidence, assumed: Assumptions, pieces: Pieces, layout: Layout, scores: Scores
) -> list[Prospect]:
    """Everything that is left to read."""
    calm = _Calm.of(evidence)
    begun = (_begun(evidence, calm, piece, times, scores) for piece, times in pieces.sampled(_DRAWN))
    return [*begun, *_unseen(evidence, calm, assumed, pieces, layout, scores)]


@dataclass(frozen=True, slots=True)
class _Calm:
    """Land where nothing was refused nearby.

    The planner learns how long stretches are from what is refused; as long as nothing is, it keeps what it
    assumed, which changes no order, but would promise a healthy drive's owner little. Here everything given
    counts as well.

    Attributes:
        enter: chance that a bad stretch begins at a sector.
        bad: share that lies in bad stretches.
        density: chance that a single sector is bad.
    """

    enter: float
    bad: float
    density: float

    @classmethod
    def of(cls, evidence: Evidence) -> _Calm:
        found = evidence.explained()
        return cls(found.enter, found.enter / (found.enter + found.leave), found.density)

    def chance(self, sectors: int, *, known_good: bool) -> float:
        """That a read is given; `known_good` where what lies before it was."""
        first = 1.0 if known_good else 1 - self.bad
        return first * math.exp(sectors * (math.log1p(-self.density) - self.enter))


def _begun(evidence: Evidence, calm: _Calm, piece: Piece, times: float, scores: Scores) -> Prospect:
    choice = scores.of_piece(piece)
    sectors = (piece.stop - piece.start) * times
    if piece.tries:
        chance = evidence.retries.chance(piece.start, piece.tries)
        return Prospect(choice.score, piece.weight, sectors, 1, chance, chance)
    view = evidence.look(piece.start, piece.stop, piece.doubt.open_sectors if piece.doubt else 0)
    start, size, length = choice.start, choice.stop - choice.start, piece.stop - piece.start
    chance, single = _chances(evidence, calm, view, start, size)
    if length > 2 * size and piece.doubt is None:
        # Where the first read is given the others go on in good land; where not they begin anew further in.
        inside, alone = _chances(evidence, calm, view, (piece.start + piece.stop - size) // 2, size)
        goes_on = calm.chance(size, known_good=True)
        first, others = size / length, 1 - size / length
        chance = first * chance + others * (chance * goes_on + (1 - chance) * inside)
        single = first * single + others * (single + alone) / 2
    return Prospect(choice.score, piece.weight, sectors, size, chance, single)


def _chances(evidence: Evidence, calm: _Calm, view: Outlook, start: int, size: int) -> tuple[float, float]:
    """The chances that a read is given, and that a single sector there is."""
    if view.calm:
        known_good = start == view.start and view.before == 0
        return calm.chance(size, known_good=known_good), calm.chance(1, known_good=known_good)
    density = evidence.density(start)
    chance = _likely(evidence, view, start, size, density)
    single = chance if size == 1 else _likely(evidence, view, start, 1, density)
    return chance, max(chance, single)


def _likely(evidence: Evidence, view: Outlook, start: int, sectors: int, density: float) -> float:
    """The chance of a read. Inside a refused range the planner never takes one for hopeless; what is known of
    the place alone may say so, and then counts here."""
    chance = evidence.read_chance(view, start, start + sectors, density)
    if not view.open_sectors:
        return chance
    return min(chance, evidence.read_chance(replace(view, open_sectors=0), start, start + sectors, density))


def _unseen(
    evidence: Evidence, calm: _Calm, assumed: Assumptions, pieces: Pieces, layout: Layout, scores: Scores
) -> Iterator[Prospect]:
    """What is left of each weight in the regions that were never begun, as land where nothing is known."""
    unseen = np.array([not pieces.begun(one) for one in range(layout.regions)], dtype=np.bool_)
    density, enter = evidence.damage.share, evidence.runs.enter
    largest = max(1, assumed.largest_read_bytes // evidence.sector_bytes)
    for weight, is_retry, rows, sectors in layout.totals(unseen):
        if is_retry:
            chance = evidence.retries.likely(assumed.most_tries)
            yield Prospect(weight * scores.retry, weight, sectors, 1, chance, chance)
            continue
        length = -(-sectors // rows)
        size = min(length, largest, evidence.steady_sectors(density + enter))
        score = float(scores.unseen(np.array([weight]), np.array([length], dtype=np.int64))[0])
        first, single = (calm.chance(one, known_good=False) for one in (size, 1))
        others = first * calm.chance(size, known_good=True) + (1 - first) * first
        share = min(1.0, size * rows / sectors)
        yield Prospect(score, weight, sectors, size, share * first + (1 - share) * others, single)
