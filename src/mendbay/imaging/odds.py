"""What a read is likely to bring: chance of success, time and harm, learned from the reads so far.

Positions here are sector numbers. Nothing in this module knows an order of phases; it gives the numbers
from which the planner's one rule makes its choice.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections import defaultdict
from collections.abc import Callable

import numpy as np

from mendbay.core.span import SpanSet
from mendbay.imaging.assumptions import Assumptions

_CELL = 1_024
"""Sectors that are counted together."""
_WIDE_LEVELS = ((16, 30_000.0), (1, 3_000.0))
_NEAR_SECTORS, _NEAR_STRENGTH = 96, 30.0
# The places pooled around a sector (cells to either side, then sectors to either side), and how many
# sectors the wider place counts for in the narrower one (own choice from simulated trials, no source).
_DRIVE_STRENGTH = 200_000.0
_SIZE_FACTOR = 1.4
_LEAST_CHANCE = 0.02


class Evidence:
    """The outcomes so far, and what they say about any place of the drive.

    Args:
        sector_bytes: size of a sector.
        sectors: how many the drive has.
        assumed: the priors.
    """

    def __init__(self, sector_bytes: int, sectors: int, assumed: Assumptions) -> None:
        self.sector_bytes = sector_bytes
        self.assumed = assumed
        self._bad: list[int] = []
        self._doubtful: list[tuple[int, int]] = []
        self._tried_sectors = 0
        self._tried_in_cell = np.zeros(-(-sectors // _CELL), dtype=np.int16)
        self._retries: dict[int, list[int]] = defaultdict(lambda: [0, 0])
        self._refusals = 4.0
        self._refusal_seconds = 4.0 * assumed.refusal_seconds
        self._given_bytes = 64e6
        self._given_seconds = self._given_bytes / assumed.bytes_per_second

    @property
    def refusal_seconds(self) -> float:
        """Mean time until the drive says no."""
        return self._refusal_seconds / self._refusals

    @property
    def refusal_cost(self) -> float:
        """What a refusal costs in seconds of the drive's life: the wait and the wear."""
        return self.refusal_seconds + self.assumed.refusal_wear_seconds

    @property
    def sector_seconds(self) -> float:
        """Time to transfer one sector."""
        return self._given_seconds / self._given_bytes * self.sector_bytes

    def known(self, spans: SpanSet) -> None:
        """Notes bytes decided in earlier runs, whose times are not at hand."""
        starts, stops = spans.starts // self.sector_bytes, -(-spans.stops // self.sector_bytes)
        self._tried_sectors += int((stops - starts).sum())
        borders = np.arange(self._tried_in_cell.size + 1, dtype=np.int64) * _CELL
        at = np.searchsorted(starts, borders, side="left")  # spans that begin before each border
        before = np.concatenate((np.zeros(1, np.int64), np.cumsum(stops - starts)))[at]
        beyond = np.concatenate((np.zeros(1, np.int64), stops))[at] - borders  # of the last of them
        self._tried_in_cell += np.diff(before - np.maximum(beyond, 0)).astype(np.int16)

    def given(self, start: int, stop: int, seconds: float) -> None:
        """Notes that sectors `start` to `stop` were given by one read."""
        self._tried(start, stop)
        forget = 0.98  # outer tracks are faster than inner ones: follow the drive as it goes
        self._given_bytes = self._given_bytes * forget + (stop - start) * self.sector_bytes
        self._given_seconds = self._given_seconds * forget + seconds

    def _tried(self, start: int, stop: int) -> None:
        self._tried_sectors += stop - start
        for cell in range(start // _CELL, -(-stop // _CELL)):
            self._tried_in_cell[cell] += min(stop, (cell + 1) * _CELL) - max(start, cell * _CELL)

    def refused(self, start: int, stop: int, seconds: float) -> None:
        """Notes a read of sectors `start` to `stop` that was refused."""
        self._refusals += 1
        self._refusal_seconds += seconds
        if stop - start > 1:
            insort(self._doubtful, (start, stop))
            return
        at = bisect_left(self._bad, start)
        if at == len(self._bad) or self._bad[at] != start:
            self._bad.insert(at, start)
            self._tried(start, stop)

    def settled(self, start: int, stop: int) -> None:
        """Forgets the refused range `start` to `stop`: a smaller refusal inside explains it."""
        at = bisect_left(self._doubtful, (start, stop))
        if at < len(self._doubtful) and self._doubtful[at] == (start, stop):
            del self._doubtful[at]

    def retried(self, tries: int, success: bool) -> None:
        """Notes the outcome of asking again for a sector refused `tries` times before."""
        self._retries[tries][0 if success else 1] += 1

    def retry_chance(self, tries: int) -> float:
        """Chance that a sector refused `tries` times is given the next time."""
        good, bad = self._retries[tries]
        return (good + 4 * self.assumed.retry_share) / (good + bad + 4)

    def _bad_between(self, low: int, high: int) -> int:
        """Bad sectors known between two places; a refused range counts as one, at its start."""
        singles = bisect_left(self._bad, high) - bisect_left(self._bad, low)
        ranges = bisect_left(self._doubtful, (high, 0)) - bisect_left(self._doubtful, (low, 0))
        return singles + ranges

    def damage_between(self, low: int, high: int) -> bool:
        """Whether anything was refused between two places."""
        return self._bad_between(low, high) > 0

    def density(self, at: int, tried_between: Callable[[int, int], int]) -> float:
        """Chance that a sector near `at` is bad: a Beta estimate for the neighbourhood, drawn towards
        that of the wider one, up to the whole drive.

        Args:
            at: sector number.
            tried_between: how many sectors between two sector numbers have been decided.
        """
        bad = len(self._bad) + len(self._doubtful)
        strength = _DRIVE_STRENGTH
        share = (bad + strength * self.assumed.bad_share) / (self._tried_sectors + strength)
        if not bad:
            return share
        cell = at // _CELL
        for around, strength in _WIDE_LEVELS:
            first, last = max(0, cell - around), cell + around + 1
            tried = int(self._tried_in_cell[first:last].sum(dtype=np.int64))
            found = self._bad_between(first * _CELL, last * _CELL)
            share = (found + strength * share) / (tried + strength)
        low, high = max(0, at - _NEAR_SECTORS), at + _NEAR_SECTORS
        found = self._bad_between(low, high)
        share = (found + _NEAR_STRENGTH * share) / (tried_between(low, high) + _NEAR_STRENGTH)
        return min(share, 0.95)

    def best_sectors(self, density: float) -> int:
        """How many sectors to ask for where each is bad with chance `density`, by maximising sectors
        per second of life; at least 1."""
        command = self.assumed.command_seconds
        slope = self.sector_seconds + density * self.refusal_cost
        best = (math.sqrt(command * command + command * slope / density) - command) / slope
        return max(1, int(_SIZE_FACTOR * best))

    def sectors_after_refusal(self, doubtful: int) -> int:
        """How many sectors to ask for inside a refused range with `doubtful` sectors left; at least 1."""
        return max(1, int(doubtful * math.sqrt(self.assumed.command_seconds / self.refusal_cost)))

    @staticmethod
    def chance(sectors: int, density: float, doubtful: int = 0) -> float:
        """Chance that `sectors` in a row are all given.

        Args:
            density: chance that one of them is bad.
            doubtful: if the read lies in a refused range, how many of its sectors are still open: at
                least one of these is bad.
        """
        good = math.exp(sectors * math.log1p(-density))
        if not doubtful:
            return good
        all_good = doubtful * math.log1p(-density)
        given_one_bad = (good - math.exp(all_good)) / -math.expm1(all_good)
        return max(given_one_bad, _LEAST_CHANCE)
