"""The ranges added to an image since its coverage was last made."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from mendbay.core.span import Span, SpanSet


class FreshSpans:
    """A set of bytes that is added to, and looked into, read by read: neither costs more as it grows."""

    def __init__(self) -> None:
        self._starts: list[int] = []  # in order of place; the spans neither overlap nor touch
        self._stops: list[int] = []

    def add(self, span: Span) -> None:
        """Adds a range, which is not empty."""
        first = bisect_left(self._stops, span.start)
        last = bisect_right(self._starts, span.stop)
        start, stop = span.start, span.stop
        if first < last:
            start, stop = min(start, self._starts[first]), max(stop, self._stops[last - 1])
        self._starts[first:last] = [start]
        self._stops[first:last] = [stop]

    def within(self, span: Span) -> SpanSet:
        """What of a range is in the set."""
        first = bisect_right(self._stops, span.start)
        last = bisect_left(self._starts, span.stop)
        return SpanSet.from_bounds(self._starts[first:last], self._stops[first:last]).clip(span)

    def take(self) -> SpanSet:
        """All of it; the set is empty afterwards."""
        taken = SpanSet.from_bounds(self._starts, self._stops)
        self._starts, self._stops = [], []
        return taken
