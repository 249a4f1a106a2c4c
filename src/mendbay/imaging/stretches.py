"""Good and bad stretches of a drive, estimated anew from everything that was refused and given so far."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from mendbay.imaging.chain_fit import ChainFit, Seen, fit
from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces

_FAR_SECTORS = 65_536
"""Between refusals further apart, what was given is taken from the counts by cell."""
_MOST_MARKS, _MOST_IN_WINDOW, _WINDOWS = 600, 150, 256
"""With more refusals, parts of the drive evenly chosen are looked at: all of them would take longer, and tell
hardly more."""


def learn_stretches(damage: Density, given: GivenPlaces, sectors: int, usual_density: float) -> ChainFit:
    """The likeliest lengths of good and bad stretches, and how dense lone bad sectors are.

    Args:
        sectors: how many the drive has.
        usual_density: of lone bad sectors, where nothing is known.
    """
    rows: list[_Row] = []
    for low, high, marks in _windows(_marks(damage), sectors):
        behind, begins = low, low > 0
        for start, stop, times in marks:
            before = max(start, behind)
            between = _between(damage, given, behind, before)
            inside, runs = _given(damage, given, before, stop) if times == 1 else (0, 0)
            between[-1].take(inside, runs, 1 if times > 1 else max(1, stop - before - inside), times)
            between[0].begins = begins
            rows += between
            behind, begins = max(behind, stop), False
        rows += _between(damage, given, behind, high)
        rows[-1].begins = begins
    columns = np.array(
        [(one.unread, one.given, one.runs, one.refused, one.times, one.begins) for one in rows]
    ).T
    return fit(
        Seen(
            columns[0].astype(np.float64),
            columns[1].astype(np.float64),
            columns[2],
            columns[3].astype(np.float64),
            columns[4],
            columns[5].astype(np.bool_),
        ),
        usual_density,
    )


def _marks(damage: Density) -> list[tuple[int, int, int]]:
    """Refused ranges, and single sectors refused one after the other, with how many they are; sorted."""
    found = [(start, stop, 1) for start, stop in damage.ranges]
    bad = np.array(damage.bad, dtype=np.int64)
    if bad.size:
        breaks = np.flatnonzero(np.diff(bad) > 1) + 1
        first, last = bad[np.concatenate(([0], breaks))], bad[np.concatenate((breaks - 1, [bad.size - 1]))]
        found += [
            (one, other + 1, other + 1 - one)
            for one, other in zip(first.tolist(), last.tolist(), strict=True)
        ]
    return sorted(found)


def _windows(
    marks: list[tuple[int, int, int]], sectors: int
) -> list[tuple[int, int, list[tuple[int, int, int]]]]:
    """The whole drive with its marks, or parts of it evenly chosen by place, so that none is chosen for being
    damaged."""
    if len(marks) <= _MOST_MARKS:
        return [(0, sectors, marks)]
    step = -(-len(marks) // _MOST_MARKS)
    width = -(-sectors // _WINDOWS)
    found = []
    for low in range(step // 2 * width, sectors, step * width):
        inside = marks[bisect_left(marks, (low, 0, 0)) : bisect_left(marks, (low + width, 0, 0))]
        high = min(sectors, low + width)
        if len(inside) > _MOST_IN_WINDOW:
            inside = inside[:_MOST_IN_WINDOW]
            high = inside[-1][1]
        found.append((low, max(high, inside[-1][1] if inside else 0), inside))
    return found


@dataclass(slots=True)
class _Row:
    """One entry of `Seen`."""

    unread: int
    given: int
    runs: int
    refused: int = 0
    times: int = 1
    begins: bool = False

    @property
    def columns(self) -> tuple[int, int, int, int, int, bool]:
        return self.unread, self.given, self.runs, self.refused, self.times, self.begins

    def take(self, given: int, runs: int, refused: int, times: int) -> None:
        self.given += given
        self.runs += runs
        self.refused, self.times = refused, times


def _between(damage: Density, given: GivenPlaces, low: int, high: int) -> list[_Row]:
    """What lies between two places: the given runs next to them by their place, those further in together."""
    if high - low >= _FAR_SECTORS:
        known, runs = _given(damage, given, low, high)
        return [_Row(max(0, high - low - known), known, runs)]
    found = _runs(given, low, high)
    if not found:
        return [_Row(max(0, high - low), 0, 0)]
    (first, first_stop), (last, last_stop) = found[0], found[-1]
    rows = [_Row(first - low, first_stop - first, 1)]
    if len(found) > 2:
        known = sum(stop - start for start, stop in found[1:-1])
        rows.append(_Row(last - first_stop - known, known, len(found) - 2))
        rows.append(_Row(0, last_stop - last, 1))
    elif len(found) == 2:
        rows.append(_Row(last - first_stop, last_stop - last, 1))
    rows.append(_Row(high - last_stop, 0, 0))
    return rows


def _runs(given: GivenPlaces, low: int, high: int) -> list[tuple[int, int]]:
    if high <= low:
        return []
    cut = ((max(low, start), min(high, stop)) for start, stop in given.runs_between(low, high))
    return [(start, stop) for start, stop in cut if stop > start]


def _given(damage: Density, given: GivenPlaces, low: int, high: int) -> tuple[int, int]:
    """How many sectors between two places were given, and in how many runs; far apart, by the counts."""
    if high - low < _FAR_SECTORS:
        found = _runs(given, low, high)
        return sum(stop - start for start, stop in found), len(found)
    known = min(high - low, damage.tried_between(low, high))
    return known, min(known, damage.runs_between(low, high))
