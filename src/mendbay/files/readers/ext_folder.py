"""Names in folders.

Every block of a folder is scanned from its first byte to its last, also in an indexed folder: there the
index hides in entries that name no inode. After damage the scan goes on at the next place that can be an
entry. Source: Linux kernel, Documentation/filesystems/ext4/{directory,inlinedata,checksums}.rst.
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from mendbay.files.readers.ext_blocks import Block, BlockStore, Ranges, touches
from mendbay.files.readers.ext_checksum import crc32c
from mendbay.files.readers.ext_inode import Inode, inline_content
from mendbay.files.readers.ext_layout import (
    BLOCK_MAP_BYTES,
    CHECKSUM_TAIL_BYTES,
    CHECKSUM_TAIL_TYPE,
    Incompat,
    InodeFlag,
)
from mendbay.files.readers.ext_map import BlockMap
from mendbay.files.readers.ext_volume import Superblock

PIECE_BLOCKS = 512
LARGEST_FOLDER_BYTES = 2 << 30
"""What a folder can hold without the feature for larger ones; nothing real comes near it."""
EMPTY_BLOCKS_BELIEVED = 256
"""After this many blocks in a row without one sensible entry, what follows is no folder."""

FOUND_IN_DAMAGE = "the folder block that names it is damaged"
BLOCK_FAILS = "the folder block that names it fails its checksum"
SAME_NAME = "another entry of the same folder has the same name"
PART_IS_OLDER = "part of this folder comes from the half that fell behind"
NAME_IS_OLDER = "the folder block that names it comes from the half that fell behind"

_ENTRY = struct.Struct("<IHBB")
_SMALLEST_ENTRY = 12
_ILLEGAL = frozenset(b"/\0")


@dataclass(frozen=True, slots=True)
class Name:
    """A name in a folder: the inode it leads to, the type byte beside it (0 = not kept), and what is wrong
    with the place where it stands (empty if nothing is)."""

    inode: int
    kind: int
    name: bytes
    doubt: str = ""


@dataclass(slots=True)
class FolderContent:
    """What a folder's blocks give: names in stored order, and sentences about what they do not give."""

    names: list[Name] = field(default_factory=list)
    unreadable_bytes: int = 0
    failing_blocks: int = 0
    damaged_blocks: int = 0
    strange_names: int = 0
    is_older: bool = False
    gave_up: bool = False

    def problems(self, size: int) -> list[str]:
        """Sentences for the folder's own entry; `size` is its size in bytes."""
        found = []
        if self.unreadable_bytes:
            found.append(
                f"{self.unreadable_bytes} of the {size} bytes of this folder cannot be read: "
                "names are missing"
            )
        if self.failing_blocks:
            count = _blocks(self.failing_blocks)
            found.append(
                f"{count} of this folder without a checksum that holds: names may be wrong or missing"
            )
        if self.damaged_blocks:
            found.append(
                f"{_blocks(self.damaged_blocks)} of this folder damaged: names may be wrong or missing"
            )
        if self.strange_names:
            found.append(f"{self.strange_names} names in this folder cannot be names and were left out")
        if self.is_older:
            found.append(PART_IS_OLDER)
        if self.gave_up:
            found.append("most of this folder holds no entries; the search for more was given up")
        return found


def _blocks(count: int) -> str:
    return f"{count} block" if count == 1 else f"{count} blocks"


def read_folder(one: Superblock, blocks: BlockStore, inode: Inode, found: BlockMap) -> FolderContent:
    """The names in a folder, from wherever its content lies.

    Args:
        one, blocks: of the volume.
        inode: of the folder.
        found: where the folder's blocks are; empty for a folder kept in its inode.
    """
    content = FolderContent()
    if inode.is_inline:
        _read_inline(one, inode, content)
    else:
        _read_blocks(one, blocks, inode, found, content)
    _doubt_same_names(content)
    return content


def _doubt_same_names(content: FolderContent) -> None:
    """Notes what no sound folder has: one name twice."""
    count = Counter(each.name for each in content.names)
    if len(count) < len(content.names):
        content.names = [
            Name(each.inode, each.kind, each.name, each.doubt or SAME_NAME) if count[each.name] > 1 else each
            for each in content.names
        ]


def _read_blocks(
    one: Superblock, blocks: BlockStore, inode: Inode, found: BlockMap, content: FolderContent
) -> None:
    """A folder kept in blocks of its own."""
    size = min(inode.size, LARGEST_FOLDER_BYTES)
    for first, stop in found.lost:
        lost = max(0, min(stop * one.block_bytes, size) - first * one.block_bytes)
        content.unreadable_bytes += lost
    seed = inode.seed(one.seed)
    indexed = bool(inode.flags & InodeFlag.INDEXED)
    barren = 0
    for piece in _pieces(folder_blocks(one, size, found)):
        blocks.prefetch(piece)
        for number in piece:
            before = len(content.names)
            fine = _read_block(one, blocks.block(number), seed, indexed, content)
            barren = 0 if fine or len(content.names) > before else barren + 1
        if barren >= EMPTY_BLOCKS_BELIEVED:
            content.gave_up = True
            break


def folder_blocks(one: Superblock, size: int, found: BlockMap) -> Iterator[int]:
    """The blocks that hold a folder of `size` bytes, in the order of the folder, each once."""
    end = -(-min(size, LARGEST_FOLDER_BYTES) // one.block_bytes)
    seen: set[int] = set()
    for run in found.runs:
        if not run.written:
            continue
        for number in range(run.physical, run.physical + max(0, min(run.length, end - run.logical))):
            if number not in seen:
                seen.add(number)
                yield number


def _pieces(numbers: Iterator[int]) -> Iterator[list[int]]:
    piece: list[int] = []
    for number in numbers:
        piece.append(number)
        if len(piece) == PIECE_BLOCKS:
            yield piece
            piece = []
    if piece:
        yield piece


def _read_block(one: Superblock, block: Block, seed: int, indexed: bool, content: FolderContent) -> bool:
    """Adds the names of one block; returns whether the block is sound."""
    doubt = ""
    if block.older:
        content.is_older = True
        doubt = NAME_IS_OLDER
    if block.missing:
        content.unreadable_bytes += sum(stop - start for start, stop in block.missing)
        doubt = doubt or FOUND_IN_DAMAGE
    elif one.has_checksums and not folder_checksum_holds(block.data, seed, indexed):
        content.failing_blocks += 1
        doubt = BLOCK_FAILS
    first = len(content.names)
    intact = scan(one, block.data, 0, len(block.data), block.missing, doubt, content)
    if intact or block.missing:
        return intact
    if not doubt:
        content.damaged_blocks += 1
        content.names[first:] = [
            Name(each.inode, each.kind, each.name, FOUND_IN_DAMAGE) for each in content.names[first:]
        ]
    return False


def _read_inline(one: Superblock, inode: Inode, content: FolderContent) -> None:
    """A folder kept in its inode: the parent's number, entries up to byte 60, and more of them in the
    attribute. The inode's own checksum covers all of it."""
    whole = inline_content(inode)
    data = inode.block if whole is None else whole
    size = min(inode.size, len(data))
    intact = scan(one, data, 4, min(BLOCK_MAP_BYTES, size), (), "", content)
    if size > BLOCK_MAP_BYTES:
        intact &= scan(one, data, BLOCK_MAP_BYTES, size, (), "", content)
    if whole is None or inode.size > len(data):
        content.unreadable_bytes += max(0, inode.size - size)
        intact = False
    if not intact:
        content.damaged_blocks += 1
        content.names = [Name(each.inode, each.kind, each.name, FOUND_IN_DAMAGE) for each in content.names]


def scan(
    one: Superblock,
    data: bytes,
    at: int,
    end: int,
    missing: Ranges,
    doubt: str,
    content: FolderContent,
) -> bool:
    """Adds the names between two bytes of `data` to `content`, each with `doubt`.

    Returns:
        Whether the chain of entries was sound from start to end. Where it is not, the scan goes on at the
        next place that can be an entry, so that one bad length costs one name at most.
    """
    typed = bool(one.incompat & Incompat.FILE_TYPE)
    unpack, names, most = _ENTRY.unpack_from, content.names, one.inodes_count
    intact = True
    while at + 8 <= end:
        inode, length, name_length, kind = unpack(data, at)
        if not typed:
            # Without the type feature the length of a name has 16 bits, of which only 255 are used.
            name_length, kind = name_length | kind << 8, 0
        if length >= 0xFFFC or length == 0:
            length = _long_length(length, len(data))
        sound = (
            length >= 8
            and length % 4 == 0
            and at + length <= end
            and (inode == 0 or (length >= 8 + name_length and inode <= most and name_length <= 255))
            and not (missing and touches(missing, at, at + min(length, 8 + name_length)))
        )
        if not sound:
            intact = False
            if _could_be_entry(one, data, at, end, missing, typed):
                length = 8 + name_length + 3 & ~3
            else:
                at = _next_entry(one, data, at + 4, end, missing, typed)
                continue
        if inode and name_length:
            name = data[at + 8 : at + 8 + name_length]
            if _ILLEGAL.isdisjoint(name):
                if name not in (b".", b".."):
                    names.append(Name(inode, kind, name, doubt if intact else doubt or FOUND_IN_DAMAGE))
            else:
                content.strange_names += 1
        at += length
    return intact


def _long_length(length: int, block_bytes: int) -> int:
    """The length of an entry that fills a block of 64 KiB (fs/ext4/ext4.h, ext4_rec_len_from_disk)."""
    return block_bytes if block_bytes == 65536 and length in (0xFFFF, 0) else length


def _could_be_entry(one: Superblock, data: bytes, at: int, end: int, missing: Ranges, typed: bool) -> bool:
    """Whether what stands here reads as an entry, whatever its length field says."""
    inode, _, name_length, kind = _ENTRY.unpack_from(data, at)
    if not typed:
        name_length, kind = name_length | kind << 8, 1
    stop = at + 8 + name_length
    return (
        0 < inode <= one.inodes_count
        and 0 < name_length <= 255
        and 1 <= kind <= 7
        and stop <= end
        and _ILLEGAL.isdisjoint(data[at + 8 : stop])
        and not (missing and touches(missing, at, stop))
    )


def _next_entry(one: Superblock, data: bytes, at: int, end: int, missing: Ranges, typed: bool) -> int:
    """The next place at which an entry with a sensible length stands; `end` if there is none."""
    while at + _SMALLEST_ENTRY <= end:
        length, name_length = struct.unpack_from("<HB", data, at + 4)
        if (
            length >= _SMALLEST_ENTRY
            and length % 4 == 0
            and length >= 8 + name_length
            and at + length <= end
            and _could_be_entry(one, data, at, end, missing, typed)
        ):
            return at
        at += 4
    return end


def folder_checksum_holds(data: bytes, seed: int, indexed: bool) -> bool:
    """Whether a folder block carries a checksum that holds: in a fake last entry, or, in a block of the
    index, behind the room for index entries (fs/ext4/namei.c, ext4_dx_csum)."""
    tail = len(data) - CHECKSUM_TAIL_BYTES
    # A block that became part of the index can still carry the form of a fake last entry.
    at = _index_at(data) if indexed else None
    if at is None:
        fake = data[tail:-4] == _ENTRY.pack(0, CHECKSUM_TAIL_BYTES, 0, CHECKSUM_TAIL_TYPE)
        return fake and crc32c(seed, data[:tail]) == int.from_bytes(data[-4:], "little")
    room, used = struct.unpack_from("<HH", data, at)
    end = at + room * 8
    if used > room or end + 8 > len(data):
        return False
    stored = int.from_bytes(data[end + 4 : end + 8], "little")
    return crc32c(crc32c(seed, data[: at + used * 8]), data[end : end + 4] + bytes(4)) == stored


def _index_at(data: bytes) -> int | None:
    """Where the index entries of an index block begin; None if it is none."""
    if _long_length(int.from_bytes(data[4:6], "little"), len(data)) == len(data):
        return 8
    first = int.from_bytes(data[4:6], "little")
    second = _long_length(int.from_bytes(data[16:18], "little"), len(data))
    zero, info_bytes = data[24:28], data[29]
    is_root = first == 12 and second == len(data) - 12 and zero == bytes(4) and info_bytes == 8
    return 32 if is_root else None
