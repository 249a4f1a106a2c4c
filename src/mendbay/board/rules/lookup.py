"""Checks whose values stand anywhere: every natural region's value is looked up among stored words; and
checks of unknown start and final value, which cancel out between two dumps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import Found
from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.engines import Engine
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import TEMPLATE_MARGIN, Probe, Regions
from mendbay.board.rules.rule import Hole, Rule
from mendbay.board.rules.scan import Asked, Hits, confirm, worth_at_most

Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]

_TABLE = 64
"""Values that stand within so many bytes of another's are of one table."""
_TABLE_BITS = 8.0
_TABLE_PRICE = 4.0
_MOST = 4096
"""Matches looked at for one algorithm; more are chance."""


class Stored:
    """Values stored at all places that may hold a distant one, sorted.

    Those of 32 bits may stand anywhere; shorter ones only where something varies from drive to drive.
    """

    def __init__(self, material: Material, width: int, order: Order) -> None:
        size = width // 8
        if width < 32:
            near = material.varying_places[:, None] - np.arange(size)[None, :]
            places = np.unique(near[(near >= 0) & (near + size <= material.size)])
        else:
            places = np.arange(material.size - size + 1)
        words = material.stored(0, places, width, order)
        arrangement = np.argsort(words, kind="stable")
        self.words, self._places = words[arrangement], places[arrangement]
        self.price = float(np.log2(max(1, places.size)))

    def matches(self, values: UInt32s) -> tuple[Int64s, Int64s]:
        """Index of each value that is stored somewhere, with every place of it."""
        first = np.searchsorted(self.words, values)
        count = np.searchsorted(self.words, values, side="right") - first
        if count.sum() > _MOST:
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        index = np.repeat(np.arange(values.size), count)
        inner = np.arange(index.size) - np.repeat(np.cumsum(count) - count, count)
        return index, self._places[first[index] + inner]


def elsewhere(
    engine: Engine, material: Material, regions: Regions, stored: dict[Order, Stored]
) -> Iterator[Hits]:
    """Hits of regions whose value stands apart from them. Those of one table share the price of its place."""
    fitting = np.flatnonzero(engine.fits(regions.starts, regions.ends) & (regions.lists == 0))
    if engine.base.width < 32:
        fitting = fitting[material.changes(regions.starts[fitting], regions.ends[fitting])]
    starts, ends, prices = regions.starts[fitting], regions.ends[fitting], regions.prices[fitting]
    if not starts.size:
        return
    raw, lengths = engine.raw(0, starts, ends), ends - starts
    for variant in engine.variants:
        values = engine.finished(variant, raw, lengths)
        for order, among in stored.items():
            index, places = among.matches(values)
            size = variant.width // 8
            apart = (places + size < starts[index]) | (places > ends[index])
            index, places = index[apart], places[apart]
            if not index.size:
                continue
            asked = Asked(engine, Hole.NONE, starts[index], ends[index], places)
            found = confirm(engine, material, variant, order, asked)
            kept = found.kept
            if kept.size:
                index, places = index[kept], places[kept]
                yield Hits(
                    variant,
                    order,
                    Hole.NONE,
                    None,
                    engine.price + 1.0 + _TABLE_PRICE + max(0.0, among.price - _TABLE_BITS),
                    False,
                    starts[index],
                    ends[index],
                    places,
                    prices[index] + _place_prices(places, among.price),
                    found.bits,
                    found.distinct,
                    found.groups,
                )


def _place_prices(places: Int64s, alone: float) -> npt.NDArray[np.float64]:
    """Bits for the place of each value: few beside another; the first of a table is paid by the template."""
    ranked = np.sort(np.unique(places))
    before = ranked[np.maximum(np.searchsorted(ranked, places) - 1, 0)]
    after = ranked[np.minimum(np.searchsorted(ranked, places, side="right"), ranked.size - 1)]
    near = np.minimum(
        np.where(before == places, _TABLE + 1, places - before),
        np.where(after == places, _TABLE + 1, after - places),
    )
    alike = (near <= _TABLE) | (ranked.size == 1)
    return np.where(alike, min(_TABLE_BITS, alone), alone)


def fitted(engine: Engine, material: Material, probe: Probe) -> Iterator[Found]:
    """Rules of a cyclic check whose start and final value are not known: they cancel out between dumps of
    one revision, and a single constant stands for both. Only the shortest region is sure."""
    own, width = material.own, probe.width
    if (
        own < 2
        or engine.base.kind is not Kind.CRC
        or engine.base.width != width
        or probe.hole is not Hole.NONE
    ):
        return
    changing = np.flatnonzero(material.changes(probe.starts, probe.ends))
    if not changing.size:
        return
    starts, ends, places = probe.starts[changing], probe.ends[changing], probe.places[changing]
    prices = probe.prices[changing] + np.array([probe.layouts[i].price for i in probe.layout[changing]])
    for order in material.orders(width):
        kept = np.arange(starts.size)
        stored = [material.stored(0, places, width, order)]
        raws = [_turned(engine, 0, starts, ends)]
        for dump in range(1, own):
            here = Asked(engine, Hole.NONE, starts[kept], ends[kept], places[kept])
            raw = _turned(engine, dump, here.starts, here.ends)
            value = material.stored(dump, here.places, width, order)
            same = raw ^ raws[0] == value ^ stored[0]
            kept, raws, stored = (
                kept[same],
                [one[same] for one in (*raws, raw)],
                [one[same] for one in (*stored, value)],
            )
            if not kept.size:
                break
        if kept.size:
            yield from _fitted(
                engine, material, order, starts[kept], ends[kept], places[kept], prices[kept], raws, stored
            )


def _turned(engine: Engine, dump: int, starts: Int64s, ends: Int64s) -> UInt32s:
    return engine.finished(engine.base, engine.raw(dump, starts, ends), ends - starts)


def _fitted(
    engine: Engine,
    material: Material,
    order: Order,
    starts: Int64s,
    ends: Int64s,
    places: Int64s,
    prices: npt.NDArray[np.float64],
    raws: list[UInt32s],
    stored: list[UInt32s],
) -> Iterator[Found]:
    asked = Asked(engine, Hole.NONE, starts, ends, places)
    cap = worth_at_most(engine.base, material, asked)
    bits = np.zeros(starts.size)
    distinct = np.ones(starts.size, np.int64)
    for dump in range(1, len(stored)):
        fresh = np.ones(starts.size, np.bool_)
        for earlier in stored[:dump]:
            fresh &= earlier != stored[dump]
        worth = np.where(fresh, np.minimum(cap, material.surprise(dump, places, engine.base.width)), 0.0)
        bits, distinct = bits + worth, distinct + (worth > 0)
    gains = bits - prices - engine.price - 1.0
    seen: set[tuple[int, int]] = set()
    for one in np.argsort(-gains, kind="stable").tolist():
        if gains[one] < TEMPLATE_MARGIN:
            break
        if (int(ends[one]), int(places[one])) in seen:
            continue
        seen.add((int(ends[one]), int(places[one])))
        start = _first_varying(material, int(starts[one]), int(ends[one]))
        raw = int(_turned(engine, 0, np.array([start]), ends[one : one + 1])[0])
        constant = raw ^ int(stored[0][one])
        algorithm: Algorithm = replace(engine.base, initial=0, final=constant)
        gain = float(gains[one])
        rule = Rule(
            algorithm,
            start,
            int(ends[one]),
            int(places[one]),
            order,
            evidence=round(gain, 2),
            dumps=material.own,
            distinct=int(distinct[one]),
        )
        yield Found(rule, None, gain, float(prices[one]))


def _first_varying(material: Material, start: int, end: int) -> int:
    """The first per-drive byte of a region: what lies before it may as well not belong to it."""
    places = material.varying_places
    first = int(places[np.searchsorted(places, start)])
    return min(first, end - 1)
