"""The search for the rules of one code revision: listed algorithms first, then what the dumps themselves say
of unlisted polynomials and of start and final values, then further blocks of the templates found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import TOTALS, Found, accepted, extent, one_of_each
from mendbay.board.rules.algorithm import Algorithm, Kind, Order, swapped
from mendbay.board.rules.counted import counted
from mendbay.board.rules.differences import bases, from_differences
from mendbay.board.rules.directory import Directory, StoredIndex, arrays, directories
from mendbay.board.rules.engines import USUAL_PRICE, CrcEngine, Engine, crc_engines, engine_for, engines
from mendbay.board.rules.follow import followed
from mendbay.board.rules.free import free_chains
from mendbay.board.rules.lookup import Stored, elsewhere
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import Regions, probes, together
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.scan import scan
from mendbay.board.rules.segments import edges, natural_regions
from mendbay.board.rules.solve import from_directory, from_pair, polynomials

Bytes = npt.NDArray[np.uint8]

_SWAPS = (2, 4)
_TRIED_PRICE = 13.0
"""Bits for which of some thousand regions a polynomial was taken from."""
_SWAP_PRICE = 2.0
_ENOUGH = 0.5
"""Share of the bytes that are not filler which the rules must cover for swapped bytes not to be tried."""
_SOLVED_TABLES, _SOLVED_PAIRS, _MOST_SOLVED = 3, 6, 256
_SWAPPED_ORDERS = (Order.LITTLE, Order.BIG, Order.SWAPPED_LITTLE, Order.SWAPPED_BIG)


def unheeding() -> None:
    """Nobody asks that a search ends."""


def search(
    own: Sequence[Bytes], others: Sequence[Sequence[Bytes]], heed: Callable[[], None] = unheeding
) -> list[Rule]:
    """The rules of one revision.

    Args:
        own: its dumps.
        others: dumps of other revisions, which may confirm a rule.
        heed: called every few seconds; what it raises ends the search.

    Returns:
        The rules, whose `revisions` count this one as 0 and the others from 1.
    """
    material = Material(own, others)
    rules = [one.rule for one in Search(material, heed=heed).run()]
    for group in _SWAPS:
        if _covered(material, rules) >= _ENOUGH or material.size % group:
            break
        turned = Material(
            [swapped(one, group) for one in own],
            [[swapped(one, group) for one in some] for some in others],
            _SWAPPED_ORDERS if group == 2 else _SWAPPED_ORDERS[:2],
        )
        # A sum does not mind the order of bytes, or has been asked with words in either order.
        found = [
            _turned_back(one.rule, group) for one in Search(turned, _SWAP_PRICE, few=True, heed=heed).run()
        ]
        rules += [one for one in found if one is not None and not _known(one, rules)]
    # A net below all kinds of search: whatever is wrong with one of them, no rule goes out that a known-good
    # dump breaks, since it would call sound dumps damaged.
    return [one for one in (_widened(material, rule) for rule in rules) if _holds_in_all(one, own)]


def _holds_in_all(rule: Rule, dumps: Sequence[Bytes]) -> bool:
    return all(rule.holds(one) for one in dumps)


def _widened(material: Material, rule: Rule) -> Rule:
    """A sum or exclusive-or drawn on over the zeros behind it, which it does not notice, and a ones'
    complement sum over FF, which is nought to it too: in other drives the content may reach further."""
    algorithm = rule.algorithm
    if algorithm.kind not in TOTALS or algorithm.swap > 1:
        return rule
    zeros = np.ones(material.size - rule.end, np.bool_)
    first = material.dumps[0][rule.end :]
    for one in material.dumps:
        zeros &= (one[rule.end :] == 0) & (first == 0) | (
            (one[rule.end :] == 0xFF) & (first == 0xFF) & (algorithm.kind is Kind.ONES)
        )
    reach = int(np.argmin(zeros)) if not zeros.all() else zeros.size
    if rule.place >= rule.end:
        reach = min(reach, rule.place - rule.end)
    return replace(rule, end=rule.end + reach - reach % algorithm.word)


def _covered(material: Material, rules: Sequence[Rule]) -> float:
    flags = np.zeros(material.size, np.bool_)
    for rule in rules:
        flags[rule.start : rule.end] = True
    telling = (material.dumps[0] != 0x00) & (material.dumps[0] != 0xFF)
    return float(flags[telling].mean()) if telling.any() else 1.0


def _known(one: Rule, rules: Sequence[Rule]) -> bool:
    first, last = extent(one)
    return any(abs(extent(rule)[0] - first) <= 8 and abs(extent(rule)[1] - last) <= 8 for rule in rules)


def _turned_back(rule: Rule, group: int) -> Rule | None:
    """A rule of swapped dumps as one of the dumps as they are; None if it does not keep whole groups."""
    if rule.start % group or rule.end % group:
        return None
    field = _field_back(rule.place, rule.field_bytes, rule.order, group)
    length = rule.length
    if length is not None:
        number = _field_back(length.place, length.width // 8, length.order, group)
        if number is None or length.base % group or length.unit % group:
            return None
        length = replace(length, place=number[0], order=number[1])
    if field is None:
        return None
    algorithm = replace(rule.algorithm, swap=group)
    return replace(rule, algorithm=algorithm, place=field[0], order=field[1], length=length)


def _field_back(place: int, size: int, order: Order, group: int) -> tuple[int, Order] | None:
    """Place and byte order that a field of swapped dumps has in the dumps as they are.

    Args:
        size: its bytes.

    Returns:
        None if its bytes do not lie side by side there.
    """
    if size >= group:
        return None if place % group or size % group else (place, _order_back(order, group, size))
    last = place % group + size - 1
    if last >= group:
        return None
    flipped = {Order.LITTLE: Order.BIG, Order.BIG: Order.LITTLE}
    return place - place % group + group - 1 - last, flipped[order] if size > 1 else order


def _order_back(order: Order, group: int, size: int) -> Order:
    if group == size:
        return {Order.LITTLE: Order.BIG, Order.BIG: Order.LITTLE}.get(order, order)
    plain = (Order.LITTLE, Order.BIG)
    pairs = (Order.SWAPPED_LITTLE, Order.SWAPPED_BIG)
    return pairs[plain.index(order)] if order in plain else plain[pairs.index(order)]


def _usual(algorithm: Algorithm) -> bool:
    """Whether start and final value are of those that are tried everywhere."""
    if algorithm.kind is Kind.FLETCHER:
        return True
    known = (0, algorithm.mask)
    return algorithm.initial in known and algorithm.final in known


def _alike(one: Rule, other: Rule) -> bool:
    same = replace(one.algorithm, initial=0, final=0) == replace(other.algorithm, initial=0, final=0)
    return same and one.order is other.order


class Search:
    """One search; see the module.

    Args:
        material: the dumps.
        price: bits that the whole search costs, for being one of several.
        few: whether only cyclic checks of the most usual polynomials are tried.
        heed: called every few seconds.
    """

    def __init__(
        self,
        material: Material,
        price: float = 0.0,
        few: bool = False,
        heed: Callable[[], None] = unheeding,
    ) -> None:
        self._material, self._price, self._few, self._heed = material, price, few, heed
        self._edges = edges(material.dumps[0], material.vary)
        natural = (self._edges.starts, self._edges.strong_ends, self._edges.weak_ends)
        prices = self._edges.start_prices
        self._strong = np.sort(self._edges.starts[prices == prices.min()])
        self._natural = np.unique(np.concatenate(natural))
        self._tables = directories(material.dumps[0], self._natural)
        starts, ends, prices = natural_regions(self._edges)
        free = Regions(starts, ends, prices, np.zeros(starts.size, np.int64), (1.0,))
        self._regions = together([free, *(one.regions(len(self._tables)) for one in self._tables)])
        self._probes = {width: probes(material, self._regions, width) for width in (8, 16, 32)}
        self._index: dict[int, dict[Order, StoredIndex]] = {}
        self._stored: dict[int, dict[Order, Stored]] = {}
        self._found: list[Found] = []
        self._unknown: list[Found] = []

    def run(self) -> list[Found]:
        """All rules justified, without restatements."""
        material = self._material
        lists = counted(material, [(base, price + self._price) for base, price in bases(self._few)])
        for engine in engines(
            material.dumps, [width for width, some in self._probes.items() if some], self._few
        ):
            self._ask(engine)
        chosen = one_of_each(material, self._found, lists)
        chosen = one_of_each(material, followed(material, chosen, self._edges), lists)
        chosen = self._changed(chosen)
        if not self._explained(chosen):
            self._found = list(chosen)
            if not self._few:
                self._unlisted()
            self._solve()
            self._found += free_chains(material, self._edges, chosen)
            chosen = one_of_each(material, self._found, chosen)
            chosen = one_of_each(material, followed(material, chosen, self._edges))
        return one_of_each(material, self._unknown, chosen)

    def _changed(self, chosen: list[Found]) -> list[Found]:
        """With what the differences between dumps say. Rules whose start value nobody knows wait for a better
        account of the same blocks."""
        sure = self._differing(bases(self._few), [one.rule for one in chosen])
        return one_of_each(self._material, sure, chosen)

    def _differing(self, asked: Sequence[tuple[Algorithm, float]], known: Sequence[Rule]) -> list[Found]:
        priced = [(base, price + self._price) for base, price in asked]
        found = from_differences(self._material, self._edges, self._regions, known, priced)
        self._unknown += [one for one in found if not _usual(one.rule.algorithm)]
        return [one for one in found if _usual(one.rule.algorithm)]

    def _explained(self, chosen: Sequence[Found]) -> bool:
        return _covered(self._material, [one.rule for one in chosen]) >= 0.9

    def _ask(self, engine: Engine, variants: Sequence[Algorithm] = (), price: float = 0.0) -> None:
        """All questions to one engine; its tables are dropped with it."""
        material, width = self._material, engine.base.width
        self._heed()
        engine.price += self._price + price
        for probe in self._probes[width]:
            for hits in scan(engine, material, probe, variants):
                self._found += accepted(hits, material.own)
        if width > 8 and not variants:
            if self._tables:
                for hits in arrays(engine, material, self._tables, self._words(width)):
                    self._found += accepted(hits, material.own)
            for hits in elsewhere(engine, material, self._regions, self._places(width)):
                self._found += accepted(hits, material.own)
        engine.release()

    def _words(self, width: int) -> dict[Order, StoredIndex]:
        if width not in self._index:
            orders = self._material.orders(width)
            self._index[width] = {one: StoredIndex(self._material, width, one) for one in orders}
        return self._index[width]

    def _places(self, width: int) -> dict[Order, Stored]:
        if width == 16 and self._material.own == 1:
            return {}
        if width not in self._stored:
            orders = self._material.orders(width)
            self._stored[width] = {one: Stored(self._material, width, one) for one in orders}
        return self._stored[width]

    def _unlisted(self) -> None:
        """Tries polynomials that the dumps themselves gave: naming one costs its whole width, and the place
        that gave it, of all those tried."""
        for one in polynomials(self._material):
            price = one.width + _TRIED_PRICE
            for engine in crc_engines(self._material.dumps, one.polynomial, one.width, price):
                if engine.base.reflected is one.reflected:
                    self._ask(engine)
                    known = [found.rule for found in self._found]
                    self._found += self._differing([(engine.base, price)], known)

    def _solve(self) -> None:
        """Tries start and final values that fit several blocks: naming them costs twice the width."""
        chosen = [one.rule for one in one_of_each(self._material, self._unknown)]
        solvable = [
            one for one in chosen if one.algorithm.kind is Kind.CRC and one.algorithm.width in self._probes
        ]
        pairs = combinations(solvable, 2)
        same = [(a, b) for a, b in pairs if _alike(a, b)]
        tried: set[Algorithm] = set()
        for one, two in same[:_SOLVED_PAIRS]:
            engine = engine_for(self._material.dumps, one.algorithm)
            if isinstance(engine, CrcEngine):
                self._try(engine, from_pair(engine, self._material, one, two, self._strong), tried, 2)
        tables = [one for one in self._tables[:_SOLVED_TABLES] if not self._rests_on(one.starts)]
        solved: list[tuple[Directory, CrcEngine, list[Algorithm]]] = []
        for engine in engines(self._material.dumps, (16, 32), self._few) if tables else ():
            if isinstance(engine, CrcEngine):
                # All tables while the engine has its remainders: to make them takes longest.
                solved += [(one, engine, [*from_directory(engine, self._material, one)]) for one in tables]
                engine.release()
        for table in tables:
            if self._rests_on(table.starts):
                continue
            for among, engine, variants in solved:
                if among is table:
                    self._try(engine, variants, tried, 2)

    def _try(
        self, engine: CrcEngine, variants: Iterable[Algorithm], tried: set[Algorithm], fitted_to: int
    ) -> None:
        """Asks for each variant, and keeps its rules if they hold in more blocks than it was fitted to."""
        for variant in variants:
            if variant in tried or len(tried) >= _MOST_SOLVED:
                continue
            tried.add(variant)
            before = len(self._found)
            fresh = CrcEngine(self._material.dumps, engine.base, USUAL_PRICE)
            self._ask(fresh, (variant,), 2.0 * engine.base.width)
            places = {one.rule.place for one in self._found[before:]}
            if len(places) <= fitted_to:
                del self._found[before:]

    def _rests_on(self, starts: npt.NDArray[np.int64]) -> bool:
        """Whether rules already begin in most of these blocks."""
        begun = np.array([one.rule.start for one in self._found], np.int64)
        if not begun.size:
            return False
        near = [bool(((begun >= start - 8) & (begun < start + 72)).any()) for start in starts.tolist()]
        return sum(near) * 2 > len(near)
