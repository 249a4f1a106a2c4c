"""Inodes, parsed many at a time from the inode tables.

Source: Linux kernel, Documentation/filesystems/ext4/{inodes,ifork,inlinedata,attributes}.rst.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_blocks import BlockStore, Ranges, read_pieces
from mendbay.files.readers.ext_checksum import crc32c, inode_seed
from mendbay.files.readers.ext_groups import Bools, Groups, Int64s
from mendbay.files.readers.ext_layout import (
    BLOCK_MAP_BYTES,
    INODE,
    INODE_CHECKSUM_HIGH_AT,
    INODE_CHECKSUM_LOW_AT,
    INODE_EXTRA,
    KIND_BITS,
    OLD_INODE_BYTES,
    XATTR_MAGIC,
    Bytes2D,
    Incompat,
    InodeFlag,
    Mode,
    ReadOnly,
    Rows,
)
from mendbay.files.tree import NOT_READ_YET

NO_TABLE = "the place of its inode cannot be told"
UNREADABLE = "its inode lies in a part of the inode table that cannot be read"
UNREAD = f"the part of the inode table that holds its inode {NOT_READ_YET}"
BAD_CHECKSUM = "the checksum of its inode does not hold"
OLDER = "its description comes from the half that fell behind"

KNOWN_KINDS = frozenset(int(one) for one in Mode)
SYSTEM_NAMESPACE = 7


class Inode(NamedTuple):
    """One inode. `size` is in bytes, times in seconds since 1970, `stored_bytes` what `i_blocks` amounts
    to, `block` the 60 bytes that map or hold the content.

    `readable` is False when its bytes are not there: everything else is then empty. `holds` says whether
    its checksum holds (True when the file system keeps none); `older` whether its bytes may be older.
    `tail` is what the inode holds behind its fields, where extended attributes live.
    """

    number: int
    mode: int
    size: int
    modified_at: int
    changed_at: int
    deleted_at: int
    links: int
    stored_bytes: int
    flags: int
    block: bytes
    generation: int
    xattr_block: int
    tail: bytes
    holds: bool
    older: bool
    readable: bool = True
    fault: str = ""

    @property
    def kind_bits(self) -> int:
        """The kind of file, as one of `Mode`; 0 when unknown."""
        return self.mode & KIND_BITS

    @property
    def is_folder(self) -> bool:
        return self.mode & KIND_BITS == Mode.FOLDER

    @property
    def is_in_use(self) -> bool:
        """Whether it looks like an existing file: a known kind, a name, no time of deletion."""
        return self.kind_bits in KNOWN_KINDS and self.links > 0 and self.deleted_at == 0

    @property
    def has_extents(self) -> bool:
        return bool(self.flags & InodeFlag.EXTENTS)

    @property
    def is_inline(self) -> bool:
        return bool(self.flags & InodeFlag.INLINE_DATA)

    @property
    def is_fast_link(self) -> bool:
        """Whether it is a symbolic link whose target stands in the inode itself."""
        return (
            self.kind_bits == Mode.LINK
            and self.size < BLOCK_MAP_BYTES
            and not self.flags & (InodeFlag.EXTENTS | InodeFlag.INLINE_DATA)
        )

    def seed(self, volume_seed: int) -> int:
        """What the checksums of this inode's own blocks start from."""
        return inode_seed(volume_seed, self.number, self.generation)


def no_inode(number: int, fault: str) -> Inode:
    """An inode of which nothing is known."""
    return Inode(
        number, 0, 0, 0, 0, 0, 0, 0, 0, bytes(BLOCK_MAP_BYTES), 0, 0, b"", False, False, False, fault
    )


class InodeTables:
    """The inode tables of a volume."""

    def __init__(self, groups: Groups, blocks: BlockStore) -> None:
        self.groups = groups
        self.blocks = blocks
        self.superblock = groups.superblock

    def load(self, numbers: Sequence[int]) -> dict[int, Inode]:
        """These inodes, their table blocks read in disk order. Every number asked for has an answer."""
        wanted = np.unique(np.asarray(numbers, dtype=np.int64))
        places = self.groups.inode_places(wanted)
        found = {number: no_inode(number, NO_TABLE) for number in wanted[places < 0].tolist()}
        wanted, places = wanted[places >= 0], places[places >= 0]
        size = self.superblock.block_bytes
        step = max(1, (16 << 20) // size)
        table, own = np.unique(places // size, return_inverse=True)
        for first in range(0, table.size, step):
            part = (own >= first) & (own < first + step)
            self._load_part(wanted[part], places[part], table[first : first + step], own[part] - first, found)
        return found

    def _load_part(
        self, numbers: Int64s, places: Int64s, table: Int64s, own: Int64s, found: dict[int, Inode]
    ) -> None:
        """Adds the inodes `numbers` at bytes `places`, in the blocks `table[own]`, to `found`."""
        one = self.superblock
        table_numbers = table.tolist()
        self.blocks.prefetch(table_numbers)
        held = [self.blocks.block(number) for number in table_numbers]
        data = np.frombuffer(b"".join(block.data for block in held), np.uint8).reshape(-1, one.inode_bytes)
        inside = places % one.block_bytes
        rows = data[own * (one.block_bytes // one.inode_bytes) + inside // one.inode_bytes]
        missing, older = np.zeros(numbers.size, bool), np.zeros(numbers.size, bool)
        for index, block in enumerate(held):
            for flagged, ranges in ((missing, block.missing), (older, block.older)):
                if ranges:
                    mine = own == index
                    flagged[mine] = _touched(ranges, inside[mine], one.inode_bytes)
        for inode, place in zip(
            parse_rows(self.groups, numbers, rows, missing, older), places.tolist(), strict=True
        ):
            if inode.fault == UNREADABLE and self._is_unread(Span.at(place, one.inode_bytes)):
                inode = inode._replace(fault=UNREAD)
            found[inode.number] = inode

    def _is_unread(self, span: Span) -> bool:
        """Whether asking for the bytes may still bring them."""
        return any(gap.why is Lack.UNREAD for gap in self.blocks.source.outlook(span).gaps)

    def used_spans(self) -> SpanSet:
        """Where on the volume inodes lie that may ever have been used."""
        groups, one = self.groups, self.superblock
        starts = groups.inode_table * one.block_bytes
        return SpanSet.from_bounds(starts, starts + groups.inodes_used * one.inode_bytes).widen(
            one.block_bytes
        )

    def scan(self, keep: Callable[[Rows], Bools]) -> Iterator[list[Inode]]:
        """All inodes that may be in use and that `keep` chooses, in the order of the disk.

        Args:
            keep: given inodes as rows of `INODE`, which of them are wanted.
        """
        for group in np.argsort(self.groups.inode_table, kind="stable").tolist():
            count = int(self.groups.inodes_used[group])
            start = int(self.groups.inode_table[group]) * self.superblock.block_bytes
            first = group * self.superblock.inodes_per_group + 1
            whole = Span.at(start, count * self.superblock.inode_bytes)
            for reading in read_pieces(self.blocks.source, whole):
                rows = np.frombuffer(reading.data, np.uint8).reshape(-1, self.superblock.inode_bytes)
                numbers = first + (reading.span.start - start) // self.superblock.inode_bytes
                chosen = np.flatnonzero(keep(_fields(rows)))
                inside = chosen * self.superblock.inode_bytes
                lost = tuple(
                    (one.start - reading.span.start, one.stop - reading.span.start)
                    for one in reading.missing()
                )
                old = tuple(
                    (one.start - reading.span.start, one.stop - reading.span.start)
                    for one in self.blocks.older(reading)
                )
                yield [
                    inode
                    for inode in parse_rows(
                        self.groups,
                        numbers + chosen,
                        rows[chosen],
                        _touched(lost, inside, self.superblock.inode_bytes),
                        _touched(old, inside, self.superblock.inode_bytes),
                    )
                    if inode.readable
                ]


def _touched(ranges: Ranges, starts: Int64s, length: int) -> Bools:
    """Which of the stretches of `length` bytes have a byte in common with any range."""
    found = np.zeros(starts.size, bool)
    for start, stop in ranges:
        found |= (starts < stop) & (starts + length > start)
    return found


def _fields(rows: Bytes2D) -> Rows:
    return np.ascontiguousarray(rows[:, :OLD_INODE_BYTES]).view(INODE).reshape(-1)


def parse_rows(groups: Groups, numbers: Int64s, rows: Bytes2D, missing: Bools, older: Bools) -> list[Inode]:
    """Inodes from their bytes.

    Args:
        groups: of the volume.
        numbers: shape (n,).
        rows: shape (n, bytes per inode).
        missing, older: shape (n,); which have bytes that are not there, or that may be older.
    """
    one = groups.superblock
    fields = _fields(rows)
    extra_bytes, changed_extra, modified_extra = _extra(rows)
    changed = fields["changed_at"].astype(np.int64) + ((changed_extra & 3) << 32)
    modified = fields["modified_at"].astype(np.int64) + ((modified_extra & 3) << 32)
    flags = fields["flags"].astype(np.int64)
    kinds = fields["mode"] & KIND_BITS
    wide = (kinds == Mode.FILE) | bool(one.incompat & Incompat.LARGE_FOLDERS) & (kinds == Mode.FOLDER)
    # A damaged size can need all 64 bits, so it must not be taken for a negative one.
    size_high = np.where(wide, fields["size_high"], 0).astype(np.uint64)
    size = fields["size_low"].astype(np.uint64) | size_high << np.uint64(32)
    blocks = fields["blocks_low"].astype(np.int64)
    unit = np.full(numbers.size, 512, np.int64)
    if one.read_only & ReadOnly.HUGE_FILE:
        blocks |= fields["blocks_high"].astype(np.int64) << 32
        unit[(flags & InodeFlag.HUGE_BLOCKS) != 0] = one.block_bytes
    xattr = fields["xattr_low"].astype(np.int64)
    if one.incompat & Incompat.WIDE:
        xattr |= fields["xattr_high"].astype(np.int64) << 32
    holds = _checksums_hold(groups, numbers, rows, fields, extra_bytes)
    columns = (
        numbers,
        fields["mode"],
        size,
        modified,
        changed,
        fields["deleted_at"],
        fields["links"],
        np.minimum(blocks, 1 << 47) * unit,
        flags,
    )
    made = zip(
        *(column.tolist() for column in columns),
        (raw.tobytes() for raw in fields["block"]),
        fields["generation"].tolist(),
        xattr.tolist(),
        _tails(rows, flags, extra_bytes),
        holds.tolist(),
        older.tolist(),
        strict=True,
    )
    gone = missing.tolist()
    return [
        no_inode(values[0], UNREADABLE) if lost else Inode._make((*values, True, ""))
        for values, lost in zip(made, gone, strict=True)
    ]


def _extra(rows: Bytes2D) -> tuple[Int64s, Int64s, Int64s]:
    """How much of the larger part of each inode is in use, and the extra bits of its two times."""
    none = np.zeros(rows.shape[0], np.int64)
    if rows.shape[1] < OLD_INODE_BYTES + INODE_EXTRA.itemsize:
        return none, none, none
    extra = np.ascontiguousarray(rows[:, OLD_INODE_BYTES : OLD_INODE_BYTES + INODE_EXTRA.itemsize])
    fields = extra.view(INODE_EXTRA).reshape(-1)
    used = fields["extra_bytes"].astype(np.int64)
    used[(used > rows.shape[1] - OLD_INODE_BYTES) | (used % 4 != 0)] = 0
    changed = np.where(used >= 8, fields["changed_extra"].astype(np.int64), 0)
    modified = np.where(used >= 12, fields["modified_extra"].astype(np.int64), 0)
    return used, changed, modified


def _tails(rows: Bytes2D, flags: Int64s, extra_bytes: Int64s) -> list[bytes]:
    """What lies behind the fields of each inode that keeps its content there; empty for the others."""
    tails = [b""] * rows.shape[0]
    for index in np.flatnonzero(flags & InodeFlag.INLINE_DATA).tolist():
        tails[index] = rows[index, OLD_INODE_BYTES + int(extra_bytes[index]) :].tobytes()
    return tails


def _checksums_hold(
    groups: Groups, numbers: Int64s, rows: Bytes2D, fields: Rows, extra_bytes: Int64s
) -> Bools:
    """Which inodes hold their checksum: number, generation, then the inode with the checksum as zero."""
    one = groups.superblock
    if not one.has_checksums:
        return np.ones(numbers.size, bool)
    framed = np.zeros((rows.shape[0], 8 + rows.shape[1]), np.uint8)
    framed[:, :4] = numbers.astype("<u4").view(np.uint8).reshape(-1, 4)
    framed[:, 4:8] = np.ascontiguousarray(fields["generation"]).view(np.uint8).reshape(-1, 4)
    framed[:, 8:] = rows
    framed[:, 8 + INODE_CHECKSUM_LOW_AT : 10 + INODE_CHECKSUM_LOW_AT] = 0
    stored = fields["checksum_low"].astype(np.int64)
    mask = np.full(numbers.size, 0xFFFF, np.int64)
    wide = extra_bytes >= 4
    if wide.any():
        high = rows[:, INODE_CHECKSUM_HIGH_AT : INODE_CHECKSUM_HIGH_AT + 2].astype(np.int64)
        stored = np.where(wide, stored | (high[:, 0] | high[:, 1] << 8) << 16, stored)
        framed[wide, 8 + INODE_CHECKSUM_HIGH_AT : 10 + INODE_CHECKSUM_HIGH_AT] = 0
        mask[wide] = 0xFFFFFFFF
    raw, length = framed.tobytes(), framed.shape[1]
    sums = [crc32c(one.seed, raw[at : at + length]) for at in range(0, len(raw), length)]
    return (np.array(sums, np.int64) & mask) == stored  # type: ignore[no-any-return]


def inline_content(inode: Inode) -> bytes | None:
    """What a file or folder keeps in its inode: 60 bytes, then the value of the attribute `system.data`.
    None if the attribute is damaged; the result may be shorter than `size` says.
    """
    rest = _system_data(inode.tail)
    return None if rest is None else inode.block + rest


def _system_data(tail: bytes) -> bytes | None:
    if len(tail) < 8 or int.from_bytes(tail[:4], "little") != XATTR_MAGIC:
        return b""
    at, base = 4, 4
    while at + 16 <= len(tail) and tail[at : at + 4] != b"\0\0\0\0":
        name_length, namespace, offset, in_inode, size, _ = struct.unpack_from("<BBHIII", tail, at)
        name = tail[at + 16 : at + 16 + name_length]
        if namespace == SYSTEM_NAMESPACE and name == b"data":
            value = tail[base + offset : base + offset + size]
            return value if len(value) == size and in_inode == 0 else None
        at += 16 + (name_length + 3 & ~3)
    return b""
