"""Gaps, marks and origins as sets, so that the answers of several members are put together at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt

from mendbay.core.source import Gap, Lack, Mark, Marked, Origin
from mendbay.core.span import Int64s, Span, SpanSet, union

Lacks = dict[Lack, SpanSet]
Marks = dict[Mark, SpanSet]

MOST_HOPEFUL_FIRST = (Lack.UNREAD, Lack.WAIVED, Lack.REFUSED, Lack.ABSENT)
"""Where two copies lack the same bytes the reason told is the one that leaves most to be tried: what was
never asked for can be asked for, what was left can be taken up, what was refused can be tried again,
and what is not there cannot be had."""


def lacks_of(gaps: Iterable[Gap]) -> Lacks:
    """The gaps as one set per reason; reasons that do not occur are left out."""
    spans: dict[Lack, list[Span]] = {}
    for gap in gaps:
        spans.setdefault(gap.why, []).append(gap.span)
    return {why: SpanSet(found) for why, found in spans.items()}


def marks_of(marks: Iterable[Marked]) -> Marks:
    """The marks as one set per kind."""
    spans: dict[Mark, list[Span]] = {}
    for one in marks:
        spans.setdefault(one.mark, []).append(one.span)
    return {mark: SpanSet(found) for mark, found in spans.items()}


def gaps_from(lacks: Mapping[Lack, SpanSet]) -> tuple[Gap, ...]:
    """The sets, which must not overlap, as sorted gaps."""
    found = [Gap(span, why) for why, spans in lacks.items() for span in spans]
    return tuple(sorted(found, key=lambda gap: gap.span.start))


def marks_from(marks: Mapping[Mark, SpanSet]) -> tuple[Marked, ...]:
    """The sets as sorted marks; the same bytes may carry several."""
    found = [Marked(span, mark) for mark, spans in marks.items() for span in spans]
    return tuple(sorted(found, key=lambda one: (one.span.start, one.mark)))


_MISSING = {
    Lack.UNREAD: ("has not been read yet", "have not been read yet"),
    Lack.WAIVED: ("was left out", "were left out"),
    Lack.REFUSED: ("could not be read", "could not be read"),
    Lack.ABSENT: ("is not there", "are not there"),
}


def missing_words(gaps: Iterable[Gap], plural: bool = False) -> str:
    """The end of a sentence about something that is missing: why, by `MOST_HOPEFUL_FIRST`.

    Raises:
        ValueError: no gap.
    """
    reasons = {gap.why for gap in gaps}
    if not reasons:
        raise ValueError("nothing is missing")
    return _MISSING[min(reasons, key=MOST_HOPEFUL_FIRST.index)][plural]


def most_hopeful(everywhere: SpanSet, answers: Iterable[Lacks]) -> Lacks:
    """For bytes that no copy has, the reason to tell, by `MOST_HOPEFUL_FIRST`.

    Args:
        everywhere: what every copy lacks.
        answers: what each copy lacks, and why.
    """
    copies = list(answers)
    told: Lacks = {}
    left = everywhere
    for why in MOST_HOPEFUL_FIRST:
        spans = left & union(lacks.get(why, SpanSet()) for lacks in copies)
        if spans:
            told[why] = spans
            left = left - spans
    return told


def merged_needs(maps: Iterable[Mapping[str, SpanSet]]) -> dict[str, SpanSet]:
    """Several bay-to-bytes maps as one."""
    out: dict[str, SpanSet] = {}
    for one in maps:
        for bay, spans in one.items():
            out[bay] = out[bay] | spans if bay in out else spans
    return out


def pair_up(
    starts: Int64s, stops: Int64s, piece_starts: Int64s, piece_stops: Int64s
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Which of some sorted, disjoint intervals meet which of some sorted, disjoint pieces.

    Returns:
        Two columns of equal length, interval and piece, ordered by interval then piece.
    """
    first = np.searchsorted(piece_stops, starts, side="right")
    last = np.searchsorted(piece_starts, stops, side="left")
    count = np.maximum(last - first, 0)
    own = np.repeat(np.arange(starts.size), count)
    ahead = np.repeat(np.cumsum(count) - count, count)
    return own, np.arange(own.size) - ahead + np.repeat(first, count)


def cut_origins(
    origins: Iterable[Origin],
    piece_starts: Int64s,
    piece_stops: Int64s,
    targets: Int64s,
    mark: Mark | None = None,
) -> list[Origin]:
    """The origins cut at the pieces and moved with them.

    Args:
        origins: sorted and disjoint.
        piece_starts, piece_stops: sorted and disjoint pieces, in the coordinates of the origins.
        targets: where the first byte of each piece goes.
        mark: what the bytes carry from here on; `POSSIBLY_OLDER` from below is kept in any case.
    """
    found = list(origins)
    starts = np.array([one.span.start for one in found], np.int64)
    stops = np.array([one.span.stop for one in found], np.int64)
    own, piece = pair_up(starts, stops, piece_starts, piece_stops)
    begin = np.maximum(starts[own], piece_starts[piece])
    end = np.minimum(stops[own], piece_stops[piece])
    moved = begin - piece_starts[piece] + targets[piece]
    return [
        Origin(
            Span(to, to + stop - start),
            found[which].bay,
            Span.at(found[which].at.start + start - found[which].span.start, stop - start),
            graver(found[which].mark, mark),
        )
        for which, start, stop, to in zip(
            own.tolist(), begin.tolist(), end.tolist(), moved.tolist(), strict=True
        )
    ]


def graver(one: Mark | None, other: Mark | None) -> Mark | None:
    """The mark that says more against the bytes."""
    return Mark.POSSIBLY_OLDER if Mark.POSSIBLY_OLDER in (one, other) else one or other
