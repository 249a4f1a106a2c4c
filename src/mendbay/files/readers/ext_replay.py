"""A volume read through its journal.

After a power cut the newest metadata stand in the journal and not yet in their places. The volume is then
read through `Replayed`, which serves each block from its newest committed copy; nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from mendbay.core.source import (
    Gap,
    Identity,
    Mark,
    Marked,
    Origin,
    Outlook,
    Reading,
    Source,
    join_readings,
)
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.files.readers.ext_journal import MAGIC_BYTES, Feature, Journal


class Replayed:
    """A volume whose blocks are served from a journal where it holds newer ones.

    Args:
        under: the volume.
        block_bytes: of its blocks.
        homes: the blocks that are replaced, ascending; shape (n,).
        places: the blocks that hold the copies; shape (n,).
        escaped: whose copy lacks its first word, because it was that of a journal block; shape (n,).
        doubtful: blocks of which the newest copy is lost; their bytes carry `POSSIBLY_OLDER`.
    """

    def __init__(
        self,
        under: Source,
        block_bytes: int,
        homes: Int64s,
        places: Int64s,
        escaped: Int64s,
        doubtful: Int64s,
    ) -> None:
        self.under = under
        self._block_bytes = block_bytes
        self._homes, self._places = homes * block_bytes, places * block_bytes
        self._replaced = SpanSet.from_bounds(self._homes, self._homes + block_bytes)
        words = self._homes[escaped != 0]
        self._escaped = SpanSet.from_bounds(words, words + len(MAGIC_BYTES))
        starts = doubtful * block_bytes
        self._doubtful = SpanSet.from_bounds(starts, starts + block_bytes)
        self._identity = Identity(
            "replayed volume", under.identity.name, under.size_bytes, under.sector_bytes
        )

    @property
    def size_bytes(self) -> int:
        return self.under.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self.under.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._identity

    def _pieces(self, span: Span) -> Iterator[tuple[Span, int]]:
        """Consecutive parts of `span`, each with how far from it its bytes lie on the volume."""
        first = int(np.searchsorted(self._homes, span.start - self._block_bytes, side="right"))
        last = int(np.searchsorted(self._homes, span.stop, side="left"))
        start, delta, at = span.start, 0, span.start
        homes, places = self._homes[first:last].tolist(), self._places[first:last].tolist()
        for home, place in zip(homes, places, strict=True):
            begin = max(home, span.start)
            if delta and begin > at:
                yield Span(start, at), delta
                start, delta = at, 0
            if place - home != delta:
                if begin > start:
                    yield Span(start, begin), delta
                start, delta = begin, place - home
            at = min(home + self._block_bytes, span.stop)
        if delta and at < span.stop:
            yield Span(start, at), delta
            start, delta = at, 0
        if start < span.stop or span.length == 0:
            yield Span(start, span.stop), delta

    def read(self, span: Span) -> Reading:
        parts = [self.under.read(part.shift(delta)).shift(-delta) for part, delta in self._pieces(span)]
        joined = parts[0] if len(parts) == 1 else join_readings(span, parts)
        if not joined.marks and not self._escaped and not self._doubtful:
            return joined
        data = self._unescaped(span, joined)
        return Reading(span, data, joined.gaps, self._with_doubts(span, joined.gaps, joined.marks))

    def _unescaped(self, span: Span, reading: Reading) -> bytes:
        """The data with the first word of every escaped block put back, where it was read at all."""
        words = self._escaped.clip(span) - reading.missing()
        if not words:
            return reading.data
        data = bytearray(reading.data)
        for word in words:
            offset = word.start % self._block_bytes
            data[word.start - span.start : word.stop - span.start] = MAGIC_BYTES[
                offset : offset + word.length
            ]
        return bytes(data)

    def _with_doubts(
        self, span: Span, gaps: tuple[Gap, ...], marks: tuple[Marked, ...]
    ) -> tuple[Marked, ...]:
        """The marks that the bytes carry below, and those of blocks that are doubtful here; no two of one
        kind touch."""
        doubts = self._doubtful.clip(span) - SpanSet(gap.span for gap in gaps)
        found = []
        for mark in Mark:
            spans = SpanSet(one.span for one in marks if one.mark is mark)
            if mark is Mark.POSSIBLY_OLDER:
                spans = spans | doubts
            found += [Marked(part, mark) for part in spans]
        return tuple(sorted(found, key=lambda one: one.span))

    def outlook(self, span: Span) -> Outlook:
        gaps: list[Gap] = []
        marks: list[Marked] = []
        for part, delta in self._pieces(span):
            seen = self.under.outlook(part.shift(delta)).shift(-delta)
            for gap in seen.gaps:
                if gaps and gaps[-1].why is gap.why and gaps[-1].span.stop == gap.span.start:
                    gaps[-1] = Gap(Span(gaps[-1].span.start, gap.span.stop), gap.why)
                else:
                    gaps.append(gap)
            marks += seen.marks
        return Outlook(tuple(gaps), self._with_doubts(span, tuple(gaps), tuple(marks)))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        """Where the bytes really lie: for a replaced block, its copy in the journal."""
        found: list[Origin] = []
        for part, delta in self._pieces(span.clip(Span(0, self.size_bytes))):
            for one in self.under.trace(part.shift(delta)):
                found += self._marked_origins(Origin(one.span.shift(-delta), one.bay, one.at, one.mark))
        return tuple(found)

    def _marked_origins(self, one: Origin) -> Iterator[Origin]:
        """The origin cut where its bytes begin or cease to be doubtful."""
        doubtful = self._doubtful.clip(one.span)
        parts = [(part, Mark.POSSIBLY_OLDER) for part in doubtful]
        for part, mark in sorted([*parts, *((rest, one.mark) for rest in doubtful.complement(one.span))]):
            at = Span.at(one.at.start + part.start - one.span.start, part.length)
            yield Origin(part, one.bay, at, mark)

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        moved = spans.map_through(self._homes, self._homes + self._block_bytes, self._places)
        return self.under.needs((spans - self._replaced) | moved)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


class Replay(NamedTuple):
    """A volume with its journal replayed, a sentence on what was found, and whether there are blocks of
    which the newest copy is lost."""

    source: Source
    remark: str
    has_doubts: bool


def replay(volume: Source, journal: Journal, blocks_count: int) -> Replay:
    """The volume with its journal replayed.

    Args:
        volume: as it stands.
        journal: its journal, whose log is not empty.
        blocks_count: of the file system; copies of blocks beyond it are left out.
    """
    log = journal.read_log()
    chosen, damaged = journal.newest(log)
    chosen = sorted(copy for copy in chosen if copy.home < blocks_count)
    doubtful = sorted(home for home in log.overtaken.union(damaged) if home < blocks_count)
    source = Replayed(
        volume,
        journal.blocks.block_bytes,
        np.array([copy.home for copy in chosen], np.int64),
        np.array([journal.place(copy) for copy in chosen], np.int64),
        np.array([copy.escaped for copy in chosen], np.int64),
        np.array(doubtful, np.int64),
    )
    text = (
        f"The journal was not empty: {_count(len(chosen), 'block')} of "
        f"{_count(log.transactions, 'transaction')} are read from it instead of from their places."
    )
    if log.broken_off:
        text += f" It breaks off early because {log.broken_off}, so the newest changes may be missing."
    if doubtful:
        text += (
            f" For {_count(len(doubtful), 'block')} the newest copy is damaged: what stands in may be older."
        )
    if log.is_older:
        text += " Part of it comes from the half that fell behind."
    if journal.head.features & Feature.FAST_COMMIT:
        text += " Changes kept as fast commits are not replayed."
    return Replay(source, text, bool(doubtful))
