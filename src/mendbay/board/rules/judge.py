"""What a family's rules say of a dump, and whether two dumps share their code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Bytes, as_array
from mendbay.board.rules.family import Family, Revision, Span
from mendbay.board.rules.locate import Flip, flips, lane
from mendbay.board.rules.mirrors import Copy
from mendbay.board.rules.rule import Rule
from mendbay.board.rules.segments import FILLERS, spans_of

PRIOR_SOUND = 0.8
RULE_FAILS, AGAIN = 0.02, 0.3
BYTE_DIFFERS = 1e-4
COPY_DIFFERS = 0.005
"""Odds that a sound dump shows the sign, from the trade's trial on made-up families: design values."""
CLOSE = 32
"""A differing shared byte this near a per-drive one may be per-drive itself: few dumps were seen."""
SAME_REVISION = 0.98
"""Share of the shared bytes, filler aside, that must agree for a dump to be of a revision."""
MOST_RANGES = 1000
MOST_TOLD = 8
"""Failed rules and broken copies told one by one. Where the bit of a failed rule lies is asked for no more of
them: in a hostile family file each could span the whole dump."""

_FIELD_BYTES = 2
"""Bytes of a stored value from which on a check that holds vouches for what it covers."""

Flags = npt.NDArray[np.bool_]
Int64s = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FailedRule:
    """A rule that does not hold.

    Args:
        rule: the rule.
        computed: what the region gives.
        stored: what the dump says it should be.
        flips: single bits that would each explain it; None if the rule cannot say, or was not asked, as one
            of too many.
        lane: which bits a single flip could be in, in words; empty if not known.
    """

    rule: Rule
    computed: int
    stored: int
    flips: tuple[Flip, ...] | None
    lane: str


@dataclass(frozen=True, slots=True)
class DumpJudgement:
    """What the rules say of one dump.

    Args:
        sound: probability that the dump is sound, 0 to 1.
        revision: number of the revision it is of; None if of none that was learned.
        held: rules that hold.
        failed: rules that do not.
        differing: ranges of shared bytes that differ from the revision's, at most 1000.
        differing_bytes: how many bytes that is in all.
        broken_copies: copies that are not alike.
        covered: share of the dump's bytes that are not filler and that a rule or shared bytes watch.
        flip: the one bit that explains all that was found, if there is exactly one.
        reasons: why, in plain sentences.
        against: what a sound dump would not show, as sentences; the same as long as dump and family are.
    """

    sound: float
    revision: int | None
    held: tuple[Rule, ...]
    failed: tuple[FailedRule, ...]
    differing: tuple[Span, ...]
    differing_bytes: int
    broken_copies: tuple[Copy, ...]
    covered: float
    flip: Flip | None
    reasons: tuple[str, ...]
    against: tuple[str, ...]


def judge(family: Family, dump: bytes) -> DumpJudgement:
    """Asks every rule, the shared bytes and the copies of the dump's revision.

    A dump of a revision that was never seen is judged by the rules that hold in all revisions seen, and not
    by its bytes.
    """
    data = as_array(dump)
    if data.size != family.size:
        return _wrong_size(family, data.size)
    number = revision_of(family, data)
    revision = None if number is None else family.revisions[number]
    answers = [(one, one.holds(data)) for one in family.rules_of(number)]
    held = tuple(one for one, holds in answers if holds)
    broken_rules = [one for one, holds in answers if not holds]
    failed = tuple(_failed(one, data, place < MOST_TOLD) for place, one in enumerate(broken_rules))
    own = _own_spans(family, number, data)
    differs = _differs(revision, own, data) if revision is not None and revision.compared else None
    broken = _broken(revision, data)
    watched = _watched(family, number, own, data)
    covered = _covered_share(watched, data)
    flip = _one_flip(failed, differs, revision, _flags(data.size, own), data, held)
    starts, ends = spans_of(differs) if differs is not None else (np.zeros(0, np.int64),) * 2
    accounted = _flags(data.size, own, CLOSE) | _flags(data.size, _checked_spans(held, data))
    far = np.flatnonzero(differs & ~accounted) if differs is not None else starts
    sound = _probability(failed, far.size, len(broken), covered)
    spans = tuple(zip(starts.tolist(), ends.tolist(), strict=True))
    count = 0 if differs is None else int(differs.sum())
    reasons = _reasons(family, number, held, failed, (count, far), broken, covered, flip)
    against = (
        *(f"fails: {one.rule.name}" for one in failed),
        *([_far_sentence(far)] if far.size else []),
        *(_copy_sentence(one) for one in broken),
    )
    return DumpJudgement(
        sound, number, held, failed, spans[:MOST_RANGES], count, broken, covered, flip, reasons, against
    )


def revision_of(family: Family, data: Bytes) -> int | None:
    """The revision whose shared bytes the dump has; None if it has none's. Filler does not count."""
    best, share = None, SAME_REVISION
    for number, one in enumerate(family.revisions):
        agreement = _agreement(one, data)
        if agreement >= share:
            best, share = number, agreement
    return best


def _agreement(revision: Revision, data: Bytes) -> float:
    shared = np.frombuffer(revision.shared, np.uint8)
    telling = (shared != 0x00) & (shared != 0xFF) & ~_flags(data.size, revision.per_drive)
    if not telling.any():
        return 0.0
    same = float((shared == data)[telling].mean())
    if revision.compared:
        return same
    blocks = telling.size // 64 * 64
    alike = ((shared == data) | ~telling)[:blocks].reshape(-1, 64).all(axis=1)
    filled = telling[:blocks].reshape(-1, 64).any(axis=1)
    if not filled.any():
        return same
    return 1.0 if float(alike[filled].mean()) > 0.65 else same


def _flags(size: int, spans: Sequence[Span], room: int = 0) -> Flags:
    """Which bytes lie in the ranges, or nearer to one than `room` bytes; shape (size,)."""
    flags = np.zeros(size, np.bool_)
    for start, end in spans:
        flags[max(0, start - room) : end + room] = True
    return flags


def _own_spans(family: Family, number: int | None, data: Bytes) -> tuple[Span, ...]:
    """Ranges of a dump that are its drive's own: those that differ between the known-good dumps, and what a
    counted list is longer in it than in any of them."""
    if number is None:
        return ()
    revision = family.revisions[number]
    rules = family.rules_of(number)
    longer = []
    for one in rules:
        if one.length is not None:
            reach = _reach(one, rules, np.frombuffer(revision.shared, np.uint8))
            # A list that does not check out says nothing of where it ends.
            longer.append((one.end, min(reach, one.end_in(data)) if one.holds(data) else reach))
    return (*revision.per_drive, *((start, end) for start, end in longer if start < end))


def _checked_spans(held: Sequence[Rule], data: Bytes) -> list[Span]:
    """Ranges under checks that hold and whose values are the drive's own: what differs there without breaking
    them was written so, though few dumps showed that it may differ. Short checks hold too often by chance."""
    return [
        span
        for one in held
        if one.distinct > 1 and one.field_bytes >= _FIELD_BYTES
        for span in one.covers_in(data)
    ]


def _reach(rule: Rule, rules: Sequence[Rule], shared: Bytes) -> int:
    """How far a counted list may reach: over the filler that lies behind the longest one known, up to what
    another rule watches."""
    if rule.end >= shared.size or shared[rule.end] not in FILLERS:
        return rule.end
    other = shared[rule.end :] != shared[rule.end]
    end = rule.end + int(np.argmax(other)) if other.any() else shared.size
    return min([end, *(start for one in rules for start, _ in one.covers if start >= rule.end)])


def _differs(revision: Revision, own: Sequence[Span], data: Bytes) -> Flags:
    differs: Flags = (np.frombuffer(revision.shared, np.uint8) != data) & ~_flags(data.size, own)
    return differs


def _failed(rule: Rule, data: Bytes, located: bool) -> FailedRule:
    found = flips(rule, data) if located else None
    return FailedRule(rule, rule.computed(data), rule.stored(data), found, lane(rule, data))


def _broken(revision: Revision | None, data: Bytes) -> tuple[Copy, ...]:
    if revision is None:
        return ()
    return tuple(
        one
        for one in revision.copies
        if not np.array_equal(
            data[one.first : one.first + one.length], data[one.second : one.second + one.length]
        )
    )


def _watched(family: Family, number: int | None, own: Sequence[Span], data: Bytes) -> Flags:
    flags = np.zeros(family.size, np.bool_)
    if number is not None:
        revision = family.revisions[number]
        if revision.compared:
            flags = ~_flags(family.size, own)
        for copy in revision.copies:
            flags[copy.first : copy.first + copy.length] = True
            flags[copy.second : copy.second + copy.length] = True
    for rule in family.rules_of(number):
        for start, end in rule.covers_in(data):
            flags[start:end] = True
    return flags


def _covered_share(watched: Flags, data: Bytes) -> float:
    telling = (data != 0x00) & (data != 0xFF)
    return float(watched[telling].mean()) if telling.any() else 0.0


def _probability(failed: Sequence[FailedRule], far: int, broken: int, covered: float) -> float:
    """Bayes' rule on the signs found; a damaged dump shows none with the share that nothing watches, and
    with one in 256 of what is watched by as little as an 8-bit check."""
    silent = (1.0 - covered) + covered / 256
    sound = 1.0
    seen: dict[object, int] = {}
    for one in failed:
        sound *= AGAIN if one.rule.algorithm in seen else RULE_FAILS
        seen[one.rule.algorithm] = 1
    sound *= BYTE_DIFFERS ** min(far, 8) * COPY_DIFFERS**broken
    damaged = silent if not failed and not far and not broken else 1.0 - silent
    return PRIOR_SOUND * sound / (PRIOR_SOUND * sound + (1 - PRIOR_SOUND) * max(damaged, 1e-3))


def _one_flip(
    failed: Sequence[FailedRule],
    differs: Flags | None,
    revision: Revision | None,
    own: Flags,
    data: Bytes,
    held: Sequence[Rule],
) -> Flip | None:
    """The single bit that every sign agrees on; `own`: which bytes are the drive's own."""
    if differs is not None and differs.any():
        if int(differs.sum()) > 1 or revision is None:
            return None
        offset = int(np.flatnonzero(differs)[0])
        change = int(revision.shared[offset]) ^ int(data[offset])
        return Flip(offset, change.bit_length() - 1) if change.bit_count() == 1 else None
    sets = [set(one.flips) for one in failed if one.flips is not None]
    if not sets:
        return None
    agreed = set.intersection(*sets)
    agreed = {one for one in agreed if not any(_watches(rule, data, one.offset) for rule in held)}
    agreed = {one for one in agreed if all(_watches(bad.rule, data, one.offset) for bad in failed)}
    if differs is not None:
        agreed = {one for one in agreed if own[one.offset]}
    return agreed.pop() if len(agreed) == 1 else None


def _watches(rule: Rule, data: Bytes, offset: int) -> bool:
    return any(start <= offset < end for start, end in rule.covers_in(data))


def _reasons(
    family: Family,
    number: int | None,
    held: Sequence[Rule],
    failed: Sequence[FailedRule],
    differing: tuple[int, Int64s],
    broken: Sequence[Copy],
    covered: float,
    flip: Flip | None,
) -> tuple[str, ...]:
    """`differing`: how many shared bytes differ, and the places of those far from per-drive ones."""
    said = [_revision_sentence(family, number)]
    if held or failed:
        said.append(f"{len(held)} of {len(held) + len(failed)} rules hold")
    else:
        said.append("no rule is known for it: what per-drive bytes hold cannot be judged")
    for one in failed[:MOST_TOLD]:
        said.append(f"fails: {one.rule.name}; found {one.computed:X}, stored {one.stored:X}" + _where(one))
    count, far = differing
    if far.size:
        said.append(_far_sentence(far))
    elif count:
        differ = "1 byte differs" if count == 1 else f"{count} bytes differ"
        said.append(f"{differ} beside per-drive ones or under checks that hold, and may be per-drive too")
    for copy in broken[:MOST_TOLD]:
        said.append(
            _copy_sentence(copy)
            + ("" if failed else ", while all rules hold: one may be older rather than damaged")
        )
    said.append(f"{covered:.0%} of the bytes that are not filler are watched")
    if flip is not None:
        said.append(
            f"a single flipped bit explains all of it: bit {flip.bit} of the byte at {flip.offset:#x}"
        )
    return tuple(said)


def _far_sentence(far: Int64s) -> str:
    if far.size == 1:
        return f"1 byte that all drives share differs, at {int(far[0]):#x}"
    return f"{far.size} bytes that all drives share differ, the first at {int(far[0]):#x}"


def _copy_sentence(copy: Copy) -> str:
    return f"the copies of {copy.length} bytes at {copy.first:#x} and {copy.second:#x} are not alike"


def _where(one: FailedRule) -> str:
    if one.flips:
        places = ", ".join(f"bit {flip.bit} at {flip.offset:#x}" for flip in one.flips)
        return f"; as a single flipped bit it would be {places}"
    if one.lane:
        return f"; as a single flipped bit it would be {one.lane}"
    return "; no single flipped bit explains it" if one.flips == () else ""


def _revision_sentence(family: Family, number: int | None) -> str:
    if number is None:
        return "its code is of no revision that was learned, so that its shared bytes cannot be compared"
    one = family.revisions[number]
    if one.compared:
        return f"its code is revision {number + 1}, known from {one.dumps} dumps"
    return f"its code is revision {number + 1}, known from one dump, so that per-drive bytes are not known"


def _wrong_size(family: Family, size: int) -> DumpJudgement:
    reason = f"it has {size} bytes and the family's dumps have {family.size}"
    return DumpJudgement(0.0, None, (), (), (), 0, (), 0.0, None, (reason,), (reason,))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Whether a patient's and a donor's dump share their code.

    Args:
        same_code: True if they differ in per-drive bytes only; False if they differ elsewhere; None if it
            cannot be told because per-drive bytes are not known.
        patient_revision, donor_revision: revisions; None if of none that was learned.
        differing: ranges that differ outside per-drive bytes; with per-drive bytes not known all ranges
            that differ; at most 1000.
        differing_bytes: bytes of them in all.
        per_drive: ranges that differ within per-drive bytes, or so near them that they may be per-drive
            too; at most 1000.
        reason: one sentence.
    """

    same_code: bool | None
    patient_revision: int | None
    donor_revision: int | None
    differing: tuple[Span, ...]
    differing_bytes: int
    per_drive: tuple[Span, ...]
    reason: str


def compare(family: Family, patient: bytes, donor: bytes) -> Comparison:
    """Compares two dumps byte by byte against what the family says of per-drive bytes."""
    left, right = as_array(patient), as_array(donor)
    if not left.size == right.size == family.size:
        reason = f"dumps of {left.size} and {right.size} bytes, where the family has {family.size}"
        return Comparison(False, None, None, (), 0, (), reason)
    one, two = revision_of(family, left), revision_of(family, right)
    differs = left != right
    if not differs.any():
        return Comparison(True, one, two, (), 0, (), "the two dumps are the same to the last byte")
    own = (*_own_spans(family, one, left), *_own_spans(family, two, right))
    private = _flags(family.size, own, CLOSE)
    outside, inside = _ranges(differs & ~private), _ranges(differs & private)
    count = int((differs & ~private).sum())
    if one is None or two is None or one != two:
        same, reason = _of_two_revisions(one, two)
    elif not family.revisions[one].compared:
        same, reason = None, "their revision is known from one dump, so that per-drive bytes are not known"
    elif count:
        said = "1 byte differs" if count == 1 else f"{count} bytes differ"
        same, reason = False, f"{said} that all drives of the revision share"
    else:
        same, reason = True, "they differ in per-drive bytes only"
    return Comparison(same, one, two, outside[:MOST_RANGES], count, inside[:MOST_RANGES], reason)


def _of_two_revisions(one: int | None, two: int | None) -> tuple[bool | None, str]:
    if one is not None and two is not None:
        return False, f"the patient has revision {one + 1} and the donor revision {two + 1}"
    if one is None and two is None:
        return None, "neither is of a revision that was learned, so that per-drive bytes are not known"
    who = "patient" if one is None else "donor"
    return False, f"the {who}'s code is of no revision that was learned and the other's is"


def _ranges(flags: Flags) -> tuple[Span, ...]:
    starts, ends = spans_of(flags)
    return tuple(zip(starts.tolist(), ends.tolist(), strict=True))
