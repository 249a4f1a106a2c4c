"""The score of a read: value x chance over cost, and which read of a piece has the best."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mendbay.core.span import Int64s
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.odds import Evidence, Outlook
from mendbay.imaging.pieces import Choice, Piece
from mendbay.imaging.retries import ELSEWHERE

_JUMPS = (2_048, 8_192, 32_768)
"""How far into a piece, in sectors, reading may start anew to get away from damage at its edge."""
_HANG_PENALTY = 1e-3
_SEEK_SHARE = 0.02
_SURE = 0.97
"""A read from the start of a piece with this chance is not worth weighing against others further in."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of one read, before it is known what comes of it.

    Attributes:
        weight: what each of its sectors is worth.
        chance: that all of it is given.
        seconds: how long it then takes, with the way of the heads.
        loss_seconds: what a refusal costs: the wait until the drive says no, and the wear in seconds of its
            life.
        tries: how often it was refused alone through the present adapter.
        is_retry: it was refused alone before, through whatever adapter.
        is_doubted: it lies in a refused range that nothing explains yet, or where the drive hung.
    """

    weight: float
    chance: float
    seconds: float
    loss_seconds: float
    tries: int
    is_retry: bool
    is_doubted: bool


class Scoring:
    """Scores of reads, by what is known now.

    Args:
        evidence: what is known.
        assumed: the priors and limits.

    Attributes:
        head: the sector behind the last read, from where reading on needs no seek.
    """

    def __init__(self, evidence: Evidence, assumed: Assumptions) -> None:
        self.evidence = evidence
        self.assumed = assumed
        self.head = 0
        self._sector = evidence.sector_bytes

    def retry(self) -> float:
        """The score of asking again for a sector of weight 1, the likeliest number of tries taken."""
        evidence, assumed = self.evidence, self.assumed
        chance = evidence.retries.likely(assumed.most_tries)
        cost = assumed.command_seconds + assumed.seek_seconds + (1 - chance) * evidence.refusal_cost
        return chance / cost

    def unseen(self, weights: np.ndarray, sectors: Int64s) -> np.ndarray:
        """The scores of the best reads in pieces of which nothing is known; shape (n,).

        Args:
            weights, sectors: what a sector of each is worth, and how long it is; shape (n,).
        """
        evidence, assumed = self.evidence, self.assumed
        density, enter = evidence.damage.share, evidence.runs.enter
        largest = max(1, assumed.largest_read_bytes // self._sector)
        size = np.minimum(sectors, min(largest, evidence.steady_sectors(density + enter)))
        chance = (1 - evidence.runs.stationary) * np.exp(size * (np.log1p(-density) - enter))
        seek = assumed.seek_seconds * np.maximum(_SEEK_SHARE, size / np.maximum(1, sectors))
        cost = assumed.command_seconds + seek + chance * size * evidence.sector_seconds
        cost += (1 - chance) * evidence.refusal_cost
        opens = (1 - np.exp(-enter * (sectors - size))) / enter
        pace = evidence.sector_seconds + assumed.command_seconds / np.maximum(1, size)
        pace += (density + enter) * evidence.refusal_cost
        gain = chance * size
        result: np.ndarray = weights * np.maximum(
            gain / cost, (gain + chance * opens) / (cost + chance * opens * pace)
        )
        return result

    def best(self, piece: Piece) -> Choice:
        """The best read in a piece and its score; kept until what is known there has changed much."""
        state, kept = self.evidence.state(piece.start), piece.choice
        if kept is None or piece.seen != (state, kept.start == self.head or piece.start == self.head):
            kept = piece.choice = self.fresh(piece)
            piece.seen = (state, kept.start == self.head or piece.start == self.head)
        return kept

    def fresh(self, piece: Piece) -> Choice:
        """The same, reckoned anew and not kept."""
        if piece.tries:
            chance = self.evidence.retries.chance(piece.start, piece.tries)
            score = self._value(piece, (piece.start, piece.stop), chance, 0.0, 1 - chance)
            return Choice(score, piece.start, piece.stop)
        doubtful = piece.doubt.open_sectors if piece.doubt else 0
        view = self.evidence.look(piece.start, piece.stop, doubtful)
        best: Choice | None = None
        best_chance = 0.0
        for start, stop, density in self._reads(piece, view):
            if best is not None and best_chance >= _SURE:
                break
            chance = self.evidence.read_chance(view, start, stop, density)
            opens = 0.0
            if piece.doubt is None:
                backwards = stop == piece.stop and start > piece.start
                opens = (
                    self.evidence.opens(stop, piece.stop)
                    if not backwards
                    else self.evidence.opens(start, piece.start)
                )
            score = self._value(piece, (start, stop), chance, opens, density + self.evidence.runs.enter)
            if best is None or score > best.score * (1 + 1e-9):
                best, best_chance = Choice(score, start, stop), chance
        assert best is not None
        return best

    def expected(self, read: Piece, head: int) -> Expected:
        """What is expected of a read that makes up all of a piece.

        Args:
            head: the sector behind the read before it.
        """
        evidence, assumed = self.evidence, self.assumed
        if read.tries:
            chance = evidence.retries.chance(read.start, read.tries)
        else:
            view = evidence.look(read.start, read.stop, read.doubt.open_sectors if read.doubt else 0)
            chance = evidence.read_chance(view, read.start, read.stop, self._density(view, read.start))
        seek = 0.0 if read.start == head else assumed.seek_seconds
        return Expected(
            weight=read.weight,
            chance=chance,
            seconds=assumed.command_seconds + seek + (read.stop - read.start) * evidence.sector_seconds,
            loss_seconds=evidence.refusal_cost,
            tries=read.tries % ELSEWHERE,
            is_retry=bool(read.tries),
            is_doubted=read.doubt is not None or read.hung,
        )

    def _density(self, view: Outlook, at: int) -> float:
        return self.evidence.damage.share if view.calm else self.evidence.density(at)

    def _reads(self, piece: Piece, view: Outlook) -> Iterator[tuple[int, int, float]]:
        """Reads worth weighing, each with the density of bad sectors there: from the piece's start, backwards
        from its end, from further in, and up to or from the borders of bands."""
        density = self._density(view, piece.start)
        first = self._sized(piece, density)
        yield piece.start, piece.start + first, density
        length = piece.stop - piece.start
        if view.calm or length == 1:
            return
        density = self._density(view, piece.stop - 1)
        yield piece.stop - self._sized(piece, density), piece.stop, density
        if piece.doubt is not None:
            return
        for jump in _JUMPS:
            if jump < length:
                start = piece.start + jump
                density = self._density(view, start)
                yield start, min(piece.stop, start + self._sized(piece, density)), density
        yield from self._reads_at_bands(piece, view)

    def _reads_at_bands(self, piece: Piece, view: Outlook) -> Iterator[tuple[int, int, float]]:
        bands = self.evidence.bands.around(piece.start)
        if bands is None:
            return
        margin = int(bands.reach)
        at = piece.start
        for _ in range(4):
            edge, bad_begins = bands.bands.next_edge(at)
            if edge >= piece.stop:
                break
            place = edge - margin if bad_begins else edge + margin
            if piece.start < place < piece.stop:
                density = self._density(view, place)
                size = self._sized(piece, density)
                if bad_begins:
                    yield max(piece.start, place - size), place, density
                else:
                    yield place, min(piece.stop, place + size), density
            at = edge

    def _sized(self, piece: Piece, density: float) -> int:
        """How many sectors to ask for at a density, held to the piece and the largest read."""
        evidence = self.evidence
        sectors = evidence.steady_sectors(min(0.95, density + evidence.runs.enter))
        if piece.doubt is not None:
            sectors = min(sectors, evidence.sectors_after_refusal(piece.doubt.open_sectors))
        return min(sectors, piece.stop - piece.start, max(1, self.assumed.largest_read_bytes // self._sector))

    def _value(
        self, piece: Piece, read: tuple[int, int], chance: float, opens: float, density: float
    ) -> float:
        """The score of a read.

        A read that succeeds where nothing was known opens the stretch it lies in, and what that brings at the
        steady pace belongs to the decision: the index of a job that may be left off is its best ratio over
        all times to stop at (Gittins, as above).

        Args:
            read: where it starts and stops.
            chance: that it is given.
            opens: how many good sectors are expected beyond it.
            density: chance that a sector there is bad.
        """
        evidence, assumed = self.evidence, self.assumed
        start, stop = read
        sectors = stop - start
        seek = 0.0
        if start != self.head:
            share = max(_SEEK_SHARE, min(1.0, sectors / max(1, piece.stop - start)))
            seek = assumed.seek_seconds * share
        wear = assumed.refusal_wear_seconds
        gain = sectors * chance
        cost = assumed.command_seconds + seek + gain * evidence.sector_seconds
        cost += (1 - chance) * (evidence.refusal_seconds + wear)
        score = gain / cost
        if opens > 0:
            pace = (
                evidence.sector_seconds + assumed.command_seconds / sectors + density * evidence.refusal_cost
            )
            score = max(score, (gain + chance * opens) / (cost + chance * opens * pace))
        score *= piece.weight
        return score * _HANG_PENALTY if piece.hung else score
