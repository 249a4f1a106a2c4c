"""The checkpoint beside an image: the log of all reads of a drive, in SQLite (`docs/formats/coverage.md`).

This module only keeps the log. That a row is added after the bytes it speaks of are durable is the
business of `image_file.py`.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import DamagedCheckpoint, DestinationError, NoRoom
from mendbay.jobs.ports import Run
from mendbay.outlets.checkpoint_schema import FORMAT, FORMATS_KNOWN, SCHEMA, take_up_format_1

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.core.span import SpanSet
    from mendbay.imaging.differences import Difference

RESERVE_BYTES = 512 << 10
"""Room kept free for the log, given up when the disk is full, so that what was read can still be claimed."""

_NOT_ITS_FAULT = frozenset(
    {
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_FULL,
    }
)
"""What says nothing about the checkpoint itself."""


@dataclass(slots=True)
class Row:
    """One line of the log, see `docs/formats/coverage.md`."""

    run: int
    start: int
    stop: int
    outcome: str
    error: str
    seconds: float
    at: str
    trouble: str = ""
    celsius: float | None = None
    digests: bytes | bytearray = b""


RunSum = tuple[str, int, int]
"""When the last read of a run was noted, the bytes it was given, and how often it was refused."""

_Change = tuple[str, Sequence[Sequence[object]]]
"""A statement and the values it is run with, one after the other."""


def _columns(row: Row) -> tuple[object, ...]:
    return (
        row.run,
        row.start,
        row.stop,
        row.outcome,
        row.error,
        row.seconds,
        row.at,
        row.trouble,
        row.celsius,
        bytes(row.digests),
    )


def _keep_changed(spans: SpanSet) -> _Change:
    said = json.dumps([[one.start, one.stop] for one in spans])
    return ("INSERT OR REPLACE INTO meta VALUES ('changed', ?)", [(said,)])


class Checkpoint:
    """The log beside one image. Changes may come from two threads; whoever reads must have waited for the
    changes under way.

    Args:
        image: the image it lies beside.
        log: an open connection.
    """

    def __init__(self, image: Path, log: sqlite3.Connection, *, writable: bool) -> None:
        self._image = image
        self._log = log
        self._lock = threading.Lock()
        self._reserve = _set_aside(image.parent) if writable else None

    @classmethod
    def create(cls, image: Path, identity: Identity) -> Checkpoint:
        """A new, empty log.

        Raises:
            DestinationError: it cannot be made.
        """
        try:
            with suppress(FileExistsError):  # its helper files take their mode from it
                os.close(os.open(checkpoint_path(image), os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
            log = _connect(checkpoint_path(image))
            log.executescript(f"BEGIN IMMEDIATE; {SCHEMA}")
            described = json.dumps(asdict(identity), sort_keys=True)
            rows = [("format", str(FORMAT)), ("identity", described), ("image", image.name)]
            log.executemany("INSERT INTO meta VALUES (?, ?)", rows)
            log.execute("COMMIT")
        except (sqlite3.Error, OSError) as trouble:
            raise DestinationError(
                f"No checkpoint could be made beside {image}: {trouble}.",
                "Check the room and the rights in that folder.",
            ) from trouble
        return cls(image, log, writable=True)

    @classmethod
    def open(cls, image: Path, *, writable: bool, checked: bool = True) -> Checkpoint:
        """The log that is there.

        Args:
            checked: whether the database is to check itself; else that is left to `require_sound`.

        Raises:
            DamagedCheckpoint: it is damaged or of an unknown format.
            DestinationError: it cannot be opened, for reasons that are not in it.
        """
        log: sqlite3.Connection | None = None
        try:
            log = _connect(checkpoint_path(image)) if writable else _connect_to_look(checkpoint_path(image))
            found = log.execute("PRAGMA quick_check(1)").fetchone()[0] if checked else "ok"
            version = log.execute("SELECT value FROM meta WHERE key = 'format'").fetchone()
            if found == "ok" and version == ("1",):
                take_up_format_1(log, writable=writable)
        except sqlite3.Error as trouble:
            if log is not None:
                log.close()
            raise _not_to_be_read(image, trouble) from trouble
        if found != "ok" or version is None or version[0] not in FORMATS_KNOWN:
            log.close()
            raise damaged(image, found if found != "ok" else f"its format {version} is not known here")
        return cls(image, log, writable=writable)

    # ------------------------------------------------------------------ what it says

    def require_sound(self) -> None:
        """Lets the database check itself.

        Raises:
            DamagedCheckpoint: it is damaged.
            DestinationError: the disk does not give it.
        """
        for (found,) in self._ask("PRAGMA quick_check(1)"):
            if found != "ok":
                raise damaged(self._image, found)

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """Whatever is asked within is answered as of one moment, though another process adds to the log.

        Raises:
            DamagedCheckpoint, DestinationError: as of what is asked: without such a moment the answers might
                not belong together.
        """
        self._tell("BEGIN")
        try:
            yield
        except BaseException:
            with suppress(sqlite3.Error):  # what went wrong first is told
                self._log.execute("ROLLBACK")
            raise
        self._tell("ROLLBACK")

    def _tell(self, sql: str) -> None:
        for _ in self._ask(sql):
            pass

    def meta(self) -> dict[str, str]:
        """The facts about drive and image by key."""
        return dict(self._ask("SELECT key, value FROM meta"))

    def rows(self, after: int = 0) -> Iterator[Row]:
        """Every row after the one of a number without its digests, oldest first."""
        found = self._ask(
            "SELECT run_id, start, stop, outcome, error, seconds, at, trouble, celsius"
            " FROM reading WHERE id > ? ORDER BY id",
            (after,),
        )
        for row in found:
            yield Row(*row)

    def runs(self) -> tuple[Run, ...]:
        """Every run with what came of it, oldest first."""
        return with_sums(self.bare_runs(), self.run_sums())

    def run_sums(self, after: int = 0) -> dict[int, RunSum]:
        """By run, what came of it in the rows after the one of a number."""
        found = self._ask(
            "SELECT run_id, max(at), sum((stop - start) * (outcome = 'given')),"
            " sum(outcome IN ('refused', 'hung')) FROM reading WHERE id > ? GROUP BY run_id",
            (after,),
        )
        return {run: (ended_at, given, refused) for run, ended_at, given, refused in found}

    def last_row(self) -> int:
        """The number of the last row; 0 where there is none."""
        return max(int(number) for (number,) in self._ask("SELECT coalesce(max(id), 0) FROM reading"))

    def ends(self, last: int, sector_bytes: int) -> tuple[int, int, int]:
        """How many rows there are up to the one of a number, and the sums of their starts and of their stops,
        in sectors. All of it is in the index."""
        (found,) = self._ask(
            "SELECT count(*), coalesce(sum(start / ?), 0), coalesce(sum(stop / ?), 0) FROM reading"
            " WHERE +id <= ?",  # a bare id would read the table, digests and all
            (sector_bytes, sector_bytes, last),
        )
        count, starts, stops = found
        return count, starts, stops

    def has_doubt_after(self, number: int) -> bool:
        """Whether a row after the one of a number takes back what was read."""
        asked = "SELECT 1 FROM reading WHERE id > ? AND outcome = 'doubted' LIMIT 1"
        return any(True for _ in self._ask(asked, (number,)))

    def bare_runs(self) -> Iterator[Run]:
        """Every run as it began, oldest first, without what came of it, which takes a look at every row."""
        found = self._ask("SELECT id, adapter, source, started_at, taken_from, bench FROM run ORDER BY id")
        for number, adapter, source, started_at, taken_from, bench in found:
            yield Run(number, adapter, source, started_at, taken_from, bench=bench)

    def claims(self) -> Iterator[tuple[int, int, int, int]]:
        """(start, stop, run, row) of every given read, oldest first; run 0 says that the range was doubted
        then, so that what was given before no longer counts."""
        yield from self._ask(
            "SELECT start, stop, CASE outcome WHEN 'given' THEN run_id ELSE 0 END, id FROM reading"
            " WHERE outcome IN ('given', 'doubted') ORDER BY id"
        )

    def row(self, number: int) -> Row:
        """One row with its digests, which are empty for a read noted before digests were.

        Raises:
            ValueError: there is none of that number.
        """
        (found,) = self._ask(
            "SELECT run_id, start, stop, outcome, error, seconds, at, trouble, celsius, digests"
            " FROM reading WHERE id = ?",
            (number,),
        )
        return Row(*found)

    def differences(self) -> tuple[Difference, ...]:
        """Every difference found between two reads, oldest first."""
        from mendbay.core.span import Span
        from mendbay.imaging.differences import Difference

        found = self._ask("SELECT start, stop, first_run, second_run, at FROM difference ORDER BY id")
        try:
            return tuple(
                Difference(Span(start, stop), first, second, at) for start, stop, first, second, at in found
            )
        except (TypeError, ValueError) as trouble:
            raise damaged(self._image, "it speaks of a difference between bytes that are none") from trouble

    def _ask(self, sql: str, values: Sequence[object] = ()) -> Iterator[Any]:
        """The rows of an answer.

        Raises:
            DamagedCheckpoint: the log is not what a log is.
            DestinationError: the disk does not give it.
        """
        try:
            for row in self._log.execute(sql, values):  # noqa: UP028 - left in the middle, it closes nothing
                yield row
        except (sqlite3.Error, OverflowError) as trouble:
            raise _not_to_be_read(self._image, trouble) from trouble

    # ------------------------------------------------------------------ adding

    def begin_run(self, adapter: str, source: str, started_at: str, taken_from: str, bench: str) -> int:
        """Adds a run; returns its number.

        Raises:
            NoRoom: the disk is full.
        """
        words = (adapter, source, started_at, taken_from, bench)
        self._change(
            (
                "INSERT INTO run (adapter, source, started_at, taken_from, bench) VALUES (?, ?, ?, ?, ?)",
                [words],
            )
        )
        return max(int(number) for (number,) in self._ask("SELECT max(id) FROM run"))

    def append(
        self,
        rows: Sequence[Row],
        differences: Sequence[Difference] = (),
        changed: SpanSet | None = None,
    ) -> None:
        """Adds rows, and the differences that they showed, all or none, durably. A row that doubts what was
        read takes the digest of the whole image with it.

        Args:
            changed: as for `keep_changed`; None: what was noted stays.

        Raises:
            NoRoom: the disk is full, also after the reserve was given up.
            DestinationError: the disk failed.
        """
        changes: list[_Change] = [
            (
                "INSERT INTO reading"
                " (run_id, start, stop, outcome, error, seconds, at, trouble, celsius, digests)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [_columns(row) for row in rows],
            ),
            (
                "INSERT INTO difference (start, stop, first_run, second_run, at) VALUES (?, ?, ?, ?, ?)",
                [
                    (one.span.start, one.span.stop, one.first_run, one.second_run, one.at)
                    for one in differences
                ],
            ),
        ]
        if any(row.outcome == "doubted" for row in rows):
            changes.append(("DELETE FROM meta WHERE key = ?", [("sha256",)]))
        if changed is not None:
            changes.append(_keep_changed(changed))
        self._change(*changes)

    def keep_digest(self, sha256: str) -> None:
        """Notes the digest of the complete image."""
        self._change(("INSERT OR REPLACE INTO meta VALUES ('sha256', ?)", [(sha256,)]))

    def keep_changed(self, spans: SpanSet) -> None:
        """Notes the pieces that the image no longer holds as the drive gave them; empty for none."""
        self._change(_keep_changed(spans))

    def _change(self, *changes: _Change) -> None:
        try:
            self._try_change(changes)
        except sqlite3.Error as trouble:
            if not _is_full(trouble) or self._reserve is None:
                raise self._trouble(trouble) from trouble
            self.give_up_reserve()
            try:
                self._try_change(changes)
            except sqlite3.Error as still:
                raise self._trouble(still) from still

    def _try_change(self, changes: Sequence[_Change]) -> None:
        with self._lock:
            try:
                self._log.execute("BEGIN IMMEDIATE")
                for sql, values in changes:
                    self._log.executemany(sql, values)
                self._log.execute("COMMIT")
            except sqlite3.Error:
                if self._log.in_transaction:
                    self._log.execute("ROLLBACK")
                raise

    def _trouble(self, trouble: sqlite3.Error) -> DestinationError:
        what = f"The checkpoint beside {self._image} could not be written: {trouble}."
        if _is_full(trouble):
            return NoRoom(what, "Make room on that disk, then run the same command again.")
        return DestinationError(what, "Check that disk, then run the same command again.")

    def give_up_reserve(self) -> None:
        """Frees the room set aside: the disk is full."""
        if self._reserve is not None:
            os.close(self._reserve)
            self._reserve = None

    def close(self) -> None:
        self.give_up_reserve()
        self._log.close()


def with_sums(runs: Iterable[Run], sums: Mapping[int, RunSum]) -> tuple[Run, ...]:
    """The runs with what came of each."""
    found = []
    for run in runs:
        ended_at, given, refused = sums.get(run.number, ("", 0, 0))
        found.append(replace(run, ended_at=ended_at, given_bytes=given, refused_reads=refused))
    return tuple(found)


def checkpoint_path(image: Path) -> Path:
    """Where the checkpoint of an image lies: beside it, with the suffix `.coverage`."""
    return image.with_suffix(".coverage")


def clear_stillborn(image: Path) -> None:
    """Removes the checkpoint that a run killed while making a new image left: it claims nothing, and its
    image is empty. The caller holds the lock of the image."""
    log_path = checkpoint_path(image)
    if not log_path.exists() or (image.exists() and image.stat().st_size > 0):
        return
    try:
        log = _connect(log_path)
        try:
            tables = {name for (name,) in log.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            claims = "reading" in tables and log.execute("SELECT 1 FROM reading LIMIT 1").fetchone()
        finally:
            log.close()
    except sqlite3.Error:
        return
    if not claims:
        for leftover in (log_path, *log_path.parent.glob(f"{log_path.name}-*")):
            leftover.unlink(missing_ok=True)


def damaged(image: Path, found: str) -> DamagedCheckpoint:
    """The error for a checkpoint that cannot be trusted."""
    name = checkpoint_path(image).name
    return DamagedCheckpoint(
        f"The checkpoint {name} beside {image} cannot be trusted: {found}.",
        f"Nothing was changed. Put a good copy of {name} back, or move both files aside and start anew.",
    )


def _not_to_be_read(image: Path, trouble: Exception) -> DamagedCheckpoint | DestinationError:
    if _code(trouble) in _NOT_ITS_FAULT:
        return DestinationError(
            f"The checkpoint beside {image} cannot be opened: {trouble}.",
            "Check the disk it lies on and who may read and write there; nothing was changed.",
        )
    return damaged(image, str(trouble))


def _code(trouble: Exception) -> int:
    """The error of SQLite; 0 for one of its binding, as for a text that is none."""
    return int(getattr(trouble, "sqlite_errorcode", 0)) & 0xFF


def _connect(path: Path) -> sqlite3.Connection:
    log = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=30)
    log.execute("PRAGMA journal_mode = WAL")
    log.execute("PRAGMA synchronous = FULL")
    log.execute("PRAGMA foreign_keys = ON")
    return log


def _connect_to_look(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing, also on a medium that cannot be written to."""
    if os.access(path.parent, os.W_OK) or path.with_name(f"{path.name}-wal").exists():
        mode = "mode=ro"
    else:
        mode = "immutable=1"  # without its helper files a read-only connection could not be made there
    uri = f"{path.absolute().as_uri()}?{mode}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=30)


def _set_aside(folder: Path) -> int | None:
    """A nameless file that takes up room until it is closed; None where the system has none."""
    fd: int | None = None
    with suppress(OSError):
        fd = os.open(folder, os.O_TMPFILE | os.O_WRONLY | os.O_CLOEXEC, 0o600)
        os.posix_fallocate(fd, 0, RESERVE_BYTES)
    return fd


def _is_full(trouble: sqlite3.Error) -> bool:
    return _code(trouble) == sqlite3.SQLITE_FULL
