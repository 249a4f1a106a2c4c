"""Group descriptors, each from the first copy of the table in which it holds, and the bitmaps they lead to.

Source: Linux kernel, Documentation/filesystems/ext4/{group_descr,bitmaps,checksums}.rst.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

import numpy as np
import numpy.typing as npt

from mendbay.core.span import SpanSet
from mendbay.files.readers.ext_blocks import BlockStore, touches
from mendbay.files.readers.ext_checksum import crc16, crc32c
from mendbay.files.readers.ext_layout import (
    DESCRIPTOR,
    DESCRIPTOR_CHECKSUM_AT,
    DESCRIPTOR_HIGH,
    Bytes2D,
    GroupFlag,
    Incompat,
)
from mendbay.files.readers.ext_volume import Superblock

MOST_COPIES = 12
"""How many back-up copies of a descriptor are tried."""
MOST_GROUPS = 1 << 21
"""A bound against nonsense: 16 TiB in groups of 8 MiB, the usual size with the smallest blocks."""
BITMAPS_HELD = 256

Bools = npt.NDArray[np.bool_]
Int64s = npt.NDArray[np.int64]

UNUSABLE, POSSIBLE, SOUND = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Groups:
    """The block groups that begin inside the volume; all arrays have shape (groups,).

    `block_bitmap`, `inode_bitmap`, `inode_table` are block numbers. `usable` is False where no copy of
    the descriptor makes sense: nothing of that group can then be found. `proven` is True where the
    descriptor in use holds its checksum (or the file system keeps none). `inodes_used` is how many
    inodes at the start of the table may ever have been used; `blocks_unused` and `inodes_unused` mark
    groups whose bitmap was never written. `table_blocks` are the blocks the descriptors were read from.
    """

    superblock: Superblock
    block_bitmap: Int64s
    inode_bitmap: Int64s
    inode_table: Int64s
    usable: Bools
    proven: Bools
    inodes_used: Int64s
    blocks_unused: Bools
    inodes_unused: Bools
    table_blocks: frozenset[int]
    remarks: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many groups there are to look at."""
        return int(self.inode_table.size)

    def inode_places(self, numbers: Int64s) -> Int64s:
        """The byte on the volume at which each inode begins; -1 where that cannot be told."""
        one = self.superblock
        group, index = np.divmod(numbers - 1, one.inodes_per_group)
        known = (numbers > 0) & (numbers <= one.inodes_count) & (group < self.count)
        group = np.where(known, group, 0)
        places = self.inode_table[group] * one.block_bytes + index * one.inode_bytes
        return np.where(known & self.usable[group], places, -1)


def load_groups(superblock: Superblock, blocks: BlockStore) -> Groups:
    """Reads every group descriptor; one that fails its checksum, makes no sense or cannot be read is
    looked for in the copies of the table."""
    one = superblock
    volume_blocks = -(-blocks.source.size_bytes // one.block_bytes)
    held = -(-(volume_blocks - one.first_block) // one.blocks_per_group)
    count = max(1, min(one.groups, held, MOST_GROUPS))
    per_block = one.block_bytes // one.descriptor_bytes
    table_length = -(-count // per_block)
    rows = np.zeros((table_length * per_block, one.descriptor_bytes), np.uint8)
    rank = np.zeros(rows.shape[0], np.int8)
    rank[count:] = SOUND
    copied, older = np.zeros(rows.shape[0], bool), np.zeros(rows.shape[0], bool)
    copy_groups = [0, *islice((g for g in one.superblock_copies() if g < count), MOST_COPIES)]
    table_blocks: set[int] = set()
    for copy, copy_group in enumerate(copy_groups):
        wanting = np.flatnonzero((rank.reshape(table_length, per_block) < SOUND).any(axis=1)).tolist()
        places = {index: _place(one, index, copy, copy_group, per_block) for index in wanting}
        blocks.prefetch([place for place in places.values() if place is not None])
        for index, place in places.items():
            if place is None:
                continue
            first = index * per_block
            part = slice(first, min(first + per_block, count))
            better = _better(one, blocks, place, first, rank[part], rows[part])
            copied[part][better] = copy > 0
            older[part][better] = bool(blocks.block(place).older)
            if copy == 0 or better.any():
                table_blocks.add(place)
    return _groups(one, rows[:count], rank[:count], copied[:count], older[:count], frozenset(table_blocks))


def _place(one: Superblock, index: int, copy: int, copy_group: int, per_block: int) -> int | None:
    """The block that holds block `index` of copy `copy` of the descriptor table, or None if there is none
    (fs/ext4/super.c, descriptor_loc)."""
    if index < one.first_meta_group:
        start = one.superblock_block if copy_group == 0 else one.group_start(copy_group)
        return start + 1 + index
    if copy > 2:
        return None
    group = index * per_block + (0, 1, per_block - 1)[copy]
    if group >= one.groups:
        return None
    lead = int(one.has_superblock(group))
    if group == 0 and one.block_bytes == 1024 and one.first_block == 0:
        lead += 1
    return one.group_start(group) + lead


def _better(
    one: Superblock,
    blocks: BlockStore,
    place: int,
    first: int,
    rank: npt.NDArray[np.int8],
    rows: Bytes2D,
) -> Bools:
    """Takes from one block of a table what is better than what is held; `rank` and `rows` are changed.

    Returns:
        Which descriptors were taken.
    """
    size = one.descriptor_bytes
    block = blocks.block(place)
    found = np.frombuffer(block.data, np.uint8).reshape(-1, size)[: rank.size]
    possible = _is_possible(one, found, first)
    better = np.zeros(rank.size, bool)
    for index in np.flatnonzero(possible & (rank < SOUND)).tolist():
        if touches(block.missing, index * size, (index + 1) * size):
            continue
        new = SOUND if _holds(one, first + index, found[index].tobytes()) else POSSIBLE
        if new > rank[index]:
            rank[index], better[index] = new, True
    rows[better] = found[better]
    return better


def _holds(one: Superblock, group: int, raw: bytes) -> bool:
    """Whether a descriptor's checksum holds; True if the file system keeps none."""
    if not one.has_group_checksums:
        return True
    stored = int.from_bytes(raw[DESCRIPTOR_CHECKSUM_AT : DESCRIPTOR_CHECKSUM_AT + 2], "little")
    return stored == descriptor_checksum(one, group, raw)


def descriptor_checksum(one: Superblock, group: int, raw: bytes) -> int:
    """The 16-bit checksum that a group descriptor should carry."""
    number = group.to_bytes(4, "little")
    before, after = raw[:DESCRIPTOR_CHECKSUM_AT], raw[DESCRIPTOR_CHECKSUM_AT + 2 :]
    if one.has_checksums:
        return crc32c(one.seed, number + before + b"\0\0" + after) & 0xFFFF
    # The older kind leaves its own field out instead of taking it as zero, and it stands at the end of
    # a small descriptor.
    return crc16(0xFFFF, one.uuid + number + before + after)


def _columns(one: Superblock, rows: Bytes2D) -> dict[str, Int64s]:
    low = np.ascontiguousarray(rows[:, :32]).view(DESCRIPTOR).reshape(-1)
    found = {name: low[name].astype(np.int64) for name in DESCRIPTOR.names or ()}
    if one.descriptor_bytes >= 64:
        high = np.ascontiguousarray(rows[:, 32:64]).view(DESCRIPTOR_HIGH).reshape(-1)
        for name in ("block_bitmap", "inode_bitmap", "inode_table"):
            found[name] |= high[name].astype(np.int64) << 32
        found["inodes_never_used"] |= high["inodes_never_used"].astype(np.int64) << 16
    return found


def _table_blocks(one: Superblock) -> int:
    return -(-one.inodes_per_group * one.inode_bytes // one.block_bytes)


def _is_possible(one: Superblock, rows: Bytes2D, first: int) -> Bools:
    """Which descriptors name places that a group's bitmaps and table can have: inside the file system, and
    inside the group itself unless groups may be flexible."""
    columns = _columns(one, rows)
    low = np.full(rows.shape[0], max(one.first_block, 1), np.int64)
    high = np.full(rows.shape[0], one.blocks_count, np.int64)
    if not one.incompat & Incompat.FLEX_GROUPS:
        starts = one.group_start(first) + np.arange(rows.shape[0]) * one.blocks_per_group
        low, high = np.maximum(low, starts), np.minimum(high, starts + one.blocks_per_group)
    fine: Bools = columns["inodes_never_used"] <= one.inodes_per_group
    for name, length in (("block_bitmap", 1), ("inode_bitmap", 1), ("inode_table", _table_blocks(one))):
        fine &= (columns[name] >= low) & (columns[name] + length <= high)
    fine &= columns["block_bitmap"] != columns["inode_bitmap"]
    return fine


def _groups(
    one: Superblock,
    rows: Bytes2D,
    rank: npt.NDArray[np.int8],
    copied: Bools,
    older: Bools,
    table_blocks: frozenset[int],
) -> Groups:
    columns = _columns(one, rows)
    usable = rank > UNUSABLE
    proven = rank == SOUND
    # Copies are written when the file system is made and hardly ever again: the places in them are right,
    # the flags and the count of unused inodes are not. The same goes for those of a half that fell behind.
    current = proven & ~copied & ~older & one.has_group_checksums
    unused = np.where(current, columns["inodes_never_used"], 0)
    flags = np.where(current, columns["flags"], 0)
    used = np.full(rows.shape[0], one.inodes_per_group, np.int64) - unused
    inodes_unused = (flags & GroupFlag.INODES_UNUSED) != 0
    used[inodes_unused] = 0
    return Groups(
        superblock=one,
        block_bitmap=columns["block_bitmap"],
        inode_bitmap=columns["inode_bitmap"],
        inode_table=columns["inode_table"],
        usable=usable,
        proven=proven,
        inodes_used=np.where(usable, used, 0),
        blocks_unused=(flags & GroupFlag.BLOCKS_UNUSED) != 0,
        inodes_unused=inodes_unused,
        table_blocks=table_blocks,
        remarks=tuple(_remarks(one, rank, copied)),
    )


def _remarks(one: Superblock, rank: npt.NDArray[np.int8], copied: Bools) -> list[str]:
    found = []
    if copied.any():
        found.append(
            f"The descriptions of {int(copied.sum())} of {rank.size} block groups cannot be used where they "
            "usually lie; copies were used instead."
        )
    doubtful = int((rank == POSSIBLE).sum())
    if doubtful:
        found.append(
            f"The descriptions of {doubtful} of {rank.size} block groups fail their checksum in every copy."
        )
    lost = int((rank == UNUSABLE).sum())
    if lost:
        found.append(
            f"{lost} of {rank.size} block groups have no usable description: files in them cannot be found."
        )
    if rank.size < one.groups:
        found.append(
            f"The volume ends before the file system does: {one.groups - rank.size} of {one.groups} block "
            "groups are not on it."
        )
    return found


@dataclass(slots=True)
class Bitmaps:
    """Which inodes and blocks are in use, by the file system's own bitmaps."""

    groups: Groups
    blocks: BlockStore
    _inodes: dict[int, Bools | None] = field(default_factory=dict)
    _blocks: dict[int, Bools | None] = field(default_factory=dict)

    def prefetch(self, groups: set[int]) -> None:
        """Fetches the bitmaps of these groups in disk order."""
        wanted = [
            int(table[group])
            for group in groups
            if 0 <= group < self.groups.count and self.groups.usable[group]
            for table, held in (
                (self.groups.block_bitmap, self._blocks),
                (self.groups.inode_bitmap, self._inodes),
            )
            if group not in held
        ]
        self.blocks.prefetch(wanted)

    def inode_in_use(self, number: int) -> bool | None:
        """What the bitmap says of an inode; None if the bitmap is not to be had."""
        group, index = divmod(number - 1, self.groups.superblock.inodes_per_group)
        bits = self._bits(self._inodes, group, self.groups.inode_bitmap, self.groups.inodes_unused)
        return None if bits is None else bool(bits[index])

    def blocks_in_use(self, first: int, count: int) -> bool | None:
        """Whether the bitmaps mark every one of these blocks as used; None if one is not to be had."""
        one = self.groups.superblock
        stop = first + count
        answer: bool | None = True
        while first < stop:
            group, index = divmod(first - one.first_block, one.blocks_per_group)
            length = min(stop - first, one.blocks_per_group - index)
            bits = self._bits(self._blocks, group, self.groups.block_bitmap, self.groups.blocks_unused)
            if bits is None:
                answer = None
            else:
                lead, tail = index // one.cluster_blocks, (index + length - 1) // one.cluster_blocks
                if not bits[lead : tail + 1].all():
                    return False
            first += length
        return answer

    def used(self) -> SpanSet:
        """The bytes of the volume in use by the bitmaps. A group whose bitmap is not to be had counts as in
        use; of one whose bitmap was never written only what describes groups is."""
        one, groups = self.groups.superblock, self.groups
        starts: list[Int64s] = [groups.inode_table[groups.usable], groups.block_bitmap[groups.usable]]
        stops: list[Int64s] = [starts[0] + _table_blocks(one), starts[1] + 1]
        starts.append(groups.inode_bitmap[groups.usable])
        stops.append(starts[2] + 1)
        lead = np.array([0], np.int64)  # the boot block, before the first group
        starts.append(lead)
        stops.append(lead + max(1, one.first_block))
        for first in range(0, groups.count, BITMAPS_HELD // 2):
            batch = range(first, min(groups.count, first + BITMAPS_HELD // 2))
            self.blocks.prefetch([int(groups.block_bitmap[one]) for one in batch if self._has_bitmap(one)])
            for group in batch:
                low, high = self._used_in(group)
                starts.append(low)
                stops.append(high)
        size = one.block_bytes
        return SpanSet.from_bounds(np.concatenate(starts) * size, np.concatenate(stops) * size)

    def _has_bitmap(self, group: int) -> bool:
        return bool(self.groups.usable[group]) and not self.groups.blocks_unused[group]

    def _used_in(self, group: int) -> tuple[Int64s, Int64s]:
        """The runs of blocks in use in a group: where each begins and ends."""
        one = self.groups.superblock
        start = one.group_start(group)
        stop = min(start + one.blocks_per_group, one.blocks_count)
        bits = self._bits(self._blocks, group, self.groups.block_bitmap, self.groups.blocks_unused)
        if bits is None:
            return np.array([start], np.int64), np.array([stop], np.int64)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], bits, [False])).astype(np.int8)))
        places = np.minimum(start + edges.astype(np.int64) * one.cluster_blocks, stop)
        return places[0::2], places[1::2]

    def _bits(self, held: dict[int, Bools | None], group: int, places: Int64s, unused: Bools) -> Bools | None:
        if group in held:
            return held[group]
        if not 0 <= group < self.groups.count or not self.groups.usable[group]:
            return None
        if unused[group]:
            bits: Bools | None = np.zeros(self.blocks.block_bytes * 8, bool)
        else:
            block = self.blocks.block(int(places[group]))
            whole = not block.missing and not block.older
            bits = (
                np.unpackbits(np.frombuffer(block.data, np.uint8), bitorder="little").view(bool)
                if whole
                else None
            )
        while len(held) >= BITMAPS_HELD:
            del held[next(iter(held))]
        held[group] = bits
        return bits
