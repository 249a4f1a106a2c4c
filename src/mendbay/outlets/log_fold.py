"""What the rows of a log amount to, folded in one sweep: of every place the last row counts.

A log may hold any number of doubts, also one that nobody here wrote, so the cost grows little faster than the
rows.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mendbay.core.layers import topmost
from mendbay.core.span import Int64s, Span, SpanSet

if TYPE_CHECKING:
    from mendbay.outlets.checkpoint import Row

At = tuple[int, Span]
"""The number of a row, counted from 1, and its range."""


@dataclass(frozen=True, slots=True)
class Amounts:
    """What is given and not doubted since, what is waived, and the refused reads that no later doubt took
    back, oldest first."""

    given: SpanSet
    waived: SpanSet
    refused: list[Row]


def fold(rows: Iterable[Row]) -> Amounts:
    """What the rows of a log, oldest first, amount to. A doubt takes back what was given there before it, and
    the refused reads before it that lie in it as a whole; a second answer (`again`) changes nothing."""
    given = array("q")  # of each row its number, start and stop: there may be very many
    doubts: list[At] = []
    waived: list[Span] = []
    refused: list[tuple[int, Row]] = []
    for number, row in enumerate(rows, 1):
        if row.outcome == "given":
            given.extend((number, row.start, row.stop))
        elif row.outcome == "doubted":
            doubts.append((number, Span(row.start, row.stop)))
        elif row.outcome == "waived":
            waived.append(Span(row.start, row.stop))
        elif row.outcome != "again":
            refused.append((number, row))
    places = [(number, Span(row.start, row.stop)) for number, row in refused]
    stands = standing(places, doubts)
    kept = [row for (_, row), its in zip(refused, stands, strict=True) if its]
    columns = np.array(given, dtype=np.int64).reshape(-1, 3)
    return Amounts(_still_given(columns, doubts), SpanSet(waived), kept)


def _still_given(given: Int64s, doubts: Sequence[At]) -> SpanSet:
    """What was given after it was last doubted. Only in and beside doubts the order matters.

    Args:
        given: number, start and stop of each row; shape (n, 3).
    """
    starts, stops = given[:, 1], given[:, 2]
    everything = SpanSet.from_bounds(starts, stops)
    if not doubts:
        return everything
    doubted = SpanSet(span for _, span in doubts)
    beside = np.minimum(np.searchsorted(doubted.stops, starts, side="right"), len(doubted) - 1)
    meets = (doubted.starts[beside] < stops) & (starts < doubted.stops[beside])
    layers = [(number, span.start, span.stop, True) for number, span in doubts]
    layers += [(number, start, stop, False) for number, start, stop in given[meets].tolist()]
    layers.sort()
    on_top = topmost([(start, stop) for _, start, stop, _ in layers])
    again = SpanSet(span for span, index in on_top if not layers[index][3])
    return (everything - doubted) | again


def standing(reads: Sequence[At], doubts: Sequence[At]) -> list[bool]:
    """For each of the reads, whether no doubt noted after it covers it as a whole.

    By ascending start, the doubts that begin no later than a read are known; of those, the latest that ends
    at or behind it is found by a binary indexed tree over their ends, which keeps maxima.
    """
    stands = [True] * len(reads)
    if not doubts:
        return stands
    stops = sorted({span.stop for _, span in doubts})
    latest = [0] * (len(stops) + 1)
    coming = iter(sorted(doubts, key=lambda one: one[1].start))
    doubt = next(coming, None)
    for index in sorted(range(len(reads)), key=lambda one: reads[one][1].start):
        number, span = reads[index]
        while doubt is not None and doubt[1].start <= span.start:
            behind = len(stops) - bisect_left(stops, doubt[1].stop)
            while behind < len(latest):
                latest[behind] = max(latest[behind], doubt[0])
                behind += behind & -behind
            doubt = next(coming, None)
        behind = len(stops) - bisect_left(stops, span.stop)
        while behind > 0 and stands[index]:
            stands[index] = latest[behind] < number
            behind -= behind & -behind
    return stands
