"""What is left to read of a drive, as columns: made in one pass, looked at region by region."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.given_places import REGION

_AT_ONCE = 1 << 20


@dataclass(frozen=True, slots=True)
class Want:
    """Ranges of the drive worth more than the rest: `weight` for each of their sectors."""

    spans: SpanSet
    weight: float


@dataclass(frozen=True, slots=True)
class Row:
    """Adjoining sectors of one region, alike in weight and in how often each was refused alone."""

    start: int
    stop: int
    weight: float
    tries: int


class Layout:
    """Rows sorted by place, none across the border of a region. 18 bytes a row.

    Args:
        sector_bytes: size of a sector.
        size_bytes: of the drive.
        unread: what was never given nor refused alone.
        tries: how often each sector of `refused` was refused alone; same order.
        refused: sectors to be asked for again, sorted; shape (n,).
        wants: where they overlap the heavier weight counts.
        rest_weight: for everything else.
    """

    def __init__(
        self,
        sector_bytes: int,
        size_bytes: int,
        unread: SpanSet,
        refused: Int64s,
        tries: Int64s,
        wants: Sequence[Want],
        rest_weight: float,
    ) -> None:
        ordered = [
            *sorted(wants, key=lambda one: -one.weight),
            Want(SpanSet([Span(0, size_bytes)]), rest_weight),
        ]
        self.weights = [one.weight for one in ordered]
        parts: list[tuple[Int64s, Int64s, int]] = []
        retries: list[tuple[Int64s, Int64s, int]] = []
        for rank, want in enumerate(ordered):
            spans = want.spans.widen(sector_bytes)
            mine = unread & spans
            parts.append((mine.starts // sector_bytes, -(-mine.stops // sector_bytes), rank))
            unread = unread - spans
            inside = spans.holds(refused * sector_bytes)
            retries.append((refused[inside], tries[inside], rank))
            refused, tries = refused[~inside], tries[~inside]
        self._sort(parts, retries)
        sectors = -(-size_bytes // sector_bytes)
        regions = -(-sectors // REGION)
        borders = np.arange(regions + 1, dtype=np.int64) * REGION
        self._rows_at = np.searchsorted(self._starts, borders)

    def _sort(
        self, parts: list[tuple[Int64s, Int64s, int]], retries: list[tuple[Int64s, Int64s, int]]
    ) -> None:
        cut = [(*_cut(starts, stops), rank) for starts, stops, rank in parts]
        starts = np.concatenate([*(one[0] for one in cut), *(one[0] for one in retries)])
        lengths = np.concatenate(
            [*(one[1] for one in cut), *(np.ones(one[0].size, np.int32) for one in retries)]
        )
        sizes = [one[0].size for one in (*cut, *retries)]
        ranks = np.repeat(np.array([one[2] for one in (*cut, *retries)], dtype=np.uint8), sizes)
        tries = np.zeros(starts.size, dtype=np.uint8)
        again = sum(sizes[: len(cut)])
        tries[again:] = np.concatenate([one[1] for one in retries])
        if np.any(starts[1:] < starts[:-1]):
            order = np.argsort(starts, kind="stable")
            starts, lengths, ranks, tries = starts[order], lengths[order], ranks[order], tries[order]
        self._starts, self._lengths, self._ranks, self._tries = starts, lengths.astype(np.int32), ranks, tries

    @property
    def regions(self) -> int:
        """How many regions the drive has."""
        return self._rows_at.size - 1

    def rows(self, region: int) -> list[Row]:
        """The rows of a region, in order."""
        part = slice(int(self._rows_at[region]), int(self._rows_at[region + 1]))
        columns = (self._starts[part], self._lengths[part], self._ranks[part], self._tries[part])
        return [
            Row(start, start + length, self.weights[rank], tries)
            for start, length, rank, tries in zip(*(one.tolist() for one in columns), strict=True)
        ]

    def longest(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], npt.NDArray[np.int64]]:
        """For every weight and every region that has rows of it never refused: the region, the weight, and
        the sectors of the longest such row."""
        found: list[tuple[Int64s, int, Int64s]] = []
        best = np.zeros((len(self.weights), self.regions), dtype=np.int64)
        for low in range(0, self._starts.size, _AT_ONCE):
            part = slice(low, low + _AT_ONCE)
            length = np.where(self._tries[part] == 0, self._lengths[part], 0)
            region = self._starts[part] // REGION
            np.maximum.at(best, (self._ranks[part], region), length)
        for rank in range(len(self.weights)):
            regions = np.flatnonzero(best[rank])
            found.append((regions, rank, best[rank, regions]))
        weights = np.repeat(np.array(self.weights), [one[0].size for one in found])
        return np.concatenate([one[0] for one in found]), weights, np.concatenate([one[2] for one in found])

    def totals(self, regions: npt.NDArray[np.bool_]) -> list[tuple[float, bool, int, int]]:
        """What lies in some regions, in sum: weight, whether refused before, rows and sectors.

        Args:
            regions: for every region, whether it counts.
        """
        kinds = 2 * len(self.weights)
        rows, sectors = np.zeros(kinds, dtype=np.int64), np.zeros(kinds, dtype=np.float64)
        for low in range(0, self._starts.size, _AT_ONCE):
            part = slice(low, low + _AT_ONCE)
            chosen = regions[self._starts[part] // REGION]
            kind = 2 * self._ranks[part][chosen].astype(np.int64) + (self._tries[part][chosen] > 0)
            rows += np.bincount(kind, minlength=kinds)
            sectors += np.bincount(kind, self._lengths[part][chosen], kinds)
        return [
            (self.weights[kind // 2], kind % 2 == 1, int(rows[kind]), int(sectors[kind]))
            for kind in np.flatnonzero(rows).tolist()
        ]

    def retries(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
        """Regions that have sectors refused before, and the highest weight of such a sector in each."""
        again = self._tries > 0
        regions = self._starts[again] // REGION
        heaviest = np.zeros(self.regions)
        np.maximum.at(heaviest, regions, np.array(self.weights)[self._ranks[again]])
        found = np.unique(regions)
        return found, heaviest[found]


def _cut(starts: Int64s, stops: Int64s) -> tuple[Int64s, npt.NDArray[np.int32]]:
    """Starts and lengths of the ranges after cutting them at the borders of regions."""
    first = starts // REGION
    count = (stops - 1) // REGION - first + 1
    if np.all(count == 1):
        return starts, (stops - starts).astype(np.int32)
    own = np.repeat(np.arange(starts.size), count)
    step = np.arange(own.size) - np.repeat(np.cumsum(count) - count, count)
    begin = np.maximum(starts[own], (first[own] + step) * REGION)
    end = np.minimum(stops[own], (first[own] + step + 1) * REGION)
    return begin, (end - begin).astype(np.int32)
