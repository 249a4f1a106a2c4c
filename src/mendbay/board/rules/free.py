"""Chains of blocks that follow each other without a gap, where only the first beginning is a natural edge.

For checks of 32 bits stored behind their block the question "which start goes with which end" is a join of
two lists, so that every fourth byte can be an end.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import Found, found_of
from mendbay.board.rules.algorithm import Algorithm, Order
from mendbay.board.rules.crc import reversed_values
from mendbay.board.rules.engines import POLYNOMIALS, CrcEngine, crc_engines
from mendbay.board.rules.follow import followed
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import TEMPLATE_MARGIN, layouts
from mendbay.board.rules.rule import Hole
from mendbay.board.rules.scan import Asked, Hits, confirm
from mendbay.board.rules.segments import SMALLEST_REGION, Edges

Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]

_STEP = 4
_SEED = 3.0
"""Bits by which a first block must exceed its own price for its chain to be followed."""
_MOST_SEEDS = 64


def free_chains(material: Material, among: Edges, known: Iterable[Found]) -> list[Found]:
    """Chains of the usual 32-bit cyclic checks whose blocks all follow one another; each chain together
    must pay for its algorithm. Chains are not begun at values that `known` rules already explain."""
    found: list[Found] = []
    places = {one.rule.place for one in known}
    for polynomial in POLYNOMIALS:
        if polynomial.width == 32 and polynomial.usual:
            for engine in crc_engines(material.dumps, polynomial.value, 32, 7.0):
                if isinstance(engine, CrcEngine):
                    found += _of(engine, material, among, places)
    return found


def _of(engine: CrcEngine, material: Material, among: Edges, known: set[int]) -> list[Found]:
    starts = np.unique(among.starts)
    ends = np.arange(0, material.size - 3, _STEP)
    remainders = engine.remainders()
    at_start, at_end = remainders.at(starts), remainders.at(ends)
    back_start, back_end = engine.field.inverse_power(starts), engine.field.inverse_power(ends)
    shifted_start, shifted_end = (
        engine.field.times(back_start, at_start),
        engine.field.times(back_end, at_end),
    )
    found: list[Found] = []
    for order in material.orders(32):
        stored = material.stored(0, ends, 32, order)
        turned = reversed_values(stored, 32) if engine.base.reflected else stored
        moved = engine.field.times(back_end, turned)
        for variant in engine.variants:
            left = shifted_start ^ (engine.field.times(back_start, _full(variant.initial)))
            right = shifted_end ^ moved ^ engine.field.times(back_end, _full(variant.final))
            pairs = _joined(left, right)
            found += _chains(engine, material, variant, order, starts[pairs[0]], ends[pairs[1]], among, known)
    return found


def _full(value: int) -> UInt32s:
    """Start and final values are nought or all ones, the same in either bit order."""
    return np.array([value], np.uint32)


def _joined(left: UInt32s, right: UInt32s) -> tuple[Int64s, Int64s]:
    order = np.argsort(left, kind="stable")
    ranked = left[order]
    first = np.searchsorted(ranked, right)
    hit = np.flatnonzero(ranked[np.minimum(first, ranked.size - 1)] == right)
    return order[first[hit]], hit


def _chains(
    engine: CrcEngine,
    material: Material,
    variant: Algorithm,
    order: Order,
    starts: Int64s,
    ends: Int64s,
    among: Edges,
    known: set[int],
) -> list[Found]:
    kept = np.flatnonzero(ends - starts >= SMALLEST_REGION)[:_MOST_SEEDS]
    if not kept.size:
        return []
    layout = layouts(32)[0]
    asked = Asked(engine, Hole.NONE, starts[kept], ends[kept], ends[kept])
    sure = confirm(engine, material, variant, order, asked)
    price = np.log2(np.unique(among.starts).size) + np.log2(material.size / _STEP)
    asked = asked.only(sure.kept)
    naming = engine.price + 1.0 + layout.price + 2.0
    hits = Hits(
        variant,
        order,
        Hole.NONE,
        layout,
        naming,
        False,
        asked.starts,
        asked.ends,
        asked.places,
        np.full(sure.kept.size, price),
        sure.bits,
        sure.distinct,
        sure.groups,
    )
    found: list[Found] = []
    for one in np.flatnonzero(hits.bits - price >= _SEED).tolist():
        seed = found_of(hits, one, float(hits.bits[one] - price), material.own)
        if seed.rule.place in known:
            continue
        chain = followed(material, [seed], among)
        total = sum(link.gain for link in chain) - naming
        if total >= TEMPLATE_MARGIN:
            share = naming / len(chain)
            known |= {link.rule.place for link in chain}
            found += [replace(link, gain=max(0.0, link.gain - share)) for link in chain]
    return found
