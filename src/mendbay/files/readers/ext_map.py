"""Which blocks hold a file: extent trees and indirect blocks.

Both are walked level by level with a list, never by recursion. A mapping is a generator that says which
blocks it needs next, so that many files can be mapped together and their blocks fetched in disk order.
Source: Linux kernel, Documentation/filesystems/ext4/{ifork,checksums}.rst.
"""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_blocks import Block, BlockStore
from mendbay.files.readers.ext_checksum import crc32c
from mendbay.files.readers.ext_inode import OLDER, Inode
from mendbay.files.readers.ext_layout import (
    DIRECT_BLOCKS,
    EXTENT_ENTRY_BYTES,
    EXTENT_MAGIC,
    MOST_EXTENT_LEVELS,
    UNWRITTEN_ABOVE,
    Mode,
)
from mendbay.files.readers.ext_volume import Superblock
from mendbay.files.tree import Extent, Layout, Proof

MOST_LOGICAL_BLOCKS = 1 << 32
"""Extents count a file's blocks in 32 bits."""
SPARE_NODES = 1024
"""A map may have this many blocks more than the inode says are stored: damage in that one number must
not hide a file, and a map that leads into garbage must come to an end."""
TOO_LARGE = "its map is larger than its inode says"


class Run(NamedTuple):
    """`length` blocks of a file from `logical` on, lying from `physical` on. Unwritten ones read as zero."""

    logical: int
    physical: int
    length: int
    written: bool = True


@dataclass(slots=True)
class BlockMap:
    """Where a file's blocks are.

    `runs` are sorted by `logical` and disjoint; `lost` are (first block, stop) ranges whose place is not
    known; blocks in neither are holes. `nodes` are the blocks of the mapping itself. `checked` is whether
    every one of them carries a checksum that holds. `problems` are what is wrong; `runs` may still be right.
    """

    runs: list[Run] = field(default_factory=list)
    lost: list[tuple[int, int]] = field(default_factory=list)
    nodes: list[int] = field(default_factory=list)
    checked: bool = True
    problems: list[str] = field(default_factory=list)

    def end(self) -> int:
        """The block behind the last one that is mapped or lost."""
        last = self.runs[-1].logical + self.runs[-1].length if self.runs else 0
        return max(last, *(stop for _, stop in self.lost)) if self.lost else last

    def blame(self, problem: str) -> None:
        """Notes a problem once."""
        if problem not in self.problems:
            self.problems.append(problem)


Mapping = Generator[list[int], None, BlockMap]


def map_steps(one: Superblock, blocks: BlockStore, inode: Inode) -> Mapping:
    """Maps one inode; yields the blocks it is about to look at and returns the map."""
    if not inode.readable or has_no_blocks(inode):
        return BlockMap()
    if inode.has_extents:
        found = yield from _extents(one, blocks, inode)
    else:
        found = yield from _indirect(one, blocks, inode)
    found.runs = _settle(one, found, sorted(found.runs))
    return found


def map_one(one: Superblock, blocks: BlockStore, inode: Inode) -> BlockMap:
    """Maps one inode, fetching level by level."""
    return map_all(one, blocks, (inode,))[inode.number]


def map_all(one: Superblock, blocks: BlockStore, inodes: Iterable[Inode]) -> dict[int, BlockMap]:
    """Maps many inodes together, so that each level's blocks are fetched in disk order."""
    found: dict[int, BlockMap] = {}
    going = [(inode.number, map_steps(one, blocks, inode)) for inode in inodes]
    while going:
        wanted: list[int] = []
        still = []
        for number, steps in going:
            try:
                wanted += next(steps)
            except StopIteration as done:
                found[number] = done.value
            else:
                still.append((number, steps))
        blocks.prefetch(wanted)
        going = still
    return found


def has_no_blocks(inode: Inode) -> bool:
    """Whether the inode keeps what it has in itself, or has nothing."""
    return inode.is_inline or inode.is_fast_link or inode.kind_bits not in (Mode.FILE, Mode.FOLDER, Mode.LINK)


class _Node(NamedTuple):
    """One block of an extent tree to visit: its place, its height, and the file blocks it may speak of."""

    block: int
    depth: int
    first: int
    stop: int


def _extents(one: Superblock, blocks: BlockStore, inode: Inode) -> Mapping:
    found = BlockMap()
    seen: set[int] = set()
    depth = int.from_bytes(inode.block[6:8], "little")
    if depth > MOST_EXTENT_LEVELS:
        found.blame("the map in its inode is damaged")
        found.lost.append((0, _blocks_of_size(one, inode)))
        return found
    root = _Node(0, depth, 0, MOST_LOGICAL_BLOCKS)
    waiting = _extent_node(one, inode, found, root, inode.block)
    seed = inode.seed(one.seed) if waiting else 0
    while waiting:
        waiting = _fit_to_visit(one, inode, found, waiting, seen)
        yield [node.block for node in waiting]
        below: list[_Node] = []
        for node in waiting:
            block = blocks.block(node.block)
            found.nodes.append(node.block)
            if block.missing:
                _lose(one, inode, found, node, f"block {node.block} of its map cannot be read")
                continue
            if block.older:
                found.blame(OLDER)
            if one.has_checksums and not _extent_checksum_holds(block, seed):
                found.checked = False
                found.blame(f"block {node.block} of its map fails its checksum")
            below += _extent_node(one, inode, found, node, block.data)
        waiting = below
    return found


def _extent_node(one: Superblock, inode: Inode, found: BlockMap, node: _Node, data: bytes) -> list[_Node]:
    """Adds a leaf's runs to the map, or returns the nodes that an inner one leads to."""
    magic, entries, room, depth = struct.unpack_from("<HHHH", data)
    most = len(data) // EXTENT_ENTRY_BYTES - 1
    if magic != EXTENT_MAGIC or depth != node.depth or entries > room or room > most:
        where = (
            f"block {node.block} of its map is damaged" if node.block else "the map in its inode is damaged"
        )
        _lose(one, inode, found, node, where)
        return []
    body = data[EXTENT_ENTRY_BYTES : EXTENT_ENTRY_BYTES * (entries + 1)]
    if depth == 0:
        _leaf(found, node, body)
        return []
    below: list[_Node] = []
    rows = list(struct.iter_unpack("<IIHH", body))
    for (first, low, high, _), after in zip(rows, [*(row[0] for row in rows[1:]), node.stop], strict=True):
        child = _Node(low | high << 32, depth - 1, first, after)
        if not node.first <= first < after <= node.stop:
            found.blame("the parts of its map are out of order")
        else:
            below.append(child)
    return below


def _fit_to_visit(
    one: Superblock, inode: Inode, found: BlockMap, waiting: list[_Node], seen: set[int]
) -> list[_Node]:
    """The nodes that can be blocks of this file's map; what the others speak of is lost."""
    most = inode.stored_bytes // one.block_bytes + SPARE_NODES
    end = _blocks_of_size(one, inode)
    fit = []
    for node in waiting:
        if not one.has_block(node.block):
            _lose(one, inode, found, node, "its map leads out of the file system")
        elif node.block in seen:
            _lose(one, inode, found, node, "its map leads to the same block twice")
        elif len(seen) >= most:
            _lose(one, inode, found, node, TOO_LARGE)
        elif node.first < end or inode.has_extents:
            seen.add(node.block)
            fit.append(node)
    return fit


def _leaf(found: BlockMap, node: _Node, body: bytes) -> None:
    at = node.first
    for logical, length, high, low in struct.iter_unpack("<IHHI", body):
        written = length <= UNWRITTEN_ABOVE
        count = length if written else length - UNWRITTEN_ABOVE
        if not at <= logical <= logical + count <= node.stop or count == 0:
            found.blame("the parts of its map are out of order")
            continue
        found.runs.append(Run(logical, low | high << 32, count, written))
        at = logical + count


def _extent_checksum_holds(block: Block, seed: int) -> bool:
    room = int.from_bytes(block.data[4:6], "little")
    tail = EXTENT_ENTRY_BYTES * (room + 1)
    stored = block.data[tail : tail + 4]
    return len(stored) == 4 and crc32c(seed, block.data[:tail]) == int.from_bytes(stored, "little")


def _lose(one: Superblock, inode: Inode, found: BlockMap, node: _Node, problem: str) -> None:
    """Notes that what a node speaks of is not known, as far as the file reaches."""
    found.blame(problem)
    stop = min(node.stop, max(_blocks_of_size(one, inode), node.first))
    if stop > node.first:
        found.lost.append((node.first, stop))


def _blocks_of_size(one: Superblock, inode: Inode) -> int:
    return min(-(-inode.size // one.block_bytes), MOST_LOGICAL_BLOCKS)


def _indirect(one: Superblock, blocks: BlockStore, inode: Inode) -> Mapping:
    found = BlockMap()
    seen: set[int] = set()
    pointers = struct.unpack("<15I", inode.block)
    per_block = one.block_bytes // 4
    _take(found, 0, pointers[:DIRECT_BLOCKS])
    waiting = []
    first = DIRECT_BLOCKS
    for depth, pointer in enumerate(pointers[DIRECT_BLOCKS:]):
        reach = per_block ** (depth + 1)
        if pointer:
            waiting.append(_Node(pointer, depth, first, first + reach))
        first += reach
    while waiting:
        waiting = _fit_to_visit(one, inode, found, waiting, seen)
        yield [node.block for node in waiting]
        below: list[_Node] = []
        for node in waiting:
            below += _indirect_node(one, blocks, inode, found, node)
        waiting = below
    found.checked = not found.nodes  # indirect blocks carry no checksum
    return found


def _indirect_node(
    one: Superblock, blocks: BlockStore, inode: Inode, found: BlockMap, node: _Node
) -> list[_Node]:
    block = blocks.block(node.block)
    found.nodes.append(node.block)
    if block.missing:
        _lose(one, inode, found, node, f"block {node.block} of its map cannot be read")
        return []
    if block.older or block.doubted:  # no checksum says whether it is right
        found.blame(OLDER)
    pointers = np.frombuffer(block.data, "<u4")
    if node.depth == 0:
        _take_many(found, node.first, pointers)
        return []
    reach = (one.block_bytes // 4) ** node.depth
    return [
        _Node(
            int(pointers[index]), node.depth - 1, node.first + index * reach, node.first + (index + 1) * reach
        )
        for index in np.flatnonzero(pointers).tolist()
    ]


def _take(found: BlockMap, first: int, pointers: Sequence[int]) -> None:
    """Adds a few pointers as runs; a zero is a hole."""
    runs = found.runs
    for logical, pointer in enumerate(pointers, first):
        if not pointer:
            continue
        last = runs[-1] if runs else None
        if last and last.logical + last.length == logical and last.physical + last.length == pointer:
            runs[-1] = Run(last.logical, last.physical, last.length + 1)
        else:
            runs.append(Run(logical, pointer, 1))


def _take_many(
    found: BlockMap, first: int, pointers: np.ndarray[tuple[int, ...], np.dtype[np.uint32]]
) -> None:
    """Adds a block of pointers as runs."""
    used = np.flatnonzero(pointers)
    if used.size == 0:
        return
    physical = pointers[used].astype(np.int64)
    breaks = np.flatnonzero((np.diff(used) != 1) | (np.diff(physical) != 1)) + 1
    heads = np.concatenate((np.zeros(1, np.int64), breaks))
    counts = np.diff(np.append(heads, used.size))
    for logical, start, count in zip(
        (used[heads] + first).tolist(), physical[heads].tolist(), counts.tolist(), strict=True
    ):
        found.runs.append(Run(logical, start, count))


def _settle(one: Superblock, found: BlockMap, runs: list[Run]) -> list[Run]:
    """Sorted runs without those that lead out of the file system, overlap, or claim a block twice;
    neighbours joined."""
    kept: list[Run] = []
    for run in runs:
        last = kept[-1] if kept else None
        if not (one.has_block(run.physical) and run.physical + run.length <= one.blocks_count):
            found.blame("its map leads out of the file system")
            found.lost.append((run.logical, run.logical + run.length))
        elif last is not None and run.logical < last.logical + last.length:
            found.blame("the parts of its map overlap")
        elif (
            last is not None
            and last.logical + last.length == run.logical
            and last.physical + last.length == run.physical
            and last.written == run.written
        ):
            kept[-1] = Run(last.logical, last.physical, last.length + run.length, last.written)
        else:
            kept.append(run)
    if _claims_twice(kept, found.nodes):
        found.blame("its map claims a block twice")
    return kept


def _claims_twice(runs: list[Run], nodes: list[int]) -> bool:
    if len(runs) + len(nodes) < 2:
        return False
    claimed = sorted([(run.physical, run.length) for run in runs] + [(node, 1) for node in nodes])
    return any(start + count > after for (start, count), (after, _) in pairwise(claimed))


def layout_of(one: Superblock, size: int, found: BlockMap, proof: Proof, problems: tuple[str, ...]) -> Layout:
    """The layout of `size` bytes mapped by `found`."""
    block = one.block_bytes
    extents = []
    for run in found.runs:
        start = run.logical * block
        if start >= size:
            break
        stop = min(start + run.length * block, size)
        extents.append(Extent(Span(start, stop), run.physical * block if run.written else None))
    lost = SpanSet(
        Span(first * block, min(stop * block, size)) for first, stop in found.lost if first * block < size
    )
    if lost:
        lost = lost - SpanSet(one.file_span for one in extents)
    return Layout(size, tuple(extents), lost, proof=proof, problems=problems)
