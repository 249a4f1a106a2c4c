"""The image of a drive as a `Source`, which can fetch from the drive what it does not hold yet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

from mendbay.core.coverage import Coverage
from mendbay.core.source import Gap, Identity, Mark, Marked, Origin, Outlook, Reading, absent_beyond
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.block_digests import BLOCK_BYTES, Claim


class Kept(Protocol):
    """What has been kept of a drive so far."""

    @property
    def identity(self) -> Identity: ...

    def coverage(self) -> Coverage: ...

    def take(self, span: Span) -> bytes: ...

    def claims_in(self, span: Span) -> Iterator[Claim]: ...

    def two_answers(self) -> SpanSet: ...

    def changed(self) -> SpanSet: ...


class ImageSource:
    """The image of the drive in one bay.

    With `fetch`, it is a read-through image: a read of something still unread first asks the drive for
    it, once, and keeps the answer, so that everything stacked on top can work on a dying drive and no
    sector is asked for twice. Without, it only ever shows what is already there.

    What the record of the image has against its bytes goes with them as marks: `TWO_ANSWERS` and
    `NOT_AS_READ`.

    Args:
        kept: the image and its coverage.
        bay: the label of the bay, as it appears in `Origin.bay`.
        fetch: tries to read the given ranges of the drive into `kept`. It may raise what reading a
            drive may raise; ranges it could not get simply stay gaps.
        check: hold every piece of the image against its digest when bytes of it are first read; what is
            no longer what the drive gave is then in `unsound` too. Only for an image that is not added to.
    """

    def __init__(
        self,
        kept: Kept,
        bay: str,
        fetch: Callable[[SpanSet], None] | None = None,
        *,
        check: bool = False,
    ) -> None:
        self._kept = kept
        self._bay = bay
        self._fetch = fetch
        self._checked = bytearray(-(-kept.identity.size_bytes // BLOCK_BYTES)) if check else None
        self._found = SpanSet()

    @property
    def size_bytes(self) -> int:
        return self._kept.identity.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self._kept.identity.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._kept.identity

    @property
    def unsound(self) -> SpanSet:
        """Where the image is known to hold no longer what the drive gave, by its record or by this look."""
        return self._kept.changed() | self._found if self._found else self._kept.changed()

    def read(self, span: Span) -> Reading:
        inside, beyond = absent_beyond(span, self.size_bytes)
        coverage = self._kept.coverage()
        if self._fetch is not None and not coverage.read.covers(inside):
            unread = coverage.decided.complement(inside)
            if unread:
                self._fetch(unread)
                coverage = self._kept.coverage()
        self._check(inside)
        marks = self._marks(inside, coverage)
        if coverage.read.covers(inside) and not beyond:
            return Reading(span, self._kept.take(inside), (), marks)
        data = bytearray(span.length)
        for part in coverage.read.clip(inside):
            at = part.start - span.start
            data[at : at + part.length] = self._kept.take(part)
        return Reading(span, bytes(data), coverage.gaps(inside) + beyond, marks)

    def _check(self, span: Span) -> None:
        """Holds the pieces of which bytes are about to be read against their digests, each once."""
        if self._checked is None or not span.length:
            return
        first, last = span.start // BLOCK_BYTES, -(-span.stop // BLOCK_BYTES)
        while (first := self._checked.find(0, first, last)) >= 0:
            after = self._checked.find(1, first, last)
            stop = last if after < 0 else after
            blocks = Span(first * BLOCK_BYTES, min(stop * BLOCK_BYTES, self.size_bytes))
            self._found = self._found | SpanSet(
                one.span
                for one in self._kept.claims_in(blocks)
                if one.is_held_by(self._kept.take(one.span)) is False
            )
            self._checked[first:stop] = b"\1" * (stop - first)

    def _marks(self, span: Span, coverage: Coverage) -> tuple[Marked, ...]:
        """What the record has against bytes of a range that are there."""
        against = ((Mark.TWO_ANSWERS, self._kept.two_answers()), (Mark.NOT_AS_READ, self.unsound))
        found = [
            Marked(part, mark)
            for mark, spans in against
            if spans.overlaps(span)
            for part in spans.clip(span) & coverage.read
        ]
        return tuple(sorted(found, key=lambda one: (one.span, one.mark)))

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        coverage = self._kept.coverage()
        gaps: tuple[Gap, ...] = () if coverage.read.covers(inside) else coverage.gaps(inside)
        return Outlook(gaps + beyond, self._marks(inside, coverage))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(Span(0, self.size_bytes))
        return tuple(Origin(part, self._bay, part) for part in self._kept.coverage().read.clip(inside))

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return {self._bay: spans.clip(Span(0, self.size_bytes))}
