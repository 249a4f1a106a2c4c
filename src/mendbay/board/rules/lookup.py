"""Checks whose values stand anywhere: every natural region's value is looked up among stored words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Order
from mendbay.board.rules.engines import Engine
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import Regions
from mendbay.board.rules.rule import Hole
from mendbay.board.rules.scan import Asked, Hits, confirm

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
