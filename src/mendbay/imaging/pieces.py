"""What is left to read, piece by piece: opened region by region, and folded up where reading left it."""

from __future__ import annotations

import heapq
import math
from array import array
from bisect import bisect_left, bisect_right, insort
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from mendbay.core.span import Int64s
from mendbay.imaging.given_places import REGION
from mendbay.imaging.layout import Layout

MOST_OPEN = 256
"""Regions kept open at a time; others are folded up, at about 20 bytes a piece instead of 400."""
CLOSE = 0.98
"""A score that is this much of the best counts as best: with thousands of equals, a rate that has changed by
a hair would otherwise have all of them scored anew for every read."""
NEVER_SEEN = (-1, False)


@dataclass(slots=True)
class Doubt:
    """A refused range: at least one of its `open_sectors` is bad."""

    start: int
    stop: int
    open_sectors: int


@dataclass(frozen=True, slots=True)
class Choice:
    """A read and its score."""

    score: float
    start: int
    stop: int


@dataclass(slots=True)
class Piece:
    """Adjoining sectors to be read, alike in weight, doubt and number of tries."""

    start: int
    stop: int
    weight: float
    doubt: Doubt | None = None
    tries: int = 0
    hung: bool = False
    version: int = 0
    choice: Choice | None = None
    seen: tuple[int, bool] = NEVER_SEEN
    """What the choice was made from: the state of the evidence there, and whether the head stood there."""

    @property
    def suspicion(self) -> int:
        """0 where nothing speaks against it, 1 in a refused range that is not explained, 2 for a sector that
        was refused alone."""
        return 2 if self.tries else int(self.doubt is not None or self.hung)

    def part(self, start: int, stop: int) -> Piece:
        """The part between two places."""
        return Piece(start, stop, self.weight, self.doubt, self.tries, self.hung)


Score = Callable[[Piece], Choice]


@dataclass(slots=True)
class Region:
    """The pieces of an open region, in order, and a heap of (-score, start, version) of them."""

    number: int
    starts: list[int] = field(default_factory=list)
    pieces: dict[int, Piece] = field(default_factory=dict)
    heap: list[tuple[float, int, int]] = field(default_factory=list)
    version: int = 0

    def push(self, piece: Piece, score: Score) -> None:
        """Puts a piece into the heap, anew if it is there already."""
        self.version += 1
        piece.version = self.version
        heapq.heappush(self.heap, (-score(piece).score, piece.start, piece.version))
        if len(self.heap) > 4 * len(self.pieces) + 64:  # mostly pieces that are gone or scored anew
            self.push_all(score)

    def push_as(self, piece: Piece, score: float) -> None:
        """Puts a piece into the heap with a score taken for its own until it comes up."""
        self.version += 1
        piece.version = self.version
        heapq.heappush(self.heap, (-score, piece.start, piece.version))

    def push_all(self, score: Score) -> None:
        """Scores every piece anew."""
        self.heap = [(-score(one).score, one.start, one.version) for one in self.pieces.values()]
        heapq.heapify(self.heap)

    def best(self, score: Score) -> tuple[Piece, Choice] | None:
        """The piece with the best read, and that read; None in an empty region. It stays in the heap."""
        heap = self.heap
        while heap:
            negative, start, version = heap[0]
            piece = self.pieces.get(start)
            if piece is None or piece.version != version:
                heapq.heappop(heap)
                continue
            choice = score(piece)
            if choice.score >= -negative * CLOSE or len(heap) == 1:
                return piece, choice
            rival = heap[1] if len(heap) == 2 else min(heap[1], heap[2])
            if choice.score >= -rival[0] * CLOSE:
                return piece, choice
            heapq.heapreplace(heap, (-choice.score, start, version))
        return None


@dataclass(slots=True)
class _Folded:
    """The pieces of a region in columns; what few of them have is kept beside."""

    bounds: array[int]
    weights: array[float]
    tries: array[int]
    doubts: dict[int, Doubt]
    hung: set[int]

    @classmethod
    def of(cls, region: Region) -> _Folded:
        pieces = [region.pieces[start] for start in region.starts]
        return cls(
            array("q", [at for one in pieces for at in (one.start, one.stop)]),
            array("f" if all(_exact(one.weight) for one in pieces) else "d", [one.weight for one in pieces]),
            array("B", [one.tries for one in pieces]),
            {one.start: one.doubt for one in pieces if one.doubt is not None},
            {one.start for one in pieces if one.hung},
        )

    def pieces(self) -> Iterable[Piece]:
        for index, weight in enumerate(self.weights):
            start, stop = self.bounds[2 * index], self.bounds[2 * index + 1]
            yield Piece(start, stop, weight, self.doubts.get(start), self.tries[index], start in self.hung)


def _exact(weight: float) -> bool:
    return weight == int(weight) and abs(weight) < 1 << 24


_SAMPLE_EVEN = 64
"""Sectors added to each piece's length where pieces are drawn, so that short ones are drawn too."""


def _lengths(folded: _Folded) -> Int64s:
    bounds = np.frombuffer(folded.bounds, dtype=np.int64).reshape(-1, 2)
    lengths: Int64s = bounds[:, 1] - bounds[:, 0]
    return lengths


class _Drawing:
    """Draws at every `step` of a way."""

    def __init__(self, step: float) -> None:
        self._step = step
        self._next = step / 2

    def passes(self, size: int) -> bool:
        """Whether nothing is drawn in the next part of the way, which is then behind."""
        if size <= self._next:
            self._next -= size
            return True
        return False

    def times(self, size: int) -> float:
        """How often the next part of the way counts: so that the mean is once; 0 if it is not drawn."""
        if self.passes(size):
            return 0.0
        hits = math.ceil((size - self._next) / self._step)
        self._next += hits * self._step - size
        return hits * self._step / size


class Pieces:
    """All that is left to read.

    Args:
        layout: what was left at the start.
        cut: splits a piece of the layout where refused ranges begin and end, and marks the parts.
        score: the best read in a piece.
    """

    def __init__(self, layout: Layout, cut: Callable[[Piece], Iterable[Piece]], score: Score) -> None:
        self._layout = layout
        self._cut = cut
        self._score = score
        self._open: dict[int, Region] = {}
        self._folded: dict[int, _Folded] = {}
        self._begun: set[int] = set()

    def region(self, number: int) -> Region:
        """A region, opened if it is not."""
        region = self._open.pop(number, None)
        if region is None:
            region = Region(number)
            for piece in self._contents(number):
                region.starts.append(piece.start)
                region.pieces[piece.start] = piece
            region.push_all(self._score)
            self._begun.add(number)
        self._open[number] = region  # last: the one looked at most recently
        if len(self._open) > MOST_OPEN:
            self._fold(next(iter(self._open)))
        return region

    def _contents(self, number: int) -> Iterable[Piece]:
        folded = self._folded.pop(number, None)
        if folded is not None:
            yield from folded.pieces()
        elif number not in self._begun:
            for row in self._layout.rows(number):
                yield from self._cut(Piece(row.start, row.stop, row.weight, tries=row.tries))

    def _fold(self, number: int) -> None:
        region = self._open.pop(number)
        if region.starts:
            self._folded[number] = _Folded.of(region)

    @property
    def open_regions(self) -> list[Region]:
        """The regions that are open now."""
        return list(self._open.values())

    def sampled(self, most: int) -> Iterable[tuple[Piece, float]]:
        """About `most` of the pieces in regions that were begun, each with the number of pieces it stands
        for: drawn at even distances, long pieces more often, so that sums over them are those over all."""
        folded = [(each, _lengths(each) + _SAMPLE_EVEN) for each in self._folded.values()]
        pieces = [one for region in self._open.values() for one in region.pieces.values()]
        total = sum(one.stop - one.start + _SAMPLE_EVEN for one in pieces)
        total += sum(int(sizes.sum()) for _, sizes in folded)
        step = total / most
        drawn = _Drawing(step)
        for one in pieces:
            times = drawn.times(one.stop - one.start + _SAMPLE_EVEN)
            if times:
                yield one, times
        for each, sizes in folded:
            if drawn.passes(int(sizes.sum())):
                continue
            for one, size in zip(each.pieces(), sizes.tolist(), strict=True):
                times = drawn.times(size)
                if times:
                    yield one, times

    def begun(self, number: int) -> bool:
        """Whether a region was ever opened."""
        return number in self._begun

    def add(self, piece: Piece, taken_for: float | None = None) -> Region:
        """Adds a piece; returns its region.

        Args:
            taken_for: the score it has until it comes up; else it is scored at once.
        """
        region = self.region(piece.start // REGION)
        insort(region.starts, piece.start)
        region.pieces[piece.start] = piece
        if taken_for is None:
            region.push(piece, self._score)
        else:
            region.push_as(piece, taken_for)
        return region

    def remove(self, piece: Piece) -> Region:
        """Takes a piece out; returns its region."""
        region = self.region(piece.start // REGION)
        del region.starts[bisect_left(region.starts, piece.start)]
        del region.pieces[piece.start]
        return region

    def overlapping(self, low: int, high: int) -> Iterable[Piece]:
        """The pieces that have sectors between two places, in order. Regions are opened as they come."""
        for number in range(max(0, low) // REGION, min(self._layout.regions, (high - 1) // REGION + 1)):
            if number in self._begun and number not in self._open and number not in self._folded:
                continue
            region = self.region(number)
            first = max(0, bisect_right(region.starts, low) - 1)
            found = region.starts[first : bisect_left(region.starts, high)]
            yield from (piece for piece in (region.pieces[start] for start in found) if piece.stop > low)

    def beside(self, start: int, stop: int) -> list[Piece]:
        """The pieces that touch a range, without opening regions for it."""
        found: list[Piece] = []
        region = self._open.get((start - 1) // REGION)
        if region is not None:
            at = bisect_left(region.starts, start) - 1
            if at >= 0 and region.pieces[region.starts[at]].stop == start:
                found.append(region.pieces[region.starts[at]])
        region = self._open.get(stop // REGION)
        if region is not None and stop in region.pieces:
            found.append(region.pieces[stop])
        return found

    def nearest(self, start: int, stop: int) -> list[Piece]:
        """The pieces next to a range on both sides within its region, however far."""
        region = self._open.get(start // REGION)
        if region is None:
            return []
        at = bisect_left(region.starts, start)
        return [region.pieces[one] for one in region.starts[max(0, at - 1) : at + 1]]
