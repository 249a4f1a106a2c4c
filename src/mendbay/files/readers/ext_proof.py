"""What can be said of a file from its inode and its map, and how far that is proven.

With metadata checksums the proof is that every one on the way holds. Without them it is that everything
the file system says about the file agrees: the inode bitmap, the block bitmaps, the map, and the number
of blocks the inode counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from mendbay.files.readers.ext_groups import Bitmaps, Groups
from mendbay.files.readers.ext_inode import BAD_CHECKSUM, KNOWN_KINDS, OLDER, Inode, inline_content
from mendbay.files.readers.ext_layout import InodeFlag, Mode
from mendbay.files.readers.ext_map import BlockMap
from mendbay.files.tree import Kind, Proof

EMPTY = "its inode is empty or damaged"
DELETED = "its inode is marked as deleted"
ANOTHER_KIND = "its inode says that it is something else than the folder does"
FREE_INODE = "the inode bitmap marks its inode as free"
FREE_BLOCKS = "the block bitmap marks some of its blocks as free"
NO_BITMAP = "a bitmap that could confirm it cannot be read"
BAD_SUPERBLOCK = "the superblock fails its checksum, and so does every copy"
BAD_GROUP = "the description of its block group fails its checksum"
ENCRYPTED = "it is encrypted: its bytes can be copied but not understood"
INLINE_DAMAGED = "what its inode keeps of its content is damaged"

_KINDS: dict[int, Kind] = {Mode.FILE: Kind.FILE, Mode.FOLDER: Kind.FOLDER, Mode.LINK: Kind.LINK}


def kind_of_mode(bits: int) -> Kind:
    """The kind of entry for the kind bits of a mode."""
    return _KINDS.get(bits, Kind.OTHER)


@dataclass(frozen=True, slots=True)
class Description:
    """What is believed of a file. `usable` is False when its inode is not to be used at all: `kind` is then
    only what the folder says and `size` 0."""

    usable: bool
    kind: Kind
    size: int
    proof: Proof
    problems: tuple[str, ...]


class Prover:
    """Judges descriptions on one volume."""

    def __init__(self, groups: Groups, bitmaps: Bitmaps, volume_bytes: int) -> None:
        self.groups = groups
        self.superblock = groups.superblock
        self.bitmaps = bitmaps
        self.volume_bytes = volume_bytes

    def prefetch(self, inodes: Iterable[Inode], maps: dict[int, BlockMap]) -> None:
        """Fetches the bitmaps that judging these inodes takes, if it takes any."""
        one = self.superblock
        if one.has_checksums:
            return
        groups = set()
        for inode in inodes:
            groups.add((inode.number - 1) // one.inodes_per_group)
            for run in maps[inode.number].runs:
                groups.update(
                    range(one.group_of(run.physical), one.group_of(run.physical + run.length - 1) + 1)
                )
        self.bitmaps.prefetch(groups)

    def describe(self, inode: Inode, found: BlockMap, expected: Kind | None) -> Description:
        """What to believe of an inode.

        Args:
            inode, found: the inode and its map.
            expected: the kind that the folder says it is; None if nothing says so.
        """
        if not inode.readable:
            return _unusable(expected, inode.fault)
        problems = list(found.problems)
        kind = kind_of_mode(inode.kind_bits) if inode.kind_bits in KNOWN_KINDS else None
        if not inode.holds:
            problems.insert(0, BAD_CHECKSUM)
            if (expected is not None and kind is not expected) or not self._is_coherent(inode, found):
                return _unusable(expected or kind, BAD_CHECKSUM)
        if kind is None:
            return _unusable(expected, EMPTY)
        if expected is not None and kind is not expected:
            if not self.superblock.has_checksums or Kind.FOLDER in (kind, expected):
                return _unusable(expected, ANOTHER_KIND)  # the name means something else
            problems.append(ANOTHER_KIND)
        if inode.older:
            problems.append(OLDER)
        if inode.links == 0 or inode.deleted_at:
            problems.append(DELETED)
        if inode.flags & InodeFlag.ENCRYPTED:
            problems.append(ENCRYPTED)
        size, clipped = self._believed_size(inode, found)
        if clipped:
            problems.append(clipped)
        if inode.is_inline and kind is not Kind.FOLDER:
            held = inline_content(inode)
            if held is None or len(held) < size:
                problems.append(INLINE_DAMAGED)
        proof = self._proof(inode, found, problems)
        return Description(
            True, kind, size, Proof.NONE if problems else proof, tuple(dict.fromkeys(problems))
        )

    def _proof(self, inode: Inode, found: BlockMap, problems: list[str]) -> Proof:
        """The proof that holds if `problems` stays empty; adds to it what is found wrong."""
        one = self.superblock
        if one.has_checksums:
            if not one.proven:
                problems.append(BAD_SUPERBLOCK)
            if not self.groups.proven[(inode.number - 1) // one.inodes_per_group]:
                problems.append(BAD_GROUP)
            if found.checked:
                return Proof.CHECKSUM
        problems += self._disagreements(inode, found)
        return Proof.STRUCTURE

    def _disagreements(self, inode: Inode, found: BlockMap) -> list[str]:
        """What the bitmaps and the inode's count of blocks say against a file."""
        wrong = []
        in_use = self.bitmaps.inode_in_use(inode.number)
        if in_use is None:
            wrong.append(NO_BITMAP)
        elif not in_use:
            wrong.append(FREE_INODE)
        ranges = [(run.physical, run.length) for run in found.runs] + [(node, 1) for node in found.nodes]
        answers = {self.bitmaps.blocks_in_use(first, count) for first, count in ranges}
        if False in answers:
            wrong.append(FREE_BLOCKS)
        if None in answers and NO_BITMAP not in wrong:
            wrong.append(NO_BITMAP)
        taken = self._taken_bytes(inode, found)
        if taken != inode.stored_bytes and not found.lost:
            wrong.append(f"its inode counts {inode.stored_bytes} bytes on disk, but its map leads to {taken}")
        return wrong

    def _taken_bytes(self, inode: Inode, found: BlockMap) -> int:
        """How many bytes on disk the map, and the block of extended attributes, take in whole clusters."""
        one = self.superblock
        extra = int(inode.xattr_block != 0)
        if one.cluster_blocks == 1:
            blocks = sum(run.length for run in found.runs) + len(found.nodes) + extra
            return blocks * one.block_bytes
        size = one.cluster_blocks
        ranges = [(run.physical, run.length) for run in found.runs] + [(node, 1) for node in found.nodes]
        clusters, reached = extra, -1
        for first, count in sorted(ranges):
            lead, tail = first // size, (first + count - 1) // size
            clusters += max(0, tail - max(lead, reached + 1) + 1)
            reached = max(reached, tail)
        return clusters * size * one.block_bytes

    def _is_coherent(self, inode: Inode, found: BlockMap) -> bool:
        """Whether an inode whose checksum fails still makes sense throughout, so that its content is worth
        giving, unproven: random damage does not pass this."""
        if found.problems or not inode.is_in_use:
            return False
        size, _ = self._believed_size(inode, found)
        has_blocks = bool(found.runs or found.nodes)
        return self._taken_bytes(inode, found) == inode.stored_bytes and (size > 0) == (
            has_blocks or inode.is_inline or inode.is_fast_link
        )

    def _believed_size(self, inode: Inode, found: BlockMap) -> tuple[int, str]:
        """The size to believe, and a sentence if that is not what the inode says.

        A size beyond what the map can address is wrong. One larger than the whole volume and beyond the
        last mapped block can be a sparse file, but only a checksum could prove it.
        """
        one = self.superblock
        if inode.kind_bits not in (Mode.FILE, Mode.FOLDER, Mode.LINK):
            return 0, ""
        if inode.size <= self.volume_bytes:
            return inode.size, ""
        mapped = found.end() * one.block_bytes
        proven = one.has_checksums and inode.holds
        too_large = inode.size > _largest_file(one.block_bytes, inode.has_extents)
        if too_large or (not proven and inode.size > mapped):
            return mapped, (
                f"its inode gives a size of {inode.size} bytes, which nothing bears out; "
                f"the {mapped} bytes that are mapped were taken"
            )
        return inode.size, ""


def _largest_file(block_bytes: int, has_extents: bool) -> int:
    per_block = block_bytes // 4
    blocks = 1 << 32 if has_extents else 12 + per_block + per_block**2 + per_block**3
    return blocks * block_bytes


def _unusable(kind: Kind | None, problem: str) -> Description:
    return Description(False, kind or Kind.FILE, 0, Proof.NONE, (problem,))
