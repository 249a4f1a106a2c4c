"""Opens ext2, ext3 and ext4 file systems, whatever is left of them."""

from __future__ import annotations

import struct
from typing import NamedTuple

import numpy as np

from mendbay.core.source import Source
from mendbay.core.span import Int64s, SpanSet
from mendbay.files.readers.ext_blocks import BlockStore, touches
from mendbay.files.readers.ext_groups import Groups, load_groups
from mendbay.files.readers.ext_inode import Inode, InodeTables, no_inode
from mendbay.files.readers.ext_journal import SUPERBLOCK_BYTES as JOURNAL_HEAD_BYTES
from mendbay.files.readers.ext_journal import Journal, parse_head, replay
from mendbay.files.readers.ext_layout import (
    BLOCK_MAP_BYTES,
    EXTENT_MAGIC,
    READABLE,
    Incompat,
    InodeFlag,
    Mode,
)
from mendbay.files.readers.ext_map import map_one
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.readers.ext_volume import Superblock, find_superblock
from mendbay.files.tree import VolumeFacts

HAD_ERRORS = 0x2
"""The bit of the superblock's state that the kernel sets when it has met an inconsistency."""


def open_ext(volume: Source) -> ExtFileSystem | None:
    """The ext file system on a volume, read with whatever copies of its description are left.

    Returns:
        None if there is neither a superblock nor a copy of one at any usual place. Otherwise a file system
        that may be damaged to any degree: `facts.remarks` says what had to be worked around.
    """
    found = find_superblock(volume)
    if found is None:
        return None
    one = found.superblock
    groups = load_groups(one, BlockStore(volume, one.block_bytes))
    journal = _replayed(volume, groups)
    if journal.source is not volume:
        again = find_superblock(journal.source)
        if again is not None and again.superblock.proven and again.superblock.uuid == one.uuid:
            one = again.superblock
        groups = load_groups(one, BlockStore(journal.source, one.block_bytes))
    facts = VolumeFacts(
        kind=one.kind,
        label=one.label,
        uuid=_uuid_text(one.uuid),
        block_bytes=one.block_bytes,
        size_bytes=one.blocks_count * one.block_bytes,
        has_checksums=one.has_checksums,
        last_written_at=one.written_at,
        remarks=(*found.remarks, *groups.remarks, *journal.remarks, *_remarks(one)),
    )
    return ExtFileSystem(journal.source, groups, facts, journal.spans)


class _Replay(NamedTuple):
    """The volume to read from, where the journal lies if it counts, and what is worth telling of it."""

    source: Source
    spans: SpanSet = SpanSet()
    remarks: tuple[str, ...] = ()


def _replayed(volume: Source, groups: Groups) -> _Replay:
    """The volume with its journal replayed, if it has one and was not closed properly.

    A copy of the superblock never says that the journal is needed, since copies are not kept up to date;
    with one of those the journal's own start has to do.
    """
    one = groups.superblock
    flagged = bool(one.incompat & Incompat.NEEDS_RECOVERY)
    if not flagged and not (one.group_of_this_copy and one.journal_inode):
        return _Replay(volume)
    if not one.journal_inode:
        return _Replay(
            volume, remarks=("Its journal lies on another device: the newest changes are missing.",)
        )
    blocks = BlockStore(volume, one.block_bytes)
    places = _journal_places(groups, blocks)
    spans = SpanSet.from_bounds(places * one.block_bytes, (places + 1) * one.block_bytes)
    head = None
    if places.size:
        first = blocks.block(int(places[0]))
        readable = not touches(first.missing, 0, JOURNAL_HEAD_BYTES)
        head = parse_head(first.data[:JOURNAL_HEAD_BYTES]) if readable else None
    if head is None or head.block_bytes != one.block_bytes or head.length > places.size:
        remark = "Its journal was not empty but cannot be read or is damaged: the newest changes are missing."
        return _Replay(volume, spans, (remark,) if flagged else ())
    if head.start == 0:
        return _Replay(volume)
    source, remark = replay(volume, Journal(blocks, places, head), one.blocks_count)
    return _Replay(source, spans, (remark,))


def _journal_places(groups: Groups, blocks: BlockStore) -> Int64s:
    """The block on the volume of each block of the journal, by the journal's inode or, if that is damaged,
    by the copy of its map in the superblock. Shape (n,), empty if neither maps it whole."""
    one = groups.superblock
    inode = InodeTables(groups, blocks).load([one.journal_inode])[one.journal_inode]
    for candidate in (inode, _journal_from_backup(one)):
        if candidate is None or not candidate.readable or candidate.kind_bits != Mode.FILE:
            continue
        found = map_one(one, blocks, candidate)
        whole = [np.arange(run.physical, run.physical + run.length) for run in found.runs]
        places = np.concatenate(whole) if whole else np.empty(0, np.int64)
        if not found.lost and places.size * one.block_bytes >= candidate.size > 0:
            return places.astype(np.int64)
    return np.empty(0, np.int64)


def _journal_from_backup(one: Superblock) -> Inode | None:
    """An inode made from the copy of the journal's map in the superblock; None if there is none."""
    if not one.journal_backup:
        return None
    block = one.journal_backup[:BLOCK_MAP_BYTES]
    size_high, size_low = struct.unpack_from("<II", one.journal_backup, BLOCK_MAP_BYTES)
    has_extents = int.from_bytes(block[:2], "little") == EXTENT_MAGIC
    return no_inode(one.journal_inode, "")._replace(
        mode=int(Mode.FILE),
        size=size_low | size_high << 32,
        block=block,
        flags=int(InodeFlag.EXTENTS) if has_extents else 0,
        readable=True,
    )


def _remarks(one: Superblock) -> list[str]:
    found = []
    unknown = one.incompat & ~READABLE
    if unknown:
        names = ", ".join(_feature_names(unknown))
        found.append(
            f"It uses features that Mendbay does not read ({names}): what is shown may be incomplete."
        )
    if one.state & HAD_ERRORS:
        found.append("The system that used it last had found errors in it.")
    return found


def _feature_names(bits: int) -> list[str]:
    names = {int(one): (one.name or "").lower().replace("_", " ") for one in Incompat}
    return [names.get(1 << bit, f"bit {bit}") for bit in range(32) if bits >> bit & 1]


def _uuid_text(raw: bytes) -> str:
    text = raw.hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))
