"""Which hits become rules: by templates, then one rule for each extent and each stored value."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import comb, log2

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Kind
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import MEMBER_MARGIN, TEMPLATE_MARGIN, WEAKEST, Layout
from mendbay.board.rules.rule import Hole, Rule, joined
from mendbay.board.rules.scan import Hits

Floats = npt.NDArray[np.float64]

TOTALS = (Kind.SUM, Kind.XOR, Kind.ONES)
"""Checks that add up: with the stored value they give a constant, and any word could be called the value."""
_SAME_GAIN = 8.0
"""Bits within which two rules that restate each other are told by their shape, not by their gain."""
_NEAR = 8
"""Regions whose both ends lie within so many bytes are one extent."""


@dataclass(frozen=True, slots=True)
class Found:
    """A rule with the layout it was found by (None if by no template)."""

    rule: Rule
    layout: Layout | None
    gain: float
    simplicity: float = 0.0
    """Price of what was guessed: among equal explanations the cheaper one is kept."""


def accepted(hits: Hits, count: int) -> list[Found]:
    """The rules that the hits of one template justify.

    Args:
        hits: of one algorithm, order and layout.
        count: dumps of the revision searched.
    """
    if hits.rows:
        return _rows_of_directory(hits, count)
    gains = hits.bits - hits.prices
    order = np.argsort(-gains, kind="stable")
    order = order[gains[order] > 0][:256]
    if not order.size:
        return []
    if float(gains[order][gains[order] >= WEAKEST].sum()) - hits.price < TEMPLATE_MARGIN:
        return []
    strong = [one for one in _apart(hits, order, gains, count) if one.gain >= WEAKEST]
    if sum(one.gain for one in strong) - hits.price < TEMPLATE_MARGIN:
        return []
    sure = [one for one in strong if one.gain >= MEMBER_MARGIN]
    return [_paid(one, hits.price / len(sure)) for one in sure]


def _rows_of_directory(hits: Hits, count: int) -> list[Found]:
    """The rows that hold. Naming k of n rows takes log2(n + 1) + log2(n over k) bits: rows that do not hold
    speak against all. One that holds by chance must be unlikely among as many as do not."""
    order = np.argsort(-hits.bits, kind="stable")
    order = order[hits.bits[order] >= WEAKEST]
    strong = _apart(hits, order, hits.bits, count)
    if not strong:
        return []
    others = max(0, hits.rows - len(strong))
    code = log2(hits.rows + 1) + log2(comb(max(hits.rows, len(strong)), len(strong)))
    if sum(one.gain for one in strong) - code - hits.price < TEMPLATE_MARGIN:
        return []
    sure = [one for one in strong if one.gain - log2(1 + others) >= MEMBER_MARGIN - 2.0]
    return [_paid(one, (code + hits.price) / len(sure)) for one in sure]


def _paid(one: Found, price: float) -> Found:
    gain = max(0.0, one.gain - price)
    return replace(one, gain=gain, rule=replace(one.rule, evidence=round(gain, 2)))


def _apart(hits: Hits, order: npt.NDArray[np.int64], gains: Floats, count: int) -> list[Found]:
    """Hits in the given order, without those that contradict an earlier one."""
    kept: list[Found] = []
    for one in order.tolist():
        fresh = found_of(hits, one, float(gains[one]), count)
        if not any(hurts(fresh.rule, other.rule) for other in kept):
            kept.append(fresh)
    return kept


def found_of(hits: Hits, one: int, gain: float, count: int) -> Found:
    """One hit as a rule."""
    groups = int(hits.groups[one])
    rule = Rule(
        hits.algorithm,
        int(hits.starts[one]),
        int(hits.ends[one]),
        int(hits.places[one]),
        hits.order,
        hits.hole,
        evidence=round(gain, 2),
        dumps=count,
        distinct=max(1, int(hits.distinct[one])),
        revisions=tuple(bit for bit in range(groups.bit_length()) if groups >> bit & 1),
    )
    return Found(rule, hits.layout, gain, hits.price + float(hits.prices[one]))


def one_of_each(material: Material, found: Iterable[Found], kept: Sequence[Found] = ()) -> list[Found]:
    """Without restatements: one rule for each stored value and each extent, those in `kept` first, then the
    best supported."""
    chosen = list(kept)
    for one in sorted(found, key=lambda one: (-one.gain, one.simplicity)):
        if _copied(material, one.rule):
            continue
        same = [place for place, other in enumerate(chosen) if _restates(one.rule, other.rule)]
        if same:
            if (
                len(same) == 1
                and chosen[same[0]] not in kept
                and _better_named(material, one, chosen[same[0]])
            ):
                chosen[same[0]] = one
            continue
        if not _made_of_others(material, one.rule, [other.rule for other in chosen]):
            chosen.append(one)
    return [
        one
        for one in chosen
        if one in kept
        or not _made_of_others(material, one.rule, [other.rule for other in chosen if other is not one])
    ]


def uneven(columns: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Columns that occur an odd number of times, once each: equal ones, as of copies of a serial number,
    cancel each other in an exclusive or.

    Args:
        columns: bytes of shape (dumps, bytes of one lane).
    """
    kinds, counts = np.unique(columns, axis=1, return_counts=True)
    return kinds[:, counts % 2 == 1]


def _copied(material: Material, rule: Rule) -> bool:
    """Whether an exclusive or holds because the stored value is a copy of the one word of its region that is
    left when copies have cancelled."""
    if rule.algorithm.kind is not Kind.XOR or material.own < 2 or rule.place is None:
        return False
    places = material.varying_places
    among = (places >= rule.start) & (places < rule.end)
    inside = places[among & ((places < rule.place) | (places >= rule.place + rule.field_bytes))]
    bytes_of = np.stack([one[inside] for one in material.dumps[: material.own]])
    lanes = (inside - rule.start) % rule.algorithm.word
    left = [
        uneven(bytes_of[:, lanes == one] ^ bytes_of[:1, lanes == one]) for one in range(rule.algorithm.word)
    ]
    return inside.size > 0 and all(int(one.any(axis=0).sum()) <= 1 for one in left)


def _better_named(material: Material, one: Found, other: Found) -> bool:
    """Whether a sum says the same as another, but of a value that stands alone or nearer to the head: where
    words add up to a constant any of them could be called the value."""
    if one.rule.algorithm.kind not in TOTALS or one.rule.algorithm.kind is not other.rule.algorithm.kind:
        return False
    if one.rule.place is None or other.rule.place is None or one.gain < other.gain - _SAME_GAIN:
        return False
    alone, beside = _alone(material, one.rule), _alone(material, other.rule)
    if alone is not beside:
        return alone
    return Hole.NONE not in (one.rule.hole, other.rule.hole) and one.rule.place < other.rule.place


_ROOM = 2
"""Bytes that vary in no dump on either side of a value that stands alone."""


def _alone(material: Material, rule: Rule) -> bool:
    if rule.place is None:
        return False
    first, last = rule.place, rule.place + rule.field_bytes
    around = material.vary[max(0, first - _ROOM) : first].any() or material.vary[last : last + _ROOM].any()
    return bool(material.vary[first:last].any() and not around)


def _restates(one: Rule, other: Rule) -> bool:
    if same_field(one, other):
        return True
    left, right = extent(one), extent(other)
    return abs(left[0] - right[0]) <= _NEAR and abs(left[1] - right[1]) <= _NEAR


def same_field(one: Rule, other: Rule) -> bool:
    """Whether the stored values of two rules share a byte."""
    if one.place is None or other.place is None:
        return False
    return one.place < other.place + other.field_bytes and other.place < one.place + one.field_bytes


def hurts(one: Rule, other: Rule) -> bool:
    """Whether a further rule restates another, or crosses its region without lying in it or around it."""
    if _restates(one, other):
        return True
    meets = one.start < other.end and other.start < one.end
    around = one.start <= other.start and other.end <= one.end
    return meets and not around and not (other.start <= one.start and one.end <= other.end)


def _made_of_others(material: Material, one: Rule, others: Sequence[Rule]) -> bool:
    """Whether a sum or exclusive-or holds because smaller ones inside it do and the rest is filler."""
    if one.algorithm.kind not in TOTALS or one.place is None:
        return False
    left = joined([extent(one)])
    if len(one.covers) > 1:
        return False
    start, end = extent(one)
    inside = [
        extent(other)
        for other in others
        if other.algorithm.kind is one.algorithm.kind
        and len(other.covers) == 1
        and start - _NEAR <= extent(other)[0]
        and extent(other)[1] <= end + _NEAR
        and extent(other)[1] - extent(other)[0] < end - start
    ]
    if not inside:
        return False
    rest = remaining(left, joined(inside))
    return sum(int(material.telling(np.array([a]), np.array([b]))[0]) for a, b in rest) <= _NEAR


def remaining(
    spans: Sequence[tuple[int, int]], without: Sequence[tuple[int, int]]
) -> tuple[tuple[int, int], ...]:
    """The ranges without those of `without`; both rising and apart."""
    found = []
    for start, end in spans:
        for left, right in without:
            if right <= start or left >= end:
                continue
            if left > start:
                found.append((start, left))
            start = max(start, right)
        if start < end:
            found.append((start, end))
    return tuple(found)


def extent(rule: Rule) -> tuple[int, int]:
    """Region and stored value together if they touch; else the region."""
    spans = rule.covers
    return spans[0] if len(spans) == 1 else (rule.start, rule.end)
