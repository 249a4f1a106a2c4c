"""Series of records: claims whose values stand at equal distances share the price of their place, and what
holds in most of them is asked of those between."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.changes import Changes
from mendbay.board.rules.claims import DEAREST_EDGE, Claims, Lie
from mendbay.board.rules.probes import MEMBER_MARGIN, TEMPLATE_MARGIN, WEAKEST
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.settle import Claim

Int64s = npt.NDArray[np.int64]

_ROW_PRICE, _STRIDE_PRICE, _SPAN_PRICE = 1.0, 12.0, 8.0
"""Bits for a row of a series: that it is there; and once for how far the rows lie apart, and for what they
have in common."""
_ALIKE_PRICE = 0.5
_MOST_PARTS = 8
_FEWEST_ROWS, _MOST_ROWS = 4, 1024
_AHEAD, _MOST_STRIDES = 32, 16
_NEARLY_ALL = 0.75
"""Share of the rows with a common length from which the others are left out: what holds over a row and the
one before it, which checks itself, is no other rule."""


@dataclass(frozen=True)
class Series:
    """Rows found: the claims with the gain of each, the distance of their values, and the gain of all."""

    rows: tuple[tuple[Claim, float], ...]
    stride: int
    gain: float


def series(changes: Changes, claims: Claims) -> Series | None:
    """The best series among the claims, if it pays for itself."""
    if claims.lie is Lie.APART or claims.places.size < _FEWEST_ROWS:
        return None
    cheap = np.flatnonzero(claims.bits - np.minimum(claims.edge_prices, DEAREST_EDGE) >= WEAKEST)
    places = np.unique(claims.places[cheap])
    if places.size < _FEWEST_ROWS:
        return None
    naming = float(claims.place_prices.max()) + _STRIDE_PRICE + _SPAN_PRICE + claims.naming
    best: Series | None = None
    for stride in _strides(places):
        for chain in _chains(places, stride):
            rows = _rows(changes, claims, cheap[np.isin(claims.places[cheap], chain)])
            total = sum(gain for _, gain in rows) - naming
            if len(rows) >= _FEWEST_ROWS and total >= TEMPLATE_MARGIN and (best is None or total > best.gain):
                best = Series(tuple(rows), stride, total)
    if best is None:
        return None
    return replace(best, rows=tuple(one for one in best.rows if one[1] >= MEMBER_MARGIN - 2.0))


def _strides(places: Int64s) -> list[int]:
    """The commonest distances of places from those that follow soon."""
    steps = [places[ahead:] - places[:-ahead] for ahead in range(1, min(_AHEAD, places.size))]
    values, counts = np.unique(np.concatenate(steps), return_counts=True)
    usable = (values >= 4) & (values <= 4096) & (counts >= _FEWEST_ROWS - 1)
    return [int(one) for one in values[usable][np.argsort(-counts[usable], kind="stable")][:_MOST_STRIDES]]


def _chains(places: Int64s, stride: int) -> Iterator[Int64s]:
    """Runs of places at one distance, with at most one missing between two."""
    for rest in np.unique(places % stride).tolist():
        lane = places[places % stride == rest]
        for part in np.split(lane, np.flatnonzero(np.diff(lane) > 2 * stride) + 1):
            if part.size >= _FEWEST_ROWS:
                yield part


def _rows(changes: Changes, claims: Claims, members: Int64s) -> list[tuple[Claim, float]]:
    """One claim for each place of a series, with its gain; those first that begin (or end) as most others
    do."""
    shortest, longest = _lengths(changes, claims, members)
    places = claims.places[members]
    length = _commonest(places, shortest, longest)
    alike = (shortest <= length) & (length <= longest)
    count = np.unique(places).size
    if np.unique(places[alike]).size >= _NEARLY_ALL * count:
        members, places, alike = members[alike], places[alike], alike[alike]
    prices = np.where(alike, _ALIKE_PRICE, claims.edge_prices[members])
    rows: list[tuple[Claim, float]] = []
    seen: set[tuple[int, ...]] = set()
    for place in np.unique(places).tolist():
        change = change_of(changes, claims, place)
        if change & seen:
            continue
        seen |= change
        here = np.flatnonzero(places == place)
        one = int(here[np.argmin(prices[here])])
        end = int(claims.ends[members[one]])
        begin = end - length if claims.lie is Lie.BEHIND and bool(alike[one]) else None
        gain = float(claims.bits[members[one]]) - float(prices[one]) - _ROW_PRICE
        rows.append((Claim(int(claims.firsts[members[one]]), end, place, begin), gain))
    return rows


def _lengths(changes: Changes, claims: Claims, members: Int64s) -> tuple[Int64s, Int64s]:
    """Shortest and longest region each claim allows: what is not known is where it lies between two varying
    bytes."""
    edges = np.append(changes.places, changes.material.size)
    before = np.concatenate([[-1], changes.places])
    places, firsts, ends = claims.places[members], claims.firsts[members], claims.ends[members]
    if claims.lie is Lie.BEHIND:
        return ends - edges[firsts], ends - before[firsts] - 1
    if claims.engine.by_class:
        last = changes.classes(ends)
        return before[last] + 1 - places, edges[last] - places
    return ends - places, ends - places


def _commonest(places: Int64s, shortest: Int64s, longest: Int64s) -> int:
    """The length that the regions of most places allow."""
    lengths, counts = np.unique(np.concatenate([shortest, longest]), return_counts=True)
    lengths = lengths[np.argsort(-counts, kind="stable")][:64]
    votes = [int(np.unique(places[(shortest <= one) & (one <= longest)]).size) for one in lengths.tolist()]
    return int(lengths[int(np.argmax(votes))])


def change_of(changes: Changes, claims: Claims, place: int) -> set[tuple[int, ...]]:
    """How a value changes from dump to dump, by exclusive or and by subtraction: values that change alike, as
    copies and counted numbers do, are one witness only."""
    width = claims.engine.base.width
    at = np.array([place])
    first, *rest = [int(changes.stored(dump, at, width, claims.order)[0]) for dump in range(changes.dumps)]
    return {(0, *(one ^ first for one in rest)), (1, *((one - first) % (1 << width) for one in rest))}


def between(changes: Changes, rules: Sequence[Rule], stride: int) -> Iterator[Rule]:
    """Rules of the commonest shape at places of the series where none is known, as of records in which too
    little varies to prove them alone."""
    shapes = Counter(_shape(one) for one in rules)
    shape, count = shapes.most_common(1)[0] if shapes else (None, 0)
    if shape is None or count < _FEWEST_ROWS:
        return
    same = [one for one in rules if _shape(one) == shape]
    taken = {one.place for one in rules}
    first, last = min(one.start for one in same), max(one.start for one in same)
    stride = _finest(changes, same[0], first, last, stride)
    for start in range(first, last + 1, stride)[:_MOST_ROWS]:
        step = start - same[0].start
        place = same[0].place + step
        rule = replace(same[0], start=start, end=same[0].end + step, place=place)
        if place in taken or any(_crosses(rule, one) for one in rules):
            continue
        if _holds(changes, rule):
            yield rule
    yield from _outward(changes, same, stride, rules)


def _finest(changes: Changes, shape: Rule, first: int, last: int, stride: int) -> int:
    """The distance of the rows, if the series found is only every second or third one of them."""
    for part in range(_MOST_PARTS, 1, -1):
        step = stride // part
        if stride % part or step < shape.end - shape.start:
            continue
        places = range(first, last, step)[: _MOST_PARTS * _FEWEST_ROWS]
        moved = [
            replace(
                shape, start=one, end=shape.end + one - shape.start, place=shape.place + one - shape.start
            )
            for one in places
        ]
        if sum(_holds(changes, one) for one in moved) >= _NEARLY_ALL * len(moved):
            return step
    return stride


def _outward(changes: Changes, same: Sequence[Rule], stride: int, known: Sequence[Rule]) -> Iterator[Rule]:
    """The series drawn on beyond its first and last row, over one row that does not hold at most. A row must
    hold with two values at least: beyond the end of the records one might by chance."""
    for edge, step in (
        (min(same, key=lambda one: one.start), -stride),
        (max(same, key=lambda one: one.start), stride),
    ):
        rule, misses, rows = edge, 0, 0
        while misses <= 1 and rows < _MOST_ROWS:
            rows += 1
            rule = replace(rule, start=rule.start + step, end=rule.end + step, place=rule.place + step)
            first, last = min(rule.start, rule.place), max(rule.end, rule.place + rule.field_bytes)
            if first < 0 or last > changes.material.size:
                break
            dumps = changes.material.dumps[: changes.material.own]
            varies = len({rule.stored(one) for one in dumps}) > 1
            if varies and not any(_crosses(rule, one) for one in known) and _holds(changes, rule):
                misses = 0
                yield rule
            else:
                misses += 1


def _holds(changes: Changes, rule: Rule) -> bool:
    return all(rule.holds(one) for one in changes.material.dumps[: changes.material.own])


def _shape(rule: Rule) -> tuple[object, ...]:
    return rule.algorithm, rule.order, rule.hole, rule.end - rule.start, rule.place - rule.start


def _crosses(one: Rule, other: Rule) -> bool:
    return one.start < other.end and other.start < one.end
