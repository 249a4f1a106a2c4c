"""A source in memory whose gaps, marks and reads are scripted: what every stacked source is tested on."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from mendbay.core.source import Gap, Identity, Lack, Mark, Marked, Origin, Outlook, Reading
from mendbay.core.span import Span, SpanSet

BLOCK_BYTES = 4096


class MemorySource:
    """A drive in memory.

    Args:
        data: what it holds.
        gaps: what cannot be had, and why; where two reasons overlap the one named first holds.
        sector_bytes, name, bay: as a drive would report them. `trace` and `needs` name `bay`.
        marks: what the bytes carry.

    `reads` lists every span that was read, in order, so that a test can say what was touched. `needs`
    leaves out what is `ABSENT`, since no drive can supply it; everything else could still be given.
    """

    def __init__(
        self,
        data: bytes,
        gaps: Mapping[Lack, SpanSet] | None = None,
        sector_bytes: int = 512,
        name: str = "memory",
        bay: str = "1",
        marks: Mapping[Mark, SpanSet] | None = None,
    ) -> None:
        self.data = bytes(data)
        self.bay = bay
        self.reads: list[Span] = []
        self._identity = Identity("memory", name, len(data), sector_bytes)
        self._whole = Span(0, len(data))
        self.lacking: dict[Lack, SpanSet] = {}
        taken = SpanSet()
        for why, spans in (gaps or {}).items():
            self.lacking[why] = spans.clip(self._whole) - taken
            taken = taken | spans
        self.missing = taken.clip(self._whole)
        self._marks = {mark: spans.clip(self._whole) - self.missing for mark, spans in (marks or {}).items()}

    @property
    def size_bytes(self) -> int:
        return len(self.data)

    @property
    def sector_bytes(self) -> int:
        return self._identity.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._identity

    def read(self, span: Span) -> Reading:
        self.reads.append(span)
        inside = span.clip(self._whole)
        out = bytearray(span.length)
        out[: inside.length] = self.data[inside.start : inside.stop]
        for part in self.missing.clip(inside):
            out[part.start - span.start : part.stop - span.start] = bytes(part.length)
        seen = self.outlook(span)
        return Reading(span, bytes(out), seen.gaps, seen.marks)

    def outlook(self, span: Span) -> Outlook:
        inside = span.clip(self._whole)
        gaps = [Gap(part, why) for why, spans in self.lacking.items() for part in spans.clip(inside)]
        if span.stop > max(self.size_bytes, span.start):
            gaps.append(Gap(Span(max(span.start, self.size_bytes), span.stop), Lack.ABSENT))
        marks = [Marked(part, mark) for mark, spans in self._marks.items() for part in spans.clip(inside)]
        gaps.sort(key=lambda gap: gap.span)
        marks.sort(key=lambda one: one.span)
        return Outlook(tuple(_joined(gaps)), tuple(marks))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(self._whole)
        given = self.missing.complement(inside)
        edges = {inside.start, inside.stop}
        for spans in self._marks.values():
            edges |= {*spans.starts.tolist(), *spans.stops.tolist()}
        cuts = sorted(edge for edge in edges if inside.start <= edge <= inside.stop)
        return tuple(
            Origin(part, self.bay, part, self._mark_at(part.start))
            for start, stop in pairwise(cuts)
            for part in given.clip(Span(start, stop))
        )

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        wanted = spans.clip(self._whole) - self.lacking.get(Lack.ABSENT, SpanSet())
        return {self.bay: wanted} if wanted else {}

    def _mark_at(self, offset: int) -> Mark | None:
        found = [mark for mark, spans in self._marks.items() if offset in spans]
        return Mark.POSSIBLY_OLDER if Mark.POSSIBLY_OLDER in found else (found or [None])[0]


def _joined(gaps: list[Gap]) -> list[Gap]:
    """Neighbouring gaps with one reason as one."""
    out: list[Gap] = []
    for gap in gaps:
        if out and out[-1].why is gap.why and out[-1].span.stop == gap.span.start:
            out[-1] = Gap(Span(out[-1].span.start, gap.span.stop), gap.why)
        else:
            out.append(gap)
    return out


def numbered(size_bytes: int, first_block: int = 0, block_bytes: int = BLOCK_BYTES) -> bytes:
    """Data in which every 8 bytes hold the number of their block (upper half) and their place in it.

    A wrong mapping then names the block it went to: `block_at` reads the number back.
    """
    words = np.arange(-(-size_bytes // 8), dtype=np.uint64)
    per_block = block_bytes // 8
    numbers = (words // per_block + first_block) << np.uint64(32) | words % per_block
    return numbers.astype("<u8").tobytes()[:size_bytes]


def block_at(data: bytes, offset: int = 0) -> int:
    """The number of the block that the 8 bytes at `offset` name."""
    return int.from_bytes(data[offset : offset + 8], "little") >> 32
