"""Ranges of bytes, and sets of them, as every stage exchanges them.

All positions are byte offsets from the start of the source in question, half open, as signed 64-bit
integers. A `SpanSet` is immutable: two sorted columns of starts and stops with no overlap and no
touching neighbours, so equal sets have equal columns.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """The bytes from `start` up to but not including `stop`. `start == stop` is an empty span.

    Raises:
        ValueError: a negative start, or a stop before the start.
    """

    start: int
    stop: int

    def __post_init__(self) -> None:
        if self.start < 0 or self.stop < self.start:
            raise ValueError(f"not a span: {self.start} to {self.stop}")

    @classmethod
    def at(cls, start: int, length: int) -> Span:
        """The span of `length` bytes that begins at `start`."""
        return cls(start, start + length)

    @property
    def length(self) -> int:
        """How many bytes the span holds."""
        return self.stop - self.start

    def __contains__(self, offset: object) -> bool:
        return isinstance(offset, (int, np.integer)) and self.start <= int(offset) < self.stop

    def covers(self, other: Span) -> bool:
        """Whether every byte of `other` lies in this span (an empty one always does)."""
        return other.length == 0 or (self.start <= other.start and other.stop <= self.stop)

    def overlaps(self, other: Span) -> bool:
        """Whether the two have at least one byte in common."""
        return max(self.start, other.start) < min(self.stop, other.stop)

    def clip(self, other: Span) -> Span:
        """The part of this span inside `other`; empty, at a place inside `other`, when there is none."""
        start = min(max(self.start, other.start), other.stop)
        return Span(start, max(start, min(self.stop, other.stop)))

    def shift(self, delta: int) -> Span:
        """The span moved by `delta` bytes."""
        return Span(self.start + delta, self.stop + delta)

    def widen(self, unit: int) -> Span:
        """The smallest span on multiples of `unit` that holds this one; an empty span stays empty."""
        if self.length == 0:
            return self
        return Span(self.start // unit * unit, -(-self.stop // unit) * unit)


@dataclass(frozen=True, slots=True)
class SameBytes:
    """Bytes that two sources hold alike: where they begin on the first and on the second, and how many."""

    starts: tuple[int, int]
    length: int


_NONE: Int64s = np.empty(0, dtype=np.int64)
_NONE.setflags(write=False)


class SpanSet:
    """An immutable set of bytes, kept as sorted, disjoint, non-touching spans.

    Supports `|` (union), `&` (intersection), `-` (difference), `==`, `len` (number of spans),
    truth (any byte at all) and iteration over `Span`. Every operation is vectorised.
    """

    __slots__ = ("starts", "stops")

    starts: Int64s
    stops: Int64s

    def __init__(self, spans: Iterable[Span] = ()) -> None:
        pairs = [(span.start, span.stop) for span in spans]
        if not pairs:  # most files lack nothing, and millions are judged
            self.starts = self.stops = _NONE
            return
        bounds = np.array(pairs, dtype=np.int64).reshape(-1, 2)
        self.starts, self.stops = _normal(bounds[:, 0], bounds[:, 1])

    @classmethod
    def from_bounds(cls, starts: npt.ArrayLike, stops: npt.ArrayLike) -> SpanSet:
        """The union of the spans `starts[i]` to `stops[i]`, in any order, overlapping or not.

        Raises:
            ValueError: the columns differ in length, or a stop lies before its start.
        """
        begin = np.asarray(starts, dtype=np.int64).reshape(-1)
        end = np.asarray(stops, dtype=np.int64).reshape(-1)
        if begin.shape != end.shape:
            raise ValueError(f"{begin.size} starts but {end.size} stops")
        if np.any(end < begin):
            raise ValueError("a stop lies before its start")
        return cls._raw(*_normal(begin, end))

    @classmethod
    def _raw(cls, starts: Int64s, stops: Int64s) -> SpanSet:
        made = cls.__new__(cls)
        made.starts, made.stops = starts, stops
        return made

    @property
    def total_bytes(self) -> int:
        """How many bytes the set holds."""
        return int((self.stops - self.starts).sum())

    def hull(self) -> Span:
        """The smallest single span that holds the set; `Span(0, 0)` for an empty set."""
        return Span(int(self.starts[0]), int(self.stops[-1])) if self else Span(0, 0)

    def __len__(self) -> int:
        return int(self.starts.size)

    def __bool__(self) -> bool:
        return self.starts.size > 0

    def __iter__(self) -> Iterator[Span]:
        for start, stop in zip(self.starts.tolist(), self.stops.tolist(), strict=True):
            yield Span(start, stop)

    def __contains__(self, offset: object) -> bool:
        if not isinstance(offset, (int, np.integer)):
            return False
        at = int(np.searchsorted(self.starts, offset, side="right")) - 1
        return at >= 0 and int(offset) < int(self.stops[at])

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, SpanSet):
            return NotImplemented
        return np.array_equal(self.starts, other.starts) and np.array_equal(self.stops, other.stops)

    def __hash__(self) -> int:
        return hash((self.starts.tobytes(), self.stops.tobytes()))

    def __repr__(self) -> str:
        shown = ", ".join(f"{s.start}-{s.stop}" for s, _ in zip(self, range(6), strict=False))
        return f"SpanSet({shown}{', …' if len(self) > 6 else ''})"

    def __or__(self, other: SpanSet) -> SpanSet:
        if not other:
            return self
        if not self:
            return other
        return SpanSet._raw(
            *_normal(
                np.concatenate((self.starts, other.starts)),
                np.concatenate((self.stops, other.stops)),
            )
        )

    def __and__(self, other: SpanSet) -> SpanSet:
        if len(self) == 1 or len(other) == 1:  # no sweep over millions of edges for the sake of one span
            one, many = (self, other) if len(self) == 1 else (other, self)
            return many.clip(one.hull())
        return self._where_depth(other, at_least=2)

    def __sub__(self, other: SpanSet) -> SpanSet:
        if not self or not other:
            return self
        hull = Span(min(self.hull().start, other.hull().start), max(self.hull().stop, other.hull().stop))
        return self & other.complement(hull)

    def _where_depth(self, other: SpanSet, at_least: int) -> SpanSet:
        """Where at least `at_least` of the two sets lie: a sweep over all edges at once."""
        if not self or not other:
            return SpanSet()
        edges = np.concatenate((self.starts, other.starts, self.stops, other.stops))
        step = np.ones(edges.size, dtype=np.int64)
        step[self.starts.size + other.starts.size :] = -1
        order = np.lexsort((step, edges))  # a stop before a start at the same place
        depth = np.cumsum(step[order])
        edges = edges[order]
        inside = np.flatnonzero(depth[:-1] >= at_least)
        return SpanSet._raw(*_normal(edges[inside], edges[inside + 1]))

    def complement(self, within: Span) -> SpanSet:
        """The bytes of `within` that are not in this set."""
        clipped = self.clip(within)
        starts = np.concatenate((np.array([within.start], np.int64), clipped.stops))
        stops = np.concatenate((clipped.starts, np.array([within.stop], np.int64)))
        keep = stops > starts
        return SpanSet._raw(starts[keep], stops[keep])

    def clip(self, within: Span) -> SpanSet:
        """The bytes of this set that lie inside `within`."""
        if not self.starts.size:
            return self
        first = int(self.stops.searchsorted(within.start, side="right"))
        last = int(self.starts.searchsorted(within.stop, side="left"))
        if first >= last or within.length == 0:
            return SpanSet._raw(self.starts[:0], self.stops[:0])
        starts = np.maximum(self.starts[first:last], within.start)
        stops = np.minimum(self.stops[first:last], within.stop)
        return SpanSet._raw(starts, stops)

    def covers(self, span: Span) -> bool:
        """Whether every byte of `span` is in the set."""
        if span.length == 0:
            return True
        at = int(self.starts.searchsorted(span.start, side="right")) - 1
        return at >= 0 and span.stop <= int(self.stops[at])

    def overlaps(self, span: Span) -> bool:
        """Whether at least one byte of `span` is in the set."""
        return bool(self.clip(span))

    def holds(self, offsets: Int64s) -> Bools:
        """For each offset, whether it lies in the set."""
        if not self or not offsets.size:
            return np.zeros(offsets.size, dtype=bool)
        at = np.searchsorted(self.starts, offsets, side="right") - 1
        held: Bools = (at >= 0) & (offsets < self.stops[np.maximum(at, 0)])
        return held

    def shift(self, delta: int) -> SpanSet:
        """The set moved by `delta` bytes.

        Raises:
            ValueError: a byte would come to lie before zero.
        """
        if self and int(self.starts[0]) + delta < 0:
            raise ValueError(f"moving by {delta} puts a byte before zero")
        return SpanSet._raw(self.starts + delta, self.stops + delta)

    def widen(self, unit: int) -> SpanSet:
        """The smallest set of whole blocks of `unit` bytes that holds this one."""
        return SpanSet._raw(*_normal(self.starts // unit * unit, -(-self.stops // unit) * unit))

    def narrow(self, unit: int) -> SpanSet:
        """The largest set of whole blocks of `unit` bytes inside this one."""
        starts, stops = -(-self.starts // unit) * unit, self.stops // unit * unit
        keep = stops > starts
        return SpanSet._raw(starts[keep], stops[keep])

    def map_through(self, starts: npt.ArrayLike, stops: npt.ArrayLike, targets: npt.ArrayLike) -> SpanSet:
        """Where this set lands under a piecewise shift.

        Args:
            starts, stops: the pieces, sorted and disjoint, in this set's coordinates; shape (n,).
            targets: where the first byte of each piece lands; shape (n,).

        Returns:
            The union of the images; bytes outside every piece are dropped.
        """
        piece_start = np.asarray(starts, dtype=np.int64).reshape(-1)
        piece_stop = np.asarray(stops, dtype=np.int64).reshape(-1)
        target = np.asarray(targets, dtype=np.int64).reshape(-1)
        if not self or piece_start.size == 0:
            return SpanSet()
        first = np.searchsorted(piece_stop, self.starts, side="right")
        last = np.searchsorted(piece_start, self.stops, side="left")
        count = np.maximum(last - first, 0)
        own = np.repeat(np.arange(len(self)), count)
        ahead = np.repeat(np.cumsum(count) - count, count)
        piece = np.arange(own.size) - ahead + np.repeat(first, count)
        begin = np.maximum(self.starts[own], piece_start[piece])
        end = np.minimum(self.stops[own], piece_stop[piece])
        delta = target[piece] - piece_start[piece]
        return SpanSet._raw(*_normal(begin + delta, end + delta))


def union(sets: Iterable[SpanSet]) -> SpanSet:
    """Every byte of any of the sets, joined in one go."""
    held = [one for one in sets if one]
    if len(held) < 2:
        return held[0] if held else SpanSet()
    return SpanSet.from_bounds(
        np.concatenate([one.starts for one in held]), np.concatenate([one.stops for one in held])
    )


def _normal(starts: Int64s, stops: Int64s) -> tuple[Int64s, Int64s]:
    """Sorted, merged columns of the given spans; empty spans vanish."""
    keep = stops > starts
    starts, stops = starts[keep], stops[keep]
    if starts.size == 0:
        return starts, stops
    order = np.argsort(starts, kind="stable")
    starts, reach = starts[order], np.maximum.accumulate(stops[order])
    new = np.empty(starts.size, dtype=bool)
    new[0] = True
    np.greater(starts[1:], reach[:-1], out=new[1:])
    heads = np.flatnonzero(new)
    tails = np.append(heads[1:], starts.size) - 1
    return starts[heads], reach[tails]
