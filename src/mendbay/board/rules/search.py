"""Learns the rules of a board family from known-good dumps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from mendbay.board.rules.algorithm import Bytes
from mendbay.board.rules.family import LARGEST_DUMP, Family, Revision
from mendbay.board.rules.judge import revision_of
from mendbay.board.rules.material import Material
from mendbay.board.rules.mirrors import copies
from mendbay.board.rules.one_revision import search
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.segments import (
    filler_runs,
    revisions,
    spans_of,
    varying,
)
from mendbay.core.errors import DumpUnproven


def learn(dumps: Sequence[bytes]) -> Family:
    """The rules of a board family from known-good dumps of it.

    Args:
        dumps: one or more dumps of the same size; several drives of one code revision tell most, several
            revisions prove rules further. Equal dumps count once.

    Raises:
        DumpUnproven: no dump, dumps of different sizes, or smaller or larger than is taken.
    """
    taken = [np.frombuffer(one, np.uint8) for one in dict.fromkeys(bytes(one) for one in dumps)]
    _check(taken)
    groups = revisions(taken)
    own = [[taken[index] for index in group] for group in groups]
    found: list[Rule] = []
    for number, group in enumerate(own[:MOST_SEARCHED]):
        others = [one for place, one in enumerate(own) if place != number]
        names = [number, *(place for place in range(len(own)) if place != number)]
        for one in search(group, others):
            held = tuple(sorted(names[place] for place in one.revisions))
            _add(found, replace(one, revisions=held, dumps=sum(len(own[place]) for place in held)))
    rules = tuple(sorted(found, key=lambda one: (one.start, one.end, one.place or 0)))
    return Family(taken[0].size, tuple(_revision(group) for group in own), rules)


MOST_SEARCHED = 3
"""Revisions that are searched, those with the most dumps first; the rest only confirm."""
SMALLEST_DUMP = 64


def _check(dumps: Sequence[Bytes]) -> None:
    if not dumps:
        raise DumpUnproven("no known-good dump was given", "give at least one dump of the board family")
    sizes = sorted({one.size for one in dumps})
    if len(sizes) > 1:
        raise DumpUnproven(
            f"the dumps have different sizes, {sizes[0]} and {sizes[-1]} bytes",
            "give dumps of one kind of chip, each read whole",
        )
    if not SMALLEST_DUMP <= sizes[0] <= LARGEST_DUMP:
        raise DumpUnproven(
            f"the dumps have {sizes[0]} bytes; rules are learned from {SMALLEST_DUMP} to {LARGEST_DUMP}",
            "give whole dumps of a board's ROM",
        )


def _add(rules: list[Rule], one: Rule) -> None:
    """Adds a rule, or joins it to the same one found in another revision."""
    for place, other in enumerate(rules):
        if other.place == one.place and other.algorithm.width == one.algorithm.width:
            if (other.start, other.end, other.algorithm) == (one.start, one.end, one.algorithm):
                rules[place] = max(other, one, key=lambda rule: rule.evidence)
                return
            if set(other.revisions) & set(one.revisions):
                return
    rules.append(one)


def _revision(dumps: Sequence[Bytes]) -> Revision:
    vary = varying(dumps)
    shared = np.where(vary, np.uint8(0), dumps[0]).astype(np.uint8)
    starts, ends = spans_of(vary)
    runs = filler_runs(dumps[0], 16)
    constant = ~Material(dumps).changes(runs.starts, runs.ends)
    return Revision(
        len(dumps),
        shared.tobytes(),
        tuple(zip(starts.tolist(), ends.tolist(), strict=True)),
        tuple(zip(runs.starts[constant].tolist(), runs.ends[constant].tolist(), strict=True)),
        copies(dumps),
    )


def learn_more(family: Family, dump: bytes) -> Family:
    """The family after one more known-good dump.

    A rule of the dump's revision that it breaks was no rule and is dropped; others gain a dump. Shared bytes
    that differ become per-drive. A dump of a new revision adds it, with the rules that hold there. Rules
    that only several dumps together can prove are not found this way: `learn` from all of them does.

    Raises:
        DumpUnproven: the dump does not have the family's size.
    """
    data = np.frombuffer(dump, np.uint8)
    if data.size != family.size:
        raise DumpUnproven(
            f"the dump has {data.size} bytes and the family's dumps have {family.size}",
            "give a dump of the same board family, read whole",
        )
    number = revision_of(family, data)
    revisions_after = list(family.revisions)
    if number is None:
        number = len(revisions_after)
        revisions_after.append(_revision([data]))
    else:
        revisions_after[number] = _with_dump(revisions_after[number], data)
    rules = [one for rule in family.rules if (one := _after(rule, data, number, family)) is not None]
    for rule in search([data], []):
        _add(rules, replace(rule, revisions=(number,), dumps=1))
    rules.sort(key=lambda one: (one.start, one.end, one.place or 0))
    return Family(family.size, tuple(revisions_after), tuple(rules))


def _after(rule: Rule, data: Bytes, number: int, family: Family) -> Rule | None:
    holds, known = rule.holds(data), number in rule.revisions
    if holds:
        held = tuple(sorted({*rule.revisions, number}))
        return replace(rule, revisions=held, dumps=rule.dumps + 1)
    if not known:
        return rule
    left = tuple(one for one in rule.revisions if one != number)
    return replace(rule, revisions=left) if left else None


def _with_dump(revision: Revision, data: Bytes) -> Revision:
    shared = np.frombuffer(revision.shared, np.uint8)
    private = np.zeros(data.size, np.bool_)
    for start, end in revision.per_drive:
        private[start:end] = True
    private |= shared != data
    starts, ends = spans_of(private)
    kept = tuple(span for span in revision.erased if not private[span[0] : span[1]].any())
    alike = tuple(
        one
        for one in revision.copies
        if np.array_equal(
            data[one.first : one.first + one.length], data[one.second : one.second + one.length]
        )
    )
    spans = tuple(zip(starts.tolist(), ends.tolist(), strict=True))
    after = np.where(private, np.uint8(0), shared).astype(np.uint8).tobytes()
    return Revision(revision.dumps + 1, after, spans, kept, alike)
