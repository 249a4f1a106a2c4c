"""What of a drive is not in its image, range by range, with what is known of why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np

from mendbay.core.coverage import Condition, Coverage
from mendbay.core.layers import topmost_columns
from mendbay.core.span import Bools, Int64s, Span, SpanSet
from mendbay.imaging.trouble import Trouble


@dataclass(frozen=True, slots=True)
class Refusal:
    """A read that was not given: of what, in which run, why, and when (UTC).

    `error` is the system's name of the error; `celsius` the drive's temperature, None where not measured.
    """

    span: Span
    run: int
    seconds: float
    error: str
    trouble: Trouble
    at: str
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class Lacking:
    """A range that is not read.

    `tries` says how often each of its sectors was refused alone, or with its physical sector. The rest is
    that of the last refused read that held it, whatever its length; `trouble` is None, and the texts are
    empty, if there was none. `at` is the latest time where sectors that are alike in everything else make one
    range, `celsius` the highest temperature.
    """

    span: Span
    condition: Condition
    tries: int
    trouble: Trouble | None = None
    error: str = ""
    at: str = ""
    adapter: str = ""
    celsius: float | None = None


class LackingRanges(Sequence[Lacking]):
    """Every range that is not read, from first to last. There may be very many, and few are looked at: what
    is known of one is put together when it is asked for.

    Args:
        coverage: what is in the image.
        refusals: every read that was not given, oldest first.
        adapters: of each run.
        apart: ranges of their own of what is unread: one is cut where they begin or end.
    """

    def __init__(
        self,
        coverage: Coverage,
        refusals: Sequence[Refusal],
        adapters: Mapping[int, str],
        apart: SpanSet | None = None,
    ) -> None:
        self._refusals = refusals
        self._adapters = adapters
        cells = _cells(coverage, refusals, apart or SpanSet())
        self._cells = cells
        self._heads = np.flatnonzero(self._begins(cells))
        self._tails = np.append(self._heads[1:], cells.starts.size)[: self._heads.size]

    def _begins(self, cells: _Cells) -> Bools:
        """For each cell, whether it is not joined with the one before."""
        codes: dict[tuple[object, ...], int] = {}
        told, which = np.unique(cells.refusal, return_inverse=True)
        of_refusal = np.array(
            [codes.setdefault(self._said(one), len(codes)) for one in told.tolist()], dtype=np.int64
        )
        code = of_refusal[which] if told.size else told
        begins = np.ones(cells.starts.size, dtype=bool)
        begins[1:] = cells.starts[1:] != cells.stops[:-1]
        for column in (cells.condition, cells.tries, cells.apart, code):
            begins[1:] |= column[1:] != column[:-1]
        return begins

    def _said(self, refusal: int) -> tuple[object, ...]:
        """What sectors that make one range have in common of their last refusal; -1 for none."""
        if refusal < 0:
            return (0, "", "", True)
        one = self._refusals[refusal]
        return id(one.trouble), one.error, self._adapters[one.run], one.at == ""  # a class is one object

    def __len__(self) -> int:
        return int(self._heads.size)

    @overload
    def __getitem__(self, at: int) -> Lacking: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Lacking, ...]: ...
    def __getitem__(self, at: int | slice) -> Lacking | tuple[Lacking, ...]:
        if isinstance(at, slice):
            return tuple(self._one(one) for one in range(*at.indices(len(self))))
        return self._one(range(len(self))[at])

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and list(self) == list(other)

    def __hash__(self) -> int:
        return hash((self._cells.starts.tobytes(), self._cells.stops.tobytes()))

    def within(self, span: Span) -> range:
        """Which of them, by their places here, hold any byte of a range."""
        starts, stops = self._cells.starts[self._heads], self._cells.stops[self._tails - 1]
        first = int(np.searchsorted(stops, span.start, side="right"))
        return range(first, max(first, int(np.searchsorted(starts, span.stop, side="left"))))

    def _one(self, number: int) -> Lacking:
        first, last = int(self._heads[number]), int(self._tails[number])
        cells = self._cells
        span = Span(int(cells.starts[first]), int(cells.stops[last - 1]))
        condition, tries = _CONDITIONS[int(cells.condition[first])], int(cells.tries[first])
        said = [self._refusals[one] for one in set(cells.refusal[first:last].tolist()) if one >= 0]
        if not said:
            return Lacking(span, condition, tries)
        one = said[0]
        return Lacking(
            span,
            condition,
            tries,
            one.trouble,
            one.error,
            max(each.at for each in said),
            self._adapters[one.run],
            max((each.celsius for each in said if each.celsius is not None), default=None),
        )


_CONDITIONS = (Condition.REFUSED, Condition.WAIVED, Condition.UNREAD)
_UNREAD = _CONDITIONS.index(Condition.UNREAD)


@dataclass(frozen=True, slots=True)
class _Cells:
    """What is not read, in order of place, cut wherever anything changes that is known of it.

    Attributes:
        condition: place in `_CONDITIONS`.
        refusal: the last one that holds it; -1 for none.
        apart: whether it lies in a range of its own.
    """

    starts: Int64s
    stops: Int64s
    condition: Int64s
    tries: Int64s
    refusal: Int64s
    apart: Bools


def _cells(coverage: Coverage, refusals: Sequence[Refusal], apart: SpanSet) -> _Cells:
    single = np.minimum(coverage.refused_starts + coverage.sector_bytes, coverage.size_bytes)
    unread = coverage.unread
    starts = np.concatenate((coverage.refused_starts, coverage.waived.starts, unread.starts))
    stops = np.concatenate((single, coverage.waived.stops, unread.stops))
    condition = np.repeat(np.arange(3), (single.size, len(coverage.waived), len(unread)))
    tries = np.zeros(starts.size, dtype=np.int64)
    tries[: single.size] = coverage.refused_tries
    order = np.argsort(starts, kind="stable")
    starts, stops, condition, tries = starts[order], stops[order], condition[order], tries[order]
    bounds = np.array([(one.span.start, one.span.stop) for one in refusals], dtype=np.int64).reshape(-1, 2)
    held = np.flatnonzero(bounds[:, 1] > bounds[:, 0])
    laid = topmost_columns(bounds[held, 0], bounds[held, 1])
    borders = np.unique(np.concatenate((starts, stops, laid[0], laid[1], apart.starts, apart.stops)))
    begin, end = borders[:-1], borders[1:]
    which = np.searchsorted(starts, begin, side="right") - 1
    lacks = (which >= 0) & (begin < stops[np.maximum(which, 0)]) if starts.size else np.zeros(0, dtype=bool)
    begin, end, which = begin[: lacks.size][lacks], end[: lacks.size][lacks], which[: lacks.size][lacks]
    refusal = np.full(begin.size, -1, dtype=np.int64)
    if laid[0].size:
        above = np.searchsorted(laid[0], begin, side="right") - 1
        covered = (above >= 0) & (begin < laid[1][np.maximum(above, 0)])
        refusal[covered] = held[laid[2][above[covered]]]
    is_apart = apart.holds(begin) & (condition[which] == _UNREAD)
    return _Cells(begin, end, condition[which], tries[which], refusal, is_apart)
