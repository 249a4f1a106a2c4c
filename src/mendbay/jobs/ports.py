"""What the jobs need from the world outside, as protocols. Wiring hands in what fulfils them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from mendbay.core.coverage import Coverage
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Attempt


class DriveReader(Protocol):
    """A drive that can be asked for ranges, one at a time, and can refuse, hang or vanish.

    `ask` queues a read (sector-aligned, at most `largest_read_bytes`); `answer` waits for the oldest
    one queued. At most `depth` reads may be queued; the drive itself never sees more than one at a
    time. After an answer that is not `GIVEN` everything queued behind it is dropped without having
    been tried, so that the caller can choose again: `queued` is then 0.
    """

    depth: int
    largest_read_bytes: int

    @property
    def identity(self) -> Identity: ...

    @property
    def queued(self) -> int: ...

    def ask(self, span: Span) -> None: ...

    def answer(self) -> Attempt: ...

    def returned(self) -> bool:
        """After the drive vanished and its power was cycled: whether it answers again, with the same
        size, sector size and, where known, serial number.

        Raises:
            SourceChanged: a drive answers, but another one.
        """
        ...

    def close(self) -> None: ...


class ImageStore(Protocol):
    """An image of one drive with its log of reads: one durable unit.

    What `keep` and `note` were given is claimed by the checkpoint only after `commit`, which makes
    the bytes durable first.
    """

    @property
    def identity(self) -> Identity: ...

    def coverage(self) -> Coverage:
        """The condition of every range, with what is not yet committed included."""
        ...

    def keep(self, span: Span, data: memoryview, seconds: float) -> None:
        """Writes bytes that the drive gave, and notes the read."""
        ...

    def note(self, attempt: Attempt) -> None:
        """Notes a read that was not given."""
        ...

    def waive(self, spans: SpanSet) -> None:
        """Notes that these ranges are deliberately left."""
        ...

    def take(self, span: Span) -> bytes:
        """The bytes of a range that is `read`, from the image."""
        ...

    def refused_reads(self) -> Iterator[tuple[int, int, float]]:
        """(start, stop, seconds) of every read not given, oldest first."""
        ...

    def commit_soon(self) -> None:
        """Starts a commit in the background unless one is under way."""
        ...

    def commit(self) -> None: ...

    def close(self) -> None: ...
