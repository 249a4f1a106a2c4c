"""What an image was given and is not yet durable: kept together, and made durable bytes first."""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from mendbay.core.errors import MendbayError
from mendbay.core.span import SpanSet
from mendbay.imaging.differences import Difference
from mendbay.outlets.checkpoint import Checkpoint, Row
from mendbay.outlets.image_place import write_error


@dataclass(slots=True)
class Batch:
    """What becomes durable together. `changed` are the pieces that are not what the drive gave from then on;
    None where what was noted of them stays."""

    rows: list[Row] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    changed: SpanSet | None = None

    def __bool__(self) -> bool:
        return bool(self.rows or self.differences) or self.changed is not None

    def before(self, later: Batch) -> Batch:
        """This batch and a later one in one."""
        changed = self.changed if later.changed is None else later.changed
        return Batch(self.rows + later.rows, self.differences + later.differences, changed)


class Commits:
    """The batches of one image. `pending` is the one that grows.

    Args:
        path: of the image, for messages.
        image_fd: the image, open for writing.
        log: its checkpoint.
    """

    def __init__(self, path: Path, image_fd: int, log: Checkpoint) -> None:
        self.pending = Batch()
        self._path = path
        self._fd = image_fd
        self._log = log
        self._thread = ThreadPoolExecutor(1, "checkpoint")
        self._in_background = Batch()
        self._under_way: Future[None] | None = None
        self._broken: MendbayError | None = None

    @property
    def is_broken(self) -> bool:
        """Whether the disk failed a flush, after which nothing more is claimed."""
        return self._broken is not None

    def soon(self) -> None:
        """Makes everything pending durable in the background; does nothing if that is still going on."""
        if self.pending and (self._under_way is None or self._under_way.done()):
            self._join_background()
            self._in_background, self.pending = self.pending, Batch()
            self._under_way = self._thread.submit(self._make_durable, self._in_background)

    def now(self) -> None:
        """Makes everything pending durable: first the bytes, then the log that speaks of them.

        Raises:
            NoRoom, DestinationError: the disk would not take it; nothing is claimed that is not there.
        """
        self._join_background()
        if self.pending:
            self._make_durable(self.pending)
            self.pending = Batch()

    def _join_background(self) -> None:
        """Waits for the commit under way; if it failed its rows are pending again."""
        if self._under_way is None:
            return
        waiting, self._under_way = self._under_way, None
        try:
            waiting.result()
        except BaseException:
            self.pending = self._in_background.before(self.pending)
            raise
        finally:
            self._in_background = Batch()

    def _make_durable(self, batch: Batch) -> None:
        if self._broken is not None:
            raise self._broken
        try:
            if any(row.outcome == "given" for row in batch.rows):
                os.fdatasync(self._fd)
        except OSError as trouble:
            # The system may have dropped the bytes it could not write and call the next flush a success:
            # nothing that was pending may be claimed by this process any more.
            self._broken = write_error(self._path, trouble)
            raise self._broken from trouble
        self._log.append(batch.rows, batch.differences, batch.changed)

    def close(self) -> None:
        """Ends the thread in the background; what is pending stays so."""
        self._thread.shutdown(wait=True)
