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


@dataclass(frozen=True, slots=True)
class Copy:
    """`length` bytes from `first` that stand again from `second`, which lies higher and does not overlap."""

    first: int
    second: int
    length: int


def copies(dumps: Sequence[Bytes]) -> tuple[Copy, ...]:
    """The copies that are the same in all dumps of one revision, the longest first, none inside another."""
    data = dumps[0]
    found: list[Copy] = []
    for shift in _shifts(data):
        same = np.ones(data.size - shift, np.bool_)
        for dump in dumps:
            same &= dump[:-shift] == dump[shift:]
        starts, ends = spans_of(same)
        long = ends - starts >= _SHORTEST
        for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
            length = min(end - start, shift)
            if np.unique(data[start : start + length]).size >= _FEWEST_VALUES:
                found.append(Copy(start, start + shift, length))
    found.sort(key=lambda one: (-one.length, one.first, one.second))
    return tuple(_apart(found)[:MOST_COPIES])


def _shifts(data: Bytes) -> list[int]:
    """Distances at which rows of 16 bytes repeat most often, wherever the rows begin modulo four."""
    counts: dict[int, int] = {}
    for begin in (0, 4, 8, 12):
        rows = np.ascontiguousarray(data[begin : begin + (data.size - begin) // _ROW * _ROW]).reshape(
            -1, _ROW
        )
        if begin == 0:
            base = rows
        rich = (np.diff(np.sort(rows, axis=1), axis=1) != 0).sum(axis=1) >= _FEWEST_VALUES - 1
        for shift in _repeats(base, rows, rich, begin):
            counts[shift] = counts.get(shift, 0) + 1
    ranked = sorted(counts, key=lambda shift: (-counts[shift], shift))
    return ranked[:_MOST_SHIFTS]


def _repeats(base: Bytes, rows: Bytes, rich: npt.NDArray[np.bool_], begin: int) -> list[int]:
    known: dict[bytes, int] = {}
    for index in np.flatnonzero(rich).tolist():
        known.setdefault(rows[index].tobytes(), index * _ROW + begin)
    telling = (np.diff(np.sort(base, axis=1), axis=1) != 0).sum(axis=1) >= _FEWEST_VALUES - 1
    found = []
    for index in np.flatnonzero(telling).tolist():
        other = known.get(base[index].tobytes())
        if other is not None and other != index * _ROW:
            found.append(abs(other - index * _ROW))
    return found


def _apart(found: list[Copy]) -> list[Copy]:
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
    return kept
