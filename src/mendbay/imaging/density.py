"""How densely single sectors of a drive are bad, from place to place.

A Beta estimate for the close surroundings, drawn towards that of wider ones and at last to that of the whole
drive. That bad sectors come in company is published: if a drive has a second one, most lie within 100 sectors
(Schroeder, Damouras, Gill, "Understanding Latent Sector Errors and How to Protect Against Them", FAST 2010);
hence the closest surroundings of 96 sectors to either side.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, insort

import numpy as np
import numpy.typing as npt

from mendbay.core.span import Int64s
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.slowness import Slowness

CELL = 1_024
"""Sectors that are counted together."""
NEAR_SECTORS, _NEAR_STRENGTH = 96, 30.0
BLOCK_CELLS = 16
_DRIVE_STRENGTH, _BLOCK_STRENGTH, _CELL_STRENGTH = 200_000.0, 30_000.0, 3_000.0
# Pooled around a place: its block of 16 cells and the two beside, its cell and the two beside, the near
# sectors; and how many sectors the wider place counts for in the narrower one (own choice from simulated
# trials, no source).
_MOST = 0.95
_LEAST_WORTH = 1e-3


class Density:
    """The counts, and the estimate for any place. Places are sector numbers.

    Args:
        sectors: how many the drive has.
        bad_share: share of bad sectors assumed before anything is read.
        given: where sectors were given.
        slow: where reads were slow.
    """

    def __init__(self, sectors: int, bad_share: float, given: GivenPlaces, slow: Slowness) -> None:
        self._assumed = bad_share
        self._before = (0, 0.0)
        self._given = given
        self._slow = slow
        self._tried = 0
        self._found = 0.0
        cells = -(-sectors // CELL)
        self._tried_in_cell = array(
            "i", bytes(4 * (cells + 2))
        )  # one more at each end: neighbours of the border
        self._found_in_cell = array("f", bytes(4 * (cells + 2)))
        blocks = -(-cells // BLOCK_CELLS)
        self._tried_in_block = array("i", bytes(4 * (blocks + 2)))
        self._found_in_block = array("f", bytes(4 * (blocks + 2)))
        self._bad: list[int] = []
        self._bad_worth: dict[int, float] = {}
        self._ranges: list[tuple[int, int]] = []
        self._range_worth: dict[tuple[int, int], float] = {}

    @property
    def bad(self) -> list[int]:
        """Single sectors refused and not given since, sorted."""
        return self._bad

    @property
    def ranges(self) -> list[tuple[int, int]]:
        """Refused ranges not yet explained by a smaller refusal, sorted."""
        return self._ranges

    @property
    def share(self) -> float:
        """The estimate for the whole drive."""
        tried, found = self._before
        return (max(0.0, self._found - found) + _DRIVE_STRENGTH * self._assumed) / (
            self._tried - tried + _DRIVE_STRENGTH
        )

    def take(self, share: float) -> None:
        """Goes on with another estimate for the whole drive; what is noted from now on moves it."""
        self._assumed = share
        self._before = (self._tried, self._found)

    @property
    def tried_sectors(self) -> int:
        """How many sectors have been decided."""
        return self._tried

    def known(self, starts: Int64s, stops: Int64s) -> None:
        """Notes sectors decided in earlier runs: sorted, disjoint ranges."""
        self._tried += int((stops - starts).sum())
        cells = np.frombuffer(self._tried_in_cell, dtype=np.int32)[1:-1]
        borders = np.arange(cells.size + 1, dtype=np.int64) * CELL
        at = np.searchsorted(starts, borders, side="left")  # ranges that begin before each border
        before = np.concatenate((np.zeros(1, np.int64), np.cumsum(stops - starts)))[at]
        beyond = np.concatenate((np.zeros(1, np.int64), stops))[at] - borders  # of the last of them
        cells += np.diff(before - np.maximum(beyond, 0)).astype(np.int32)
        blocks = np.frombuffer(self._tried_in_block, dtype=np.int32)[1:-1]
        blocks[:] = np.add.reduceat(cells, np.arange(0, cells.size, BLOCK_CELLS))

    def tried(self, start: int, stop: int) -> None:
        """Notes that sectors `start` to `stop` are decided."""
        self._tried += stop - start
        for size, counts in ((CELL, self._tried_in_cell), (CELL * BLOCK_CELLS, self._tried_in_block)):
            for index in range(start // size, (stop - 1) // size + 1):
                counts[index + 1] += min(stop, (index + 1) * size) - max(start, index * size)

    def _count_found(self, at: int, worth: float) -> None:
        self._found += worth
        self._found_in_cell[at // CELL + 1] += worth
        self._found_in_block[at // CELL // BLOCK_CELLS + 1] += worth

    def refused(self, start: int, stop: int, worth: float) -> None:
        """Notes a refused range.

        Args:
            start, stop: the range; a single sector is decided by it, a longer range is not.
            worth: how far it speaks for single bad sectors, 0 to 1; the rest of it speaks for a bad stretch.
        """
        worth = max(_LEAST_WORTH, worth)
        if stop - start > 1:
            if (start, stop) in self._range_worth:
                return
            insort(self._ranges, (start, stop))
            self._range_worth[start, stop] = worth
        elif start in self._bad_worth:
            return
        else:
            insort(self._bad, start)
            self._bad_worth[start] = worth
            self.tried(start, stop)
        self._count_found(start, worth)

    def settled(self, start: int, stop: int) -> None:
        """Forgets the refused range `start` to `stop`: a smaller refusal inside explains it."""
        worth = self._range_worth.pop((start, stop), None)
        if worth is None:
            return
        del self._ranges[bisect_left(self._ranges, (start, stop))]
        self._count_found(start, -worth)

    def damage_between(self, low: int, high: int) -> bool:
        """Whether anything was refused, or slow, between two places; a refused range counts at its start."""
        if bisect_left(self._bad, high) > bisect_left(self._bad, low):
            return True
        if bisect_left(self._ranges, (high, 0)) > bisect_left(self._ranges, (low, 0)):
            return True
        return self._slow.between(low, high) > 0

    def tried_between(self, low: int, high: int) -> int:
        """How many sectors between two places were decided, to whole cells."""
        cells = np.frombuffer(self._tried_in_cell, dtype=np.int32)[1:-1]
        return int(cells[low // CELL : -(-high // CELL)].sum(dtype=np.int64))

    def runs_between(self, low: int, high: int) -> int:
        """In about how many runs the sectors decided between two places lie: those that end inside a cell are
        counted by their ends. At least 1."""
        cells = np.frombuffer(self._tried_in_cell, dtype=np.int32)[1:-1][low // CELL : -(-high // CELL)]
        return 1 + int(np.count_nonzero((cells > 0) & (cells < CELL))) // 2

    def whole_cells(self, low: int, high: int) -> npt.NDArray[np.float64]:
        """Middles of the cells between two places that were mostly given, and nothing of them refused."""
        first, last = low // CELL, -(-high // CELL)
        tried = np.frombuffer(self._tried_in_cell, dtype=np.int32)[1:-1][first:last]
        found = np.frombuffer(self._found_in_cell, dtype=np.float32)[1:-1][first:last]
        good = (tried >= CELL // 2) & (found < _LEAST_WORTH / 2)
        return ((np.flatnonzero(good) + first + 0.5) * CELL).astype(np.float64)

    def at(self, place: int) -> float:
        """Chance that a sector near `place` is bad, stretches apart; at most 0.95."""
        share = self.share
        cell = place // CELL
        levels = (
            (
                self._tried_in_block,
                self._found_in_block,
                cell // BLOCK_CELLS,
                _BLOCK_STRENGTH,
                BLOCK_CELLS * CELL,
            ),
            (self._tried_in_cell, self._found_in_cell, cell, _CELL_STRENGTH, CELL),
        )
        for tries, finds, at, strength, size in levels:
            tried = tries[at] + tries[at + 1] + tries[at + 2]
            found = (
                finds[at]
                + finds[at + 1]
                + finds[at + 2]
                + self._slow.between((at - 1) * size, (at + 2) * size)
            )
            share = (found + strength * share) / (tried + strength)
        low, high = max(0, place - NEAR_SECTORS), place + NEAR_SECTORS
        first, last = bisect_left(self._bad, low), bisect_left(self._bad, high)
        tried = self._given.count(low, high) + last - first
        found = self._slow.between(low, high)
        for one in self._bad[first:last]:
            found += self._bad_worth[one]
        first, last = bisect_left(self._ranges, (low, 0)), bisect_left(self._ranges, (high, 0))
        for wide in self._ranges[first:last]:
            found += self._range_worth[wide]
        return min(max(0.0, found) + _NEAR_STRENGTH * share, _MOST * (tried + _NEAR_STRENGTH)) / (
            tried + _NEAR_STRENGTH
        )
