"""Rules from what dumps of one revision differ by: the guesses that hold are chosen, and made whole rules."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from mendbay.board.rules.accept import TOTALS, Found
from mendbay.board.rules.algorithm import Algorithm, Kind
from mendbay.board.rules.changes import Changes, change_engines
from mendbay.board.rules.claims import Claims, Guesses, Lie
from mendbay.board.rules.engines import (
    POLYNOMIALS,
    RARE_PRICE,
    USUAL_PRICE,
    Engine,
    engine_for,
    sum_algorithms,
)
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import MEMBER_MARGIN, TEMPLATE_MARGIN, Regions
from mendbay.board.rules.rule import Rule, joined
from mendbay.board.rules.segments import Edges
from mendbay.board.rules.settle import Claim, Settler

_WEAKEST = 4.0
_ROW_PRICE, _STRIDE_PRICE, _SPAN_PRICE = 1.0, 12.0, 8.0
"""Bits for a row of a series: that it is there; and once for how far the rows lie apart, and for what they
have in common."""
_FEWEST_ROWS = 4
_AHEAD, _MOST_STRIDES = 32, 16
_DEAREST_EDGE = 10.0
"""Edges of rows dearer than this count as this much where rows are sought: others of the row may tell
them."""
_CRC_24 = 0x864CFB
"""The polynomial of 24 bits of RFC 4880, section 6.1."""


def bases(few: bool = False) -> list[tuple[Algorithm, float]]:
    """All basic algorithms that differences are searched for, with their prices; with `few` only cyclic
    checks of the most usual polynomials."""
    found = [] if few else list(sum_algorithms())
    for one in POLYNOMIALS:
        if few and not one.usual:
            continue
        for reflected in (False, True):
            base = Algorithm(Kind.CRC, one.width, polynomial=one.value, reflected=reflected)
            found.append((base, USUAL_PRICE if one.usual else RARE_PRICE))
    found += [
        (Algorithm(Kind.CRC, 24, polynomial=_CRC_24, reflected=reflected), RARE_PRICE)
        for reflected in (False, True)
        if not few
    ]
    return found


def from_differences(
    material: Material,
    natural: Edges,
    regions: Regions,
    known: Sequence[Rule],
    asked: Sequence[tuple[Algorithm, float]],
) -> list[Found]:
    """Rules that the differences between dumps of one revision justify.

    Args:
        material: dumps; with one of its own there is no difference and nothing is found.
        natural: natural edges.
        regions: natural regions.
        known: rules already found, whose stored values are not asked again.
        asked: basic algorithms to try, each with its price in bits.
    """
    if material.own < 2 or not material.varying_places.size:
        return []
    changes = Changes(material)
    taken = np.zeros(material.size, np.bool_)
    for rule in known:
        if rule.place is not None:
            taken[rule.place : rule.place + rule.field_bytes] = True
    guesses = Guesses(changes, natural, regions, taken)
    found: list[Found] = []
    for engine in change_engines(changes, asked):
        for claims in guesses.claims(engine, material.orders(engine.base.width)):
            if claims.places.size and claims.bits.sum() >= claims.naming:
                found += _rules(changes, natural, claims)
    return _without_restatements(changes, found, known)


def _without_restatements(changes: Changes, found: Sequence[Found], known: Sequence[Rule]) -> list[Found]:
    """One rule for each set of varying bytes: where they add up to a constant, any of them could be called
    the stored value."""
    seen = {_varying(changes, one) for one in known if one.algorithm.kind in TOTALS}
    kept = []
    for one in sorted(found, key=lambda one: (-one.gain, one.simplicity, one.rule.start)):
        if one.rule.algorithm.kind in TOTALS:
            mark = _varying(changes, one.rule)
            if mark in seen:
                continue
            seen.add(mark)
        kept.append(one)
    return kept


def _varying(changes: Changes, rule: Rule) -> tuple[tuple[int, int], ...]:
    """The classes that a rule's bytes begin and end in."""
    edges = changes.classes(np.array(rule.covers, np.int64).reshape(-1)).reshape(-1, 2).tolist()
    return joined([(first, last) for first, last in edges])


def _rules(changes: Changes, natural: Edges, claims: Claims) -> list[Found]:
    chosen = list(_series(changes, claims)) or list(_single(changes, claims))
    if not chosen:
        return []
    engine = claims.engine
    whole: Engine = engine_for(changes.material.dumps, engine.base)
    settler = Settler(changes, natural, engine, whole, claims.order, claims.lie)
    found = []
    for claim, gain in chosen:
        rule = settler.rule(claim)
        if rule is not None:
            rule = replace(
                rule, evidence=round(gain, 2), dumps=changes.material.own, distinct=_values(changes, rule)
            )
            found.append(Found(rule, None, gain, claims.naming))
    return found


def _values(changes: Changes, rule: Rule) -> int:
    return len({rule.stored(one) for one in changes.material.dumps[: changes.material.own]})


def _single(changes: Changes, claims: Claims) -> Iterator[tuple[Claim, float]]:
    """Claims that together pay for their algorithm, each that also pays well for itself."""
    gains = claims.gains
    order = np.argsort(-gains, kind="stable")
    order = order[gains[order] >= _WEAKEST]
    kept = _apart(changes, claims, order.tolist())
    if sum(float(gains[one]) for one in kept) - claims.naming < TEMPLATE_MARGIN:
        return
    sure = [one for one in kept if gains[one] >= MEMBER_MARGIN]
    for one in sure:
        claim = Claim(int(claims.firsts[one]), int(claims.ends[one]), int(claims.places[one]))
        yield claim, max(0.0, float(gains[one]) - claims.naming / len(sure))


def _apart(changes: Changes, claims: Claims, order: Sequence[int]) -> list[int]:
    """Claims in the given order without those that share a stored value or cross a region of an earlier
    one."""
    size = claims.engine.base.width // 8
    kept: list[tuple[int, int, int]] = []
    chosen: list[int] = []
    seen: set[tuple[int, ...]] = set()
    last = changes.classes(claims.ends)
    for one in order:
        place, begin, end = int(claims.places[one]), int(claims.firsts[one]), int(last[one])
        clash = any(
            abs(place - other) < size
            or (begin < stop and start < end and not _nested(begin, end, start, stop))
            for other, start, stop in kept
        )
        change = _change(changes, claims, place)
        if not clash and not change & seen:
            seen |= change
            kept.append((place, begin, end))
            chosen.append(one)
    return chosen


def _change(changes: Changes, claims: Claims, place: int) -> set[tuple[int, ...]]:
    """How a value changes from dump to dump, by exclusive or and by subtraction: values that change alike, as
    copies and counted numbers do, are one witness only."""
    width = claims.engine.base.width
    at = np.array([place])
    first, *rest = [int(changes.stored(dump, at, width, claims.order)[0]) for dump in range(changes.dumps)]
    return {(0, *(one ^ first for one in rest)), (1, *((one - first) % (1 << width) for one in rest))}


def _nested(begin: int, end: int, start: int, stop: int) -> bool:
    return (begin <= start and stop <= end) or (start <= begin and end <= stop)


def _series(changes: Changes, claims: Claims) -> Iterator[tuple[Claim, float]]:
    """Claims whose values stand at equal distances: a series of records, which shares the price of place."""
    if claims.lie is Lie.APART or claims.places.size < _FEWEST_ROWS:
        return
    best: tuple[float, list[int], list[float], list[int | None]] | None = None
    cheap = np.flatnonzero(claims.bits - np.minimum(claims.edge_prices, _DEAREST_EDGE) >= _WEAKEST)
    places = np.unique(claims.places[cheap])
    if places.size < _FEWEST_ROWS:
        return
    for stride in _strides(places):
        for chain in _chains(places, stride):
            members = cheap[np.isin(claims.places[cheap], chain)]
            rows, prices, begins = _common(changes, claims, members)
            gains = [
                float(claims.bits[one]) - price - _ROW_PRICE for one, price in zip(rows, prices, strict=True)
            ]
            total = (
                sum(gains) - float(claims.place_prices.max()) - _STRIDE_PRICE - _SPAN_PRICE - claims.naming
            )
            if len(rows) >= _FEWEST_ROWS and (best is None or total > best[0]):
                best = (total, rows, gains, begins)
    if best is None or best[0] < TEMPLATE_MARGIN:
        return
    total, rows, gains, begins = best
    for one, gain, begin in zip(rows, gains, begins, strict=True):
        if gain >= MEMBER_MARGIN - 2.0:
            claim = Claim(int(claims.firsts[one]), int(claims.ends[one]), int(claims.places[one]), begin)
            yield claim, gain


def _strides(places: np.ndarray[tuple[int], np.dtype[np.int64]]) -> list[int]:
    """The commonest distances of places from those that follow soon."""
    steps = [places[ahead:] - places[:-ahead] for ahead in range(1, min(_AHEAD, places.size))]
    values, counts = np.unique(np.concatenate(steps), return_counts=True)
    usable = (values >= 4) & (values <= 4096) & (counts >= _FEWEST_ROWS - 1)
    return [int(one) for one in values[usable][np.argsort(-counts[usable], kind="stable")][:_MOST_STRIDES]]


def _chains(
    places: np.ndarray[tuple[int], np.dtype[np.int64]], stride: int
) -> Iterator[np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Runs of places at one distance, with at most one missing between two."""
    for rest in np.unique(places % stride).tolist():
        lane = places[places % stride == rest]
        breaks = np.flatnonzero(np.diff(lane) > 2 * stride)
        for part in np.split(lane, breaks + 1):
            if part.size >= _FEWEST_ROWS:
                yield part


def _common(
    changes: Changes, claims: Claims, members: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[list[int], list[float], list[int | None]]:
    """One claim for each place of a series, those first that begin (or end) as most others do."""
    edges = np.append(changes.places, changes.material.size)
    before = np.concatenate([[-1], changes.places])
    places, firsts = claims.places[members], claims.firsts[members]
    if claims.lie is Lie.BEHIND:
        shortest = claims.ends[members] - edges[firsts]
        longest = claims.ends[members] - before[firsts] - 1
    elif claims.engine.by_class:
        last = changes.classes(claims.ends[members])
        shortest, longest = before[last] + 1 - places, edges[last] - places
    else:
        shortest = longest = claims.ends[members] - places
    lengths, counts = np.unique(np.concatenate([shortest, longest]), return_counts=True)
    lengths = lengths[np.argsort(-counts, kind="stable")][:64]
    votes = [int(np.unique(places[(shortest <= one) & (one <= longest)]).size) for one in lengths.tolist()]
    length = int(lengths[int(np.argmax(votes))])
    alike = (shortest <= length) & (length <= longest)
    prices = np.where(alike, 0.5, claims.edge_prices[members])
    rows, costs, begins = [], [], []
    seen: set[tuple[int, ...]] = set()
    for place in np.unique(places).tolist():
        change = _change(changes, claims, place)
        if change & seen:
            continue
        seen |= change
        here = np.flatnonzero(places == place)
        one = int(here[np.argmin(prices[here])])
        rows.append(int(members[one]))
        costs.append(float(prices[one]))
        known = claims.lie is Lie.BEHIND and bool(alike[one])
        begins.append(int(claims.ends[members[one]]) - length if known else None)
    return rows, costs, begins
