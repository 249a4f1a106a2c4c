"""Spans laid over each other: which one is on top at every place."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from mendbay.core.span import Int64s, Span

_MOST_CELLS = 4_000_000
"""Ranges between two borders that are laid at once: bounds the memory."""


def topmost_columns(starts: Int64s, stops: Int64s) -> tuple[Int64s, Int64s, Int64s]:
    """As `topmost`, for spans in columns, all of them not empty, that mostly lie beside each other or on few
    others: starts, stops and indices, where neighbours with the same index may stay two."""
    borders = np.unique(np.concatenate((starts, stops)))
    first, last = np.searchsorted(borders, starts), np.searchsorted(borders, stops)
    top: Int64s = np.full(max(0, borders.size - 1), -1, dtype=np.int64)
    ends = np.cumsum(last - first)
    at = 0
    while at < starts.size:
        laid = int(ends[at - 1]) if at else 0
        beyond = max(at + 1, int(np.searchsorted(ends, laid + _MOST_CELLS, side="right")))
        some = np.arange(at, beyond)
        count = (last - first)[at:beyond]
        inside = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        top[np.repeat(first[at:beyond], count) + inside] = np.repeat(some, count)  # the last one stays
        at = beyond
    held = np.flatnonzero(top >= 0)
    return borders[held], borders[held + 1], top[held]


def topmost(spans: Sequence[tuple[int, int]]) -> list[tuple[Span, int]]:
    """Which of these spans is the last one laid at every place.

    Args:
        spans: (start, stop), the lowest first; empty ones cover nothing.

    Returns:
        Disjoint spans in order of place, each with the index of the span on top; places that none covers are
        left out, and neighbours with the same index are one.
    """
    borders = sorted({border for span in spans for border in span})
    by_start = sorted(range(len(spans)), key=lambda index: spans[index][0])
    laid: list[tuple[int, int]] = []
    found: list[tuple[Span, int]] = []
    coming = 0
    for here, beyond in pairwise(borders):
        while coming < len(by_start) and spans[by_start[coming]][0] <= here:
            index = by_start[coming]
            heapq.heappush(laid, (-index, spans[index][1]))
            coming += 1
        while laid and laid[0][1] <= here:
            heapq.heappop(laid)
        if not laid:
            continue
        top = -laid[0][0]
        if found and found[-1][1] == top and found[-1][0].stop == here:
            found[-1] = (Span(found[-1][0].start, beyond), top)
        else:
            found.append((Span(here, beyond), top))
    return found
