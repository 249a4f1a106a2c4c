"""What an ext volume says of itself: its superblock, from whichever copy holds.

Source: Linux kernel, Documentation/filesystems/ext4/{super,blockgroup}.rst and fs/ext4/super.c.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mendbay.core.source import Mark, Source
from mendbay.core.span import Span
from mendbay.files.readers.ext_checksum import ALL_ONES, crc32c, crc32c_seed
from mendbay.files.readers.ext_layout import (
    EXT3_INCOMPAT,
    EXT3_READ_ONLY,
    JOURNAL_BACKUP_AT,
    JOURNAL_BACKUP_BYTES,
    MAGIC,
    OLD_INODE_BYTES,
    SUPERBLOCK,
    SUPERBLOCK_AT,
    SUPERBLOCK_BYTES,
    Compat,
    Incompat,
    ReadOnly,
)

FIRST_ORDINARY_INODE = 11
LEAST_GROUP_BLOCKS = 256
"""The smallest group that mke2fs makes (e2fsprogs, misc/mke2fs.c)."""
FROM_OLDER = (
    "The superblock comes from the half that fell behind: what it says of the state may be out of date."
)
SEEKER_BLOCK_BYTES = (4096, 1024, 2048, 65536, 8192, 16384, 32768)
SEEKER_CLUSTERS = (1, 16)
"""Blocks in a cluster: none are made, or as many as mke2fs makes by itself."""
SEEKER_GROUPS = (1, 3, 5, 7, 9, 25)
"""Groups that hold a copy of the superblock whether or not copies are sparse."""


@dataclass(frozen=True, slots=True)
class Superblock:
    """The superblock in use. Block numbers and counts are in blocks of `block_bytes`.

    `group_of_this_copy` is 0 for the one in its usual place; `proven` says whether its checksum holds, and
    is True for a file system that keeps none.
    """

    block_bytes: int
    cluster_blocks: int
    blocks_count: int
    first_block: int
    blocks_per_group: int
    inodes_count: int
    inodes_per_group: int
    inode_bytes: int
    first_inode: int
    descriptor_bytes: int
    compat: int
    incompat: int
    read_only: int
    uuid: bytes
    label: str
    seed: int
    state: int
    written_at: int
    journal_inode: int
    journal_backup: bytes
    first_meta_group: int
    backup_groups: tuple[int, int]
    hidden_inodes: frozenset[int]
    group_of_this_copy: int
    proven: bool

    @property
    def has_checksums(self) -> bool:
        """Whether every piece of metadata carries a CRC-32C."""
        return bool(self.read_only & ReadOnly.CHECKSUMS)

    @property
    def has_group_checksums(self) -> bool:
        """Whether group descriptors carry a checksum, of either kind; only then do their flags count."""
        return bool(self.read_only & (ReadOnly.CHECKSUMS | ReadOnly.GROUP_CHECKSUM))

    @property
    def groups(self) -> int:
        """How many block groups the file system has."""
        return -(-(self.blocks_count - self.first_block) // self.blocks_per_group)

    @property
    def superblock_block(self) -> int:
        """The block that holds the superblock in its usual place."""
        return SUPERBLOCK_AT // self.block_bytes

    @property
    def kind(self) -> str:
        """`ext2`, `ext3` or `ext4`, by the features in use."""
        if self.incompat & ~EXT3_INCOMPAT or self.read_only & ~EXT3_READ_ONLY:
            return "ext4"
        return "ext3" if self.compat & Compat.JOURNAL else "ext2"

    def group_start(self, group: int) -> int:
        """The first block of a group."""
        return self.first_block + group * self.blocks_per_group

    def group_of(self, block: int) -> int:
        """The group a block belongs to."""
        return (block - self.first_block) // self.blocks_per_group

    def has_superblock(self, group: int) -> bool:
        """Whether a group begins with a copy of the superblock (fs/ext4/balloc.c, ext4_bg_has_super)."""
        if group == 0:
            return True
        if self.compat & Compat.SPARSE_SUPER2:
            return group in self.backup_groups
        if group == 1 or not self.read_only & ReadOnly.SPARSE_SUPER:
            return True
        return group % 2 == 1 and any(_is_power(group, base) for base in (3, 5, 7))

    def superblock_copies(self) -> Iterator[int]:
        """The groups, from the second on, that begin with a copy of the superblock."""
        if self.compat & Compat.SPARSE_SUPER2:
            yield from sorted({one for one in self.backup_groups if 0 < one < self.groups})
            return
        if not self.read_only & ReadOnly.SPARSE_SUPER:
            yield from range(1, self.groups)
            return
        found = {1} | {base**power for base in (3, 5, 7) for power in range(1, 24)}
        yield from sorted(one for one in found if one < self.groups)

    def has_block(self, block: int) -> bool:
        """Whether a block number can be a file's: inside the file system and behind the superblock."""
        return max(self.first_block, 1) <= block < self.blocks_count


@dataclass(frozen=True, slots=True)
class FoundSuperblock:
    """The superblock to use, where it lies on the volume, and what is worth telling about it. `may_be_old`
    says that its state cannot be relied on: copies are not kept up to date, and a half that fell behind was
    not either."""

    superblock: Superblock
    at: int
    remarks: tuple[str, ...]
    may_be_old: bool = False


def _is_power(value: int, base: int) -> bool:
    while value % base == 0:
        value //= base
    return value == 1


def parse_superblock(raw: bytes) -> Superblock | None:
    """The superblock in 1,024 bytes, or None if they do not describe a possible file system."""
    row = np.frombuffer(raw, SUPERBLOCK, count=1)[0]
    number = {name: int(row[name]) for name in SUPERBLOCK.names or () if row[name].dtype.kind == "u"
              and row[name].shape == ()}  # fmt: skip
    incompat, read_only = number["incompat"], number["read_only"]
    if number["magic"] != MAGIC or number["log_block_size"] > 6 or number["log_cluster_size"] > 20:
        return None
    if number["revision"] == 0:
        incompat = read_only = number["compat"] = 0
        number["inode_size"], number["first_inode"] = OLD_INODE_BYTES, FIRST_ORDINARY_INODE
    block_bytes = 1024 << number["log_block_size"]
    cluster_blocks = 1
    if read_only & ReadOnly.BIG_CLUSTERS:
        if number["log_cluster_size"] < number["log_block_size"]:
            return None
        cluster_blocks = 1 << (number["log_cluster_size"] - number["log_block_size"])
    descriptor_bytes = 32
    blocks_count = number["blocks_count_low"]
    if incompat & Incompat.WIDE:
        descriptor_bytes = max(number["descriptor_size"], 32)
        blocks_count |= number["blocks_count_high"] << 32
    uuid = row["uuid"].tobytes()
    made = Superblock(
        block_bytes=block_bytes,
        cluster_blocks=cluster_blocks,
        blocks_count=blocks_count,
        first_block=number["first_data_block"],
        blocks_per_group=number["blocks_per_group"],
        inodes_count=number["inodes_count"],
        inodes_per_group=number["inodes_per_group"],
        inode_bytes=number["inode_size"],
        first_inode=number["first_inode"],
        descriptor_bytes=descriptor_bytes,
        compat=number["compat"],
        incompat=incompat,
        read_only=read_only,
        uuid=uuid,
        label=row["label"].tobytes().split(b"\0")[0].decode("utf-8", "replace"),
        seed=number["checksum_seed"] if incompat & Incompat.CHECKSUM_SEED else crc32c_seed(uuid),
        state=number["state"],
        written_at=number["written_at"] | number["written_at_high"] << 32,
        journal_inode=number["journal_inode"] if number["compat"] & Compat.JOURNAL else 0,
        journal_backup=raw[JOURNAL_BACKUP_AT : JOURNAL_BACKUP_AT + JOURNAL_BACKUP_BYTES]
        if number["journal_backup_type"] == 1
        else b"",
        first_meta_group=number["first_meta_group"] if incompat & Incompat.META_GROUPS else 1 << 32,
        backup_groups=(int(row["backup_groups"][0]), int(row["backup_groups"][1])),
        hidden_inodes=frozenset((number["project_quota_inode"], number["orphan_file_inode"])) - {0},
        group_of_this_copy=number["group_of_this_copy"],
        proven=not read_only & ReadOnly.CHECKSUMS or crc32c(ALL_ONES, raw[:0x3FC]) == number["checksum"],
    )
    return made if _is_possible(made) else None


def _is_possible(one: Superblock) -> bool:
    bits = one.block_bytes * 8
    return (
        not one.incompat & Incompat.JOURNAL_DEVICE
        and one.first_block <= 1
        and one.first_block < one.blocks_count < 1 << 48
        and LEAST_GROUP_BLOCKS <= one.blocks_per_group <= bits * one.cluster_blocks
        and one.blocks_per_group % (8 * one.cluster_blocks) == 0
        and 0 < one.inodes_per_group <= bits
        and OLD_INODE_BYTES <= one.inode_bytes <= one.block_bytes
        and one.inode_bytes & (one.inode_bytes - 1) == 0
        and 0 < one.inodes_count <= one.groups * one.inodes_per_group
        and one.descriptor_bytes <= min(1024, one.block_bytes)
        and one.descriptor_bytes & (one.descriptor_bytes - 1) == 0
    )


def find_superblock(volume: Source) -> FoundSuperblock | None:
    """The best superblock on the volume: the one in its usual place if its checksum holds, else the first
    copy that holds, else whichever describes a possible file system. None if there is none at all.

    A damaged superblock may still say where its copies are; without one, the groups that always hold a
    copy are tried for every block size, with full-sized groups (the default of every maker of ext).
    """
    usual, why, older = _superblock_at(volume, SUPERBLOCK_AT)
    if usual is not None and usual.proven:
        return FoundSuperblock(usual, SUPERBLOCK_AT, (FROM_OLDER,) if older else (), older)
    fallback: FoundSuperblock | None = None
    for at in _places_of_copies(volume, usual):
        copy, _, _ = _superblock_at(volume, at)
        if copy is None or at != copy.group_start(copy.group_of_this_copy) * copy.block_bytes:
            continue
        remark = (
            f"The superblock in its usual place {why}; the copy in group {copy.group_of_this_copy} "
            f"(byte {at}) was used instead."
        )
        found = FoundSuperblock(copy, at, (remark,), may_be_old=True)
        if copy.proven:
            return found
        fallback = fallback or found
    if usual is not None:
        remark = f"The superblock {why} and no copy of it holds either; it was used as it is."
        return FoundSuperblock(usual, SUPERBLOCK_AT, (remark,), may_be_old=True)
    return fallback


def _superblock_at(volume: Source, at: int) -> tuple[Superblock | None, str, bool]:
    """The superblock at a byte; what is wrong with it, as the end of a sentence; and whether it comes from a
    half that fell behind."""
    if at + SUPERBLOCK_BYTES > volume.size_bytes:
        return None, "lies beyond the end of the volume", False
    reading = volume.read(Span.at(at, SUPERBLOCK_BYTES))
    if not reading.is_complete:
        return None, "cannot be read", False
    found = parse_superblock(reading.data)
    if found is None:
        return None, "is not there or is damaged", False
    older = bool(reading.marked(Mark.POSSIBLY_OLDER))
    return found, "" if found.proven else "fails its checksum", older


def _places_of_copies(volume: Source, damaged: Superblock | None) -> Iterator[int]:
    """Byte positions where a copy of the superblock may lie, likeliest first."""
    tried: set[int] = set()
    places = [
        (base + group * cluster_blocks * block_bytes * 8) * block_bytes
        for cluster_blocks in SEEKER_CLUSTERS
        for block_bytes in SEEKER_BLOCK_BYTES
        for group in SEEKER_GROUPS
        for base in ((0, 1) if block_bytes == 1024 else (0,))
    ]
    if damaged is not None:
        own = (
            damaged.group_start(group)
            for _, group in zip(range(8), damaged.superblock_copies(), strict=False)
        )
        places = [block * damaged.block_bytes for block in own] + places
    for at in places:
        if at not in tried and at + SUPERBLOCK_BYTES <= volume.size_bytes:
            tried.add(at)
            yield at
