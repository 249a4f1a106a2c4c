"""The image of a drive on disk: a sparse raw file and its checkpoint, one durable unit.

`bay-1.img` holds the bytes; `bay-1.coverage`, a SQLite file, the log of every read (range, outcome,
time, run). The log is the checkpoint: coverage, tries and provenance all follow from it. A row is
committed only after the bytes it speaks of have been flushed to the medium, so after a crash or a power
cut at any moment nothing is claimed that is not there; at most the reads since the last commit are done
again. Layout of the tables: `docs/formats/coverage.md`.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from mendbay.core.clock import Clock, SystemClock, iso
from mendbay.core.coverage import Coverage
from mendbay.core.errors import (
    DamagedCheckpoint,
    DestinationError,
    ForeignImage,
    ImageBusy,
    MendbayError,
    NoRoom,
)
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.jobs.ports import Run

FORMAT = 1
_HOLE_BYTES = 64 << 10
_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    adapter TEXT NOT NULL,
    source TEXT NOT NULL,
    started_at TEXT NOT NULL,
    taken_from TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (id),
    start INTEGER NOT NULL,
    stop INTEGER NOT NULL CHECK (stop > start),
    outcome TEXT NOT NULL CHECK (outcome IN ('given', 'refused', 'hung', 'waived')),
    error TEXT NOT NULL,
    seconds REAL NOT NULL,
    at TEXT NOT NULL
) STRICT;
CREATE INDEX reading_by_place ON reading (start, stop);
"""


@dataclass(slots=True)
class _Row:
    run: int
    start: int
    stop: int
    outcome: str
    error: str
    seconds: float
    at: str


class ImageFile:
    """An image being made, or one that is there.

    Make it with `create` or `reopen`. Everything written is pending until `commit` (or `commit_soon`,
    which works in the background).

    Not for use by several threads.
    """

    def __init__(
        self, path: Path, image_fd: int, log: sqlite3.Connection, clock: Clock, writable: bool
    ) -> None:
        self._path = path
        self._fd = image_fd
        self._log = log
        self._clock = clock
        self._writable = writable
        self._lock = threading.Lock()
        self._committer = ThreadPoolExecutor(1, "checkpoint")
        self._commits: Future[None] | None = None
        self._hasher = _PrefixHasher()
        self._pending: list[_Row] = []
        self._in_background: list[_Row] = []
        self._run = 0
        self._load()

    # ------------------------------------------------------------------ making and opening

    @classmethod
    def create(cls, path: Path, identity: Identity, clock: Clock | None = None) -> ImageFile:
        """A new, empty image for the drive of that identity.

        Raises:
            DestinationError: a file is already there, or the folder cannot be written to.
        """
        log_path = checkpoint_path(path)
        _clear_stillborn(path, log_path)
        for there in (path, log_path):
            if there.exists():
                raise DestinationError(
                    f"{there} already exists.", "Go on with that image, or choose another name for a new one."
                )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            log = _connect(log_path)
            _lay_out(log, identity, path.name)
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)
            os.ftruncate(fd, identity.size_bytes)
            os.fsync(fd)
            _sync_folder(path.parent)
        except OSError as trouble:
            raise _write_error(path, trouble) from trouble
        except sqlite3.Error as trouble:
            raise DestinationError(
                f"No checkpoint could be made beside {path}: {trouble}.",
                "Check the room and the rights in that folder.",
            ) from trouble
        _take_lock(fd, path)
        return cls(path, fd, log, clock or SystemClock(), writable=True)

    @classmethod
    def reopen(cls, path: Path, clock: Clock | None = None, *, writable: bool = True) -> ImageFile:
        """An image that is there, to go on with or, not `writable`, to look at.

        Raises:
            DestinationError: there is no such image.
            ImageBusy: another process is writing to it.
            DamagedCheckpoint: the checkpoint is missing, damaged or does not fit the image.
        """
        log_path = checkpoint_path(path)
        if not path.exists():
            raise DestinationError(f"There is no image {path}.", "Check the name, or start a new image.")
        if not log_path.exists():
            raise DamagedCheckpoint(
                f"The image {path} has no checkpoint {log_path.name} beside it, so nothing says which of its "
                "bytes were read.",
                f"Put {log_path.name} back beside it, or start a new image under another name.",
            )
        fd = os.open(path, (os.O_RDWR if writable else os.O_RDONLY) | os.O_CLOEXEC)
        try:
            if writable:
                _take_lock(fd, path)
            log = _open_log(path, log_path)
            return cls(path, fd, log, clock or SystemClock(), writable)
        except BaseException:
            os.close(fd)
            raise

    def _load(self) -> None:
        meta: dict[str, str] = dict(self._log.execute("SELECT key, value FROM meta").fetchall())
        try:
            self._identity = Identity(**json.loads(meta["identity"]))
        except (KeyError, ValueError, TypeError) as trouble:
            raise _damaged(self._path, "it does not say which drive it describes") from trouble
        self._sha256 = meta.get("sha256", "")
        size = os.fstat(self._fd).st_size
        if size != self._identity.size_bytes:
            raise _damaged(
                self._path,
                f"it describes a drive of {self._identity.size_bytes} bytes, but the image has {size}",
            )
        self._given: SpanSet = SpanSet()
        self._waived: SpanSet = SpanSet()
        starts: dict[str, list[int]] = {"given": [], "waived": []}
        stops: dict[str, list[int]] = {"given": [], "waived": []}
        self._refusals: list[tuple[int, int, float]] = []
        for start, stop, outcome, seconds in self._log.execute(
            "SELECT start, stop, outcome, seconds FROM reading ORDER BY id"
        ):
            if not 0 <= start < stop <= size:
                raise _damaged(self._path, f"it speaks of bytes {start} to {stop}, outside the drive")
            if outcome in starts:
                starts[outcome].append(start)
                stops[outcome].append(stop)
            else:
                self._refusals.append((start, stop, seconds))
        self._given = SpanSet.from_bounds(starts["given"], stops["given"])
        self._waived = SpanSet.from_bounds(starts["waived"], stops["waived"])
        self._new_spans: list[Span] = []
        self._coverage: Coverage | None = None
        self._refusals_seen = -1

    # ------------------------------------------------------------------ what is there

    @property
    def path(self) -> Path:
        """The image file; the checkpoint lies beside it."""
        return self._path

    @property
    def identity(self) -> Identity:
        """The drive this is the image of."""
        return self._identity

    def coverage(self) -> Coverage:
        """The condition of every range, with what is not yet committed included."""
        if self._coverage is None:
            if self._new_spans:
                self._given = self._given | SpanSet(self._new_spans)
                self._new_spans = []
            self._coverage = Coverage.from_log(
                self._identity.size_bytes,
                self._identity.sector_bytes,
                self._given,
                ((start, stop) for start, stop, _ in self._refusals),
                self._waived,
            )
        return self._coverage

    def refused_reads(self) -> Iterator[tuple[int, int, float]]:
        """(start, stop, seconds) of every read not given, oldest first."""
        return iter(tuple(self._refusals))

    def take(self, span: Span) -> bytes:
        """The bytes of a range that is `read`, from the image.

        Raises:
            DestinationError: the image itself cannot be read there.
        """
        parts: list[bytes] = []
        at = span.start
        try:
            while at < span.stop:
                part = os.pread(self._fd, span.stop - at, at)
                if not part:
                    raise _damaged(self._path, f"the image ends at byte {at}")
                parts.append(part)
                at += len(part)
        except OSError as trouble:
            raise DestinationError(
                f"The image {self._path} cannot be read at byte {at}: {trouble.strerror}.",
                "The disk that holds the image has a fault; copy the image away from it.",
            ) from trouble
        return b"".join(parts)

    def runs(self) -> tuple[Run, ...]:
        """Every run that added to the image, oldest first."""
        if self._writable:
            self.commit()
        rows = self._log.execute(
            "SELECT run.id, adapter, source, started_at, taken_from, coalesce(max(at), ''),"
            " coalesce(sum((stop - start) * (outcome = 'given')), 0),"
            " coalesce(sum(outcome IN ('refused', 'hung')), 0)"
            " FROM run LEFT JOIN reading ON run_id = run.id GROUP BY run.id ORDER BY run.id"
        )
        return tuple(Run(*row) for row in rows)

    def provenance(self, span: Span) -> tuple[tuple[Span, int], ...]:
        """Which run gave which part of `span`, in order of place; the latest where two gave the same."""
        if self._writable:
            self.commit()
        left = SpanSet([span])
        found: list[tuple[Span, int]] = []
        rows = self._log.execute(
            "SELECT start, stop, run_id FROM reading WHERE outcome = 'given' AND start < ? AND stop > ?"
            " ORDER BY id DESC",
            (span.stop, span.start),
        )
        for start, stop, run in rows:
            for part in left.clip(Span(start, stop)):
                found.append((part, run))
            left = left - SpanSet([Span(start, stop)])
            if not left:
                break
        return tuple(sorted(found))

    # ------------------------------------------------------------------ adding

    def begin_run(self, adapter: str, source: str, taken_from: str = "") -> int:
        """Starts a run; what is kept or noted from now on belongs to it. Returns its number."""
        self.commit()
        with self._lock:
            made = self._log.execute(
                "INSERT INTO run (adapter, source, started_at, taken_from) VALUES (?, ?, ?, ?)",
                (adapter, source, iso(self._clock.now()), taken_from),
            )
        self._run = int(made.lastrowid or 0)
        return self._run

    def keep(self, span: Span, data: memoryview, seconds: float) -> None:
        """Writes bytes that the drive gave, and notes the read.

        Raises:
            NoRoom: the disk is full; what was kept before stays.
            DestinationError: the image cannot be written to.
        """
        hashing = self._hasher.feed(span, data)
        try:
            self._write(span, data)
        finally:
            if hashing is not None:
                hashing.result()
        self._given_now(span, seconds)

    def _write(self, span: Span, data: memoryview) -> None:
        try:
            for part, is_zero in _runs_of_zeros(data):
                if is_zero and self._is_hole(part.shift(span.start)):
                    continue  # a sparse file already holds zeros there
                at = part.start
                while at < part.stop:
                    at += os.pwrite(self._fd, data[at : part.stop], span.start + at)
        except OSError as trouble:
            raise _write_error(self._path, trouble) from trouble

    def _is_hole(self, span: Span) -> bool:
        """Whether the file stores nothing there: a killed run may have left bytes it never claimed."""
        try:
            return os.lseek(self._fd, span.start, os.SEEK_DATA) >= span.stop
        except OSError as trouble:
            if trouble.errno == errno.ENXIO:  # no data up to the end
                return True
            raise

    def _given_now(self, span: Span, seconds: float) -> None:
        last = self._pending[-1] if self._pending else None
        if last is not None and last.outcome == "given" and last.run == self._run and last.stop == span.start:
            last.stop = span.stop
            last.seconds += seconds
        else:
            self._pending.append(
                _Row(self._run, span.start, span.stop, "given", "", seconds, iso(self._clock.now()))
            )
        if self._new_spans and self._new_spans[-1].stop == span.start:
            self._new_spans[-1] = Span(self._new_spans[-1].start, span.stop)
        else:
            self._new_spans.append(span)
        self._coverage = None

    def note(self, attempt: Attempt) -> None:
        """Notes a read that was not given.

        Raises:
            ValueError: the outcome is not a refusal or a hang.
        """
        if attempt.outcome not in (Outcome.REFUSED, Outcome.HUNG):
            raise ValueError(f"nothing to note about a read that {attempt.outcome}")
        span = attempt.span
        at = iso(self._clock.now())
        self._pending.append(
            _Row(self._run, span.start, span.stop, str(attempt.outcome), attempt.error, attempt.seconds, at)
        )
        self._refusals.append((span.start, span.stop, attempt.seconds))
        self._coverage = None

    def waive(self, spans: SpanSet) -> None:
        """Notes that these ranges are deliberately left."""
        at = iso(self._clock.now())
        for span in spans:
            self._pending.append(_Row(self._run, span.start, span.stop, "waived", "", 0.0, at))
        self._waived = self._waived | spans
        self._coverage = None

    def blend(self, other: ImageFile, spans: SpanSet) -> None:
        """Takes over from another image of the same drive the bytes of `spans`, and all it knows of
        refusals, keeping the adapters and times of its runs.

        Raises:
            ForeignImage: the other image is of another size.
        """
        if other.identity.size_bytes != self.identity.size_bytes:
            raise ForeignImage(
                f"{other.path} is of a drive of {other.identity.size_bytes} bytes, {self._path} of one of "
                f"{self.identity.size_bytes}.",
                "Blend only images of one and the same drive.",
            )
        numbers = {
            run.number: self.begin_run(run.adapter, run.source, taken_from=other.path.name)
            for run in other.runs()
        }
        rows = other._log.execute(
            "SELECT run_id, start, stop, outcome, error, seconds, at FROM reading ORDER BY id"
        ).fetchall()
        for run, start, stop, outcome, error, seconds, at in rows:
            if outcome == "waived":
                continue
            if outcome != "given":
                self._pending.append(_Row(numbers[run], start, stop, outcome, error, seconds, at))
                self._refusals.append((start, stop, seconds))
                continue
            self._run = numbers[run]
            for part in spans.clip(Span(start, stop)):
                for first in range(part.start, part.stop, 4 << 20):
                    piece = Span(first, min(first + (4 << 20), part.stop))
                    self._write(piece, memoryview(other.take(piece)))
                    self._given_now(piece, seconds * piece.length / (stop - start))
        self._coverage = None
        self.commit()

    # ------------------------------------------------------------------ durability

    @property
    def pending_rows(self) -> int:
        """How many rows of the log are not yet committed or being committed."""
        return len(self._pending)

    def commit_soon(self) -> None:
        """Makes everything pending durable in the background; does nothing if that is still going on."""
        if self._pending and (self._commits is None or self._commits.done()):
            self._join_background()
            self._in_background, self._pending = self._pending, []
            self._commits = self._committer.submit(self._make_durable, self._in_background)

    def commit(self) -> None:
        """Makes everything pending durable: first the bytes, then the log that speaks of them.

        Raises:
            NoRoom, DestinationError: the disk would not take it; nothing is claimed that is not there.
        """
        self._join_background()
        if self._pending:
            self._make_durable(self._pending)
            self._pending = []

    def _join_background(self) -> None:
        """Waits for the commit under way; if it failed its rows are pending again."""
        if self._commits is None:
            return
        waiting, self._commits = self._commits, None
        try:
            waiting.result()
        except BaseException:
            self._pending = self._in_background + self._pending
            raise
        finally:
            self._in_background = []

    def _make_durable(self, rows: list[_Row]) -> None:
        try:
            if any(row.outcome == "given" for row in rows):
                os.fdatasync(self._fd)
            with self._lock:
                self._log.execute("BEGIN IMMEDIATE")
                self._log.executemany(
                    "INSERT INTO reading (run_id, start, stop, outcome, error, seconds, at)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [
                        (row.run, row.start, row.stop, row.outcome, row.error, row.seconds, row.at)
                        for row in rows
                    ],
                )
                self._log.execute("COMMIT")
        except OSError as trouble:
            raise _write_error(self._path, trouble) from trouble
        except sqlite3.Error as trouble:
            if self._log.in_transaction:
                self._log.execute("ROLLBACK")
            raise NoRoom(
                f"The checkpoint beside {self._path} could not be written: {trouble}.",
                "Make room on that disk, then run the same command again.",
            ) from trouble

    def digest(self, *, compute: bool = True) -> str:
        """SHA-256 of the whole image file, hexadecimal, or an empty text while anything is unread or
        refused (a drive with holes has no digest that another reading could repeat).

        Bytes that came in order were hashed on the way; the others are read back from the image now. The
        digest is kept in the checkpoint, so that it is computed once.

        Args:
            compute: False to only tell what is known already.
        """
        whole = Span(0, self._identity.size_bytes)
        if self._sha256 or not self.coverage().read.covers(whole):
            return self._sha256
        if not compute and self._hasher.reached < whole.stop:
            return ""
        at = self._hasher.reached
        while at < whole.stop:
            piece = Span(at, min(at + (4 << 20), whole.stop))
            hashing = self._hasher.feed(piece, memoryview(self.take(piece)))
            if hashing is not None:
                hashing.result()
            at = piece.stop
        self._sha256 = self._hasher.hexdigest()
        if self._writable:
            self.commit()
            self._log.execute("INSERT OR REPLACE INTO meta VALUES ('sha256', ?)", (self._sha256,))
        return self._sha256

    def close(self) -> None:
        """Commits and lets go of the files."""
        try:
            if self._writable:
                self.commit()
        finally:
            self._committer.shutdown(wait=True)
            self._hasher.close()
            self._log.close()
            os.close(self._fd)


class _PrefixHasher:
    """SHA-256 over the bytes from the start of the drive, as far as they came in order."""

    def __init__(self) -> None:
        self.reached = 0
        self._digest = hashlib.sha256()
        self._thread = ThreadPoolExecutor(1, "sha256")

    def feed(self, span: Span, data: memoryview) -> Future[None] | None:
        """Hashes the bytes in the background if they are next in line; wait for the answer before the
        buffer is used again."""
        if span.start != self.reached:
            return None
        self.reached = span.stop
        return self._thread.submit(self._digest.update, data)

    def hexdigest(self) -> str:
        return self._digest.hexdigest()

    def close(self) -> None:
        self._thread.shutdown(wait=True)


def _runs_of_zeros(data: memoryview) -> Iterator[tuple[Span, bool]]:
    """Cuts a buffer into runs of blocks, each with whether it is all zero."""
    whole = data.nbytes // _HOLE_BYTES * _HOLE_BYTES
    blocks = np.frombuffer(data[:whole], np.uint64).reshape(-1, _HOLE_BYTES // 8)
    zero: npt.NDArray[np.bool_] = np.zeros(-(-data.nbytes // _HOLE_BYTES), dtype=bool)
    zero[: len(blocks)] = ~blocks.any(axis=1)
    if zero.size == 0:
        return
    turns = np.flatnonzero(zero[1:] != zero[:-1]) + 1
    for first, last in zip([0, *turns.tolist()], [*turns.tolist(), zero.size], strict=True):
        yield Span(first * _HOLE_BYTES, min(last * _HOLE_BYTES, data.nbytes)), bool(zero[first])


def is_begun(path: Path) -> bool:
    """Whether there is an image at that path that can be gone on with: a run stopped while making one may
    leave an empty file, which `ImageFile.create` clears away."""
    return path.exists() and path.stat().st_size > 0


def checkpoint_path(image: Path) -> Path:
    """Where the checkpoint of an image lies: beside it, with the suffix `.coverage`."""
    return image.with_suffix(".coverage")


def _lay_out(log: sqlite3.Connection, identity: Identity, image_name: str) -> None:
    log.executescript(f"BEGIN IMMEDIATE; {_SCHEMA}")
    described = json.dumps(asdict(identity), sort_keys=True)
    rows = [("format", str(FORMAT)), ("identity", described), ("image", image_name)]
    log.executemany("INSERT INTO meta VALUES (?, ?)", rows)
    log.execute("COMMIT")


def _clear_stillborn(image: Path, log_path: Path) -> None:
    """Removes what a run killed while making a new image left: a checkpoint that claims nothing, with an
    image that stores nothing or none at all."""
    if not log_path.exists() or (image.exists() and image.stat().st_blocks > 0):
        return
    try:
        log = _connect(log_path)
        try:
            tables = {name for (name,) in log.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            claims = "reading" in tables and log.execute("SELECT 1 FROM reading LIMIT 1").fetchone()
            complete = "meta" in tables and image.exists() and image.stat().st_size > 0
        finally:
            log.close()
    except sqlite3.Error:
        return
    if not claims and not complete:
        for leftover in (image, log_path, *log_path.parent.glob(f"{log_path.name}-*")):
            leftover.unlink(missing_ok=True)


def _connect(path: Path) -> sqlite3.Connection:
    log = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=30)
    log.execute("PRAGMA journal_mode = WAL")
    log.execute("PRAGMA synchronous = FULL")
    log.execute("PRAGMA foreign_keys = ON")
    return log


def _open_log(image: Path, path: Path) -> sqlite3.Connection:
    log: sqlite3.Connection | None = None
    try:
        log = _connect(path)
        found = log.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise _damaged(image, found)
        version = log.execute("SELECT value FROM meta WHERE key = 'format'").fetchone()
        if version is None or version[0] != str(FORMAT):
            raise _damaged(image, f"format {version[0] if version else 'unknown'} is not known here")
        return log
    except sqlite3.Error as trouble:
        if log is not None:
            log.close()
        raise _damaged(image, str(trouble)) from trouble
    except DamagedCheckpoint:
        if log is not None:
            log.close()
        raise


def _take_lock(fd: int, path: Path) -> None:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        raise ImageBusy(
            f"Another Mendbay process is writing to {path}.", "Let it finish or stop it, then try again."
        ) from trouble


def _sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _damaged(image: Path, found: str) -> DamagedCheckpoint:
    name = checkpoint_path(image).name
    return DamagedCheckpoint(
        f"The checkpoint {name} beside {image} cannot be trusted: {found}.",
        f"Nothing was changed. Put a good copy of {name} back, or move both files aside and start anew.",
    )


def _write_error(path: Path, trouble: OSError) -> MendbayError:
    if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
        room = os.statvfs(path.parent)
        return NoRoom(
            f"The disk that holds {path} is full: {room.f_bavail * room.f_frsize} bytes free.",
            "Make room there, then run the same command again; it goes on from the last checkpoint.",
        )
    return DestinationError(
        f"{path} cannot be written to: {trouble.strerror}.",
        "Check the disk and the rights on that folder, then run the same command again.",
    )
