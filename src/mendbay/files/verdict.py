"""The verdict on a file: is every byte of it proven?

`whole`: all bytes are there and their description is proven. `holed`: some bytes are missing; which, is
listed. `lost`: nothing of a file that had bytes is left, or its inode is not to be had, so that not even
its size is known. `unproven`: all bytes are there, but the description could not be checked, or some bytes
come from a half that fell behind and may be older, or something speaks against some of them: the drive gave
two answers, the halves of a mirror differ there, or elsewhere while only one of them gave these, or the image
is no longer what the drive gave.

Nothing is `lost` that was not asked for: until it is, a file of which nothing is there is `holed`, or
`unproven` if that goes for its inode. No copy is made of it either way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.source import DOUBTS, Gap, Lack, Mark, Marked, Outlook, Reading, Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import NOT_READ_YET, Entry, Kind, Layout, Proof

CHUNK_BYTES = 4 << 20

SETTLE_SECONDS = 3600
"""How long before the halves parted a file must have been left alone: delayed writes and clock steps
stay well below an hour (common practice, no source)."""


DOUBT_WORDS = {
    Mark.TWO_ANSWERS: "lie where the drive gave other bytes when read again; nothing says which are right",
    Mark.HALVES_DIFFER: "lie where the drives of the mirror hold other bytes; nothing says which are right",
    Mark.ONE_HALF_ALONE: "come from one half of a mirror whose halves differ; nothing says which is right",
    Mark.NOT_AS_READ: "lie where the image no longer holds what the drive gave",
}


class Verdict(StrEnum):
    """What can be said of a file's bytes."""

    WHOLE = "whole"
    HOLED = "holed"
    LOST = "lost"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict on one file with what it rests on. All spans are in bytes of the file. `doubts` are the
    marks of `DOUBTS` that its bytes carry."""

    verdict: Verdict
    gaps: tuple[Gap, ...]
    other_half: SpanSet
    older: SpanSet
    reasons: tuple[str, ...]
    doubts: tuple[Marked, ...] = ()


def file_outlook(volume: Source, layout: Layout) -> Outlook:
    """The gaps and marks of a file's bytes, in file coordinates, without reading anything."""
    if layout.inline is not None:
        return Outlook()
    gaps: list[Gap] = [Gap(span, Lack.ABSENT) for span in layout.unmapped]
    marks: list[Marked] = []
    for extent in layout.extents:
        where = extent.volume_span
        if where is None:
            continue
        seen = volume.outlook(where).shift(extent.file_span.start - where.start)
        gaps.extend(seen.gaps)
        marks.extend(seen.marks)
    return Outlook(tuple(sorted(gaps, key=_start)), tuple(sorted(marks, key=_start)))


def file_readings(volume: Source, layout: Layout, chunk_bytes: int = CHUNK_BYTES) -> Iterator[Reading]:
    """The file's bytes from first to last, in file coordinates, at most `chunk_bytes` at a time.

    Sparse runs come as zeros without a gap: that is what the file system says they are. Bytes whose
    place is not known are `ABSENT` gaps.
    """
    if layout.inline is not None:
        yield Reading(Span(0, layout.size_bytes), layout.inline[: layout.size_bytes])
        return
    for span, source_start in _runs(layout):
        for at in range(span.start, span.stop, chunk_bytes):
            piece = Span(at, min(at + chunk_bytes, span.stop))
            if source_start is not None:
                start = source_start + at - span.start
                yield volume.read(Span.at(start, piece.length)).shift(at - start)
            elif layout.unmapped.overlaps(piece):
                yield Reading(piece, bytes(piece.length), (Gap(piece, Lack.ABSENT),))
            else:
                yield Reading(piece, bytes(piece.length))


def _runs(layout: Layout) -> Iterator[tuple[Span, int | None]]:
    """Consecutive runs that fill the file: mapped ones with their place, sparse and unmapped ones without."""
    mapped = [(one.file_span, one.volume_start) for one in layout.extents if one.volume_start is not None]
    mapped += [(span, -1) for span in layout.unmapped]
    at = 0
    for span, start in sorted(mapped):
        if span.start > at:
            yield Span(at, span.start), None
        yield span, None if start == -1 else start
        at = span.stop
    if at < layout.size_bytes:
        yield Span(at, layout.size_bytes), None


def judge(entry: Entry, layout: Layout, outlook: Outlook, halves_parted_at: int | None = None) -> Judgement:
    """The verdict on a file.

    Args:
        entry, layout: what the file system says of it.
        outlook: its gaps and marks in file coordinates, from `file_outlook` or from reading it.
        halves_parted_at: when the older half of a mirror fell behind, in seconds since 1970. Bytes from
            it are current if the file's inode has not changed since (common practice, no source: every
            write to a file moves its change time, and the inode itself was read from the fresher half).

    Returns:
        The verdict; `older` holds only bytes that are not proven current.
    """
    missing = SpanSet(gap.span for gap in outlook.gaps)
    other_half = SpanSet(one.span for one in outlook.marks if one.mark is Mark.OTHER_HALF)
    older = SpanSet(one.span for one in outlook.marks if one.mark is Mark.POSSIBLY_OLDER)
    reasons = [*entry.problems, *(text for text in layout.problems if text not in entry.problems)]
    proof = entry.proof if layout.proof is not Proof.NONE else Proof.NONE
    if other_half and not older:
        reasons.append(
            f"{other_half.total_bytes} bytes come from the second half of the mirror, as the first lacks them"
        )
    if older and proof is not Proof.NONE and _untouched_since(entry, halves_parted_at):
        reasons.append(
            f"{older.total_bytes} bytes come from the half that fell behind; the file has not changed since "
            "before it did, so they are current"
        )
        older = SpanSet()
    elif older:
        reasons.append(f"{older.total_bytes} bytes come from the half that fell behind and may be older")
    doubts = tuple(one for one in outlook.marks if one.mark in DOUBTS)
    for mark in DOUBTS:
        against = SpanSet(one.span for one in doubts if one.mark is mark)
        if against:
            reasons.append(f"{against.total_bytes} bytes {DOUBT_WORDS[mark]}")
    unread = SpanSet(gap.span for gap in outlook.gaps if gap.why is Lack.UNREAD)
    if unread:
        reasons.append(f"{unread.total_bytes} bytes have not been asked for yet: reading on may bring them")
    if is_undescribed(entry):
        mendable = any(NOT_READ_YET in problem for problem in entry.problems)
        verdict = Verdict.UNPROVEN if mendable else Verdict.LOST
    elif not unread and nothing_left(layout, missing):
        verdict = Verdict.LOST
    elif missing:
        verdict = Verdict.HOLED
    elif older or doubts or (proof is Proof.NONE and entry.kind is not Kind.OTHER):
        verdict = Verdict.UNPROVEN
    else:
        verdict = Verdict.WHOLE
    return Judgement(verdict, outlook.gaps, other_half, older, tuple(reasons), doubts)


def is_undescribed(entry: Entry) -> bool:
    """Whether there is nothing but the name of a file: no inode that can be used leads to its bytes. No copy
    must be made of such a file, since it would look like an empty one."""
    return entry.kind is Kind.FILE and not entry.is_described


def _untouched_since(entry: Entry, parted_at: int | None) -> bool:
    return parted_at is not None and 0 < entry.changed_at < parted_at - SETTLE_SECONDS


def nothing_left(layout: Layout, missing: SpanSet) -> bool:
    """Whether a file that has stored bytes lacks them all (sparse runs are nothing that was stored)."""
    if not missing or layout.size_bytes == 0:
        return False
    stored = SpanSet(one.file_span for one in layout.extents if one.volume_start is not None)
    return not ((stored | layout.unmapped) - missing)


def _start(one: Gap | Marked) -> int:
    return one.span.start
