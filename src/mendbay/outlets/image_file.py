"""The image of a drive on disk: a sparse raw file and its checkpoint, one durable unit.

`bay-1.img` holds the bytes; `bay-1.coverage`, a SQLite file, the log of every read (range, outcome,
time, run). The log is the checkpoint: coverage, tries and provenance all follow from it. A row is
committed only after the bytes it speaks of have been flushed to the medium, so after a crash or a power
cut at any moment nothing is claimed that is not there; at most the reads since the last commit are done
again. Layout of the tables: `docs/formats/coverage.md`.
"""

from __future__ import annotations

import errno
import os
from contextlib import ExitStack
from pathlib import Path

from mendbay.core.clock import Clock, SystemClock, iso
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.block_digests import Claim, add_digests
from mendbay.imaging.differences import Difference, differing
from mendbay.imaging.lacking import Refusal
from mendbay.imaging.trouble import Trouble, trouble_in
from mendbay.jobs.log_memory import LogMemory
from mendbay.jobs.ports import Run
from mendbay.outlets.checkpoint import Checkpoint, Row
from mendbay.outlets.image_bytes import PrefixHasher, runs_of_zeros
from mendbay.outlets.image_commits import Commits
from mendbay.outlets.image_opening import begin_files, open_files
from mendbay.outlets.image_place import write_error
from mendbay.outlets.image_view import ImageView

DECAYED = "the image no longer held what the drive had given"
"""The reason of a doubt that arises where a second read differs."""


class ImageFile(ImageView):
    """An image being made, or one that is there.

    Make it with `create` or `reopen`. Everything written is pending until `commit` (or `commit_soon`,
    which works in the background).

    Belongs to one thread at a time, but for `take`, `path` and `identity` (`ports.ImageStore` says how). The
    threads of its own, which commit and hash in the background, are its own affair.
    """

    def __init__(
        self,
        path: Path,
        image_fd: int,
        log: Checkpoint,
        clock: Clock,
        writable: bool,
        memory: LogMemory | None = None,
    ) -> None:
        super().__init__(path, image_fd, log, memory)
        self._clock = clock
        self._writable = writable
        self._commits = Commits(path, image_fd, log)
        self._hasher = PrefixHasher()

    # ------------------------------------------------------------------ making and opening

    @classmethod
    def create(cls, path: Path, identity: Identity, clock: Clock | None = None) -> ImageFile:
        """A new, empty image for the drive of that identity.

        Raises:
            DestinationError: a file is already there, or the folder cannot be written to.
        """
        return cls._over(path, begin_files(path, identity), clock, writable=True)

    @classmethod
    def reopen(
        cls,
        path: Path,
        clock: Clock | None = None,
        *,
        writable: bool = True,
        memory: LogMemory | None = None,
    ) -> ImageFile:
        """An image that is there, to go on with or, not `writable`, to look at.

        Args:
            memory: what looks before made of logs; not for an image that is written to, nor for one whose
                bytes somebody relies on.

        Raises:
            DestinationError: there is no such image.
            ImageBusy: another process is writing to it.
            DamagedCheckpoint: the checkpoint is missing, damaged or does not fit the image.
        """
        opened = open_files(path, writable=writable, checked=memory is None)
        return cls._over(path, opened, clock, writable=writable, memory=memory)

    @classmethod
    def _over(
        cls,
        path: Path,
        opened: tuple[int, Checkpoint],
        clock: Clock | None,
        *,
        writable: bool,
        memory: LogMemory | None = None,
    ) -> ImageFile:
        """The image over its open files, which are closed again where they do not fit each other."""
        fd, log = opened
        with ExitStack() as undo:
            undo.callback(os.close, fd)
            undo.callback(log.close)
            made = cls(path, fd, log, clock or SystemClock(), writable, memory)
            undo.pop_all()
            return made

    # ------------------------------------------------------------------ adding

    def begin_run(self, adapter: str, source: str) -> int:
        """Starts a run; what is kept or noted from now on belongs to it. Returns its number."""
        return self.adopt_run(Run(0, adapter, source, iso(self._clock.now()), "", bench=os.uname().nodename))

    def adopt_run(self, run: Run) -> int:
        """Notes a run, whatever its number, as the present one. Returns its number here."""
        self.commit()
        self._run = self._log.begin_run(run.adapter, run.source, run.started_at, run.taken_from, run.bench)
        return self._run

    def keep(self, span: Span, data: memoryview, seconds: float, celsius: float | None = None) -> None:
        """Writes bytes that the drive gave, and notes the read with the digests of its blocks.

        Bytes that the image holds already stay; the new ones are compared with them, and where they differ
        that is noted (`differences`), unless the image no longer holds what the drive gave: then the piece is
        doubted, and the new bytes are taken.

        Args:
            celsius: the drive's temperature; None where nobody measured.

        Raises:
            NoRoom: the disk is full; what was kept before stays.
            DestinationError: the image cannot be written to.
        """
        decayed = self._decayed(span, data)
        if decayed:
            self.doubt(decayed, DECAYED)
        known = self._known(span)
        for part in known:
            self._compare(part, data[part.start - span.start : part.stop - span.start], seconds, celsius)
        for part in known.complement(span):
            piece = data[part.start - span.start : part.stop - span.start]
            self._keep_new(part, piece, seconds * part.length / span.length, celsius)

    def adopt(self, span: Span, data: memoryview, claim: Claim, run: int) -> None:
        """Writes bytes of a claim of another image, which `run` stands for here, with their own time. They
        get digests only if the claim had one that they were held against: bytes that nothing vouches for must
        not look vouched for.

        Raises:
            NoRoom, DestinationError: as `keep`.
        """
        before, self._run = self._run, run
        try:
            seconds = claim.seconds * span.length / claim.span.length
            self._keep_new(span, data, seconds, claim.celsius, claim.at, vouched=claim.digest is not None)
        finally:
            self._run = before

    def _known(self, span: Span) -> SpanSet:
        """What of a range the image holds."""
        return self._given.clip(span) | self._fresh.within(span)

    def _decayed(self, span: Span, data: memoryview) -> SpanSet:
        """The pieces of the image that differ from what the drive gives now because the image no longer holds
        what it gave before: no word of the drive against itself."""
        sector, found = self._identity.sector_bytes, []
        for part in self._known(span):
            given = data[part.start - span.start : part.stop - span.start]
            for unlike in differing(part, self.take(part), given, sector):
                for claim in self.claims_in(unlike):
                    if claim.is_held_by(self.take(claim.span)) is False:
                        found.append(claim.span)
        return SpanSet(found)

    def _compare(self, span: Span, data: memoryview, seconds: float, celsius: float | None) -> None:
        at = iso(self._clock.now())
        row = Row(self._run, span.start, span.stop, "again", "", seconds, at, "", celsius, bytearray())
        assert isinstance(row.digests, bytearray)
        add_digests(row.digests, span, data)
        unlike = differing(span, self.take(span), data, self._identity.sector_bytes)
        found = [Difference(part, run, self._run, at) for one in unlike for part, run in self.provenance(one)]
        self._commits.pending.rows.append(row)
        for one in found:
            self.note_difference(one)

    def _keep_new(
        self,
        span: Span,
        data: memoryview,
        seconds: float,
        celsius: float | None,
        at: str = "",
        *,
        vouched: bool = True,
    ) -> None:
        hashing = self._hasher.feed(span, data)
        try:
            self._write(span, data)
        finally:
            if hashing is not None:
                hashing.result()
        row = self._row_from(span.start, at, vouched=vouched)
        if isinstance(row.digests, bytearray):
            add_digests(row.digests, span, data)
        row.stop = span.stop
        row.seconds += seconds
        row.celsius = max((one for one in (row.celsius, celsius) if one is not None), default=None)
        self._fresh.add(span)
        self._coverage = None

    def _row_from(self, start: int, at: str, *, vouched: bool) -> Row:
        """The row that a read given from `start` on belongs to: the last one if it goes on where that ends,
        else a new one. Rows with digests and rows without are never one."""
        last = self._commits.pending.rows[-1] if self._commits.pending.rows else None
        if (
            last is None
            or (last.outcome, last.run, last.stop) != ("given", self._run, start)
            or (at and last.at != at)
            or isinstance(last.digests, bytearray) != vouched
        ):
            digests = bytearray() if vouched else b""
            at = at or iso(self._clock.now())
            last = Row(self._run, start, start, "given", "", 0.0, at, "", None, digests)
            self._commits.pending.rows.append(last)
        return last

    def _write(self, span: Span, data: memoryview) -> None:
        try:
            for part, is_zero in runs_of_zeros(data):
                if is_zero and self._is_hole(part.shift(span.start)):
                    continue  # a sparse file already holds zeros there
                at = part.start
                while at < part.stop:
                    at += os.pwrite(self._fd, data[at : part.stop], span.start + at)
        except OSError as trouble:
            raise write_error(self._path, trouble) from trouble

    def _is_hole(self, span: Span) -> bool:
        """Whether the file stores nothing there: a killed run may have left bytes it never claimed."""
        try:
            return os.lseek(self._fd, span.start, os.SEEK_DATA) >= span.stop
        except OSError as trouble:
            if trouble.errno == errno.ENXIO:  # no data up to the end
                return True
            raise

    def note(self, attempt: Attempt) -> None:
        """Notes a read that was not given.

        Raises:
            ValueError: the outcome is not a refusal or a hang.
        """
        if attempt.outcome not in (Outcome.REFUSED, Outcome.HUNG):
            raise ValueError(f"nothing to note about a read that {attempt.outcome}")
        self.adopt_refusal(
            Refusal(
                attempt.span,
                self._run,
                attempt.seconds,
                attempt.error,
                trouble_in(attempt) or Trouble.UNKNOWN,
                iso(self._clock.now()),
                attempt.celsius,
            ),
            attempt.outcome,
        )

    def adopt_refusal(self, one: Refusal, outcome: str) -> None:
        """Notes a refused read of a run that is known here, at its own time."""
        self._commits.pending.rows.append(
            Row(
                one.run,
                one.span.start,
                one.span.stop,
                str(outcome),
                one.error,
                one.seconds,
                one.at,
                str(one.trouble),
                one.celsius,
            )
        )
        self._refusals.append(one)
        self._coverage = None

    def waive(self, spans: SpanSet) -> None:
        """Notes that these ranges are deliberately left."""
        at = iso(self._clock.now())
        for span in spans:
            self._commits.pending.rows.append(Row(self._run, span.start, span.stop, "waived", "", 0.0, at))
        self._waived = self._waived | spans
        self._coverage = None

    def note_difference(self, one: Difference) -> None:
        """Notes that two reads differ."""
        self._commits.pending.differences.append(one)
        self._unlike.append(one.span)

    def note_changed(self, spans: SpanSet) -> None:
        """Notes, durably, which pieces of the image are not what the drive gave, in place of what was noted
        before. While there are any, the image has no digest."""
        self.commit()
        self._changed = spans
        self._hash_anew()
        self._log.keep_changed(spans)

    def doubt(self, spans: SpanSet, why: str) -> SpanSet:
        """Takes back the claim that these ranges are read, durably, so that they are read again; the bytes
        stay in the file until then. `why` is kept. With the claim go, in one step, the digest of the whole
        image and what `note_changed` noted of these ranges.

        Returns:
            What is unread now: the pieces (see `claims`) that hold any of it, since a digest is one of a
            whole piece.
        """
        at = iso(self._clock.now())
        doubts: list[Row] = []
        for claim in self.claims():
            if not spans.overlaps(claim.span):
                continue
            if doubts and (doubts[-1].run, doubts[-1].stop) == (claim.run, claim.span.start):
                doubts[-1].stop = claim.span.stop
            else:
                doubts.append(Row(claim.run, claim.span.start, claim.span.stop, "doubted", why, 0.0, at))
        again = SpanSet(Span(row.start, row.stop) for row in doubts)
        if doubts:
            left = self._changed - again
            self._commits.pending.rows += doubts
            if left != self._changed:  # in the same step: what the drive gives next must not be marked
                self._commits.pending.changed = left
            self.commit()
            self.coverage()  # folds in what was kept last
            self._forget([Span(row.start, row.stop) for row in doubts])
            self._sha256, self._coverage, self._origins = "", None, None
            self._hash_anew()
            self._changed = left
        return again

    # ------------------------------------------------------------------ durability

    def _settle(self) -> None:
        if self._writable:
            self.commit()
            self._origins = None

    def commit_soon(self) -> None:
        """Makes everything pending durable in the background; does nothing if that is still going on."""
        self._commits.soon()

    def commit(self) -> None:
        """Makes everything pending durable: first the bytes, then the log that speaks of them.

        Raises:
            NoRoom, DestinationError: the disk would not take it; nothing is claimed that is not there.
        """
        self._commits.now()

    def digest(self, *, compute: bool = True) -> str:
        """SHA-256 of the whole image file, hexadecimal, or an empty text while anything is unread or
        refused (a drive with holes has no digest that another reading could repeat), or a piece of the image
        is not what the drive gave (`changed` says which; a digest would vouch for it).

        Bytes that came in order were hashed on the way; the others are read back from the image now, and held
        against the digests of their pieces. The digest is kept in the checkpoint, to be computed only once,
        and stays there when pieces change (`noted_digest`): a good copy of the image put back is known by it.

        Args:
            compute: False to only tell what is known already.
        """
        whole = Span(0, self._identity.size_bytes)
        if (self._sha256 and not self._changed) or not self.coverage().read.covers(whole):
            return self._sha256
        if not compute and (self._changed or self._hasher.reached < whole.stop):
            return ""
        changed = self._hash_rest()
        if not changed and self._sha256 and self._hasher.hexdigest() != self._sha256:
            changed = self._changed  # only the whole tells: a new digest would vouch for what has changed
        self._changed = changed
        if changed:
            self._hash_anew()
        else:
            self._sha256 = self._hasher.hexdigest()
        if self._writable:
            self.commit()
            self._log.keep_changed(changed)
            if not changed:
                self._log.keep_digest(self._sha256)
        return "" if changed else self._sha256

    def _hash_rest(self) -> SpanSet:
        """Hashes what did not come in order, up to the first piece that is not what the drive gave; returns
        all such pieces."""
        changed: list[Span] = []
        for claim in self.claims_in(Span(self._hasher.reached, self._identity.size_bytes)):
            data = self.take(claim.span)
            if claim.is_held_by(data) is False:
                changed.append(claim.span)
            elif not changed:
                rest = Span(self._hasher.reached, claim.span.stop)
                hashing = self._hasher.feed(rest, memoryview(data)[rest.start - claim.span.start :])
                if hashing is not None:
                    hashing.result()
        return SpanSet(changed)

    def _hash_anew(self) -> None:
        self._hasher.close()
        self._hasher = PrefixHasher()

    def close(self) -> None:
        """Commits and lets go of the files."""
        try:
            if self._writable and not self._commits.is_broken:
                self.commit()
        finally:
            self._commits.close()
            self._hasher.close()
            self._log.close()
            os.close(self._fd)
