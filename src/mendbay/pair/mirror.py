"""A mirror as one source: the preferred half, and from the others what it lacks, with marks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from mendbay.core.source import Gap, Identity, Mark, Marked, Origin, Outlook, Reading, Source, absent_beyond
from mendbay.core.span import Span, SpanSet, union
from mendbay.pair.answers import (
    Lacks,
    Marks,
    cut_origins,
    gaps_from,
    lacks_of,
    marks_from,
    marks_of,
    merged_needs,
    most_hopeful,
)


@dataclass(frozen=True, slots=True)
class Half:
    """One copy of a mirror's data.

    `source` has the mirror's coordinates. `older` are the bytes in which it may hold an older state than the
    freshest half: none for a half in step, everything for one that fell behind, or what the fresher half's
    bitmap does not prove clean.
    """

    source: Source
    older: SpanSet = field(default_factory=SpanSet)


class Mirror:
    """Several copies of the same data as one source.

    A read asks the first half, then each next one only for what is still missing. Bytes not from the
    first half carry `OTHER_HALF`; bytes that lie in the `older` of the half they come from carry
    `POSSIBLY_OLDER`. What no half has is a gap with the most hopeful of their reasons, so that it is only
    called refused when no half is left to ask.

    Args:
        halves: in the order of preference, at least one.
        size_bytes: of the mirror; what lies beyond the end of a half is `ABSENT` on it.
        name: what to call it in reports.

    Raises:
        ValueError: no half.
    """

    def __init__(self, halves: Sequence[Half], size_bytes: int, name: str) -> None:
        if not halves:
            raise ValueError("a mirror needs at least one half")
        self.halves = tuple(halves)
        sector = max(half.source.sector_bytes for half in halves)
        self._identity = Identity("mirror", name, size_bytes, sector)

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
        inside, beyond = absent_beyond(span, self.size_bytes)
        reading = self.halves[0].source.read(inside)
        if reading.is_complete and not beyond and not self.halves[0].older.overlaps(inside):
            return reading
        data = bytearray(reading.data).ljust(span.length, b"\0")
        answers = [(lacks_of(reading.gaps), marks_of(reading.marks))]
        missing = reading.missing()
        for half in self.halves[1:]:
            if not missing:
                break
            lacks, marks = self._fill(half, missing, data, span.start)
            answers.append((lacks, marks))
            missing = union(lacks.values())
        seen = self._settled(inside, answers)
        return Reading(span, bytes(data), seen.gaps + beyond, seen.marks)

    def _fill(self, half: Half, missing: SpanSet, data: bytearray, origin: int) -> tuple[Lacks, Marks]:
        """Reads `missing`, and nothing else, from one half into `data`, which begins at `origin`."""
        gaps: list[Gap] = []
        marks: list[Marked] = []
        for part in missing:
            given = half.source.read(part)
            data[part.start - origin : part.stop - origin] = given.data
            gaps.extend(given.gaps)
            marks.extend(given.marks)
        return lacks_of(gaps), marks_of(marks)

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        answers = []
        missing = SpanSet((inside,))
        for half in self.halves:
            seen = half.source.outlook(inside)
            answers.append((lacks_of(seen.gaps), marks_of(seen.marks)))
            missing = missing & union(answers[-1][0].values())
            if not missing:
                break
        settled = self._settled(inside, answers)
        return Outlook(settled.gaps + beyond, settled.marks)

    def _settled(self, inside: Span, answers: Sequence[tuple[Lacks, Marks]]) -> Outlook:
        """The gaps and marks that follow from what each half said about what was asked of it."""
        told: list[Marked] = []
        missing = SpanSet((inside,))
        for index, (lacks, marks) in enumerate(answers):
            given = missing - union(lacks.values())
            told.extend(marks_from(self._marks(index, given, marks)))
            missing = missing - given
        lost = most_hopeful(missing, (lacks for lacks, _ in answers))
        return Outlook(gaps_from(lost), marks_from(marks_of(told)))

    def _marks(self, index: int, given: SpanSet, below: Marks) -> Marks:
        """What bytes given by one half carry: its own marks from below, and those of its standing."""
        marks = {mark: spans & given for mark, spans in below.items()}
        if index > 0:
            marks[Mark.OTHER_HALF] = given
        older = given & self.halves[index].older
        if older:
            marks[Mark.POSSIBLY_OLDER] = marks.get(Mark.POSSIBLY_OLDER, SpanSet()) | older
        return marks

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(Span(0, self.size_bytes))
        found = [origin for part in self._traced(inside) for origin in part]
        return tuple(sorted(found, key=lambda origin: origin.span.start))

    def _traced(self, inside: Span) -> Iterator[list[Origin]]:
        left = SpanSet((inside,))
        for index, half in enumerate(self.halves):
            origins = half.source.trace(inside)
            other = Mark.OTHER_HALF if index else None
            for pieces, mark in ((left - half.older, other), (left & half.older, Mark.POSSIBLY_OLDER)):
                yield cut_origins(origins, pieces.starts, pieces.stops, pieces.starts, mark)
            left = left - SpanSet(origin.span for origin in origins)
            if not left:
                return

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        wanted = spans.clip(Span(0, self.size_bytes))
        return merged_needs(half.source.needs(wanted) for half in self.halves)
