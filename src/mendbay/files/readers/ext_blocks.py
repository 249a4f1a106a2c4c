"""Blocks of a volume with what is known against them, read in few sorted reads and kept for a while."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import NamedTuple

import numpy as np

from mendbay.core.source import DOUBTS, Mark, Reading, Source
from mendbay.core.span import Span, SpanSet

LARGEST_READ_BYTES = 4 << 20
CACHE_BYTES = 64 << 20
BRIDGE_BYTES = 32 << 10
"""Two blocks this near each other are fetched with one read: passing over so little takes a drive less
time than a turn of its platter (common practice, no source)."""

Ranges = tuple[tuple[int, int], ...]


class Block(NamedTuple):
    """One block. The others are (start, stop) ranges inside it: bytes that are not there, bytes that may be
    older than the rest of the volume, and bytes that something else speaks against (`DOUBTS`)."""

    data: bytes
    missing: Ranges = ()
    older: Ranges = ()
    doubted: Ranges = ()


class BlockStore:
    """Blocks of `block_bytes` of a source, cached up to `CACHE_BYTES`.

    Args:
        heed_doubts: bytes that something else speaks against count as older too, for where no checksum says
            whether they are right.

    `met_doubts` tells whether any such bytes were met so far.
    """

    def __init__(self, source: Source, block_bytes: int, *, heed_doubts: bool = False) -> None:
        self.source = source
        self.block_bytes = block_bytes
        self.met_doubts = False
        self._heed_doubts = heed_doubts
        self._most = CACHE_BYTES // block_bytes
        self._held: dict[int, Block] = {}

    def holds(self, number: int) -> bool:
        """Whether the block is at hand without a read."""
        return number in self._held

    def block(self, number: int) -> Block:
        """The block; one that lies beyond the source is wholly missing."""
        held = self._held.get(number)
        if held is None:
            self.prefetch((number,))
            held = self._held[number]
        return held

    def prefetch(self, numbers: Collection[int]) -> None:
        """Fetches what is not held yet, in disk order. Of more than half the cache only the first are
        fetched; the rest comes when asked for."""
        want = sorted({one for one in numbers if one not in self._held})[: max(1, self._most // 2)]
        if not want:
            return
        starts = np.array(want, dtype=np.int64) * self.block_bytes
        bridged = SpanSet.from_bounds(starts, starts + (self.block_bytes + BRIDGE_BYTES))
        at = 0
        for reach in bridged:
            stop = reach.stop - BRIDGE_BYTES
            for reading in read_pieces(self.source, Span(reach.start, stop)):
                end = reading.span.stop // self.block_bytes
                while at < len(want) and want[at] < end:
                    self._keep(want[at], self._cut(reading, want[at]))
                    at += 1

    def _keep(self, number: int, block: Block) -> None:
        while len(self._held) >= self._most:
            del self._held[next(iter(self._held))]
        self._held[number] = block

    def _cut(self, reading: Reading, number: int) -> Block:
        where = Span.at(number * self.block_bytes, self.block_bytes)
        offset = where.start - reading.span.start
        data = reading.data[offset : offset + self.block_bytes]
        if not reading.gaps and not reading.marks:
            return Block(data)
        return Block(
            data,
            _inside(reading.missing(), where),
            _inside(self.older(reading), where),
            _inside(self._doubted(reading), where),
        )

    def older(self, reading: Reading) -> SpanSet:
        """The bytes of a reading that count as older."""
        found = reading.marked(Mark.POSSIBLY_OLDER)
        return found | self._doubted(reading) if self._heed_doubts else found

    def _doubted(self, reading: Reading) -> SpanSet:
        found = SpanSet(one.span for one in reading.marks if one.mark in DOUBTS)
        self.met_doubts |= bool(found)
        return found


def _inside(spans: SpanSet, where: Span) -> Ranges:
    return tuple((one.start - where.start, one.stop - where.start) for one in spans.clip(where))


def read_pieces(source: Source, span: Span, most_bytes: int = LARGEST_READ_BYTES) -> Iterator[Reading]:
    """The readings of consecutive pieces of `span`, each at most `most_bytes`, cut at multiples of it
    from the start."""
    for start in range(span.start, span.stop, most_bytes):
        yield source.read(Span(start, min(start + most_bytes, span.stop)))


def touches(ranges: Ranges, start: int, stop: int) -> bool:
    """Whether any of the ranges has a byte in common with `start` to `stop`."""
    return any(one < stop and start < end for one, end in ranges)
