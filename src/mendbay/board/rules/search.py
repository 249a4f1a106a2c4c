"""Learns the rules of a board family from known-good dumps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from hashlib import sha256

import numpy as np

from mendbay.board.rules.algorithm import Bytes
from mendbay.board.rules.family import LARGEST_DUMP, MOST_BYTES, MOST_SPANS, Family, Revision
from mendbay.board.rules.mirrors import copies
from mendbay.board.rules.one_revision import search, unheeding
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.segments import Flags, clusters, revisions, spans_of, varying
from mendbay.core.errors import DumpUnproven


def learn(dumps: Sequence[bytes], heed: Callable[[], None] = unheeding) -> Family:
    """The rules of a board family from known-good dumps of it.

    Args:
        dumps: one or more dumps of the same size; several drives of one code revision tell most, several
            revisions prove rules further. Equal dumps count once.
        heed: called every few seconds; what it raises ends the search.

    Raises:
        DumpUnproven: no dump, dumps of different sizes, smaller or larger than is taken, or too many.
    """
    taken = [np.frombuffer(one, np.uint8) for one in dict.fromkeys(bytes(one) for one in dumps)]
    _check(taken)
    groups = revisions(taken)
    own = [[taken[index] for index in group] for group in groups]
    found: list[Rule] = []
    for number, group in enumerate(own[:MOST_SEARCHED]):
        others = [one for place, one in enumerate(own) if place != number]
        names = [number, *(place for place in range(len(own)) if place != number)]
        for one in search(group, others, heed):
            held = tuple(sorted(names[place] for place in one.revisions))
            _add(found, replace(one, revisions=held, dumps=sum(len(own[place]) for place in held)))
    rules = tuple(sorted(found, key=lambda one: (one.start, one.end, one.place)))
    digests = tuple(sha256(one.tobytes()).hexdigest() for one in taken)
    return Family(taken[0].size, tuple(_revision(group) for group in own), rules, digests)


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
    if len(dumps) * sizes[0] > MOST_BYTES:
        raise DumpUnproven(
            f"{len(dumps)} dumps of {sizes[0]} bytes are more than rules are learned from at once, which is "
            f"{MOST_BYTES} bytes",
            f"give at most {MOST_BYTES // sizes[0]} of them, of different drives",
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
    vary = _joined(varying(dumps))
    starts, ends = spans_of(vary)
    shared = np.where(vary, np.uint8(0), dumps[0]).astype(np.uint8)
    per_drive = tuple(zip(starts.tolist(), ends.tolist(), strict=True))
    return Revision(len(dumps), shared.tobytes(), per_drive, copies(dumps))


def _joined(vary: Flags) -> Flags:
    """The bytes that vary, with those between them where there are more runs than a family keeps: what lies
    among so many is each drive's own as well."""
    starts, ends = spans_of(vary)
    gap = 1
    while starts.size > MOST_SPANS:
        gap *= 2
        starts, ends = clusters(vary, gap)
    joined = np.zeros(vary.size, np.bool_)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        joined[start:end] = True
    return joined
