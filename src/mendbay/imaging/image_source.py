"""The image of a drive as a `Source`, which can fetch from the drive what it does not hold yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from mendbay.core.coverage import Coverage
from mendbay.core.source import Gap, Identity, Origin, Outlook, Reading, absent_beyond
from mendbay.core.span import Span, SpanSet


class Kept(Protocol):
    """What has been kept of a drive so far."""

    @property
    def identity(self) -> Identity: ...

    def coverage(self) -> Coverage: ...

    def take(self, span: Span) -> bytes: ...


class ImageSource:
    """The image of the drive in one bay.

    With `fetch`, it is a read-through image: a read of something still unread first asks the drive for
    it, once, and keeps the answer, so that everything stacked on top can work on a dying drive and no
    sector is asked for twice. Without, it only ever shows what is already there.

    Args:
        kept: the image and its coverage.
        bay: the label of the bay, as it appears in `Origin.bay`.
        fetch: tries to read the given ranges of the drive into `kept`. It may raise what reading a
            drive may raise; ranges it could not get simply stay gaps.
    """

    def __init__(self, kept: Kept, bay: str, fetch: Callable[[SpanSet], None] | None = None) -> None:
        self._kept = kept
        self._bay = bay
        self._fetch = fetch

    @property
    def size_bytes(self) -> int:
        return self._kept.identity.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self._kept.identity.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._kept.identity

    def read(self, span: Span) -> Reading:
        inside, beyond = absent_beyond(span, self.size_bytes)
        coverage = self._kept.coverage()
        if self._fetch is not None and not coverage.read.covers(inside):
            unread = coverage.decided.complement(inside)
            if unread:
                self._fetch(unread)
                coverage = self._kept.coverage()
        if coverage.read.covers(inside) and not beyond:
            return Reading(span, self._kept.take(inside))
        data = bytearray(span.length)
        for part in coverage.read.clip(inside):
            at = part.start - span.start
            data[at : at + part.length] = self._kept.take(part)
        return Reading(span, bytes(data), coverage.gaps(inside) + beyond)

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        coverage = self._kept.coverage()
        gaps: tuple[Gap, ...] = () if coverage.read.covers(inside) else coverage.gaps(inside)
        return Outlook(gaps + beyond)

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(Span(0, self.size_bytes))
        return tuple(Origin(part, self._bay, part) for part in self._kept.coverage().read.clip(inside))

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return {self._bay: spans.clip(Span(0, self.size_bytes))}
