"""What stands between a drive and the set: members that are not at hand, and ranges not to be used."""

from __future__ import annotations

from collections.abc import Mapping

from mendbay.core.source import Gap, Identity, Lack, Marked, Origin, Outlook, Reading, Source, gaps_of
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import cut_origins, gaps_from, lacks_of, marks_from, marks_of


class MissingMember:
    """A member that is not at hand: every byte of it is `ABSENT`.

    Args:
        size_bytes: of its data, known or assumed.
        sector_bytes, name: as the others have them.
    """

    def __init__(self, size_bytes: int, sector_bytes: int, name: str) -> None:
        self._identity = Identity("missing", name, size_bytes, sector_bytes)

    @property
    def size_bytes(self) -> int:
        return self._identity.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self._identity.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._identity

    def read(self, span: Span) -> Reading:
        return Reading(span, bytes(span.length), self.outlook(span).gaps)

    def outlook(self, span: Span) -> Outlook:
        return Outlook((Gap(span, Lack.ABSENT),) if span.length else ())

    def trace(self, span: Span) -> tuple[Origin, ...]:
        return ()

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return {}


class Withheld:
    """A member with ranges that hold nothing of the set: not rebuilt yet, or on its own list of bad blocks.

    They answer `ABSENT` and are never read: the drive may well give bytes there, but not the set's.

    Args:
        under: the member's data.
        spans: what not to use, in its coordinates.
    """

    def __init__(self, under: Source, spans: SpanSet) -> None:
        self.under = under
        self.spans = spans.clip(Span(0, under.size_bytes))

    @property
    def size_bytes(self) -> int:
        return self.under.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self.under.sector_bytes

    @property
    def identity(self) -> Identity:
        return self.under.identity

    def read(self, span: Span) -> Reading:
        held = self.spans.clip(span)
        if not held:
            return self.under.read(span)
        data = bytearray(span.length)
        gaps = list(gaps_of(held, Lack.ABSENT))
        marks: list[Marked] = []
        for part in held.complement(span):
            given = self.under.read(part)
            data[part.start - span.start : part.stop - span.start] = given.data
            gaps.extend(given.gaps)
            marks.extend(given.marks)
        return Reading(span, bytes(data), gaps_from(lacks_of(gaps)), marks_from(marks_of(marks)))

    def outlook(self, span: Span) -> Outlook:
        seen = self.under.outlook(span)
        held = self.spans.clip(span)
        if not held:
            return seen
        lacks = {why: spans - held for why, spans in lacks_of(seen.gaps).items()}
        lacks[Lack.ABSENT] = lacks.get(Lack.ABSENT, SpanSet()) | held
        marks = {mark: spans - held for mark, spans in marks_of(seen.marks).items()}
        return Outlook(gaps_from(lacks), marks_from(marks))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        free = self.spans.complement(span)
        return tuple(cut_origins(self.under.trace(span), free.starts, free.stops, free.starts))

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return self.under.needs(spans - self.spans)
