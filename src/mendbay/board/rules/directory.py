"""Tables inside a dump that say where blocks lie, and values of checks that stand in rows.

A directory is a run of rows at a fixed distance whose two numbers, as place and length or as start and end,
name blocks that lie inside the chip, rise and do not overlap. Ramps of calibration values look the same: a
wrong directory costs only the bits for telling it from the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Order
from mendbay.board.rules.engines import Engine
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import Regions
from mendbay.board.rules.rule import Hole
from mendbay.board.rules.scan import Asked, Hits, confirm
from mendbay.board.rules.segments import spans_of

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]

SEARCHED = 1 << 15
"""Bytes at the beginning of a dump that are searched for directories."""
FEWEST_ROWS, MOST_ROWS = 3, 256
MOST_DIRECTORIES = 10
_WORST = 0.1
"""Directories that score less than this share of the best are dropped (design value)."""
_STRIDES = (4, 6, 8, 10, 12, 14, 16, 20, 24, 28, 32, 40, 48, 64)
_UNITS = (1, 16, 256, 512, 4096)
_SMALLEST_BLOCK = 16


@dataclass(frozen=True, slots=True)
class Directory:
    """Rows found: where the first lies, how far apart they are, and the blocks they name."""

    place: int
    stride: int
    starts: Int64s
    ends: Int64s

    def regions(self, count: int) -> Regions:
        """As regions to try, one of `count` directories. Which of its rows are checked is paid for all
        together; a row that stands alone costs its number."""
        size = self.starts.size
        price = float(np.log2(max(1, count))) + 1.0
        rows = np.full(size, np.log2(max(2, size)))
        return Regions(self.starts, self.ends, rows, np.zeros(size, np.int64), (price,))


def directories(data: Bytes, natural: Int64s) -> list[Directory]:
    """The likeliest directories of a dump.

    Args:
        data: the dump.
        natural: places where blocks naturally begin or end, rising; directories whose rows meet them come
            first.
    """
    marked = np.zeros(data.size + 1, np.bool_)
    marked[natural[natural <= data.size]] = True
    found = [
        one for size, order in _WORDS for stride in _STRIDES for one in _of_kind(data, size, order, stride)
    ]
    scored = sorted(found, key=lambda one: -_score(one, marked, data.size))
    kept: list[Directory] = []
    for one in scored:
        if len(kept) == MOST_DIRECTORIES:
            break
        if scored and _score(one, marked, data.size) < _WORST * _score(scored[0], marked, data.size):
            break
        if not any(_inside(one, other) for other in kept):
            kept.append(one)
    return kept


_WORDS = ((4, "<"), (4, ">"), (2, "<"), (2, ">"))


def _of_kind(data: Bytes, size: int, order: str, stride: int) -> Iterator[Directory]:
    if stride < 2 * size:
        return
    head = data[: SEARCHED - SEARCHED % stride]
    columns = [np.ascontiguousarray(head[shift:]) for shift in range(0, size, 2)]
    for shift, column in zip(range(0, size, 2), columns, strict=True):
        words = column[: column.size - column.size % size].view(f"{order}u{size}").astype(np.int64)
        step = stride // size
        if stride % size:
            continue
        for beside in {1, 2, -1} if step > 2 else {1}:
            yield from _pairs(words, data.size, size, shift, step, beside)


def _pairs(words: Int64s, limit: int, size: int, shift: int, step: int, beside: int) -> Iterator[Directory]:
    first, last = max(0, -beside), words.size - max(0, beside)
    left, right = words[first:last], words[first + beside : last + beside]
    for unit in _UNITS if size == 2 else (1, 16, 256):
        start, other = left * unit, right * unit
        for end in (start + other, other, other + 1) if unit == 1 else (start + other, other):
            usable = (end - start >= _SMALLEST_BLOCK) & (end <= limit) & (start > 0)
            if usable.sum() < FEWEST_ROWS:
                continue
            follows = usable[:-step] & usable[step:] & (start[step:] >= end[:-step])
            yield from _chains(follows, start, end, step, size, shift, first)


def _chains(
    follows: npt.NDArray[np.bool_],
    start: Int64s,
    end: Int64s,
    step: int,
    size: int,
    shift: int,
    first: int,
) -> Iterator[Directory]:
    for lane in range(step):
        begins, stops = spans_of(follows[lane::step])
        for begin, stop in zip(begins.tolist(), stops.tolist(), strict=True):
            if stop - begin + 1 < FEWEST_ROWS:
                continue
            rows = lane + step * np.arange(begin, min(stop + 1, begin + MOST_ROWS))
            place = shift + size * (int(rows[0]) + first)
            yield Directory(place, step * size, start[rows], end[rows])


def _score(one: Directory, marked: npt.NDArray[np.bool_], size: int) -> float:
    """Rows that meet natural edges, with a little for the share of the chip they name."""
    meets = float(marked[one.starts].mean() + 0.5 * marked[one.ends].mean())
    named = float((one.ends - one.starts).sum()) / size
    return meets * min(one.starts.size, 16) + min(named, 1.0) + 0.05 * min(one.starts.size, 40)


def _inside(one: Directory, other: Directory) -> bool:
    """Whether the rows name nothing that the other directory does not."""
    return set(zip(one.starts.tolist(), one.ends.tolist(), strict=True)) <= set(
        zip(other.starts.tolist(), other.ends.tolist(), strict=True)
    )


class StoredIndex:
    """Where any value of one width is stored in a dump, found by binary search.

    Args:
        material: its first dump is searched.
        width: 16 or 32.
        order: byte order.
    """

    def __init__(self, material: Material, width: int, order: Order) -> None:
        places = np.arange(material.size - width // 8 + 1)
        words = material.stored(0, places, width, order)
        self._places = np.argsort(words, kind="stable").astype(np.int32)
        self._words = words[self._places]

    def ranges(self, values: UInt32s) -> tuple[Int64s, Int64s]:
        """For each value the first and last (exclusive) of its places, as numbers for `places`."""
        return np.searchsorted(self._words, values), np.searchsorted(self._words, values, side="right")

    def places(self, first: int, last: int) -> Int64s:
        """The places of such numbers, rising."""
        return self._places[first:last].astype(np.int64)


_ARRAY_TRIMS = ((0, 0), (0, 4), (0, 2), (4, 0), (8, 0), (16, 0), (32, 0))
_MOST_PLACES = 48
_WIDEST_STRIDE = 64


def arrays(
    engine: Engine, material: Material, tables: Sequence[Directory], index: dict[Order, StoredIndex]
) -> Iterator[Hits]:
    """Checks of all rows of a directory that stand in an array of their own, also a column of the rows.

    The array is found by looking the values of two blocks up; the others must follow at the same distance.
    """
    price = float(np.log2(max(1, len(tables)))) + 1.0
    naming = price + engine.price + 1.0 + float(np.log2(material.size)) + 6.0 + 3.0
    bounds = np.cumsum([0, *(one.starts.size for one in tables)])
    all_starts = np.concatenate([one.starts for one in tables])
    all_ends = np.concatenate([one.ends for one in tables])
    for skip, trim in _ARRAY_TRIMS:
        starts, ends = all_starts + skip, np.maximum(all_ends - trim, all_starts + skip)
        lengths = ends - starts
        sound = engine.fits(starts, ends) & (lengths >= _SMALLEST_BLOCK)
        raw = engine.raw(0, starts, ends)
        for variant in engine.variants:
            values = engine.finished(variant, raw, lengths)
            for order, known in index.items():
                first, last = known.ranges(values)
                there = (last > first) & sound
                for begin, end in pairwise(bounds.tolist()):
                    rows = slice(begin, end)
                    if there[rows].sum() < FEWEST_ROWS or np.unique(values[rows]).size < 2:
                        continue
                    for place, step in _array_places(
                        values[rows], known, first[rows], last[rows], material, order, variant.width
                    ):
                        places = place + step * np.arange(end - begin)
                        asked = Asked(engine, Hole.NONE, starts[rows], ends[rows], places)
                        yield _array_hits(engine, material, variant, order, asked, naming)


def _array_places(
    values: UInt32s,
    known: StoredIndex,
    first: Int64s,
    last: Int64s,
    material: Material,
    order: Order,
    width: int,
) -> list[tuple[int, int]]:
    """Place of the first row's value and distance of the rows, for arrays in which at least three quarters
    of the rows hold, with three different values among them."""
    found = set()
    rows = np.arange(values.size)
    for one, two in ((0, 1), (values.size - 2, values.size - 1)):
        if values[one] == values[two]:
            continue  # equal values, as of filler, stand in equal steps everywhere
        firsts, seconds = (
            known.places(int(first[row]), min(int(last[row]), int(first[row]) + _MOST_PLACES))
            for row in (one, two)
        )
        if not firsts.size or not seconds.size:
            continue
        steps = seconds[None, :] - firsts[:, None]
        for left, right in np.argwhere((np.abs(steps) <= _WIDEST_STRIDE) & (steps != 0)).tolist():
            step = int(steps[left, right])
            begin = int(firsts[left]) - step * one
            places = begin + step * rows
            if places.min() < 0 or places.max() + width // 8 > material.size:
                continue
            same = material.stored(0, places, width, order) == values
            enough = same.sum() >= max(FEWEST_ROWS, 0.75 * values.size)
            if enough and np.unique(values[same]).size >= FEWEST_ROWS:
                found.add((begin, step))
    return sorted(found)


def _array_hits(
    engine: Engine, material: Material, variant: Algorithm, order: Order, asked: Asked, naming: float
) -> Hits:
    values = engine.finished(variant, asked.raw(0), asked.lengths)
    same = np.flatnonzero(values == material.stored(0, asked.places, variant.width, order))
    chosen = asked.only(same)
    found = confirm(engine, material, variant, order, chosen)
    kept = found.kept
    return Hits(
        variant,
        order,
        Hole.NONE,
        None,
        naming,
        int(values.size),
        chosen.starts[kept],
        chosen.ends[kept],
        chosen.places[kept],
        np.zeros(kept.size),
        found.bits,
        found.distinct,
        found.groups,
    )
