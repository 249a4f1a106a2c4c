"""From rules already accepted to further blocks of the same template: the next block begins where the last
one ended, so that little must be guessed and a single value of 16 bits suffices."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import Found, found_of, hurts
from mendbay.board.rules.algorithm import Algorithm
from mendbay.board.rules.engines import Engine, engine_for
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import MEMBER_MARGIN, Layout, Probe, Regions, probe_of
from mendbay.board.rules.scan import scan
from mendbay.board.rules.segments import SMALLEST_REGION, Edges, rank_price

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

MOST_ROUNDS = 64
_NEXT_PRICE = 3.2
"""Bits for telling which of nine places a next block begins (or a block before ends) at."""
_FREE_EXTRA = 2.0
_FREE_STEP = 4


def followed(material: Material, found: Sequence[Found], among: Edges) -> list[Found]:
    """Further blocks of the templates of `found`, that all of them included.

    Args:
        found: rules accepted; those without layout are passed on only.
        among: the natural edges of the dump.
    """
    kept = list(found)
    templates = {(one.rule.algorithm, one.rule.order, one.layout) for one in found if one.layout is not None}
    for algorithm, order, layout in sorted(templates, key=str):
        engine = engine_for(material.dumps, algorithm)
        seeds = [
            one
            for one in kept
            if (one.rule.algorithm, one.rule.order, one.layout) == (algorithm, order, layout)
        ]
        done: set[int] = set()
        for _ in range(MOST_ROUNDS):
            fresh = _round(material, engine, algorithm, seeds, among, layout, done)
            fresh = [one for one in fresh if one.rule.order is order]
            seeds = _compatible(fresh, kept)
            kept += seeds
            if not seeds:
                break
    return kept


def _round(
    material: Material,
    engine: Engine,
    algorithm: Algorithm,
    seeds: Sequence[Found],
    among: Edges,
    layout: Layout | None,
    done: set[int],
) -> list[Found]:
    if layout is None:
        return []
    starts = sorted(
        {place for one in seeds for place in _next_starts(one, layout, among, material.size)} - done
    )
    done.update(starts)
    ends = {place for one in seeds for place in _previous_ends(one, layout, among)}
    parts = [_forward(np.array(starts, np.int64), among, material.size), _backward(sorted(ends), among)]
    found = _hits(material, engine, algorithm, layout, parts)
    if engine.base.width == 32:
        reached = {_block(one, layout)[0] for one in found}
        open_starts = [place for place in starts if place not in reached][:8]
        for place in open_starts:
            found += _hits(material, engine, algorithm, layout, [_free(place, material.size)])
        met = {_block(one, layout)[1] for one in found}
        for place in sorted(place for place in ends - met - done if _near_start(place, seeds, layout))[:16]:
            found += _hits(material, engine, algorithm, layout, [_free_back(place)])
        done.update(ends)
    return found


def _hits(
    material: Material,
    engine: Engine,
    algorithm: Algorithm,
    layout: Layout,
    parts: Sequence[tuple[Int64s, Int64s, Floats]],
) -> list[Found]:
    starts, ends, prices = (np.concatenate(column) for column in zip(*parts, strict=True))
    if not starts.size:
        return []
    regions = Regions(starts, ends, prices, np.zeros(starts.size, np.int64))
    probe: Probe = probe_of(material, regions, (layout,), algorithm.width, layout.hole)
    found = []
    for hits in scan(engine, material, probe, (algorithm,)):
        gains = hits.bits - hits.prices
        for one in np.flatnonzero(gains >= MEMBER_MARGIN).tolist():
            found.append(found_of(hits, one, float(gains[one]), material.own))
    return found


def _block(one: Found, layout: Layout) -> tuple[int, int]:
    """The block a rule belongs to, its stored value included."""
    start = one.rule.start - layout.skip
    end = one.rule.end + layout.trim
    if one.rule.place is not None:
        start = min(start, one.rule.place)
        end = max(end, one.rule.place + one.rule.field_bytes if one.rule.place <= end else end)
    return start, end


def _near_start(end: int, seeds: Sequence[Found], layout: Layout) -> bool:
    return any(0 <= _block(one, layout)[0] - end <= 32 for one in seeds)


def _next_starts(one: Found, layout: Layout, among: Edges, size: int) -> set[int]:
    """Where the next block may begin: at once, at a round place, or after filler."""
    end = _block(one, layout)[1]
    own = one.rule.start - layout.skip - _block(one, layout)[0]
    found = {end + -end % step for step in (1, 4, 16, 256)} | {end + 4, end + 8, end + 12}
    strong = np.sort(among.starts)
    found |= set(strong[np.searchsorted(strong, end) :][:2].tolist())
    return {place + own for place in found if place + own + SMALLEST_REGION < size}


def _previous_ends(one: Found, layout: Layout, among: Edges) -> set[int]:
    start = _block(one, layout)[0]
    stored_after = one.rule.place is not None and one.rule.place >= one.rule.end and layout.trim == 0
    found = {start - (one.rule.field_bytes if stored_after else 0), start, start - 4, start - 8}
    before = among.strong_ends[: np.searchsorted(among.strong_ends, start)]
    return found | set(before[-2:].tolist())


def _forward(starts: Int64s, among: Edges, size: int) -> tuple[Int64s, Int64s, Floats]:
    first, last, prices = [starts[:0]], [starts[:0]], [np.zeros(0)]
    for ends, ahead, extra in ((among.strong_ends, 12, 0.6), (among.weak_ends, 12, 1.9)):
        begin = np.searchsorted(ends, starts + SMALLEST_REGION)
        for rank in range(ahead):
            kept = begin + rank < ends.size
            first.append(starts[kept])
            last.append(ends[begin[kept] + rank])
            prices.append(np.full(int(kept.sum()), _NEXT_PRICE + extra + rank_price(rank)))
    return np.concatenate(first), np.concatenate(last), np.concatenate(prices)


def _backward(ends: Sequence[int], among: Edges) -> tuple[Int64s, Int64s, Floats]:
    strong = np.sort(among.starts)
    first, last, prices = [], [], []
    for end in ends:
        before = strong[: np.searchsorted(strong, end - SMALLEST_REGION)][-10:][::-1]
        for rank, start in enumerate(before.tolist()):
            first.append(start)
            last.append(end)
            prices.append(_NEXT_PRICE + 0.6 + rank_price(rank))
    return np.array(first, np.int64), np.array(last, np.int64), np.array(prices, np.float64)


def _free(start: int, size: int) -> tuple[Int64s, Int64s, Floats]:
    """One start with every end at a multiple of four bytes from it."""
    ends = np.arange(start + SMALLEST_REGION, size + 1, _FREE_STEP)
    price = _NEXT_PRICE + _FREE_EXTRA + np.log2(max(1, ends.size))
    return np.full(ends.size, start), ends, np.full(ends.size, price)


def _free_back(end: int) -> tuple[Int64s, Int64s, Floats]:
    """One end with every start at a multiple of four bytes before it."""
    starts = np.arange(end % _FREE_STEP, max(end - SMALLEST_REGION, 0), _FREE_STEP)
    price = _NEXT_PRICE + _FREE_EXTRA + np.log2(max(1, starts.size))
    return starts, np.full(starts.size, end), np.full(starts.size, price)


def _compatible(fresh: Iterable[Found], kept: Sequence[Found]) -> list[Found]:
    """The best of the fresh rules that contradict none kept and not each other."""
    chosen: list[Found] = []
    for one in sorted(fresh, key=lambda one: -one.gain):
        if not any(hurts(one.rule, other.rule) for other in (*kept, *chosen)):
            chosen.append(one)
    return chosen
