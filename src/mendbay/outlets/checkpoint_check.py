"""Whether what a checkpoint says can be true. It may come from another bench, or from nobody's hands."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Set
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet

if TYPE_CHECKING:
    from mendbay.imaging.differences import Difference
    from mendbay.jobs.ports import Run
    from mendbay.outlets.checkpoint import Row

OUTCOMES = frozenset({"given", "refused", "hung", "waived", "again", "doubted"})
_MOST = 2**63
"""One more than a column of SQLite, and an array of places, holds."""
_SHA256 = re.compile(r"[0-9a-f]{64}|")


def identity_in(text: object) -> Identity:
    """The drive that a checkpoint describes.

    Raises:
        ValueError: it describes none that there could be.
    """
    try:
        found = Identity(**json.loads(str(text)))
    except (ValueError, TypeError, RecursionError) as trouble:
        raise ValueError("it does not say which drive it describes") from trouble
    for one in (found.kind, found.name, found.model, found.serial):
        if not isinstance(one, str):
            raise ValueError("it does not say which drive it describes")
    for value, least in ((found.size_bytes, 1), (found.sector_bytes, 1), (found.physical_bytes, 0)):
        if type(value) is not int or not least <= value < _MOST:
            raise ValueError(f"it describes a drive with {str(value)[:40]!r} as one of its sizes")
    return found


def sha256_in(text: object) -> str:
    """The noted digest of a whole image; empty if there is none.

    Raises:
        ValueError: it is no digest.
    """
    if not isinstance(text, str) or not _SHA256.fullmatch(text):
        raise ValueError("its SHA-256 of the image is none")
    return text


def changed_in(text: object, size_bytes: int) -> SpanSet:
    """The pieces noted as no longer what the drive gave.

    Raises:
        ValueError: it does not say which.
    """
    try:
        found = [Span(start, stop) for start, stop in json.loads(str(text))]
        if any(type(place) is not int for one in found for place in (one.start, one.stop)):
            raise ValueError("a place is no number")
    except (ValueError, TypeError, RecursionError) as trouble:
        raise ValueError("it does not say what of the image has changed") from trouble
    if any(one.stop > size_bytes for one in found):
        raise ValueError("it speaks of changes outside the drive")
    return SpanSet(found)


def numbers_of(runs: Iterable[Run]) -> Set[int]:
    """The numbers of the runs.

    Raises:
        ValueError: one of them is not described as a run is.
    """
    numbers = set()
    for run in runs:
        texts = (run.adapter, run.source, run.started_at, run.taken_from, run.bench)
        if type(run.number) is not int or run.number < 1 or not all(isinstance(one, str) for one in texts):
            raise ValueError(f"its run {str(run.number)[:20]} is none")
        numbers.add(run.number)
    return numbers


@dataclass(frozen=True, slots=True)
class LogCheck:
    """Holds what a log says against the drive and the runs it speaks of."""

    size_bytes: int
    sector_bytes: int
    runs: Set[int]

    def require_row(self, row: Row) -> None:
        """Passes a line that can be true.

        Raises:
            ValueError: it cannot.
        """
        if self._is_sound(row):
            return
        self._require_place(row.start, row.stop)
        self._require_run(row.run)
        if row.outcome not in OUTCOMES:
            raise ValueError(f"it has a read that {str(row.outcome)[:20]!r}")
        if not (isinstance(row.error, str) and isinstance(row.at, str) and isinstance(row.trouble, str)):
            raise ValueError(f"what it says of bytes {row.start} to {row.stop} is no text")
        if not _is_figure(row.seconds) or not (row.celsius is None or _is_figure(row.celsius)):
            raise ValueError(f"what it says of bytes {row.start} to {row.stop} is no figure")

    def _is_sound(self, row: Row) -> bool:
        """Whether nothing can be said against a line, told in one go: a log has very many. What a sound line
        may be beside, such as a number of seconds without a fraction, is left to the single checks."""
        start, stop, celsius = row.start, row.stop, row.celsius
        return (
            type(start) is int
            and type(stop) is int
            and 0 <= start < stop <= self.size_bytes
            and not start % self.sector_bytes
            and (not stop % self.sector_bytes or stop == self.size_bytes)
            and type(row.run) is int
            and row.run in self.runs
            and row.outcome in OUTCOMES
            and type(row.error) is str
            and type(row.at) is str
            and type(row.trouble) is str
            and type(row.seconds) is float
            and isfinite(row.seconds)
            and (celsius is None or (type(celsius) is float and isfinite(celsius)))
        )

    def require_difference(self, one: Difference) -> None:
        """Passes a difference that can be true.

        Raises:
            ValueError: it cannot.
        """
        self._require_place(one.span.start, one.span.stop)
        self._require_run(one.first_run)
        self._require_run(one.second_run)
        if not isinstance(one.at, str):
            raise ValueError("the time of a difference is no text")

    def _require_place(self, start: int, stop: int) -> None:
        if type(start) is not int or type(stop) is not int:
            raise ValueError("it speaks of bytes that are no numbers")
        on_borders = start % self.sector_bytes == 0 and (
            stop % self.sector_bytes == 0 or stop == self.size_bytes
        )
        if not (0 <= start < stop <= self.size_bytes and on_borders):
            raise ValueError(f"it speaks of bytes {start} to {stop} of the drive")

    def _require_run(self, run: int) -> None:
        if type(run) is not int or run not in self.runs:
            raise ValueError(f"it speaks of a run {str(run)[:20]!r} that it does not describe")


def _is_figure(value: object) -> bool:
    return isinstance(value, (int, float)) and isfinite(value)
