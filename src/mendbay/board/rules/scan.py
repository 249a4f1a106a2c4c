"""Asks which guesses hold in all dumps, and how much that is worth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.engines import Engine
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import Layout, Probe
from mendbay.board.rules.rule import FILL, Hole

Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Hits:
    """Guesses that hold in all dumps of the revision searched; arrays of shape (hits,).

    Args:
        algorithm, order, hole: what was asked.
        price: bits of algorithm, order and list of regions together.
        layout: how the value lies to the block; None if that is not a template.
        bits: evidence of each.
        distinct: different values seen.
        groups: bit g is set if all dumps of group g hold.
        rows: how many rows the directory has whose rows the regions are; 0 if they are no rows.
    """

    algorithm: Algorithm
    order: Order
    hole: Hole
    layout: Layout | None
    price: float
    rows: int
    starts: Int64s
    ends: Int64s
    places: Int64s
    prices: Floats
    bits: Floats
    distinct: Int64s
    groups: Int64s


def scan(
    engine: Engine, material: Material, probe: Probe, variants: Sequence[Algorithm] = ()
) -> Iterator[Hits]:
    """The hits of the variants (by default all of the engine) among the guesses, one template at a time."""
    if engine.base.width != probe.width or not supports(engine, probe.hole):
        return
    fits = _fits(engine, probe)
    if not fits.any():
        return
    everyone = not (~fits).any()
    asked = Asked(engine, probe.hole, probe.starts, probe.ends, probe.places)
    if probe.hole is Hole.NONE:
        starts, ends, index = probe.distinct
        raw, lengths = engine.raw(0, starts, ends), ends - starts
    else:
        raw, lengths, index = asked.raw(0), asked.lengths, None
    for variant in variants or engine.variants:
        values = engine.finished(variant, raw, lengths)
        values = values if index is None else values[index]
        for order in material.orders(probe.width):
            same = values == probe.stored(material, order)
            hit = np.flatnonzero(same if everyone else same & fits)
            if hit.size:
                found = confirm(engine, material, variant, order, asked.only(hit))
                yield from _by_layout(found, probe, hit[found.kept], engine, order, variant)


class Asked:
    """Regions and places of a question put to an engine."""

    def __init__(self, engine: Engine, hole: Hole, starts: Int64s, ends: Int64s, places: Int64s) -> None:
        self.engine, self.hole = engine, hole
        self.starts, self.ends, self.places = starts, ends, places
        left_out = engine.base.width // 8 if hole is Hole.LEFT_OUT else 0
        self.lengths: Int64s = ends - starts - left_out

    def only(self, chosen: Int64s) -> Asked:
        """Some of them."""
        return Asked(self.engine, self.hole, self.starts[chosen], self.ends[chosen], self.places[chosen])

    def raw(self, dump: int) -> UInt32s:
        """Basic values in one dump, the stored value's own place filled as asked."""
        if self.hole is Hole.NONE:
            return self.engine.raw(dump, self.starts, self.ends)
        return raw_with_hole(self.engine, dump, self)


def supports(engine: Engine, hole: Hole) -> bool:
    """Whether an engine can be asked about regions with such a hole: a sum does not notice whether a word
    is nought or left out, so that only one of the two is asked."""
    if hole is Hole.NONE or hasattr(engine, "field"):
        return True
    return hole is Hole.ZEROS and not engine.base.modulus


def _fits(engine: Engine, probe: Probe) -> npt.NDArray[np.bool_]:
    fitting = engine.fits(probe.starts, probe.ends)
    if probe.hole is not Hole.NONE:
        fitting &= engine.fits(probe.starts, probe.places)
    return fitting


def raw_with_hole(engine: Engine, dump: int, asked: Asked) -> UInt32s:
    """Basic values with the field filled with zeros or ones, or left out."""
    width = engine.base.width
    size = width // 8
    starts, ends, places = asked.starts, asked.ends, asked.places
    after = places + size
    field = getattr(engine, "field", None)
    if field is None:
        whole, part = engine.raw(dump, starts, ends), engine.raw(dump, places, after)
        mask = np.uint32(engine.base.mask)
        if engine.base.kind is Kind.ONES:
            left = (whole.astype(np.int64) - part) % 0xFFFF
            return np.where(left, left, 0xFFFF).astype(np.uint32)
        return (whole ^ part) if engine.base.kind is Kind.XOR else (whole - part) & mask
    rest = ends - after
    if asked.hole is Hole.LEFT_OUT:
        before = engine.raw(dump, starts, places)
        return engine.raw(dump, after, ends) ^ field.times(field.power(rest), before)  # type: ignore[no-any-return]
    inside = engine.raw(dump, places, after)
    if asked.hole is Hole.ONES:
        inside = inside ^ np.uint32(field.value(np.full(size, FILL[Hole.ONES], np.uint8), 0))
    return engine.raw(dump, starts, ends) ^ field.times(field.power(rest), inside)  # type: ignore[no-any-return]


@dataclass(frozen=True)
class Confirmed:
    """What is left of hits of the first dump after the others were asked."""

    kept: Int64s
    bits: Floats
    distinct: Int64s
    groups: Int64s


def confirm(engine: Engine, material: Material, variant: Algorithm, order: Order, asked: Asked) -> Confirmed:
    """Asks all other dumps. A value counts once, however many dumps and blocks share it: a block inside
    that checks itself may leave the value of an outer region the same in every dump."""
    width = variant.width
    kept = np.arange(asked.starts.size)
    cap = worth_at_most(variant, material, asked)
    seen = [material.stored(0, asked.places, width, order)]
    bits = np.minimum(material.surprise(0, asked.places, width), cap)
    distinct = (bits > 0).astype(np.int64)
    groups = np.ones(kept.size, np.int64)
    for number, group in enumerate(material.groups):
        holding = np.ones(kept.size, np.bool_)
        gained, fresh_values = np.zeros(kept.size), np.zeros(kept.size, np.int64)
        values: list[UInt32s] = []
        for dump in group if number else group[1:]:
            found = engine.finished(variant, asked.raw(dump), asked.lengths)
            stored = material.stored(dump, asked.places, width, order)
            holding &= found == stored
            fresh = np.ones(kept.size, np.bool_)
            for earlier in (*seen, *values):
                fresh &= earlier != stored
            worth = np.where(fresh, np.minimum(material.surprise(dump, asked.places, width), cap), 0.0)
            gained += worth
            fresh_values += worth > 0
            values.append(stored)
        if number == 0:
            kept, asked, bits = kept[holding], asked.only(np.flatnonzero(holding)), bits[holding]
            distinct, groups, cap = distinct[holding], groups[holding], cap[holding]
            seen = [one[holding] for one in (*seen, *values)]
            bits, distinct = bits + gained[holding], distinct + fresh_values[holding]
            if not kept.size:
                break
        else:
            helps = holding & (gained > 1.0)
            bits, distinct = bits + np.where(helps, gained - 1.0, 0.0), distinct + fresh_values * helps
            groups = groups | (holding.astype(np.int64) << number)
            seen += values
    return Confirmed(kept, bits, distinct, groups)


FEWEST_BYTES = 8
"""A region with fewer bytes that are not filler proves nothing: its value is nearly a copy."""


def worth_at_most(variant: Algorithm, material: Material, asked: Asked) -> Floats:
    """Bits that one value of each region can be worth: a sum of small words in a wide field cannot take all
    of its values."""
    telling = material.telling(asked.starts, asked.ends)
    cap = np.full(telling.size, float(variant.width))
    if variant.kind is Kind.SUM:
        cap = np.minimum(cap, 8.0 * variant.word + np.log2(np.maximum(1, telling / variant.word)))
    if variant.kind is Kind.FLETCHER and not variant.initial:
        cap = np.minimum(cap, 2.0 * (8 * variant.word + np.log2(np.maximum(1, telling / variant.word))))
    cap[telling < FEWEST_BYTES] = 0.0
    return cap


def _by_layout(
    found: Confirmed, probe: Probe, chosen: Int64s, engine: Engine, order: Order, variant: Algorithm
) -> Iterator[Hits]:
    if not chosen.size:
        return
    naming = engine.price + (1.0 if probe.width > 8 else 0.0)
    lists = len(probe.list_prices)
    template = probe.layout[chosen] * lists + probe.lists[chosen]
    asked = np.bincount(probe.layout * lists + probe.lists) if lists > 1 else np.zeros(0, np.int64)
    for number in np.unique(template).tolist():
        here = template == number
        layout = probe.layouts[number // lists]
        yield Hits(
            variant,
            order,
            probe.hole,
            layout,
            naming + layout.price + probe.list_prices[number % lists],
            int(asked[number]) if number % lists else 0,
            probe.starts[chosen[here]],
            probe.ends[chosen[here]],
            probe.places[chosen[here]],
            probe.prices[chosen[here]],
            found.bits[here],
            found.distinct[here],
            found.groups[here],
        )
