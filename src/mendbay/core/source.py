"""What can be read, and what an answer looks like.

A `Source` is anything with a size that gives bytes for a span: a drive, the image being made of it, a
partition, a pair of members, a volume, a file. Sources stack. A partial answer is a value, never an
exception: every byte that is not there is named in `Reading.gaps` with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

from mendbay.core.span import Span, SpanSet


class Lack(StrEnum):
    """Why bytes are missing. The four answers are never merged, and none of them is "zero"."""

    UNREAD = "unread"
    """Never asked for."""
    REFUSED = "refused"
    """Asked for and not given."""
    WAIVED = "waived"
    """Deliberately left."""
    ABSENT = "absent"
    """No such place: beyond the end of the source, or on a member that is not at hand."""


class Mark(StrEnum):
    """What is known against bytes that were given. Marks travel with the bytes to the last report."""

    OTHER_HALF = "from the other half"
    """The preferred half of a mirror lacked them; the other half gave them."""
    POSSIBLY_OLDER = "possibly older"
    """They come from a half that fell behind and nothing proves them current."""
    TWO_ANSWERS = "two answers"
    """The drive gave other bytes when it was read again, both times without an error."""
    HALVES_DIFFER = "the halves differ"
    """The halves of a mirror that are in step hold other bytes."""
    ONE_HALF_ALONE = "one half alone"
    """One half of a mirror gave them, and the halves differ elsewhere: nothing tells which is right."""
    NOT_AS_READ = "not as read"
    """The image no longer holds what the drive gave."""


DOUBTS = (Mark.TWO_ANSWERS, Mark.HALVES_DIFFER, Mark.ONE_HALF_ALONE, Mark.NOT_AS_READ)
"""What makes bytes unproven wherever they come from."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A span of a reading that holds no data, and why."""

    span: Span
    why: Lack


@dataclass(frozen=True, slots=True)
class Marked:
    """A span of a reading whose bytes are there but carry a mark."""

    span: Span
    mark: Mark


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a span of a source lies on a bay's drive, for the thread of evidence.

    `span` is in the coordinates of the source asked, `at` in bytes of the drive in `bay`; both have
    the same length. `mark` is what the bytes carry for the half they come from, if anything; doubts
    (`DOUBTS`) are in the reading and its outlook alone.
    """

    span: Span
    bay: str
    at: Span
    mark: Mark | None = None


LARGEST_UNIT = 4096
"""No drive is known to have larger physical sectors; who reports them is not believed."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What a source says it is. Unknown texts are empty, never guessed.

    `sector_bytes` is the smallest unit that can be asked for; `physical_bytes` what the medium is
    written in, from byte 0 on (0 = not reported).
    """

    kind: str
    name: str
    size_bytes: int
    sector_bytes: int
    physical_bytes: int = 0
    model: str = ""
    serial: str = ""

    @property
    def unit_bytes(self) -> int:
        """What fails as one: a physical sector, if several sectors make one of at most `LARGEST_UNIT` bytes
        and the source is made of whole ones; else a sector."""
        sector, physical = self.sector_bytes, self.physical_bytes
        whole = sector < physical <= LARGEST_UNIT and physical % sector == 0
        return physical if whole and self.size_bytes % physical == 0 else sector


@dataclass(frozen=True, slots=True)
class Reading:
    """The answer to one read.

    `data` has exactly `span.length` bytes. Bytes inside a gap are zero only so that the others keep
    their places; whoever uses them without looking at `gaps` has a defect. `gaps` and `marks` are
    sorted, lie inside `span` and are in the coordinates of the source that was asked.
    """

    span: Span
    data: bytes
    gaps: tuple[Gap, ...] = ()
    marks: tuple[Marked, ...] = ()

    def __post_init__(self) -> None:
        if len(self.data) != self.span.length:
            raise ValueError(f"{len(self.data)} bytes given for a span of {self.span.length}")

    @property
    def is_complete(self) -> bool:
        """Whether every byte asked for is there."""
        return not self.gaps

    def missing(self) -> SpanSet:
        """The bytes that are not there, whatever the reason."""
        return SpanSet(gap.span for gap in self.gaps)

    def marked(self, mark: Mark) -> SpanSet:
        """The bytes that carry `mark`."""
        return SpanSet(one.span for one in self.marks if one.mark is mark)

    def shift(self, delta: int) -> Reading:
        """The same answer in coordinates moved by `delta` bytes."""
        return Reading(
            self.span.shift(delta),
            self.data,
            tuple(Gap(gap.span.shift(delta), gap.why) for gap in self.gaps),
            tuple(Marked(one.span.shift(delta), one.mark) for one in self.marks),
        )


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a read would lack and which marks its bytes would carry, as far as is known without reading."""

    gaps: tuple[Gap, ...] = ()
    marks: tuple[Marked, ...] = ()

    def shift(self, delta: int) -> Outlook:
        """The same outlook in coordinates moved by `delta` bytes."""
        return Outlook(
            tuple(Gap(gap.span.shift(delta), gap.why) for gap in self.gaps),
            tuple(Marked(one.span.shift(delta), one.mark) for one in self.marks),
        )


@runtime_checkable
class Source(Protocol):
    """Anything that can be read at a byte position.

    `read` never raises for bytes that cannot be had: it says so in the gaps. Bytes beyond
    `size_bytes` are an `ABSENT` gap. It may raise a `MendbayError` when the whole source has become
    unusable and a person must act (the drive vanished), and nothing else.
    """

    @property
    def size_bytes(self) -> int: ...

    @property
    def sector_bytes(self) -> int: ...

    @property
    def identity(self) -> Identity: ...

    def read(self, span: Span) -> Reading:
        """The bytes of `span`, with everything that is missing or doubtful named."""
        ...

    def outlook(self, span: Span) -> Outlook:
        """The gaps and marks that a read of `span` would have now; no drive is touched to find out."""
        ...

    def trace(self, span: Span) -> tuple[Origin, ...]:
        """Where the bytes of `span` come from, in order; places that nothing can give are left out."""
        ...

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        """For each bay, the bytes of its drive that could supply `spans` (a mirror names both)."""
        ...


def absent_beyond(span: Span, size_bytes: int) -> tuple[Span, tuple[Gap, ...]]:
    """Splits a request at the end of a source.

    Returns:
        The part inside the source (possibly empty), and the gap for the part beyond it.
    """
    if span.length == 0 or span.stop <= size_bytes:
        return span, ()
    inside = span.clip(Span(0, size_bytes))
    return inside, (Gap(Span(max(span.start, size_bytes), span.stop), Lack.ABSENT),)


def gaps_of(spans: SpanSet, why: Lack) -> tuple[Gap, ...]:
    """One gap for each span of the set."""
    return tuple(Gap(span, why) for span in spans)


def join_readings(span: Span, parts: Iterable[Reading]) -> Reading:
    """One answer for `span` from answers to its consecutive parts, all in the same coordinates.

    Neighbouring gaps with one reason, and neighbouring marks, become one.

    Raises:
        ValueError: the parts do not follow each other or do not fill `span`.
    """
    chunks: list[bytes] = []
    gaps: list[Gap] = []
    marks: list[Marked] = []
    at = span.start
    for part in parts:
        if part.span.start != at:
            raise ValueError(f"a part begins at {part.span.start}, not at {at}")
        at = part.span.stop
        chunks.append(part.data)
        for gap in part.gaps:
            if gaps and gaps[-1].why is gap.why and gaps[-1].span.stop == gap.span.start:
                gaps[-1] = Gap(Span(gaps[-1].span.start, gap.span.stop), gap.why)
            else:
                gaps.append(gap)
        for one in part.marks:
            same = next((i for i in range(len(marks) - 1, -1, -1) if marks[i].mark is one.mark), None)
            if same is not None and marks[same].span.stop == one.span.start:
                marks[same] = Marked(Span(marks[same].span.start, one.span.stop), one.mark)
            else:
                marks.append(one)
    if at != span.stop:
        raise ValueError(f"the parts end at {at}, not at {span.stop}")
    return Reading(span, b"".join(chunks), tuple(gaps), tuple(marks))


class PartOf:
    """A stretch of another source as a source of its own: a partition, a member's data area.

    Args:
        under: the source that holds it.
        span: where it lies there. A part that reaches past the end of `under` keeps its stated
            size; what lies beyond the end answers `ABSENT`.
        name: what to call it in reports.
    """

    def __init__(self, under: Source, span: Span, name: str) -> None:
        self.under = under
        self.span = span
        self._identity = Identity("part", name, span.length, under.sector_bytes)

    @property
    def size_bytes(self) -> int:
        return self.span.length

    @property
    def sector_bytes(self) -> int:
        return self.under.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._identity

    def read(self, span: Span) -> Reading:
        inside, beyond = absent_beyond(span, self.size_bytes)
        given = self.under.read(inside.shift(self.span.start)).shift(-self.span.start)
        if not beyond:
            return given
        return Reading(
            span, given.data + bytes(span.length - inside.length), given.gaps + beyond, given.marks
        )

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        seen = self.under.outlook(inside.shift(self.span.start)).shift(-self.span.start)
        return Outlook(seen.gaps + beyond, seen.marks)

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(Span(0, self.size_bytes))
        return tuple(
            Origin(found.span.shift(-self.span.start), found.bay, found.at, found.mark)
            for found in self.under.trace(inside.shift(self.span.start))
        )

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return self.under.needs(spans.clip(Span(0, self.size_bytes)).shift(self.span.start))
