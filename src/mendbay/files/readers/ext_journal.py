"""The journal of ext3 and ext4: which blocks it holds newer than they stand in their places.

Source: Linux kernel, Documentation/filesystems/ext4/journal.rst, fs/jbd2/{recovery,revoke}.c. All numbers of
the journal are big-endian. The tables are in docs/formats/jbd2.md.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple

import numpy as np

from mendbay.core.span import Int64s
from mendbay.files.readers.ext_blocks import Block, BlockStore
from mendbay.files.readers.ext_checksum import ALL_ONES, crc32, crc32c

MAGIC = 0xC03B3998
MAGIC_BYTES = MAGIC.to_bytes(4, "big")
SUPERBLOCK_BYTES = 1024
WINDOW_BLOCKS = 512
DEFAULT_FAST_BLOCKS = 256
COMPAT_CHECKSUM = 0x1
"""The compatible feature by which a commit block carries a CRC-32 of the whole transaction."""
CRC32_TYPE, CRC32_BYTES = 1, 4

UNREADABLE = "a block of it cannot be read"
DAMAGED = "a block of it is damaged"


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
    damage; `overtaken` are then the blocks of which copies stand around and behind the break: those cannot be
    trusted, but show that whatever is served instead may not be the newest. `is_older` says that part of the
    log may be older than the volume."""

    copies: list[Copy] = field(default_factory=list)
    revoked: dict[int, int] = field(default_factory=dict)
    transactions: int = 0
    broken_off: str = ""
    overtaken: set[int] = field(default_factory=set)
    is_older: bool = False


@dataclass(slots=True)
class _Transaction:
    """What has been read of a transaction that is not closed yet. `total` is the CRC-32 of its descriptors
    and copies; None once one of them cannot be read."""

    copies: list[Copy] = field(default_factory=list)
    revoked: list[int] = field(default_factory=list)
    total: int | None = ALL_ONES


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
    sums_transactions: bool = False

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
    compatible, features = struct.unpack_from(">II", raw, 0x24) if kind == BlockType.SUPERBLOCK else (0, 0)
    if features & Feature.FAST_COMMIT:
        # The last blocks hold fast commits, so the log turns back before them.
        length -= struct.unpack_from(">I", raw, 0x54)[0] or DEFAULT_FAST_BLOCKS
    if not 0 < first < length or not (start == 0 or first <= start < length):
        return None
    sums = bool(compatible & COMPAT_CHECKSUM)
    head = JournalHead(block_bytes, length, first, sequence, start, features, raw[0x30:0x40], sums)
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
        going = _Transaction()
        while head.start and passed < head.length:
            block = self._block(position)
            log.is_older |= bool(block.older)
            if block.missing:
                log.broken_off = UNREADABLE
                break
            magic, kind, found = struct.unpack_from(">III", block.data)
            if magic != MAGIC or found != sequence:
                break
            step = self._take(going, block.data, kind, position, sequence)
            if step == 0:
                log.broken_off = DAMAGED
                break
            if kind == BlockType.COMMIT:
                _commit(log, going, sequence)
                going = _Transaction()
                sequence = sequence + 1 & ALL_ONES
            position = self._ahead(position, step)
            passed += step
        ahead = self._ahead_of_the_end(position, sequence, passed)
        if not log.broken_off and any(found != sequence for found, _ in ahead):
            log.broken_off = DAMAGED
        if log.broken_off:
            log.overtaken = {copy.home for copy in going.copies}.union(*(homes for _, homes in ahead))
        return log

    def _take(self, going: _Transaction, data: bytes, kind: int, position: int, sequence: int) -> int:
        """Adds one of the log's own blocks to a transaction.

        Returns:
            How many blocks it takes with the copies behind it; 0 if it is damaged.
        """
        if kind == BlockType.DESCRIPTOR and self._tail_holds(data):
            new = list(self._tags(data, position, sequence))
            going.copies += new
            if self.head.sums_transactions:
                going.total = self._summed(going.total, data, new)
            return 1 + len(new)
        if kind == BlockType.REVOKE and self._tail_holds(data):
            going.revoked += self._revoked(data)
            return 1
        return int(kind == BlockType.COMMIT and self._commit_holds(data, going.total))

    def _ahead_of_the_end(self, position: int, sequence: int, passed: int) -> list[tuple[int, list[int]]]:
        """What stands behind the end of the log and belongs to transactions from `sequence` on.

        Blocks of the transaction at the end itself may be there without those before them, since a drive
        writes in any order; those of later ones show that the log did not end here. What an earlier round
        left has lower sequences, and one within reach takes no more transactions than the log has blocks.

        Returns:
            For every block of the log's own its sequence and the homes it announces.
        """
        ahead = []
        while self.head.start and passed < self.head.length:
            block = self._block(position)
            step = 1
            if not block.missing:
                magic, kind, found = struct.unpack_from(">III", block.data)
                near = found - sequence & ALL_ONES < self.head.length
                if magic == MAGIC and near and self._holds_alone(kind, block.data):
                    is_list = kind == BlockType.DESCRIPTOR
                    tags = self._tags(block.data, position, found) if is_list else ()
                    homes = [copy.home for copy in tags]
                    ahead.append((found, homes))
                    step += len(homes)
            position = self._ahead(position, step)
            passed += step
        return ahead

    def _holds_alone(self, kind: int, data: bytes) -> bool:
        """Whether one of the log's own blocks is sound, as far as it can be told without its transaction."""
        if kind == BlockType.COMMIT:
            return self._commit_holds(data, None)
        return kind in (BlockType.DESCRIPTOR, BlockType.REVOKE) and self._tail_holds(data)

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

    def _summed(self, total: int | None, data: bytes, copies: list[Copy]) -> int | None:
        """The CRC-32 of a transaction continued over a descriptor block and the copies behind it."""
        if total is None:
            return None
        total = crc32(total, data)
        for copy in copies:
            block = self._block(copy.position)
            if block.missing:
                return None
            total = crc32(total, block.data)
        return total

    def _commit_holds(self, data: bytes, total: int | None) -> bool:
        """Whether the checksum of a commit block holds: its own, or that of its transaction, which may be
        left out (fs/jbd2/recovery.c, do_one_pass) and cannot be compared when a copy cannot be read."""
        if not self.head.guarded:
            kind, length = data[0x0C], data[0x0D]
            stored = int.from_bytes(data[0x10:0x14], "big")
            left_out = (kind, length, stored) == (0, 0, 0)
            if not self.head.sums_transactions or total is None or left_out:
                return True
            return (kind, length, stored) == (CRC32_TYPE, CRC32_BYTES, total)
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


def _commit(log: Log, closed: _Transaction, sequence: int) -> None:
    log.copies += closed.copies
    log.transactions += 1
    for home in closed.revoked:
        log.revoked[home] = sequence


def _is_later(one: int, other: int) -> bool:
    """Whether a sequence comes after another; they are compared as differences since they wrap."""
    return 0 < (one - other & ALL_ONES) < 1 << 31
