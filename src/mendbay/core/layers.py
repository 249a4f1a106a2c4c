"""Spans laid over each other: which one is on top at every place."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from itertools import pairwise

from mendbay.core.span import Span


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
