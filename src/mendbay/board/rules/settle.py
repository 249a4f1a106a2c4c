"""From a run of varying bytes and the value that follows it to a whole rule: where exactly the region begins
and ends, and how the check starts and finishes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.changes import ChangeEngine, Changes
from mendbay.board.rules.claims import Lie
from mendbay.board.rules.engines import Engine
from mendbay.board.rules.probes import Floats, Int64s
from mendbay.board.rules.rule import Hole, Rule
from mendbay.board.rules.segments import Edges

_NATURAL, _ROUND, _ANY = 1.0, 1.6, 3.0
_SURPLUS = 3.0
"""Bits by which a full width must exceed the price of the edges for them to be believed."""
_MOST_ANY = 1 << 16
_MOST_INSIDE = 24
_ROUND_STEPS = (4096, 256, 16, 4, 2)
_MOST_ENDS = 64
_REACH, _ROUND_OUT = 256, 16
"""Bytes around an edge in which a natural one is taken for it, and what it is else rounded to."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One guess about changes: that these varying bytes change by what a varying value changes by.

    Args:
        first: number, among the varying bytes, of the first one of the region.
        end: byte of the dump behind the region; where the engine works by classes, any between its last
            varying byte and the next.
        place: first byte of the stored value.
        begin: byte of the dump that the region begins at, if the other records of its series tell it.
    """

    first: int
    end: int
    place: int
    begin: int | None = None


class Settler:
    """Finds the edges of claims of one engine.

    Args:
        changes: the varying bytes.
        natural: natural edges of the dump.
        engine: the engine of the claims.
        whole: the engine of the same algorithm on whole regions.
        order: byte order of stored values.
        lie: where the values lie.
    """

    def __init__(
        self,
        changes: Changes,
        natural: Edges,
        engine: ChangeEngine,
        whole: Engine,
        order: Order,
        lie: Lie,
    ) -> None:
        self._changes, self._natural = changes, natural
        self._engine, self._whole, self._order, self._lie = engine, whole, order, lie
        self._size = engine.base.width // 8

    def rule(self, claim: Claim) -> Rule | None:
        """The rule with the likeliest edges: those with which a usual start and final value explain what is
        stored; else the narrowest, with whatever constant does. None if nothing holds in all dumps."""
        begins, begin_prices = self._begins(claim)
        ends, end_prices = self._ends(claim)
        found = list(self._fitting(claim, begins, begin_prices, ends, end_prices))
        if self._lie is Lie.BEFORE:
            found += self._inside(claim, ends, end_prices)
        for _, rule in sorted(found, key=lambda one: (one[0], one[1].start, one[1].end)):
            if self._holds(rule):
                return rule
        return self._narrowest(claim)

    def _holds(self, rule: Rule) -> bool:
        return all(rule.holds(one) for one in self._changes.material.dumps[: self._changes.material.own])

    def _bounds(self, claim: Claim) -> tuple[int, int]:
        """First and last place the region may begin at."""
        places = self._changes.places
        low = int(places[claim.first - 1]) + 1 if claim.first else 0
        high = int(places[claim.first])
        if self._lie is Lie.BEFORE:
            low = max(low, claim.place + self._size)
        return low, high

    def _begins(self, claim: Claim) -> tuple[Int64s, Floats]:
        low, high = self._bounds(claim)
        hinted = [claim.begin] if claim.begin is not None else []
        return self._listed({low, *hinted, *self._natural.starts.tolist()}, low, high)

    def _listed(self, natural: set[int], low: int, high: int) -> tuple[Int64s, Floats]:
        """Places from `low` to `high` with their prices: natural ones, then the rounder the cheaper."""
        places = np.arange(max(low, high - _MOST_ANY), high + 1)
        known = sorted(one for one in natural if low <= one <= high)
        prices = np.full(places.size, _ANY + np.log2(max(1, places.size)))
        for rank, step in enumerate(_ROUND_STEPS):
            round_ones = places % step == 0
            price = _ROUND + rank + float(np.log2(max(1, int(round_ones.sum()))))
            prices[round_ones] = np.minimum(prices[round_ones], price)
        inside = np.array([one for one in known if one >= places[0]], np.int64)
        prices[inside - places[0]] = np.minimum(
            prices[inside - places[0]], _NATURAL + np.log2(max(1, inside.size))
        )
        return places, prices

    def _ends(self, claim: Claim) -> tuple[Int64s, Floats]:
        if not self._engine.by_class:
            return np.array([claim.end], np.int64), np.zeros(1)
        last = int(self._changes.classes(np.array([claim.end]))[0])
        places = self._changes.places
        low = int(places[last - 1]) + 1
        high = int(places[last]) if last < places.size else self._changes.material.size
        if self._lie is Lie.BEHIND:
            high = min(high, claim.place)
        if claim.place >= low and self._lie is Lie.APART:
            high = min(high, claim.place)
        among = np.concatenate([self._natural.strong_ends, self._natural.weak_ends])
        outer = {claim.place} if self._lie is Lie.BEHIND else set()
        listed, prices = self._listed({*outer, *among.tolist()}, low, high)
        nearest = np.argsort(prices, kind="stable")[:_MOST_ENDS]
        return listed[nearest], prices[nearest]

    def _fitting(
        self, claim: Claim, begins: Int64s, begin_prices: Floats, ends: Int64s, end_prices: Floats
    ) -> Iterator[tuple[float, Rule]]:
        width = self._engine.base.width
        stored = self._changes.stored(0, np.array([claim.place]), width, self._order)[0]
        for end, end_price in zip(ends.tolist(), end_prices.tolist(), strict=True):
            affordable = (begin_prices + end_price <= width - _SURPLUS) & (begins < end)
            starts = begins[affordable]
            stops = np.full(starts.size, end)
            fits = self._whole.fits(starts, stops)
            starts, stops, prices = starts[fits], stops[fits], begin_prices[affordable][fits]
            if not starts.size:
                continue
            raw = self._whole.raw(0, starts, stops)
            for variant in self._whole.variants:
                same = self._whole.finished(variant, raw, stops - starts) == stored
                for start, price in zip(starts[same].tolist(), prices[same].tolist(), strict=True):
                    yield price + end_price, Rule(variant, start, end, claim.place, self._order)

    def _inside(self, claim: Claim, ends: Int64s, end_prices: Floats) -> Iterator[tuple[float, Rule]]:
        """Regions that hold the value in their head, as zeros, as ones or left out."""
        first = int(self._changes.classes(np.array([claim.place]))[0])
        low = int(self._changes.places[first - 1]) + 1 if first else 0
        starts = self._natural.starts
        natural = set(starts[(starts >= low) & (starts <= claim.place)].tolist()[-4:]) | {claim.place}
        steps = {claim.place - step for step in range(self._size, 65, 2)}
        begins = [(one, 5.0) for one in natural] + [
            (one, 8.0) for one in sorted(steps - natural, reverse=True) if one >= low
        ]
        nearest = np.argsort(end_prices, kind="stable")[:8]
        for begin, price in begins[:_MOST_INSIDE]:
            for place in nearest.tolist():
                for hole in (Hole.ZEROS, Hole.ONES, Hole.LEFT_OUT):
                    total = price + float(end_prices[place])
                    if total > self._engine.base.width - _SURPLUS:
                        continue
                    rule = Rule(self._whole.base, begin, int(ends[place]), claim.place, self._order, hole)
                    yield from self._variants(rule, total)

    def _variants(self, rule: Rule, price: float) -> Iterator[tuple[float, Rule]]:
        if (rule.end - rule.start) % self._whole.base.word:
            return
        data = self._changes.material.dumps[0]
        for variant in self._whole.variants:
            one = replace(rule, algorithm=variant)
            if one.holds(data):
                yield price, one

    def _narrowest(self, claim: Claim) -> Rule | None:
        """The region of its varying bytes, out to the next natural or round places, with the constant that
        makes it hold."""
        base, word = self._engine.base, self._engine.base.word
        low, high = self._bounds(claim)
        starts = self._natural.starts
        begin = _outward(starts[(starts >= low) & (starts <= high)], high, -1, low, high)
        start = begin - (begin - self._engine.phase) % word
        end = claim.end
        if self._engine.by_class:
            ends, _ = self._ends(claim)
            least, most = int(ends.min()), int(ends.max())
            strong = self._natural.strong_ends
            end = _outward(strong[(strong >= least) & (strong <= most)], least, 1, least, most)
            end -= (end - self._engine.phase) % word
        if start < low or start >= end or start <= claim.place < end:
            return None
        rule = Rule(base, start, end, claim.place, self._order)
        data = self._changes.material.dumps[0]
        for variant in self._constants(rule, rule.stored(data), data):
            one = replace(rule, algorithm=variant)
            if self._holds(one):
                return one
        return None

    def _constants(self, rule: Rule, stored: int, data: npt.NDArray[np.uint8]) -> Sequence[Algorithm]:
        base = rule.algorithm
        plain = rule.computed(data)
        if base.kind in (Kind.CRC, Kind.XOR):
            return [replace(base, final=plain ^ stored)]
        if base.kind is Kind.SUM:
            return [
                replace(base, initial=(stored - plain) & base.mask),
                replace(base, initial=(-stored - plain) & base.mask, negated=True),
            ]
        if base.kind is Kind.ONES:
            return [
                replace(base, initial=(stored - plain) % 0xFFFF),
                replace(base, initial=((stored ^ 0xFFFF) - plain) % 0xFFFF, final=0xFFFF),
            ]
        return []


def _outward(natural: Int64s, edge: int, way: int, low: int, high: int) -> int:
    """The natural place nearest to an edge, else the next round one, in the direction of `way`: in other
    drives bytes may vary that are the same in those known."""
    near = natural[np.abs(natural - edge) <= _REACH]
    if near.size:
        return int(near[np.argmin(np.abs(near - edge))])
    rounded = edge - edge % _ROUND_OUT if way < 0 else edge + -edge % _ROUND_OUT
    return rounded if low <= rounded <= high else edge
