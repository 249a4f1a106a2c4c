"""The on-disk structures of ext2, ext3 and ext4, and the numbers that give them meaning.

Source of every offset and flag unless said otherwise: Linux kernel, Documentation/filesystems/ext4/
{super,group_descr,ifork,inodes,directory}.rst and fs/ext4/ext4.h. All integers are little-endian.
The tables are in docs/formats/ext.md.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

Bytes2D = npt.NDArray[np.uint8]
Rows = npt.NDArray[Any]

SUPERBLOCK_AT = 1024
SUPERBLOCK_BYTES = 1024
MAGIC = 0xEF53
ROOT_INODE = 2
OLD_INODE_BYTES = 128
BLOCK_MAP_BYTES = 60
DIRECT_BLOCKS = 12
EXTENT_MAGIC = 0xF30A
EXTENT_ENTRY_BYTES = 12
MOST_EXTENT_LEVELS = 5
UNWRITTEN_ABOVE = 32768
"""An extent longer than this many blocks is unwritten and this much shorter."""
XATTR_MAGIC = 0xEA020000
CHECKSUM_TAIL_BYTES = 12
CHECKSUM_TAIL_TYPE = 0xDE


class Compat(IntEnum):
    """Features that a reader may ignore."""

    JOURNAL = 0x4
    SPARSE_SUPER2 = 0x200
    FAST_COMMIT = 0x400


class Incompat(IntEnum):
    """Features that a reader must know."""

    COMPRESSION = 0x1
    FILE_TYPE = 0x2
    NEEDS_RECOVERY = 0x4
    JOURNAL_DEVICE = 0x8
    META_GROUPS = 0x10
    EXTENTS = 0x40
    WIDE = 0x80
    """64-bit block numbers and larger group descriptors."""
    MULTI_MOUNT = 0x100
    FLEX_GROUPS = 0x200
    XATTR_INODES = 0x400
    NAME_DATA = 0x1000
    CHECKSUM_SEED = 0x2000
    LARGE_FOLDERS = 0x4000
    INLINE_DATA = 0x8000
    ENCRYPT = 0x10000
    CASEFOLD = 0x20000


READABLE = (
    Incompat.FILE_TYPE
    | Incompat.NEEDS_RECOVERY
    | Incompat.META_GROUPS
    | Incompat.EXTENTS
    | Incompat.WIDE
    | Incompat.MULTI_MOUNT
    | Incompat.FLEX_GROUPS
    | Incompat.XATTR_INODES
    | Incompat.CHECKSUM_SEED
    | Incompat.LARGE_FOLDERS
    | Incompat.INLINE_DATA
    | Incompat.ENCRYPT
    | Incompat.CASEFOLD
)
"""What this reader reads; anything else is told as a remark."""

EXT3_INCOMPAT = Incompat.FILE_TYPE | Incompat.NEEDS_RECOVERY | Incompat.JOURNAL_DEVICE | Incompat.META_GROUPS
"""What ext3 knew (fs/ext4/ext4.h, EXT3_FEATURE_INCOMPAT_SUPP); more than that makes it ext4."""


class ReadOnly(IntEnum):
    """Features that a reader may ignore but a writer must know."""

    SPARSE_SUPER = 0x1
    LARGE_FILE = 0x2
    BTREE = 0x4
    HUGE_FILE = 0x8
    GROUP_CHECKSUM = 0x10
    BIG_CLUSTERS = 0x200
    CHECKSUMS = 0x400


EXT3_READ_ONLY = ReadOnly.SPARSE_SUPER | ReadOnly.LARGE_FILE | ReadOnly.BTREE


class InodeFlag(IntEnum):
    """Flags of one inode."""

    ENCRYPTED = 0x800
    INDEXED = 0x1000
    HUGE_BLOCKS = 0x40000
    """`i_blocks` counts file-system blocks, not 512-byte units."""
    EXTENTS = 0x80000
    XATTR_VALUE = 0x200000
    INLINE_DATA = 0x10000000


class GroupFlag(IntEnum):
    """Flags of one group descriptor."""

    INODES_UNUSED = 0x1
    BLOCKS_UNUSED = 0x2


class Mode(IntEnum):
    """The kind of file in the top four bits of `i_mode` (POSIX, sys/stat.h)."""

    PIPE = 0x1000
    CHARACTER = 0x2000
    FOLDER = 0x4000
    BLOCK = 0x6000
    FILE = 0x8000
    LINK = 0xA000
    SOCKET = 0xC000


KIND_BITS = 0xF000
MODE_OF_NAME_TYPE = {
    1: Mode.FILE,
    2: Mode.FOLDER,
    3: Mode.CHARACTER,
    4: Mode.BLOCK,
    5: Mode.PIPE,
    6: Mode.SOCKET,
    7: Mode.LINK,
}
"""What the type byte beside a name says of the inode's kind."""


def _fields(itemsize: int, *fields: tuple[str, str, int]) -> np.dtype[np.void]:
    names, formats, offsets = zip(*fields, strict=True)
    return np.dtype(
        {"names": list(names), "formats": list(formats), "offsets": list(offsets), "itemsize": itemsize}
    )


SUPERBLOCK = _fields(
    SUPERBLOCK_BYTES,
    ("inodes_count", "<u4", 0x00),
    ("blocks_count_low", "<u4", 0x04),
    ("first_data_block", "<u4", 0x14),
    ("log_block_size", "<u4", 0x18),
    ("log_cluster_size", "<u4", 0x1C),
    ("blocks_per_group", "<u4", 0x20),
    ("clusters_per_group", "<u4", 0x24),
    ("inodes_per_group", "<u4", 0x28),
    ("mounted_at", "<u4", 0x2C),
    ("written_at", "<u4", 0x30),
    ("magic", "<u2", 0x38),
    ("state", "<u2", 0x3A),
    ("revision", "<u4", 0x4C),
    ("first_inode", "<u4", 0x54),
    ("inode_size", "<u2", 0x58),
    ("group_of_this_copy", "<u2", 0x5A),
    ("compat", "<u4", 0x5C),
    ("incompat", "<u4", 0x60),
    ("read_only", "<u4", 0x64),
    ("uuid", "V16", 0x68),
    ("label", "V16", 0x78),
    ("journal_inode", "<u4", 0xE0),
    ("journal_backup_type", "u1", 0xFD),
    ("descriptor_size", "<u2", 0xFE),
    ("first_meta_group", "<u4", 0x104),
    ("blocks_count_high", "<u4", 0x150),
    ("checksum_type", "u1", 0x175),
    ("backup_groups", "(2,)<u4", 0x24C),
    ("project_quota_inode", "<u4", 0x26C),
    ("checksum_seed", "<u4", 0x270),
    ("written_at_high", "u1", 0x274),
    ("orphan_file_inode", "<u4", 0x280),
    ("checksum", "<u4", 0x3FC),
)
JOURNAL_BACKUP_AT = 0x10C
JOURNAL_BACKUP_BYTES = 68
"""Fifteen words of block map, then the size, high word first."""

DESCRIPTOR = _fields(
    32,
    ("block_bitmap", "<u4", 0x00),
    ("inode_bitmap", "<u4", 0x04),
    ("inode_table", "<u4", 0x08),
    ("flags", "<u2", 0x12),
    ("inodes_never_used", "<u2", 0x1C),
    ("checksum", "<u2", 0x1E),
)
DESCRIPTOR_HIGH = _fields(
    32,
    ("block_bitmap", "<u4", 0x00),
    ("inode_bitmap", "<u4", 0x04),
    ("inode_table", "<u4", 0x08),
    ("inodes_never_used", "<u2", 0x12),
)
"""The second 32 bytes of a descriptor of 64 bytes or more."""
DESCRIPTOR_CHECKSUM_AT = 0x1E

INODE = _fields(
    OLD_INODE_BYTES,
    ("mode", "<u2", 0x00),
    ("size_low", "<u4", 0x04),
    ("changed_at", "<i4", 0x0C),
    ("modified_at", "<i4", 0x10),
    ("deleted_at", "<u4", 0x14),
    ("links", "<u2", 0x1A),
    ("blocks_low", "<u4", 0x1C),
    ("flags", "<u4", 0x20),
    ("block", "V60", 0x28),
    ("generation", "<u4", 0x64),
    ("xattr_low", "<u4", 0x68),
    ("size_high", "<u4", 0x6C),
    ("blocks_high", "<u2", 0x74),
    ("xattr_high", "<u2", 0x76),
    ("checksum_low", "<u2", 0x7C),
)
INODE_EXTRA = _fields(
    32,
    ("extra_bytes", "<u2", 0x00),
    ("checksum_high", "<u2", 0x02),
    ("changed_extra", "<u4", 0x04),
    ("modified_extra", "<u4", 0x08),
)
"""What follows the first 128 bytes of a larger inode; `extra_bytes` says how much of it is in use."""
INODE_CHECKSUM_LOW_AT = 0x7C
INODE_CHECKSUM_HIGH_AT = 0x82
