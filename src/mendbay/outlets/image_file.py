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
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
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
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.jobs.ports import Run
from mendbay.outlets.checkpoint import Checkpoint, Row, checkpoint_path, clear_stillborn, damaged
from mendbay.outlets.image_glance import is_begun

_HOLE_BYTES = 64 << 10
"""Runs of zeros are left out of the file in units of this."""


class ImageFile:
    """An image being made, or one that is there.

    Make it with `create` or `reopen`. Everything written is pending until `commit` (or `commit_soon`,
    which works in the background).

    Not for use by several threads.
    """

    def __init__(self, path: Path, image_fd: int, log: Checkpoint, clock: Clock, writable: bool) -> None:
        self._path = path
        self._fd = image_fd
        self._log = log
        self._clock = clock
        self._writable = writable
        self._committer = ThreadPoolExecutor(1, "checkpoint")
        self._commits: Future[None] | None = None
        self._hasher = _PrefixHasher()
        self._pending: list[Row] = []
        self._in_background: list[Row] = []
        self._run = 0
        self._broken: MendbayError | None = None
        self._origins: tuple[Int64s, Int64s, Int64s] | None = None
        self._load()

    # ------------------------------------------------------------------ making and opening

    @classmethod
    def create(cls, path: Path, identity: Identity, clock: Clock | None = None) -> ImageFile:
        """A new, empty image for the drive of that identity.

        Raises:
            DestinationError: a file is already there, or the folder cannot be written to.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)
        except OSError as trouble:
            raise _write_error(path, trouble) from trouble
        with ExitStack() as undo:
            undo.callback(os.close, fd)
            _take_lock(fd, path)  # before anything is cleared away: another process may be at it
            if os.fstat(fd).st_size == 0:
                clear_stillborn(path)
            for there in (path, checkpoint_path(path)):
                if there.exists() and (there != path or is_begun(path)):
                    raise DestinationError(
                        f"{there} already exists.",
                        "Go on with that image, or choose another name for a new one."
                        if there == path
                        else "Its image is gone, erased or moved: name the bay otherwise, or move that file.",
                    )
            log = Checkpoint.create(path, identity)
            undo.callback(log.close)
            try:
                os.ftruncate(fd, identity.size_bytes)
                os.fsync(fd)
                _sync_folder(path.parent)
            except OSError as trouble:
                raise _write_error(path, trouble) from trouble
            made = cls(path, fd, log, clock or SystemClock(), writable=True)
            undo.pop_all()
            return made

    @classmethod
    def reopen(cls, path: Path, clock: Clock | None = None, *, writable: bool = True) -> ImageFile:
        """An image that is there, to go on with or, not `writable`, to look at.

        Raises:
            DestinationError: there is no such image.
            ImageBusy: another process is writing to it.
            DamagedCheckpoint: the checkpoint is missing, damaged or does not fit the image.
        """
        log_path = checkpoint_path(path)
        if not path.exists() and log_path.exists():
            raise DestinationError(
                f"The image {path} is gone: erased, half erased or moved; only its log of reads is there.",
                "If it was moved, put it back. Otherwise read the drive again under another name of its bay.",
            )
        if not path.exists():
            raise DestinationError(f"There is no image {path}.", "Check the name, or start a new image.")
        if not log_path.exists():
            raise DamagedCheckpoint(
                f"The image {path} has no checkpoint {log_path.name} beside it, so nothing says which of its "
                "bytes were read.",
                f"Put {log_path.name} back beside it, or start a new image under another name.",
            )
        with ExitStack() as undo:
            mode = os.O_RDWR if writable else os.O_RDONLY
            try:
                fd = os.open(path, mode | os.O_CLOEXEC | os.O_NOFOLLOW)
            except OSError as trouble:
                raise DestinationError(
                    f"The image {path} cannot be opened: {trouble.strerror}.",
                    "Check who may read and write it.",
                ) from trouble
            undo.callback(os.close, fd)
            if writable:
                _take_lock(fd, path)
            log = Checkpoint.open(path, writable=writable)
            undo.callback(log.close)
            found = cls(path, fd, log, clock or SystemClock(), writable)
            undo.pop_all()
            return found

    def _load(self) -> None:
        meta = self._log.meta()
        try:
            self._identity = Identity(**json.loads(meta["identity"]))
        except (KeyError, ValueError, TypeError) as trouble:
            raise damaged(self._path, "it does not say which drive it describes") from trouble
        self._sha256 = meta.get("sha256", "")
        size = os.fstat(self._fd).st_size
        if size != self._identity.size_bytes:
            raise damaged(
                self._path,
                f"it describes a drive of {self._identity.size_bytes} bytes, but the image has {size}",
            )
        starts: dict[str, list[int]] = {"given": [], "waived": []}
        stops: dict[str, list[int]] = {"given": [], "waived": []}
        self._refusals: list[tuple[int, int, float]] = []
        sector = self._identity.sector_bytes
        for row in self._log.rows():
            on_borders = row.start % sector == 0 and (row.stop % sector == 0 or row.stop == size)
            if not (0 <= row.start < row.stop <= size and on_borders):
                raise damaged(self._path, f"it speaks of bytes {row.start} to {row.stop} of the drive")
            if row.outcome in starts:
                starts[row.outcome].append(row.start)
                stops[row.outcome].append(row.stop)
            else:
                self._refusals.append((row.start, row.stop, row.seconds))
        self._given = SpanSet.from_bounds(starts["given"], stops["given"])
        self._waived = SpanSet.from_bounds(starts["waived"], stops["waived"])
        self._new_spans: list[Span] = []
        self._coverage: Coverage | None = None

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
                    raise damaged(self._path, f"the image ends at byte {at}")
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
        return self._log.runs()

    def provenance(self, span: Span) -> tuple[tuple[Span, int], ...]:
        """Which run gave which part of `span`, in order of place; the latest where two gave the same."""
        if self._writable:
            self.commit()
            self._origins = None
        if self._origins is None:
            self._origins = _origins(self._log.given())
        starts, stops, runs = self._origins
        first = int(np.searchsorted(stops, span.start, side="right"))
        last = int(np.searchsorted(starts, span.stop, side="left"))
        return tuple(
            (Span(int(starts[at]), int(stops[at])).clip(span), int(runs[at])) for at in range(first, last)
        )

    # ------------------------------------------------------------------ adding

    def begin_run(self, adapter: str, source: str) -> int:
        """Starts a run; what is kept or noted from now on belongs to it. Returns its number."""
        return self._begin(adapter, source, iso(self._clock.now()), "")

    def _begin(self, adapter: str, source: str, started_at: str, taken_from: str) -> int:
        self.commit()
        self._run = self._log.begin_run(adapter, source, started_at, taken_from)
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
                Row(self._run, span.start, span.stop, "given", "", seconds, iso(self._clock.now()))
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
            Row(self._run, span.start, span.stop, str(attempt.outcome), attempt.error, attempt.seconds, at)
        )
        self._refusals.append((span.start, span.stop, attempt.seconds))
        self._coverage = None

    def waive(self, spans: SpanSet) -> None:
        """Notes that these ranges are deliberately left."""
        at = iso(self._clock.now())
        for span in spans:
            self._pending.append(Row(self._run, span.start, span.stop, "waived", "", 0.0, at))
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
        if self._path.samefile(other.path):
            raise ForeignImage(
                f"{other.path} is the image of this bay itself.", "Name the image to be blended in."
            )
        known = {(run.adapter, run.source, run.started_at): run.number for run in self.runs()}
        numbers: dict[int, int] = {}
        for run in other.runs():
            there = known.get((run.adapter, run.source, run.started_at))
            if there is None:
                there = self._begin(run.adapter, run.source, run.started_at, other.path.name)
            numbers[run.number] = there
        noted = {
            (row.run, row.start, row.stop, row.at)
            for row in self._log.rows()
            if row.outcome in ("refused", "hung")
        }
        for row in list(other._log.rows()):
            if row.outcome == "waived":
                continue
            if row.outcome != "given":
                mine = replace(row, run=numbers[row.run])
                if (mine.run, mine.start, mine.stop, mine.at) not in noted:  # not blended in before
                    self._pending.append(mine)
                    self._refusals.append((row.start, row.stop, row.seconds))
                continue
            self._run = numbers[row.run]
            for part in spans.clip(Span(row.start, row.stop)):
                for first in range(part.start, part.stop, 4 << 20):
                    piece = Span(first, min(first + (4 << 20), part.stop))
                    self._write(piece, memoryview(other.take(piece)))
                    self._given_now(piece, row.seconds * piece.length / (row.stop - row.start))
        self._coverage = None
        self.commit()

    # ------------------------------------------------------------------ durability

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

    def _make_durable(self, rows: list[Row]) -> None:
        if self._broken is not None:
            raise self._broken
        try:
            if any(row.outcome == "given" for row in rows):
                os.fdatasync(self._fd)
        except OSError as trouble:
            # The system may have dropped the bytes it could not write and call the next flush a success:
            # nothing that was pending may be claimed by this process any more.
            self._broken = _write_error(self._path, trouble)
            raise self._broken from trouble
        self._log.append(rows)

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
            self._log.keep_digest(self._sha256)
        return self._sha256

    def close(self) -> None:
        """Commits and lets go of the files."""
        try:
            if self._writable and self._broken is None:
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


def _origins(given: Iterable[tuple[int, int, int]]) -> tuple[Int64s, Int64s, Int64s]:
    """Starts, stops and runs of the given reads (oldest first) as sorted, disjoint columns; where two gave
    the same, the later one counts."""
    rows = np.array(list(given), dtype=np.int64).reshape(-1, 3)
    order = np.argsort(rows[:, 0], kind="stable")
    ordered = rows[order]
    if not np.any(ordered[1:, 0] < ordered[:-1, 1]):
        return ordered[:, 0], ordered[:, 1], ordered[:, 2]
    covered, pieces = SpanSet(), []
    for start, stop, run in rows[::-1].tolist():
        fresh = SpanSet([Span(start, stop)]) - covered
        pieces += [(part.start, part.stop, run) for part in fresh]
        covered = covered | fresh
    return _origins(sorted(pieces))


GLANCE_SECONDS = 0.05
"""A glance holds the lock far shorter; a process that writes holds it far longer (own choice)."""


def _take_lock(fd: int, path: Path) -> None:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    except OSError:
        time.sleep(GLANCE_SECONDS)  # it may only be glanced at
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
