"""Rules from what dumps of one revision differ by: the guesses that hold are chosen, and made whole rules."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from mendbay.board.rules.accept import TOTALS, Found
from mendbay.board.rules.algorithm import Algorithm, Kind
from mendbay.board.rules.changes import Changes, change_engines
from mendbay.board.rules.claims import Claims, Guesses
from mendbay.board.rules.engines import (
    POLYNOMIALS,
    RARE_PRICE,
    USUAL_PRICE,
    Engine,
    engine_for,
    sum_algorithms,
)
from mendbay.board.rules.material import Material
from mendbay.board.rules.probes import MEMBER_MARGIN, TEMPLATE_MARGIN, WEAKEST, Regions
from mendbay.board.rules.rule import Rule, joined
from mendbay.board.rules.segments import Edges
from mendbay.board.rules.series import between, change_of, series
from mendbay.board.rules.settle import Claim, Settler

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
    rows = series(changes, claims)
    chosen = list(rows.rows) if rows is not None else list(_single(changes, claims))
    if not chosen:
        return []
    engine = claims.engine
    whole: Engine = engine_for(changes.material.dumps, engine.base)
    settler = Settler(changes, natural, engine, whole, claims.order, claims.lie)
    settled = [(rule, gain) for claim, gain in chosen if (rule := settler.rule(claim)) is not None]
    if rows is not None:
        least = min((gain for _, gain in settled), default=0.0)
        more = between(changes, [rule for rule, _ in settled], rows.stride)
        settled += [(rule, min(least, MEMBER_MARGIN)) for rule in more]
    return [_found(changes, claims, rule, gain) for rule, gain in settled]


def _found(changes: Changes, claims: Claims, rule: Rule, gain: float) -> Found:
    rule = replace(rule, evidence=round(gain, 2), dumps=changes.material.own, distinct=_values(changes, rule))
    return Found(rule, None, gain, claims.naming)


def _values(changes: Changes, rule: Rule) -> int:
    return len({rule.stored(one) for one in changes.material.dumps[: changes.material.own]})


def _single(changes: Changes, claims: Claims) -> Iterator[tuple[Claim, float]]:
    """Claims that together pay for their algorithm, each that also pays well for itself."""
    gains = claims.gains
    order = np.argsort(-gains, kind="stable")
    order = order[gains[order] >= WEAKEST]
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
        change = change_of(changes, claims, place)
        if not clash and not change & seen:
            seen |= change
            kept.append((place, begin, end))
            chosen.append(one)
    return chosen


def _nested(begin: int, end: int, start: int, stop: int) -> bool:
    return (begin <= start and stop <= end) or (start <= begin and end <= stop)
