"""The journal of ext3 and ext4, replayed for reading only.

After a power cut the newest metadata stand in the journal and not yet in their places. The volume is then
read through `Replayed`, which serves each block from its newest committed copy; nothing is written.
Source: Linux kernel, Documentation/filesystems/ext4/journal.rst, fs/jbd2/{recovery,revoke}.c. All numbers of
the journal are big-endian. The tables are in docs/formats/jbd2.md.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
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
from mendbay.files.readers.ext_blocks import Block, BlockStore
from mendbay.files.readers.ext_checksum import ALL_ONES, crc32c

MAGIC = 0xC03B3998
MAGIC_BYTES = MAGIC.to_bytes(4, "big")
SUPERBLOCK_BYTES = 1024
WINDOW_BLOCKS = 512
DEFAULT_FAST_BLOCKS = 256


class BlockType(IntEnum):
    """What a block of the journal is."""

    DESCRIPTOR = 1
    COMMIT = 2
    OLD_SUPERBLOCK = 3
    SUPERBLOCK = 4
    REVOKE = 5


class Feature(IntEnum):
    """Features a reader of the journal must know."""

    REVOKE = 0x1
    WIDE = 0x2
    ASYNC_COMMIT = 0x4
    CHECKSUMS_2 = 0x8
    CHECKSUMS_3 = 0x10
    FAST_COMMIT = 0x20


class TagFlag(IntEnum):
    """Flags of one tag: how a block was put into the journal."""

    ESCAPED = 0x1
    SAME_UUID = 0x2
    DELETED = 0x4
    LAST = 0x8


class Copy(NamedTuple):
    """One block in the journal: where it belongs, where its copy lies, and what guards it."""

    home: int
    position: int
    escaped: bool
    checksum: int
    sequence: int


@dataclass(slots=True)
class Log:
    """The committed part of a journal: every copy, oldest first, and for each block the newest sequence in
    which earlier copies of it were revoked. `broken_off` says why the log ends where it does, if it is for
    damage."""

    copies: list[Copy] = field(default_factory=list)
    revoked: dict[int, int] = field(default_factory=dict)
    transactions: int = 0
    broken_off: str = ""


@dataclass(frozen=True, slots=True)
class JournalHead:
    """The journal's own superblock. `start` 0 means that nothing waits to be replayed."""

    block_bytes: int
    length: int
    first: int
    sequence: int
    start: int
    features: int
    uuid: bytes

    @property
    def guarded(self) -> bool:
        """Whether its blocks carry CRC-32C checksums."""
        return bool(self.features & (Feature.CHECKSUMS_2 | Feature.CHECKSUMS_3))

    @property
    def tag_bytes(self) -> int:
        """The length of a tag without the uuid behind it (fs/jbd2/journal.c, journal_tag_bytes)."""
        if self.features & Feature.CHECKSUMS_3:
            return 16
        length = 14 if self.features & Feature.CHECKSUMS_2 else 12
        return length if self.features & Feature.WIDE else length - 4


def parse_head(raw: bytes) -> JournalHead | None:
    """The journal's superblock from its first 1,024 bytes; None if it is not one or fails its checksum."""
    magic, kind, _, block_bytes, length, first, sequence, start = struct.unpack_from(">8I", raw)
    if magic != MAGIC or kind not in (BlockType.SUPERBLOCK, BlockType.OLD_SUPERBLOCK):
        return None
    features = struct.unpack_from(">I", raw, 0x28)[0] if kind == BlockType.SUPERBLOCK else 0
    if features & Feature.FAST_COMMIT:
        # The last blocks hold fast commits, so the log turns back before them.
        length -= struct.unpack_from(">I", raw, 0x54)[0] or DEFAULT_FAST_BLOCKS
    if not 0 < first < length or not (start == 0 or first <= start < length):
        return None
    head = JournalHead(block_bytes, length, first, sequence, start, features, raw[0x30:0x40])
    if head.guarded:
        stored = struct.unpack_from(">I", raw, 0xFC)[0]
        if crc32c(ALL_ONES, raw[:0xFC] + bytes(4) + raw[0x100:SUPERBLOCK_BYTES]) != stored:
            return None
    return head


class Journal:
    """A journal that lies in blocks of a volume.

    Args:
        blocks: of the volume.
        places: the block on the volume of each block of the journal; shape (n,).
        head: its superblock.
    """

    def __init__(self, blocks: BlockStore, places: Int64s, head: JournalHead) -> None:
        self.blocks = blocks
        self.places = places
        self.head = head
        self._seed = crc32c(ALL_ONES, head.uuid)

    def read_log(self) -> Log:
        """Follows the log from its start to the last transaction that was committed."""
        log = Log()
        head = self.head
        position, sequence, passed = head.start, head.sequence, 0
        copies: list[Copy] = []
        revoked: list[int] = []
        while head.start and passed < head.length:
            block = self._block(position)
            if block.missing:
                log.broken_off = "a block of it cannot be read"
                break
            magic, kind, found = struct.unpack_from(">III", block.data)
            if magic != MAGIC or found != sequence:
                break
            step = 1
            if kind == BlockType.DESCRIPTOR and self._tail_holds(block.data):
                new = list(self._tags(block.data, position, sequence))
                copies += new
                step += len(new)
            elif kind == BlockType.REVOKE and self._tail_holds(block.data):
                revoked += self._revoked(block.data)
            elif kind == BlockType.COMMIT and self._commit_holds(block.data):
                _commit(log, copies, revoked, sequence)
                copies, revoked = [], []
                sequence = sequence + 1 & ALL_ONES
            else:
                break
            position = self._ahead(position, step)
            passed += step
        return log

    def newest(self, log: Log) -> tuple[list[Copy], list[int]]:
        """For each block its newest copy that counts, by the place of the copy.

        Returns:
            The copies; and the blocks whose newest copy cannot be read or fails its checksum, so that
            what is served for them instead (an older copy, or what stands in place) may be out of date.
        """
        by_home: dict[int, list[Copy]] = {}
        for copy in log.copies:
            until = log.revoked.get(copy.home)
            if until is None or _is_later(copy.sequence, until):
                by_home.setdefault(copy.home, []).append(copy)
        order = sorted(by_home.values(), key=lambda copies: copies[-1].position)
        chosen: list[Copy] = []
        doubtful: list[int] = []
        for start in range(0, len(order), WINDOW_BLOCKS):
            some = order[start : start + WINDOW_BLOCKS]
            self.blocks.prefetch([self.place(copies[-1]) for copies in some])
            for copies in some:
                good = next((copy for copy in reversed(copies) if self._copy_holds(copy)), None)
                if good is not copies[-1]:
                    doubtful.append(copies[-1].home)
                if good is not None:
                    chosen.append(good)
        return chosen, doubtful

    def place(self, copy: Copy) -> int:
        """The block on the volume that holds a copy."""
        return int(self.places[copy.position])

    def _ahead(self, position: int, step: int) -> int:
        head = self.head
        return head.first + (position - head.first + step) % (head.length - head.first)

    def _block(self, position: int) -> Block:
        """A block of the log; those behind it, soon asked for, are fetched with it."""
        place = int(self.places[position])
        if not self.blocks.holds(place):
            self.blocks.prefetch(self.places[position : position + WINDOW_BLOCKS].tolist())
        return self.blocks.block(place)

    def _tags(self, data: bytes, position: int, sequence: int) -> Iterator[Copy]:
        """The copies that a descriptor block announces; they lie behind it in this order."""
        head = self.head
        end = len(data) - 4 * head.guarded
        at, index = 12, 0
        while at + head.tag_bytes <= end:
            home, checksum, flags = self._tag(data, at)
            at += head.tag_bytes + (0 if flags & TagFlag.SAME_UUID else 16)
            index += 1
            place = self._ahead(position, index)
            yield Copy(home, place, bool(flags & TagFlag.ESCAPED), checksum, sequence)
            if flags & TagFlag.LAST:
                return

    def _tag(self, data: bytes, at: int) -> tuple[int, int, int]:
        """The home block, checksum and flags of a tag."""
        wide = bool(self.head.features & Feature.WIDE)
        if self.head.features & Feature.CHECKSUMS_3:
            low, flags, high, checksum = struct.unpack_from(">IIII", data, at)
        else:
            low, checksum, flags = struct.unpack_from(">IHH", data, at)
            high = struct.unpack_from(">I", data, at + 8)[0] if wide else 0
        return low | (high << 32 if wide else 0), checksum, flags

    def _revoked(self, data: bytes) -> list[int]:
        used = min(struct.unpack_from(">I", data, 12)[0], len(data) - 4 * self.head.guarded)
        kind = ">u8" if self.head.features & Feature.WIDE else ">u4"
        body = data[16 : max(16, used)]
        numbers: list[int] = np.frombuffer(body[: len(body) // int(kind[2]) * int(kind[2])], kind).tolist()
        return numbers

    def _tail_holds(self, data: bytes) -> bool:
        """Whether the checksum in the last 4 bytes of a descriptor or revoke block holds."""
        if not self.head.guarded:
            return True
        return crc32c(self._seed, data[:-4] + bytes(4)) == int.from_bytes(data[-4:], "big")

    def _commit_holds(self, data: bytes) -> bool:
        if not self.head.guarded:
            return True
        stored = int.from_bytes(data[0x10:0x14], "big")
        return crc32c(self._seed, data[:0x10] + bytes(4) + data[0x14:]) == stored

    def _copy_holds(self, copy: Copy) -> bool:
        block = self.blocks.block(self.place(copy))
        if block.missing:
            return False
        if not self.head.guarded:
            return True
        found = crc32c(crc32c(self._seed, copy.sequence.to_bytes(4, "big")), block.data)
        if self.head.features & Feature.CHECKSUMS_3:
            return found == copy.checksum
        return found & 0xFFFF == copy.checksum


def _commit(log: Log, copies: list[Copy], revoked: list[int], sequence: int) -> None:
    log.copies += copies
    log.transactions += 1
    for home in revoked:
        log.revoked[home] = sequence


def _is_later(one: int, other: int) -> bool:
    """Whether a sequence comes after another; they are compared as differences since they wrap."""
    return 0 < (one - other & ALL_ONES) < 1 << 31


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
        self._escaped = frozenset(self._homes[escaped != 0].tolist())
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
        words = SpanSet(Span.at(home, 4) for home in self._escaped if home < span.stop).clip(span)
        words = words - reading.missing()
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


def replay(volume: Source, journal: Journal, blocks_count: int) -> tuple[Source, str]:
    """The volume with its journal replayed, and a sentence on what was found.

    Args:
        volume: as it stands.
        journal: its journal, whose log is not empty.
        blocks_count: of the file system; copies of blocks beyond it are left out.
    """
    log = journal.read_log()
    chosen, doubtful = journal.newest(log)
    chosen = sorted(copy for copy in chosen if copy.home < blocks_count)
    source = Replayed(
        volume,
        journal.blocks.block_bytes,
        np.array([copy.home for copy in chosen], np.int64),
        np.array([journal.place(copy) for copy in chosen], np.int64),
        np.array([copy.escaped for copy in chosen], np.int64),
        np.array(sorted(home for home in doubtful if home < blocks_count), np.int64),
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
    if journal.head.features & Feature.FAST_COMMIT:
        text += " Changes kept as fast commits are not replayed."
    return source, text
