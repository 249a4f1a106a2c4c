"""What the image of a drive and its log say, derived from the log when the image is opened."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from mendbay.core.coverage import Coverage, refused_alone
from mendbay.core.errors import DestinationError
from mendbay.core.source import Identity
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.adapters import adapter_key, counts_for
from mendbay.imaging.block_digests import Claim, digested, is_whole, pieces
from mendbay.imaging.differences import Difference
from mendbay.imaging.lacking import Refusal
from mendbay.jobs.log_memory import LogMemory
from mendbay.jobs.ports import Run
from mendbay.outlets.checkpoint import Checkpoint, Row, checkpoint_path, damaged, with_sums
from mendbay.outlets.checkpoint_check import LogCheck, changed_in, identity_in, numbers_of, sha256_in
from mendbay.outlets.fresh_spans import FreshSpans
from mendbay.outlets.image_bytes import Origins, origins
from mendbay.outlets.log_fold import standing
from mendbay.outlets.log_seen import Found, LogSeen, bounds_of, file_of, look, read_rows


class ImageView:
    """An image and its log to look at; whoever adds to them builds on it (`image_file.py`).

    Args:
        path: of the image.
        image_fd: the image, open.
        log: its checkpoint, open.
        memory: of an image that is only looked at, what looks before made of its log, and where this one
            leaves what it made; None to read all of it.

    Raises:
        DamagedCheckpoint: the two do not fit, or the log is not sound.
    """

    def __init__(self, path: Path, image_fd: int, log: Checkpoint, memory: LogMemory | None = None) -> None:
        self._path = path
        self._fd = image_fd
        self._log = log
        self._memory = memory
        self._run = 0
        self._origins: Origins | None = None
        self._load()

    def _load(self) -> None:
        try:
            with self._log.one_moment():
                self._take_meta(self._log.meta())
                self._take_rows()
        except ValueError as trouble:
            raise damaged(self._path, str(trouble)) from trouble

    def _take_meta(self, meta: Mapping[str, str]) -> None:
        self._identity = identity_in(meta.get("identity", ""))
        self._sha256 = sha256_in(meta.get("sha256", ""))
        size = os.fstat(self._fd).st_size
        if size != self._identity.size_bytes:
            raise ValueError(
                f"it describes a drive of {self._identity.size_bytes} bytes, but the image has {size}"
            )

        self._changed = changed_in(meta.get("changed", "[]"), size)

    def _take_rows(self) -> None:
        runs = tuple(self._log.bare_runs())
        check = LogCheck(self._identity.size_bytes, self._identity.sector_bytes, numbers_of(runs))
        differences = self._log.differences()
        for one in differences:
            check.require_difference(one)
        self._two_answers = SpanSet(one.span for one in differences)
        self._unlike: list[Span] = []
        self._runs: tuple[Run, ...] | None = None
        if self._memory is None:
            seen = read_rows(self._log.rows(), check)
        else:
            seen = self._looked(self._memory, check, runs)
        self._given, self._waived = seen.given, seen.waived
        self._refusals, self._bounds = list(seen.refusals), seen.bounds
        self._fresh = FreshSpans()
        self._coverage: Coverage | None = None

    def _looked(self, memory: LogMemory, check: LogCheck, runs: tuple[Run, ...]) -> LogSeen:
        """What the log amounts to, read on from what a look before left in the memory."""
        found = Found(file_of(checkpoint_path(self._path)), self._identity, runs)
        mark = look(self._log, check, found, memory.of(self._path), time.monotonic())
        memory.keep(self._path, mark)
        self._runs = with_sums(runs, mark.sums)
        return mark.seen

    def _forget(self, doubts: Sequence[Span]) -> None:
        """What was read there counts no more, nor do the refusals before it was that lie in one of them."""
        self._given = self._given - SpanSet(doubts)
        places = [(1, one.span) for one in self._refusals]
        stands = standing(places, [(2, one) for one in doubts])
        self._refusals = [one for one, its in zip(self._refusals, stands, strict=True) if its]
        self._bounds = bounds_of(self._refusals)

    def _refused_bounds(self) -> Int64s:
        """Start and stop of every read not given, oldest first; shape (n, 2)."""
        known = len(self._bounds)
        if known < len(self._refusals):
            self._bounds = np.concatenate((self._bounds, bounds_of(self._refusals[known:])))
        return self._bounds

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
            self._given = self._given | self._fresh.take()
            self._coverage = Coverage.from_log(
                self._identity.size_bytes,
                self._identity.sector_bytes,
                self._given,
                self._refused_bounds(),
                self._waived,
                self._identity.unit_bytes,
            )
        return self._coverage

    def coverage_here(self) -> Coverage:
        """The coverage with only those tries counted that went through the adapter of the present run, or may
        have, 0 for a sector that only others refused: a new adapter or cable is a new chance."""
        found = self.coverage()
        sector = found.sector_bytes
        single, _ = refused_alone(self.refused_here(), sector, self._identity.unit_bytes)
        starts, counts = np.unique(single, return_counts=True)
        tries = np.zeros(found.refused_starts.size, dtype=np.int64)
        _, mine, theirs = np.intersect1d(found.refused_starts, starts, return_indices=True)
        tries[mine] = counts[theirs]
        return Coverage(found.size_bytes, sector, found.read, found.refused_starts, tries, found.waived)

    def refused_here(self) -> Int64s:
        """Start and stop of every read not given through the adapter of the present run, or that may have
        gone through it; of every one where no run is under way. Shape (n, 2)."""
        adapters = {run.number: adapter_key(run.adapter) for run in self.runs()}
        bounds = [
            (one.span.start, one.span.stop)
            for one in self._refusals
            if self._run not in adapters or counts_for(adapters[one.run], adapters[self._run])
        ]
        return np.array(bounds, dtype=np.int64).reshape(-1, 2)

    def refused_reads(self) -> Iterator[tuple[int, int, float]]:
        """(start, stop, seconds) of every read not given, oldest first."""
        return iter([(one.span.start, one.span.stop, one.seconds) for one in self._refusals])

    def refusals(self) -> tuple[Refusal, ...]:
        """Every read not given, oldest first; without those of a range that was read and then doubted."""
        return tuple(self._refusals)

    def given_by_run(self) -> Mapping[int, SpanSet]:
        """What each run gave, whether or not another gave it too."""
        bounds: dict[int, list[Span]] = {}
        for row in self.rows():
            if row.outcome in ("given", "again"):
                bounds.setdefault(row.run, []).append(Span(row.start, row.stop))
        return {run: SpanSet(spans) for run, spans in bounds.items()}

    def differences(self) -> tuple[Difference, ...]:
        """Every difference found between two reads of one range, oldest first."""
        self._settle()
        return self._log.differences()

    def two_answers(self) -> SpanSet:
        """Where two reads of the drive brought other bytes, with what is not yet committed included."""
        if self._unlike:
            self._two_answers = self._two_answers | SpanSet(self._unlike)
            self._unlike = []
        return self._two_answers

    def changed(self) -> SpanSet:
        """The pieces that, when the image was last hashed or verified as a whole, were not what the drive had
        given."""
        return self._changed

    def noted_digest(self) -> str:
        """SHA-256 of the whole image as it was when it was noted; empty if none was."""
        return self._sha256

    def rows(self) -> Iterator[Row]:
        """Every row of the log without its digests, oldest first."""
        self._settle()
        return self._log.rows()

    def _settle(self) -> None:
        """Called before the log is asked: brings into it what was kept and is not there yet."""

    def claims(self) -> Iterator[Claim]:
        """What is read, in order of place, cut into the pieces whose digests were noted."""
        yield from self.claims_in(Span(0, self._identity.size_bytes))

    def claims_in(self, span: Span) -> Iterator[Claim]:
        """The pieces, each whole, that hold any byte of `span`."""
        starts, stops, _, rows = self._claimed()
        within = slice(
            int(np.searchsorted(stops, span.start, side="right")),
            int(np.searchsorted(starts, span.stop, side="left")),
        )
        starts, stops, rows = starts[within], stops[within], rows[within]
        for start, stop, number in zip(starts.tolist(), stops.tolist(), rows.tolist(), strict=True):
            here, row = Span(start, stop), self._log.row(number)
            whole = Span(row.start, row.stop)
            parts: Iterable[tuple[Span, int | None]] = ((one, None) for one in pieces(here))
            if row.digests:
                if not isinstance(row.digests, bytes) or not is_whole(row.digests, whole):
                    raise damaged(self._path, f"its row {number} has digests of another range")
                parts = digested(row.digests, whole)
            for part, expected in parts:
                left = part.clip(here)
                if left.length and left.overlaps(span):
                    noted = expected if left == part else None
                    seconds = row.seconds * left.length / whole.length
                    yield Claim(left, row.run, noted, row.at, seconds, row.celsius)

    def _claimed(self) -> Origins:
        self._settle()
        if self._origins is None:
            self._origins = origins(self._log.claims())
        return self._origins

    def take(self, span: Span) -> bytes:
        """The bytes of a range that is `read`, from the image. Any thread may ask until the image is closed:
        nothing is used that changes.

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
        self._settle()
        return self._log.runs() if self._runs is None else self._runs

    def provenance(self, span: Span) -> tuple[tuple[Span, int], ...]:
        """Which run gave which part of `span`, in order of place; the latest where two gave the same."""
        starts, stops, runs, _ = self._claimed()
        first = int(np.searchsorted(stops, span.start, side="right"))
        last = int(np.searchsorted(starts, span.stop, side="left"))
        return tuple(
            (Span(int(starts[at]), int(stops[at])).clip(span), int(runs[at])) for at in range(first, last)
        )
