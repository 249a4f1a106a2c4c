"""What a look at the log of an image made of it, and whether the next look may read on from there.

A log is only added to, by whoever holds the lock of its image; so what its rows up to one amount to stays
true. That it is still the same log is nevertheless shown each time, at a small part of what reading it takes:
the same file, drive and runs, the last row that was read as it was then, and, of all rows up to that one, how
many they are and the sums of their ends. What does not fit is read anew, as is everything once in a while.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mendbay.core.errors import MendbayError
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.lacking import Refusal
from mendbay.imaging.trouble import Trouble, trouble_of
from mendbay.outlets.checkpoint_check import LogCheck
from mendbay.outlets.log_fold import fold

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.jobs.ports import Run
    from mendbay.outlets.checkpoint import Checkpoint, Row, RunSum

ANEW_SECONDS = 600.0
"""After so long a log is read anew and checked by its database, whatever fits (own choice)."""


@dataclass(frozen=True, slots=True)
class LogSeen:
    """What the rows of a log up to a row amount to.

    Attributes:
        refusals: the refused reads that no later doubt took back, oldest first; `bounds` their starts and
            stops, shape (n, 2).
    """

    given: SpanSet
    waived: SpanSet
    refusals: Sequence[Refusal]
    bounds: Int64s


@dataclass(frozen=True, slots=True)
class Found:
    """What a log says beside its rows: the device and number of its file, the drive, and its runs as they
    began."""

    file: tuple[int, int]
    identity: Identity
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class LogMark:
    """A log as far as it was read, and what shows that this part is still the same.

    Attributes:
        row: the last one that was read, by number, and what it said; 0 and None where there was none.
        ends: how many rows there are up to it, and the sums of their starts and stops, in sectors.
        sums: what came of each run up to it.
        anew_at: when all of it was last read, in seconds of a clock that only rises.
    """

    seen: LogSeen
    found: Found
    row: tuple[int, Row | None]
    ends: tuple[int, int, int]
    sums: Mapping[int, RunSum]
    anew_at: float


def file_of(path: os.PathLike[str]) -> tuple[int, int]:
    """Device and number of a file; zeros where it is gone."""
    try:
        found = os.stat(path)
    except OSError:
        return 0, 0
    return found.st_dev, found.st_ino


def look(log: Checkpoint, check: LogCheck, found: Found, before: object, now: float) -> LogMark:
    """What a log amounts to, read on from where a look before left off where that still holds.

    Args:
        check: what its rows are held against.
        found: what the log says beside its rows.
        before: what a look before left; None for nothing.
        now: seconds of a clock that only rises.

    Raises:
        ValueError: a row cannot be true.
        DamagedCheckpoint: the log is damaged, which is looked for where all of it is read.
    """
    if isinstance(before, LogMark) and _holds(before, log, found, now):
        after, known = before.row[0], before
    else:
        log.require_sound()
        after, known = 0, None
    last = log.last_row()
    if known is not None and last == after:
        return known
    more = read_rows(log.rows(after), check)
    sums = log.run_sums(after)
    row = (last, log.row(last)) if last else (0, None)
    ends = log.ends(last, found.identity.sector_bytes)
    if known is None:
        return LogMark(more, found, row, ends, sums, now)
    return LogMark(
        together(known.seen, more), found, row, ends, sums_together(known.sums, sums), known.anew_at
    )


def _holds(mark: LogMark, log: Checkpoint, found: Found, now: float) -> bool:
    """Whether a log begins with what was read of it before. It may hold more by now, but no doubt: that
    would speak of what was read before."""
    was, (number, row) = mark.found, mark.row
    if (was.file, was.identity, was.runs) != (found.file, found.identity, found.runs[: len(was.runs)]):
        return False
    if row is None or not 0 <= now - mark.anew_at < ANEW_SECONDS:
        return False
    try:
        return (
            log.ends(number, was.identity.sector_bytes) == mark.ends
            and log.row(number) == row
            and not log.has_doubt_after(number)
        )
    except (MendbayError, ValueError):
        return False  # whatever is wrong with it is told by reading it


def read_rows(rows: Iterable[Row], check: LogCheck) -> LogSeen:
    """What rows, oldest first, amount to.

    Raises:
        ValueError: one of them cannot be true.
    """
    amounts = fold(_checked(rows, check))
    refusals = [_refusal(row) for row in amounts.refused]
    return LogSeen(amounts.given, amounts.waived, refusals, bounds_of(refusals))


def together(one: LogSeen, more: LogSeen) -> LogSeen:
    """What a log amounts to of which `more` are rows that were added, without a doubt among them."""
    return LogSeen(
        one.given | more.given,
        one.waived | more.waived,
        [*one.refusals, *more.refusals],
        np.concatenate((one.bounds, more.bounds)),
    )


def bounds_of(refusals: Iterable[Refusal]) -> Int64s:
    """Start and stop of each; shape (n, 2)."""
    return np.array([(one.span.start, one.span.stop) for one in refusals], dtype=np.int64).reshape(-1, 2)


def sums_together(one: Mapping[int, RunSum], more: Mapping[int, RunSum]) -> dict[int, RunSum]:
    """What came of each run in two parts of a log."""
    found = dict(one)
    for run, (ended_at, given_bytes, refused_reads) in more.items():
        was_at, was_given, was_refused = found.get(run, ("", 0, 0))
        found[run] = max(was_at, ended_at), was_given + given_bytes, was_refused + refused_reads
    return found


def _checked(rows: Iterable[Row], check: LogCheck) -> Iterator[Row]:
    """The rows, each once it was found that it can be true.

    Raises:
        ValueError: one cannot.
    """
    for row in rows:
        check.require_row(row)
        yield row


def _refusal(row: Row) -> Refusal:
    trouble = trouble_of(row.outcome, row.error, row.trouble) or Trouble.UNKNOWN
    return Refusal(Span(row.start, row.stop), row.run, row.seconds, row.error, trouble, row.at, row.celsius)
