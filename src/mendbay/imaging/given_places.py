"""Where a drive has given its sectors: a note per region, spread out only where it is looked at."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right

import numpy as np

from mendbay.core.span import Int64s

REGION = 65_536
"""Sectors of one region; reads and pieces of the plan end at its borders."""
_SPREAD_OUT = 512
"""How many regions are kept spread out; more are folded up again (about 100 bytes a run against 16)."""

Runs = tuple[list[int], list[int]]


class GivenPlaces:
    """Runs of given sectors, added to as reads come in. All places are sector numbers.

    Args:
        starts, stops: what was given in earlier runs, sorted and disjoint; shape (n,).
    """

    def __init__(self, starts: Int64s, stops: Int64s) -> None:
        self._starts, self._stops = starts, stops
        self._notes: dict[int, array[int]] = {}
        self._whole: set[int] = set()
        self._runs: dict[int, Runs] = {}

    def add(self, start: int, stop: int) -> None:
        """Notes that sectors `start` to `stop` were given."""
        for region in range(start // REGION, (stop - 1) // REGION + 1):
            low, high = max(start, region * REGION), min(stop, (region + 1) * REGION)
            runs = self._runs.get(region)
            if runs is not None:
                _insert(runs, low, high)
                continue
            notes = self._notes.setdefault(region, array("q"))
            if notes and notes[-1] == low:
                notes[-1] = high
            else:
                notes.extend((low, high))

    def just_before(self, at: int) -> bool:
        """Whether the last run noted in the region before `at` ends there; a quick look that may miss."""
        notes = self._notes.get((at - 1) // REGION)
        return bool(notes) and notes is not None and notes[-1] == at

    def before(self, at: int, low: int) -> tuple[int, int] | None:
        """The nearest given run below `at`, cut off at `at`; None if there is none that reaches above `low`.
        A run is also cut at the borders of regions."""
        for region in range((at - 1) // REGION, max(-1, low // REGION - 1), -1):
            starts, stops = self._region(region)
            index = bisect_left(starts, at) - 1
            if index >= 0:
                return (starts[index], min(at, stops[index])) if stops[index] > low else None
        return None

    def behind(self, at: int, high: int) -> tuple[int, int] | None:
        """The nearest given run from `at` on, cut off at `at`; None if none begins below `high`."""
        for region in range(at // REGION, (high - 1) // REGION + 1):
            starts, stops = self._region(region)
            index = bisect_right(stops, at)
            if index < len(starts):
                return (max(at, starts[index]), stops[index]) if starts[index] < high else None
        return None

    def count(self, low: int, high: int) -> int:
        """How many sectors between two places were given."""
        low = max(0, low)
        total = 0
        for region in range(low // REGION, (high - 1) // REGION + 1):
            starts, stops = self._region(region)
            for index in range(bisect_right(stops, low), len(starts)):
                if starts[index] >= high:
                    break
                total += min(high, stops[index]) - max(low, starts[index])
        return total

    def runs_between(self, low: int, high: int) -> list[tuple[int, int]]:
        """The given runs of all regions that the range touches, in order, merged."""
        found: list[tuple[int, int]] = []
        for region in range(max(0, low) // REGION, (high - 1) // REGION + 1):
            for start, stop in zip(*self._region(region), strict=True):
                if found and found[-1][1] == start:
                    found[-1] = (found[-1][0], stop)
                else:
                    found.append((start, stop))
        return found

    def bounds(self) -> tuple[Int64s, Int64s]:
        """All of it as columns of starts and stops, in no order and perhaps overlapping."""
        pairs = [np.array(notes, dtype=np.int64).reshape(-1, 2) for notes in self._notes.values() if notes]
        pairs += [np.array(runs, dtype=np.int64).T for runs in self._runs.values() if runs[0]]
        pairs.append(np.stack((self._starts, self._stops), 1))
        both = np.concatenate(pairs)
        return both[:, 0], both[:, 1]

    def _region(self, region: int) -> Runs:
        runs = self._runs.get(region)
        if runs is None:
            runs = self._runs[region] = self._spread_out(region)
            if len(self._runs) > _SPREAD_OUT:
                self._fold(next(iter(self._runs)))
        return runs

    def _spread_out(self, region: int) -> Runs:
        low, high = region * REGION, (region + 1) * REGION
        pairs: list[tuple[int, int]] = []
        if region not in self._whole:
            first = int(np.searchsorted(self._stops, low, side="right"))
            last = int(np.searchsorted(self._starts, high, side="left"))
            starts = np.maximum(self._starts[first:last], low).tolist()
            pairs = list(zip(starts, np.minimum(self._stops[first:last], high).tolist(), strict=True))
        notes = self._notes.pop(region, array("q"))
        pairs += [(notes[at], notes[at + 1]) for at in range(0, len(notes), 2)]
        runs: Runs = ([], [])
        for start, stop in sorted(pairs):
            if runs[1] and start <= runs[1][-1]:
                runs[1][-1] = max(runs[1][-1], stop)
            else:
                runs[0].append(start)
                runs[1].append(stop)
        return runs

    def _fold(self, region: int) -> None:
        starts, stops = self._runs.pop(region)
        self._whole.add(region)
        notes = array("q")
        for pair in zip(starts, stops, strict=True):
            notes.extend(pair)
        self._notes[region] = notes


def _insert(runs: Runs, start: int, stop: int) -> None:
    """Adds a range to sorted runs, merging what it touches."""
    starts, stops = runs
    first = bisect_left(stops, start)
    last = bisect_right(starts, stop)
    if first < last:
        start, stop = min(start, starts[first]), max(stop, stops[last - 1])
    starts[first:last] = [start]
    stops[first:last] = [stop]
