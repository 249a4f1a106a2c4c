"""Copies: ranges that stand twice in every dump."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Bytes
from mendbay.board.rules.segments import spans_of

_ROW = 16
_SHORTEST = 32
_FEWEST_VALUES = 8
"""Different byte values a copy must hold: filler and simple tables repeat without meaning anything."""
_MOST_SHIFTS = 64
MOST_COPIES = 256
_MOST_RANGES = 4 * MOST_COPIES
"""Ranges looked at of one distance, the longest: code that repeats in small pieces has a great many."""


@dataclass(frozen=True, slots=True)
class Copy:
    """`length` bytes from `first` that stand again from `second`, which lies higher and does not overlap."""

    first: int
    second: int
    length: int


def copies(dumps: Sequence[Bytes]) -> tuple[Copy, ...]:
    """The copies that are the same in all dumps of one revision, the longest first, none inside another, at
    most `MOST_COPIES`."""
    data = dumps[0]
    found: list[Copy] = []
    for shift in _shifts(data):
        same = np.ones(data.size - shift, np.bool_)
        for dump in dumps:
            same &= dump[:-shift] == dump[shift:]
        starts, ends = spans_of(same)
        lengths = np.minimum(ends - starts, shift)
        longest = np.argsort(-lengths, kind="stable")
        longest = longest[lengths[longest] >= _SHORTEST][:_MOST_RANGES]
        for start, length in zip(starts[longest].tolist(), lengths[longest].tolist(), strict=True):
            if np.unique(data[start : start + length]).size >= _FEWEST_VALUES:
                found.append(Copy(start, start + shift, length))
    found.sort(key=lambda one: (-one.length, one.first, one.second))
    return tuple(_apart(found))


def _shifts(data: Bytes) -> list[int]:
    """Distances at which rows of 16 bytes repeat most often, wherever the rows begin modulo four."""
    base = _rich_rows(data, 0)
    found = [_repeats(base, _rich_rows(data, begin)) for begin in (0, 4, 8, 12)]
    shifts, counts = np.unique(np.concatenate(found), return_counts=True)
    return [int(one) for one in shifts[np.lexsort((shifts, -counts))][:_MOST_SHIFTS]]


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of 16 bytes with enough different values: what they hold, shape (rows,), and where they begin."""

    held: npt.NDArray[np.void]
    places: npt.NDArray[np.int64]


def _rich_rows(data: Bytes, begin: int) -> _Rows:
    """The rows that begin at a place and every 16 bytes behind it."""
    rows = np.ascontiguousarray(data[begin : begin + (data.size - begin) // _ROW * _ROW]).reshape(-1, _ROW)
    rich = np.flatnonzero((np.diff(np.sort(rows, axis=1), axis=1) != 0).sum(axis=1) >= _FEWEST_VALUES - 1)
    return _Rows(rows[rich].view(f"V{_ROW}").reshape(-1), rich * _ROW + begin)


def _repeats(base: _Rows, other: _Rows) -> npt.NDArray[np.int64]:
    """How far each row of `base` lies from the first one of `other` that holds the same, if that is not
    itself."""
    kinds, first = np.unique(other.held, return_index=True)
    if not kinds.size:
        return np.zeros(0, np.int64)
    at = np.minimum(np.searchsorted(kinds, base.held), kinds.size - 1)
    known = kinds[at] == base.held
    away: npt.NDArray[np.int64] = np.abs(other.places[first[at[known]]] - base.places[known])
    found: npt.NDArray[np.int64] = away[away != 0]
    return found


def _apart(found: Sequence[Copy]) -> list[Copy]:
    """Those not inside an earlier one; found is sorted, so that what is kept first is the longest."""
    kept: list[Copy] = []
    for one in found:
        inside = any(
            other.first <= one.first
            and one.first + one.length <= other.first + other.length
            and other.second <= one.second
            and one.second + one.length <= other.second + other.length
            for other in kept
        )
        if not inside:
            kept.append(one)
            if len(kept) == MOST_COPIES:
                break
    return kept
