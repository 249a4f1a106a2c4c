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
from mendbay.files.readers.ext_journal import Journal, JournalHead, parse_head
from mendbay.files.readers.ext_layout import (
    BLOCK_MAP_BYTES,
    EXTENT_MAGIC,
    READABLE,
    Incompat,
    InodeFlag,
    Mode,
)
from mendbay.files.readers.ext_map import BlockMap, map_one
from mendbay.files.readers.ext_replay import replay
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.readers.ext_volume import Superblock, find_superblock
from mendbay.files.tree import VolumeFacts

MOST_JOURNAL_BLOCKS = 10_240_000
"""The largest journal that mke2fs makes (e2fsprogs, misc/mke2fs.8.in, -J size)."""
HEAD_IS_OLDER = (
    "The journal seems empty, but what says so comes from the half that fell behind: the newest changes may "
    "be missing."
)
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
    journal = _replayed(volume, groups, state_may_be_old=found.may_be_old)
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
    return ExtFileSystem(journal.source, groups, facts, journal.spans, journal.has_doubts)


class _Replayed(NamedTuple):
    """The volume to read from, where the journal lies if it counts, what is worth telling of it, and whether
    some blocks lack their newest copy."""

    source: Source
    spans: SpanSet = SpanSet()
    remarks: tuple[str, ...] = ()
    has_doubts: bool = False


def _replayed(volume: Source, groups: Groups, *, state_may_be_old: bool) -> _Replayed:
    """The volume with its journal replayed, if it has one and was not closed properly.

    A superblock that is not kept up to date does not say whether the journal is needed; with one of those
    the journal's own start has to do.
    """
    one = groups.superblock
    flagged = bool(one.incompat & Incompat.NEEDS_RECOVERY)
    if not flagged and not (state_may_be_old and one.journal_inode):
        return _Replayed(volume)
    if not one.journal_inode:
        remark = "Its journal lies on another device: the newest changes are missing."
        return _Replayed(volume, remarks=(remark,))
    blocks = BlockStore(volume, one.block_bytes)
    places, head = _journal(groups, blocks)
    spans = SpanSet.from_bounds(places * one.block_bytes, (places + 1) * one.block_bytes)
    if head is None:
        remark = "Its journal was not empty but cannot be read or is damaged: the newest changes are missing."
        return _Replayed(volume, spans, (remark,) if flagged else ())
    if head.start == 0:
        older = touches(blocks.block(int(places[0])).older, 0, JOURNAL_HEAD_BYTES)
        return _Replayed(volume, remarks=(HEAD_IS_OLDER,) if older else ())
    made = replay(volume, Journal(blocks, places, head), one.blocks_count)
    return _Replayed(made.source, spans, (made.remark,), made.has_doubts)


def _journal(groups: Groups, blocks: BlockStore) -> tuple[Int64s, JournalHead | None]:
    """The block on the volume of each block of the journal, shape (n,), and its superblock: by the journal's
    inode or, if that leads to none, by the copy of its map in the superblock. None if neither leads to a
    sound one; the places are then the best guess, for they must be read to find out."""
    one = groups.superblock
    inode = InodeTables(groups, blocks).load([one.journal_inode])[one.journal_inode]
    guess = np.empty(0, np.int64)
    for candidate in (inode, _journal_from_backup(one)):
        if candidate is None or not candidate.readable or candidate.kind_bits != Mode.FILE:
            continue
        places = _whole_places(one, map_one(one, blocks, candidate), candidate.size)
        if not places.size:
            continue
        first = blocks.block(int(places[0]))
        readable = not touches(first.missing, 0, JOURNAL_HEAD_BYTES)
        head = parse_head(first.data[:JOURNAL_HEAD_BYTES]) if readable else None
        if head is not None and head.block_bytes == one.block_bytes and head.length <= places.size:
            return places, head
        guess = guess if guess.size else places
    return guess, None


def _whole_places(one: Superblock, found: BlockMap, size: int) -> Int64s:
    """The places of the blocks of a journal of `size` bytes, in its order; empty if its map is not whole or
    larger than a journal can be."""
    count = -(-size // one.block_bytes)
    at = 0
    for run in found.runs:
        if run.logical != at or at > MOST_JOURNAL_BLOCKS:
            return np.empty(0, np.int64)
        at += run.length
    if found.lost or not 0 < count <= at <= MOST_JOURNAL_BLOCKS:
        return np.empty(0, np.int64)
    return np.concatenate([np.arange(run.physical, run.physical + run.length) for run in found.runs])


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
