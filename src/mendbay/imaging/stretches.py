"""Good and bad stretches of a drive, estimated anew from everything that was refused and given so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.imaging.chain_fit import ChainFit, Seen, fit
from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces

_FAR_SECTORS = 65_536
"""Between refusals further apart, what was given is taken from the counts by cell."""
_MOST_MARKS = 600
"""With more refusals, parts are looked at that stand for all: all would take longer, and tell hardly more."""
_BLOCK, _LEAD, _WIDEST, _BEHIND = 50, 8, 32, 4
"""Refusals in one part, refusals before it that only lead to it, how many of the widest ranges between two
refusals are looked at in any case, and how many refusals from there on (own choice)."""

Mark = tuple[int, int, int]
"""First sector, the one past the last, and how many sectors of it were refused singly one after the other; 1
also for a refused range."""


def learn_stretches(damage: Density, given: GivenPlaces, sectors: int, usual_density: float) -> ChainFit:
    """The likeliest lengths of good and bad stretches, and how dense lone bad sectors are.

    Args:
        sectors: how many the drive has.
        usual_density: of lone bad sectors, where nothing is known.
    """
    return fit(seen_of(damage, given, sectors), usual_density)


def seen_of(damage: Density, given: GivenPlaces, sectors: int) -> Seen:
    """What was seen along a drive of so many sectors; of many refusals parts that stand for all."""
    marks = _marks(damage)
    rows = [row for part in _parts(marks, sectors) for row in _rows(damage, given, marks, sectors, part)]
    columns = list(zip(*(one.columns for one in rows), strict=True)) or [()] * len(_Row(0, 0, 0).columns)
    return Seen(
        np.array(columns[0], dtype=np.float64),
        np.array(columns[1], dtype=np.float64),
        np.array(columns[2], dtype=np.int64),
        np.array(columns[3], dtype=np.float64),
        np.array(columns[4], dtype=np.int64),
        np.array(columns[5], dtype=np.bool_),
        np.array(columns[6], dtype=np.float64),
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """Refusals in a row, by their numbers, each with what lies before it; the number past the last stands for
    the drive's end.

    Attributes:
        lead: the first that leads to the part.
        start, stop: those that count.
        counts: how often.
        once: those of them that count once.
    """

    lead: int
    start: int
    stop: int
    counts: float = 1.0
    once: frozenset[int] = frozenset()


def _parts(marks: list[Mark], sectors: int) -> list[_Part]:
    """The whole drive, or blocks of refusals evenly chosen by number that count for those left out, and
    besides the widest ranges between refusals with what follows them: a few of these are most of the drive
    and end where damage begins, so none may stand for another.

    By the chain rule the likelihood of everything is the product of that of each part where all before it is
    known; the refusals just before it tell nearly as much.
    """
    count = len(marks)
    if count <= _MOST_MARKS:
        return [_Part(0, 0, count + 1)]
    ends = np.array([0, *(stop for _, stop, _ in marks)], dtype=np.int64)
    gaps = np.array([*(start for start, _, _ in marks), sectors], dtype=np.int64)
    gaps -= np.maximum.accumulate(ends)
    widest = np.argsort(-gaps, kind="stable")[:_WIDEST].tolist()
    once = frozenset(one for at in widest for one in range(at, min(at + _BEHIND, count + 1)))
    blocks, most = -(-count // _BLOCK), _MOST_MARKS // _BLOCK
    chosen = sorted({(2 * one + 1) * blocks // (2 * most) for one in range(most)})
    inside = {at for one in chosen for at in range(one * _BLOCK, min(count, (one + 1) * _BLOCK))}
    counts = (count - len(once)) / max(1, len(inside - once))
    found = [
        _Part(max(0, one * _BLOCK - _LEAD), one * _BLOCK, min(count, (one + 1) * _BLOCK), counts, once)
        for one in chosen
    ]
    found += [_Part(max(0, at - _LEAD), at, stop) for at, stop in _in_rows(sorted(once - inside))]
    return found


def _in_rows(numbers: list[int]) -> list[tuple[int, int]]:
    """Numbers in order as ranges."""
    found: list[tuple[int, int]] = []
    for one in numbers:
        if found and found[-1][1] == one:
            found[-1] = (found[-1][0], one + 1)
        else:
            found.append((one, one + 1))
    return found


def _rows(damage: Density, given: GivenPlaces, marks: list[Mark], sectors: int, part: _Part) -> list[_Row]:
    """The entries of a part."""
    rows: list[_Row] = []
    behind = max((stop for _, stop, _ in marks[max(0, part.lead - 1) : part.lead]), default=0)
    for at in range(part.lead, part.stop):
        ends = at == len(marks)
        start, stop, times = (sectors, sectors, 1) if ends else marks[at]
        counts = 0.0 if at < part.start else 1.0 if at in part.once else part.counts
        before = max(start, behind)
        between = _between(damage, given, behind, before)
        for one in between:
            one.counts = counts
        rows += between
        if not ends:
            inside, runs = _given(damage, given, before, stop) if times == 1 else (0, 0)
            refused = 1 if times > 1 else max(1, stop - before - inside)
            rows.append(_Row(0, inside, runs, refused, times, counts=counts))
        behind = max(behind, stop)
    rows = [one for one in rows if one.unread or one.given or one.refused]
    for one in rows[:1]:
        one.begins = part.lead > 0
    return rows


def _marks(damage: Density) -> list[Mark]:
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


@dataclass(slots=True)
class _Row:
    """One entry of `Seen`."""

    unread: int
    given: int
    runs: int
    refused: int = 0
    times: int = 1
    begins: bool = False
    counts: float = 1.0

    @property
    def columns(self) -> tuple[int, int, int, int, int, bool, float]:
        return self.unread, self.given, self.runs, self.refused, self.times, self.begins, self.counts


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
