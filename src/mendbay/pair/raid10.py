"""The two-member forms of md level 10: each member holds a whole copy, in its own order.

Rules: Linux kernel 6.1, drivers/md/raid10.c (calc_sectors, __raid10_find_phys).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from mendbay.core.source import (
    Identity,
    Origin,
    Outlook,
    PartOf,
    Reading,
    Source,
    absent_beyond,
    join_readings,
)
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import gaps_from, lacks_of, marks_from, marks_of
from mendbay.pair.stripe import Stripe, raid0_zones

NEAR_2, FAR_2, OFFSET_2 = 0x102, 0x201, 0x10201
TWO_MEMBER_LAYOUTS = (NEAR_2, FAR_2, OFFSET_2)


def copy_on(
    slot: int, member: Source, component_bytes: int, chunk_bytes: int, layout: int, name: str
) -> Source:
    """The whole volume as the member in `slot` (0 or 1) of two holds it.

    Near: in plain order. Far: every second chunk in its first half, the others in its second half.
    Offset: the first member in plain order, the second with each two chunks changed about.

    Args:
        member: its data.
        component_bytes: how much of it the set uses.

    Raises:
        ValueError: another layout, or no room for a chunk.
    """
    if layout not in TWO_MEMBER_LAYOUTS or slot not in (0, 1):
        raise ValueError(f"layout {layout:#x}, slot {slot}")
    size = volume_bytes(component_bytes, chunk_bytes, layout)
    if layout == FAR_2:
        stride = size // 2
        first = PartOf(member, Span(0, stride), name)
        second = PartOf(member, Span(stride, size), name)
        halves = (first, second) if slot == 0 else (second, first)
        return Stripe(halves, raid0_zones((stride, stride), chunk_bytes), name)
    plain = PartOf(member, Span(0, size), name)
    return Swapped(plain, chunk_bytes) if layout == OFFSET_2 and slot == 1 else plain


def volume_bytes(component_bytes: int, chunk_bytes: int, layout: int) -> int:
    """The size of the volume: whole chunks, an even number of them unless the copies are near."""
    unit = chunk_bytes if layout == NEAR_2 else 2 * chunk_bytes
    return component_bytes // unit * unit


class Swapped:
    """A source with its chunks 0 and 1, 2 and 3, ... changed about.

    Works chunk by chunk: this form is rare, and a chunk is large beside a read.

    Args:
        under: a whole number of pairs of chunks.
    """

    def __init__(self, under: Source, chunk_bytes: int) -> None:
        self.under = under
        self.chunk_bytes = chunk_bytes

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
        inside, beyond = absent_beyond(span, self.size_bytes)
        parts = [self.under.read(part.shift(delta)).shift(-delta) for part, delta in self._pieces(inside)]
        joined = join_readings(inside, parts)
        return Reading(span, joined.data.ljust(span.length, b"\0"), joined.gaps + beyond, joined.marks)

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        seen = [self.under.outlook(part.shift(delta)).shift(-delta) for part, delta in self._pieces(inside)]
        gaps = lacks_of(gap for one in seen for gap in one.gaps)
        marks = marks_of(mark for one in seen for mark in one.marks)
        return Outlook(gaps_from(gaps) + beyond, marks_from(marks))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        return tuple(
            Origin(found.span.shift(-delta), found.bay, found.at, found.mark)
            for part, delta in self._pieces(span.clip(Span(0, self.size_bytes)))
            for found in self.under.trace(part.shift(delta))
        )

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        moved = [
            part.shift(delta)
            for span in spans.clip(Span(0, self.size_bytes))
            for part, delta in self._pieces(span)
        ]
        return self.under.needs(SpanSet(moved))

    def _pieces(self, span: Span) -> Iterator[tuple[Span, int]]:
        """The span cut at chunk borders, each piece with how far it lies from its place underneath."""
        at = span.start
        while at < span.stop:
            number = at // self.chunk_bytes
            stop = min(span.stop, (number + 1) * self.chunk_bytes)
            yield Span(at, stop), self.chunk_bytes if number % 2 == 0 else -self.chunk_bytes
            at = stop
