"""Which runs of varying bytes are checked by which varying value: guesses about the changes between dumps,
each with its price, and the evidence for those that hold.

A stored value may lie behind its region, before or inside its head, or apart from it. Only the varying bytes
are asked, so that a region is guessed without knowing where exactly it begins or how its check starts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import uneven
from mendbay.board.rules.algorithm import Kind, Order, lanes
from mendbay.board.rules.changes import ChangeEngine, Changes
from mendbay.board.rules.independent import Additive, Bitwise
from mendbay.board.rules.probes import WEAKEST, Regions
from mendbay.board.rules.segments import LONG_RUN, Edges, clusters, filler_runs, rank_price, spans_of

Int64s = npt.NDArray[np.int64]
UInt64s = npt.NDArray[np.uint64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


class Lie(StrEnum):
    """Where the stored value lies with regard to its region."""

    BEHIND = "behind"
    BEFORE = "before"
    """Before it or inside its head, with nothing that varies between."""
    APART = "apart"


@dataclass(frozen=True)
class Claims:
    """Guesses that hold, of one engine, order and sign; arrays of shape (claims,).

    Args:
        firsts: class each region begins in.
        ends: where it ends; only the class of it is meant if the engine goes by class.
        places: of the stored values.
        edge_prices: bits for beginning and end.
        bits: evidence.
        naming: bits for what they have in common.
        place_prices: bits for each place: few for a run of varying bytes just as long as a stored value.
    """

    engine: ChangeEngine
    order: Order
    sign: int
    lie: Lie
    firsts: Int64s
    ends: Int64s
    places: Int64s
    edge_prices: Floats
    bits: Floats
    naming: float
    place_prices: Floats

    def only(self, chosen: Int64s) -> Claims:
        """Some of them."""
        return replace(
            self,
            firsts=self.firsts[chosen],
            ends=self.ends[chosen],
            places=self.places[chosen],
            edge_prices=self.edge_prices[chosen],
            bits=self.bits[chosen],
            place_prices=self.place_prices[chosen],
        )

    @property
    def gains(self) -> Floats:
        """Bits by which each exceeds its own price."""
        return self.bits - self.edge_prices - self.place_prices


_GAPS = (0, 2, 4, 6, 8, 12, 16)
"""Bytes between the end of a region and a value behind it, as of a second check."""
_GAP_PRICE, _AT_ONCE = 5.0, 2.0
_BEFORE_PRICE, _APART_PRICE = 2.0, 2.0
"""Bits for each way a value may lie; together they are one belief, as are the lists below (design values,
asked by tests/unit/board/rules/test_rules_prices.py)."""
_STRONG_AHEAD, _WEAK_AHEAD, _CONTENT_AHEAD = 10, 12, 4
_RECORDS = (8, 12, 16, 20, 24, 28, 32, 40, 48, 64, 80, 96, 128, 256, 512)
_RECORD_PRICE = 6.0
"""Ends at once before the next record, for values at the head of small records of these sizes (design
values)."""
_ALONE = 4
"""Bytes from other varying ones that a run of varying bytes must keep to stand alone."""
_CLUSTER_GAPS = (8, 64, 512)
_PAGES = (256, 512, 1024, 2048, 4096, 8192, 32768, 65536)
_CLUSTERS_AHEAD = 3
_ROUNDED = (1, 4, 16, 256, 4096)
_FEWEST_CHANGING = 3
"""Bytes of each lane of a sum's words that must change for its value to be more than nearly a copy."""
_NEAREST = 64
"""Classes with one key, or places with one value, that are looked at, the nearest first."""
DEAREST_EDGE = 10.0
"""Edges of records in a series that are dearer than this count as this much where records are sought: others
of the series may tell them."""
_MOST = 4096
"""Guesses of one kind that are looked at; more are chance."""


class Guesses:
    """The places, natural edges and regions that guesses are made of.

    Args:
        changes: the varying bytes.
        natural: natural edges of the dump.
        regions: natural regions, whose ends serve for values that lie apart.
        taken: bytes that hold values of known checks, shape (size,).
    """

    def __init__(self, changes: Changes, natural: Edges, regions: Regions, taken: Flags) -> None:
        self.changes, self._natural = changes, natural
        self._taken = taken
        self._after_known = changes.classes(spans_of(taken)[1])
        self._content = filler_runs(changes.material.dumps[0], LONG_RUN).ends
        self._fields: dict[int, Int64s] = {}
        self._prices: dict[int, Floats] = {}
        self._worth: dict[tuple[int, int], Floats] = {}
        """Of one engine: the bits that changes of regions are worth, by their classes."""
        self._values: dict[Lie, UInt64s] = {}
        """Of one engine: the keys of the regions asked, the same whatever order values are stored in."""
        self._ahead: dict[int, tuple[Int64s, Int64s, Floats]] = {}
        self._regions = self._distinct(regions)
        near = [clusters(changes.material.vary, gap) for gap in (1, 4, 16)]
        self._begins = [changes.classes(starts) for starts, _ in near]
        self._stops = [changes.classes(ends) for _, ends in near]

    def _distinct(self, regions: Regions) -> tuple[Int64s, Int64s, Floats]:
        """Natural regions as classes of beginnings, and ends, each once at its lowest price."""
        firsts = self.changes.classes(regions.starts)
        directory = np.array(regions.list_prices)[regions.lists]
        parts = [(firsts, regions.ends, regions.prices + directory + 1.0), *self._whole_clusters()]
        firsts, ends, prices = (np.concatenate(column) for column in zip(*parts, strict=True))
        kept = self.changes.classes(ends) - firsts > 1
        firsts, ends, prices = firsts[kept], ends[kept], prices[kept]
        order = np.lexsort((prices, ends, firsts))
        firsts, ends, prices = firsts[order], ends[order], prices[order]
        fresh = np.ones(firsts.size, np.bool_)
        fresh[1:] = (np.diff(firsts) != 0) | (np.diff(ends) != 0)
        return firsts[fresh], ends[fresh], prices[fresh]

    def _whole_clusters(self) -> Iterator[tuple[Int64s, Int64s, Floats]]:
        """Single clusters of varying bytes, with ends exact, at the next round place, where filler begins
        or where it ends."""
        size, strong = self.changes.material.size, self._natural.strong_ends
        for gap in _CLUSTER_GAPS:
            starts, ends = clusters(self.changes.material.vary, gap)
            firsts = self.changes.classes(starts)
            price = np.log2(max(1, starts.size)) + 2.0 + np.log2(len(_CLUSTER_GAPS) * (len(_ROUNDED) + 2))
            for step in _ROUNDED:
                rounded = ends + -ends % step
                kept = rounded <= size
                yield firsts[kept], rounded[kept], np.full(int(kept.sum()), price)
            for among in (strong, self._content):
                after = np.searchsorted(among, ends)
                kept = after < among.size
                yield firsts[kept], among[after[kept]], np.full(int(kept.sum()), price)
        yield from self._padded()
        yield from self._pages()

    def _pages(self) -> Iterator[tuple[Int64s, Int64s, Floats]]:
        """Single pages and erase blocks in which anything varies."""
        for step in _PAGES:
            edges = np.arange(0, self.changes.material.size + 1, step)
            classes = self.changes.classes(edges)
            filled = np.flatnonzero(np.diff(classes) > 1)
            price = np.log2(max(1, filled.size)) + 3.0 + np.log2(len(_PAGES))
            yield classes[filled], edges[filled + 1], np.full(filled.size, price)

    def _padded(self) -> Iterator[tuple[Int64s, Int64s, Floats]]:
        """Content between runs of filler with the filler behind it, as of a module that fills its slot."""
        content = np.append(self._content, self.changes.material.size)
        classes = self.changes.classes(content)
        filled = np.flatnonzero(np.diff(classes) > 1)
        price = np.log2(max(1, filled.size)) + 4.0
        for rank in range(3):
            for begins in (filled, filled - rank) if rank else (filled,):
                kept = (begins >= 0) & (begins + rank + 1 < content.size)
                chosen = begins[kept]
                cost = np.full(chosen.size, price + 2.0 * rank)
                yield classes[chosen], content[chosen + rank + 1], cost

    def fields(self, width: int) -> Int64s:
        """Places where a value of this width may be stored."""
        if width not in self._fields:
            self._fields[width] = self.changes.fields(width, self._taken)
        return self._fields[width]

    def _place_prices(self, size: int) -> Floats:
        """Bits for each place of the dump as that of a stored value, shape (size,): half of the belief goes
        to runs of varying bytes that are as long as the value, or one byte shorter by chance."""
        if size not in self._prices:
            fields = self.fields(8 * size)
            starts, ends = clusters(self.changes.material.vary, _ALONE)
            alone = np.zeros(self.changes.material.size, np.bool_)
            for length in range(max(1, size - 1), size + 1):
                short = np.flatnonzero(ends - starts == length)
                for first in (starts[short], ends[short] - size):
                    alone[first[first >= 0]] = True
            alone &= np.isin(np.arange(alone.size), fields)
            many, few = max(2, fields.size), max(1, int(np.count_nonzero(alone)))
            prices = np.full(alone.size, 1.0 + np.log2(many))
            prices[alone] = 1.0 + np.log2(min(few, many))
            self._prices[size] = prices
        return self._prices[size]

    def claims(self, engine: ChangeEngine, orders: tuple[Order, ...]) -> Iterator[Claims]:
        """All guesses that hold for one engine."""
        if not self.fields(engine.base.width).size:
            return
        self._worth.clear()
        self._values.clear()
        for order in orders:
            for sign in engine.signs:
                yield from self._behind(engine, order, sign)
                yield self._before(engine, order, sign)
                yield self._apart(engine, order, sign)

    def _claims(
        self,
        engine: ChangeEngine,
        order: Order,
        sign: int,
        lie: Lie,
        firsts: Int64s,
        ends: Int64s,
        places: Int64s,
        prices: Floats,
    ) -> Claims:
        size = engine.base.width // 8
        last = self.changes.classes(ends)
        apart = (places >= ends) | (places + size <= self._first_place(firsts)) | (lie is Lie.BEFORE)
        place_prices = self._place_prices(size)[places]
        payable = self._worth_at_most(engine.base.width, order, places) - WEAKEST
        alone = payable >= prices + place_prices
        in_series = (payable >= np.minimum(prices, DEAREST_EDGE)) & (lie is not Lie.APART)
        kept = np.flatnonzero((last - firsts > size) & apart & (alone | in_series))
        if kept.size > _MOST:
            kept = _cheapest(kept, places, prices, last - firsts)
        naming = engine.price + 1.0 + (1.0 if size > 1 else 0.0) + (1.0 if len(engine.signs) > 1 else 0.0)
        evidence = np.array(
            [
                self._evidence(engine, order, *one)
                for one in zip(firsts[kept].tolist(), last[kept].tolist(), places[kept].tolist(), strict=True)
            ],
            np.float64,
        )
        return Claims(
            engine,
            order,
            sign,
            lie,
            firsts[kept],
            ends[kept],
            places[kept],
            prices[kept],
            evidence,
            naming,
            place_prices[kept],
        )

    def _worth_at_most(self, width: int, order: Order, places: Int64s) -> Floats:
        """Bits of evidence that stored values can give: for each different one at a place but the first."""
        stored = [self.changes.stored(dump, places, width, order) for dump in range(self.changes.dumps)]
        ranked = np.sort(np.stack(stored), axis=0)
        worth: Floats = float(width) * np.count_nonzero(np.diff(ranked, axis=0), axis=0)
        return worth

    def _first_place(self, firsts: Int64s) -> Int64s:
        places = np.append(self.changes.places, self.changes.material.size)
        return places[firsts]

    def _behind(self, engine: ChangeEngine, order: Order, sign: int) -> Iterator[Claims]:
        places = self.fields(engine.base.width)
        keys = _Keys(engine.keys())
        plain = self.changes.classes(places)
        for gap in _GAPS:
            ends = places - gap
            kept = ends > 0
            if gap and engine.by_class:
                kept &= self.changes.classes(ends) != plain
            kept &= engine.fits(ends)
            price = np.full(places.size, _GAP_PRICE if gap else _AT_ONCE)
            yield self._joined(engine, order, sign, ends, places, price, kept, keys)
        strong = np.append(self._natural.strong_ends, self.changes.material.size + 1)
        rank = np.searchsorted(strong, places) - 1
        ends = strong[np.maximum(rank, 0)]
        kept = (rank >= 0) & (ends < places - _GAPS[-1]) & engine.fits(ends)
        price = np.full(places.size, _GAP_PRICE)
        yield self._joined(engine, order, sign, ends, places, price, kept, keys)

    def _joined(
        self,
        engine: ChangeEngine,
        order: Order,
        sign: int,
        ends: Int64s,
        places: Int64s,
        price: Floats,
        kept: Flags,
        keys: _Keys,
    ) -> Claims:
        """Regions that end at the places given, begun in whichever class agrees."""
        ends, places, price = ends[kept], places[kept], price[kept]
        last = self.changes.classes(ends)
        index, firsts = keys.before(engine.start_keys(ends, places, order, sign), last)
        last = last[index]
        edge = _edge_price(firsts, last, self._begins, 0)
        values = places[index] + engine.base.width // 8
        behind = np.unique(np.concatenate([self.changes.classes(values), self._after_known]))
        follows = np.isin(firsts, behind)  # blocks without a gap: one begins where another's value ends
        edge = np.where(follows, np.minimum(edge, _FOLLOWS + np.log2(max(1, behind.size))), edge)
        prices = price[index] + edge
        return self._claims(engine, order, sign, Lie.BEHIND, firsts, ends[index], places[index], prices)

    def _before(self, engine: ChangeEngine, order: Order, sign: int) -> Claims:
        places = self.fields(engine.base.width)
        size = engine.base.width // 8
        firsts = self.changes.classes(places + size)
        if engine.by_class:
            keys = _Keys(engine.keys())
            index, last = keys.after(engine.end_keys(firsts, places, order, sign), firsts)
            prices = _BEFORE_PRICE + _edge_price(
                -last, -firsts[index], [-one for one in self._stops], -self.changes.count
            )
            ends = self.changes.places[last - 1] + 1
        else:
            if size not in self._ahead:
                self._ahead[size] = self._ends_ahead(places + size, size)
            index, ends, prices = self._ahead[size]
            right = engine.fits(ends)
            index, ends, prices = index[right], ends[right], prices[right]
            stored = engine.stored_keys(places, order, sign)
            same = self._keys_of(engine, Lie.BEFORE, firsts[index], ends) == stored[index]
            index, ends, prices = index[same], ends[same], prices[same] + _BEFORE_PRICE
        return self._claims(engine, order, sign, Lie.BEFORE, firsts[index], ends, places[index], prices)

    def _ends_ahead(self, starts: Int64s, size: int) -> tuple[Int64s, Int64s, Floats]:
        """Natural ends after values of `size` bytes that end at `starts`: index of the value, end, price."""
        index, ends, prices = [], [], []
        for among, ahead, extra in (
            (self._natural.strong_ends, _STRONG_AHEAD, 1.4),
            (self._natural.weak_ends, _WEAK_AHEAD, 2.7),
            (self._content, _CONTENT_AHEAD, 3.8),
        ):
            begin = np.searchsorted(among, starts, side="right")
            for rank in range(ahead):
                kept = np.flatnonzero(begin + rank < among.size)
                index.append(kept)
                ends.append(among[begin[kept] + rank])
                prices.append(np.full(kept.size, extra + rank_price(rank)))
        for gap in _CLUSTER_GAPS[1:]:
            stops = clusters(self.changes.material.vary, gap)[1]
            begin = np.searchsorted(stops, starts, side="right")
            for rank in range(_CLUSTERS_AHEAD):
                kept = np.flatnonzero(begin + rank < stops.size)
                for step in _ROUNDED[1:4]:
                    end = stops[begin[kept] + rank]
                    end = np.minimum(end + -end % step, self.changes.material.size)
                    index.append(kept)
                    ends.append(end)
                    prices.append(np.full(kept.size, 5.0 + rank_price(rank)))
        for step in _RECORDS:
            kept = np.flatnonzero(starts - size + step <= self.changes.material.size)
            index.append(kept)
            ends.append(starts[kept] - size + step)
            prices.append(np.full(kept.size, _RECORD_PRICE))
        return np.concatenate(index), np.concatenate(ends), np.concatenate(prices)

    def _apart(self, engine: ChangeEngine, order: Order, sign: int) -> Claims:
        places = self.fields(engine.base.width)
        firsts, ends, prices = self._regions
        right = engine.fits(ends)
        firsts, ends, prices = firsts[right], ends[right], prices[right]
        stored = engine.stored_keys(places, order, sign)
        arrangement = np.argsort(stored, kind="stable")
        values = self._keys_of(engine, Lie.APART, firsts, ends)
        index, found = _matches(values, arrangement, stored[arrangement])
        return self._claims(
            engine,
            order,
            sign,
            Lie.APART,
            firsts[index],
            ends[index],
            places[found],
            prices[index] + _APART_PRICE,
        )

    def _keys_of(self, engine: ChangeEngine, lie: Lie, firsts: Int64s, ends: Int64s) -> UInt64s:
        if lie not in self._values:
            self._values[lie] = engine.value_keys(firsts, ends)
        return self._values[lie]

    def _evidence(self, engine: ChangeEngine, order: Order, first: int, last: int, place: int) -> float:
        """Bits by which the changes of the stored value surprise.

        A value counts once, and only if the region changes as no combination of its earlier changes: checks
        are linear, so that the value of a combination follows from the others. Of a sum or exclusive-or only
        those bits of each word count that change in three bytes of the region at least: else the value would
        be nearly a copy.
        """
        base, changes = engine.base, self.changes
        size = base.width // 8
        data = [changes.material.dumps[dump][place : place + size] for dump in range(changes.dumps)]
        worth = self._lane_bits(engine, order, first, last)
        linear = self._bitwise if base.kind in (Kind.CRC, Kind.XOR) else self._additive
        fresh = linear.fresh(first, last)
        bits, seen = 0.0, {data[0].tobytes()}
        for one, counts in zip(data[1:], fresh, strict=True):
            if one.tobytes() in seen:
                continue
            seen.add(one.tobytes())
            if counts:
                bits += float(worth[one != data[0]].sum())
        return bits

    @cached_property
    def _bitwise(self) -> Bitwise:
        return Bitwise(self.changes)

    @cached_property
    def _additive(self) -> Additive:
        return Additive(self.changes)

    def _lane_bits(self, engine: ChangeEngine, order: Order, first: int, last: int) -> Floats:
        """For each byte of the stored value the bits one change of it is worth."""
        base = engine.base
        size = base.width // 8
        if base.kind in (Kind.CRC, Kind.FLETCHER):
            return np.full(size, 8.0)
        if (first, last) not in self._worth:
            self._worth[first, last] = self._word_bits(engine, first, last)
        found: Floats = self._worth[first, last][np.array(lanes(base.width, order)) // 8]
        return found

    def _word_bits(self, engine: ChangeEngine, first: int, last: int) -> Floats:
        """The same for each byte of the value from its lowest on."""
        base, changes = engine.base, self.changes
        size = base.width // 8
        lane = (changes.places[first:last] - engine.phase) % base.word
        if base.word_order is Order.BIG:
            lane = base.word - 1 - lane
        worth = np.zeros(size)
        for number in range(base.word):
            moved = np.stack([one[first:last][lane == number] for one in changes.bytes_of])
            change = moved ^ moved[0]
            if base.kind is Kind.XOR:
                change = uneven(change)
            change = np.bitwise_or.reduce(change, axis=0)
            if np.count_nonzero(change) >= _FEWEST_CHANGING:
                worth[number] = int(np.bitwise_or.reduce(change)).bit_count()
        if base.word < size and base.kind is not Kind.XOR:
            worth[base.word] = min(8.0, np.log2(max(1, (last - first) / base.word)))
        return worth


def _cheapest(kept: Int64s, places: Int64s, prices: Floats, lengths: Int64s) -> Int64s:
    """The cheapest of so many guesses, those of each stored value in turn, so that the rows of a long array
    are all asked; of equally cheap ones the shortest region."""
    order = kept[np.lexsort((lengths[kept], prices[kept], places[kept]))]
    fresh = np.flatnonzero(np.diff(places[order], prepend=-1))
    turn = np.arange(order.size) - np.repeat(fresh, np.diff(np.append(fresh, order.size)))
    return order[np.lexsort((prices[order], turn))[:_MOST]]


class _Keys:
    """The keys of all classes, to find for each wanted key the classes nearest to another one.

    Args:
        keys: of shape (classes,).
    """

    def __init__(self, keys: UInt64s) -> None:
        self._known, ranks = np.unique(keys, return_inverse=True)
        self._span = keys.size + 1
        self._ranked = np.sort(ranks.astype(np.int64) * self._span + np.arange(keys.size))

    def before(self, wanted: UInt64s, classes: Int64s) -> tuple[Int64s, Int64s]:
        """Index of each key, with every class below its own that has it, the nearest 64 at most."""
        rank, there = self._ranks(wanted)
        first = np.searchsorted(self._ranked, rank)
        last = np.searchsorted(self._ranked, rank + classes)
        first = np.maximum(first, last - _NEAREST)
        return self._spread(first, np.where(there, last, first))

    def after(self, wanted: UInt64s, classes: Int64s) -> tuple[Int64s, Int64s]:
        """The same for classes above."""
        rank, there = self._ranks(wanted)
        first = np.searchsorted(self._ranked, rank + classes, side="right")
        last = np.minimum(np.searchsorted(self._ranked, rank + self._span), first + _NEAREST)
        return self._spread(first, np.where(there, last, first))

    def _ranks(self, wanted: UInt64s) -> tuple[Int64s, Flags]:
        place = np.minimum(np.searchsorted(self._known, wanted), self._known.size - 1)
        return place.astype(np.int64) * self._span, self._known[place] == wanted

    def _spread(self, first: Int64s, last: Int64s) -> tuple[Int64s, Int64s]:
        count = np.maximum(last - first, 0)
        index = np.repeat(np.arange(first.size), count)
        inner = np.arange(index.size) - np.repeat(np.cumsum(count) - count, count)
        return index, self._ranked[first[index] + inner] % self._span


def _matches(wanted: UInt64s, arrangement: Int64s, ranked: UInt64s) -> tuple[Int64s, Int64s]:
    """Index of each key that is there, with every place of it."""
    first = np.searchsorted(ranked, wanted)
    count = np.searchsorted(ranked, wanted, side="right") - first
    count = np.minimum(count, _NEAREST)
    index = np.repeat(np.arange(wanted.size), count)
    inner = np.arange(index.size) - np.repeat(np.cumsum(count) - count, count)
    return index, arrangement[first[index] + inner]


_CLUSTER_PRICES = (3.0, 2.0, 2.0)
_ANYWHERE, _ALL = 4.0, 4.0
_FOLLOWS = 1.0


def _edge_price(inner: Int64s, outer: Int64s, edges: list[Int64s], furthest: int) -> Floats:
    """Bits for an edge in class `inner`, seen backwards from class `outer`: by how many runs of varying
    bytes, or else varying bytes, lie between; few for all of them, up to class `furthest`."""
    steps = (outer - inner).astype(np.float64)
    price: Floats = _ANYWHERE + np.log2((steps + 1) * (steps + 2))
    price = np.where(inner == furthest, _ALL, price)
    for among, extra in zip(edges, _CLUSTER_PRICES, strict=True):
        ranked = np.sort(among)
        here = np.searchsorted(ranked, inner)
        meets = ranked[np.minimum(here, ranked.size - 1)] == inner
        between = np.maximum(np.searchsorted(ranked, outer) - here, 1).astype(np.float64)
        price = np.where(meets, np.minimum(price, extra + np.log2(between * (between + 1))), price)
    return price
