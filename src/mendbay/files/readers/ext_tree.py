"""The tree of an ext volume, as `mendbay.files.tree.FileSystem` asks for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import NamedTuple, TypeVar

import numpy as np

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_blocks import BlockStore
from mendbay.files.readers.ext_folder import (
    NAME_IS_OLDER,
    PART_IS_OLDER,
    FolderContent,
    Name,
    folder_blocks,
    read_folder,
)
from mendbay.files.readers.ext_groups import Bitmaps, Bools, Groups
from mendbay.files.readers.ext_inode import OLDER, Inode, InodeTables, inline_content
from mendbay.files.readers.ext_layout import (
    KIND_BITS,
    MODE_OF_NAME_TYPE,
    ROOT_INODE,
    SUPERBLOCK_AT,
    SUPERBLOCK_BYTES,
    InodeFlag,
    Mode,
    Rows,
)
from mendbay.files.readers.ext_map import BlockMap, layout_of, map_all, map_one
from mendbay.files.readers.ext_proof import (
    ANOTHER_KIND,
    INLINE_DAMAGED,
    Description,
    Prover,
    kind_of_mode,
)
from mendbay.files.tree import Entry, Extent, Kind, Layout, Proof, VolumeFacts

_T = TypeVar("_T")

BATCH = 2048
"""How many names are looked up together."""
LONGEST_PATH_BYTES = 1 << 16
INODE_BLOCK_AT = 0x28

PATH_IS_DOUBTFUL = "a folder above it is reached by a name that may be of another time"
TWICE = "this folder also stands elsewhere in the tree; it is shown there with what it holds"
TOO_DEEP = "this folder is nested deeper than any real one; what it holds is not shown here"
ABOUT_AGE = frozenset((OLDER, NAME_IS_OLDER, PART_IS_OLDER))
OR_JOURNAL = ", or its newest copy in the journal is lost"
OR_DOUBTED = ", or from sectors that something speaks against: two answers, or no longer what was read"
NO_TARGET = "where this link points to cannot be read"


class _Spot(NamedTuple):
    """A name to look up, with the path it stands for."""

    path: bytes
    name: Name


@dataclass(slots=True)
class _Open:
    """A folder being listed: its path and the names still to come."""

    path: bytes
    names: Iterator[Name]
    doubt: str = ""
    """Why the path of the folder itself may be wrong; then that of everything in it may be."""

    def take(self, count: int) -> list[_Spot]:
        lead = self.path + b"/" if self.path else b""
        return [
            _Spot(
                lead + name.name,
                Name(name.inode, name.kind, name.name, name.doubt or self.doubt) if self.doubt else name,
            )
            for name in islice(self.names, count)
        ]


@dataclass(slots=True)
class _Seen:
    """Which inodes have been met, by group, so that it takes memory only where there are files."""

    per_group: int
    groups: dict[int, bytearray] = field(default_factory=dict)

    def add(self, number: int) -> None:
        group, index = divmod(number, self.per_group)
        self.groups.setdefault(group, bytearray(self.per_group))[index] = 1

    def __contains__(self, number: int) -> bool:
        group, index = divmod(number, self.per_group)
        held = self.groups.get(group)
        return held is not None and held[index] == 1


class ExtFileSystem:
    """An ext2, ext3 or ext4 file system. Made by `open_ext`.

    Args:
        source: the volume, with its journal replayed if it had to be; file content must be read from it.
        groups: where the inodes are.
        facts: what the file system says of itself.
        journal: where on the volume a journal lies that had to be replayed.
        journal_doubts: whether blocks of which the newest copy in the journal is lost count as older.
    """

    def __init__(
        self,
        source: Source,
        groups: Groups,
        facts: VolumeFacts,
        journal: SpanSet,
        journal_doubts: bool = False,
    ) -> None:
        self.source = source
        self.facts = facts
        self._superblock = groups.superblock
        self._groups = groups
        self._journal = journal
        self._journal_doubts = journal_doubts
        self._at_hand: dict[int, Inode] = {}
        has_checksums = groups.superblock.has_checksums
        self._blocks = BlockStore(source, groups.superblock.block_bytes, heed_doubts=not has_checksums)
        self._tables = InodeTables(groups, self._blocks)
        self._prover = Prover(groups, Bitmaps(groups, self._blocks), source.size_bytes)

    def walk(self, *, nameless: bool = False) -> Iterator[Entry]:
        """Every entry once, folders before what they hold, the root first. What no folder leads to comes
        last, if asked for: as `inode-N` in place of a path, with what such a folder holds below it, all of it
        with `named` False."""
        seen = _Seen(self._superblock.inodes_per_group)
        root = Name(ROOT_INODE, _NAME_TYPE[Mode.FOLDER], b"")
        yield from self._tree([_Spot(b"", root)], seen, named=True)
        if nameless:
            yield from self._nameless(seen)

    def find(self, path: bytes) -> Entry | None:
        """The entry at a path, where every folder on the way is reached by one sound name; else None."""
        names = path.split(b"/") if path else []
        if len(path) > LONGEST_PATH_BYTES:
            return None
        name, at, met = Name(ROOT_INODE, _NAME_TYPE[Mode.FOLDER], b""), b"", {ROOT_INODE}
        for wanted in names:
            found = self._named_in(name, wanted)
            if found is None or found.inode in met:
                return None
            name, at = found, at + b"/" + wanted if at else wanted
            met.add(found.inode)
        seen = _Seen(self._superblock.inodes_per_group)
        return next(self._entries([_Spot(at, name)], seen, [], [], named=True))

    def _named_in(self, folder: Name, wanted: bytes) -> Name | None:
        """The one entry of this name in a folder; None if it is not sure that it is the one."""
        inode = self._tables.load([folder.inode])[folder.inode]
        found = map_one(self._superblock, self._blocks, inode)
        told = self._prover.describe(inode, found, _kind_of_name(folder))
        if folder.doubt or not told.usable or told.kind is not Kind.FOLDER or self._doubt_below(told):
            return None
        content = read_folder(self._superblock, self._blocks, inode, found)
        same = [one for one in content.names if one.name == wanted]
        return same[0] if len(same) == 1 else None

    def _tree(self, roots: list[_Spot], seen: _Seen, *, named: bool) -> Iterator[Entry]:
        """These and everything below them; a list of open folders stands in for recursion."""
        going: list[_Open] = []
        doubtful: list[_Spot] = []
        for some in _batches(roots):
            yield from self._entries(some, seen, going, doubtful, named)
            yield from self._below(going, seen, doubtful, named)
        while doubtful:
            waiting, doubtful = doubtful, []
            for some in _batches(waiting):
                self._enter_doubtful(some, seen, going)
                yield from self._below(going, seen, doubtful, named)

    def _below(self, going: list[_Open], seen: _Seen, doubtful: list[_Spot], named: bool) -> Iterator[Entry]:
        """What the open folders hold, until none is open."""
        while going:
            spots: list[_Spot] = []
            while going and len(spots) < BATCH:
                spots += going[-1].take(BATCH - len(spots))
                if len(spots) < BATCH:
                    going.pop()
            yield from self._entries(spots, seen, going, doubtful, named)

    def _entries(
        self, spots: list[_Spot], seen: _Seen, going: list[_Open], doubtful: list[_Spot], named: bool
    ) -> Iterator[Entry]:
        """The entries of these names; folders among them are read and put on `going`, or, if the name may
        be of another time and mean another folder, on `doubtful`: sound names come first."""
        inodes = self._tables.load([spot.name.inode for spot in spots])
        maps = map_all(self._superblock, self._blocks, inodes.values())
        self._prover.prefetch(inodes.values(), maps)
        self._blocks.prefetch(self._content_blocks(inodes.values(), maps))
        # whoever asks for the layout of an entry as soon as it is given need not have its inode parsed again
        self._at_hand = {number: inode for number, inode in inodes.items() if inode.readable}
        for spot in spots:
            inode, found = inodes[spot.name.inode], maps[spot.name.inode]
            told = self._prover.describe(inode, found, _kind_of_name(spot.name))
            problems = list(told.problems)
            if spot.name.doubt:
                problems.append(spot.name.doubt)
            target = None
            doubtful_folder = told.usable and told.kind is Kind.FOLDER and spot.name.doubt != ""
            if doubtful_folder:
                doubtful.append(spot)
            elif told.usable and told.kind is Kind.FOLDER:
                problems += self._enter(spot, inode, found, seen, going, self._doubt_below(told))
            elif told.usable and told.kind is Kind.LINK:
                target = self._target(inode, found, told.size)
                if target is None:
                    problems.append(NO_TARGET)
            if not doubtful_folder and ANOTHER_KIND not in told.problems:
                seen.add(inode.number)
            yield Entry(
                path=spot.path,
                kind=told.kind,
                inode=inode.number,
                size_bytes=told.size,
                mode=inode.mode if told.usable else 0,
                modified_at=inode.modified_at if told.usable else 0,
                changed_at=inode.changed_at if told.usable else 0,
                links=inode.links if told.usable else 0,
                proof=Proof.NONE if problems else told.proof,
                named=named,
                link_target=target,
                problems=self._worded(problems),
            )

    def _worded(self, problems: Iterable[str]) -> tuple[str, ...]:
        """The problems, where more can be meant with the other reasons for which bytes count as older."""
        more = OR_JOURNAL * self._journal_doubts + OR_DOUBTED * self._blocks.met_doubts
        return tuple(one + more if one in ABOUT_AGE else one for one in problems)

    def _enter_doubtful(self, spots: list[_Spot], seen: _Seen, going: list[_Open]) -> None:
        """Reads folders that only a doubtful name leads to; whatever they hold shares the doubt."""
        inodes = self._tables.load([spot.name.inode for spot in spots])
        maps = map_all(self._superblock, self._blocks, inodes.values())
        for spot in spots:
            inode = inodes[spot.name.inode]
            if inode.number not in seen:
                self._enter(spot, inode, maps[inode.number], seen, going, PATH_IS_DOUBTFUL)
                seen.add(inode.number)

    def _doubt_below(self, told: Description) -> str:
        """Why the names in a folder may be of another time although their blocks are not: where nothing ties
        a block to its folder, an older list of blocks can lead to those of another one."""
        return PATH_IS_DOUBTFUL if OLDER in told.problems and not self._superblock.has_checksums else ""

    def _enter(
        self,
        spot: _Spot,
        inode: Inode,
        found: BlockMap,
        seen: _Seen,
        going: list[_Open],
        doubt: str,
    ) -> list[str]:
        """Reads a folder and puts it on `going`; returns what is wrong with it."""
        if inode.number in seen:
            return [TWICE]
        if len(spot.path) > LONGEST_PATH_BYTES:
            return [TOO_DEEP]
        content = read_folder(self._superblock, self._blocks, inode, found)
        if content.names:
            going.append(_Open(spot.path, iter(content.names), doubt))
        return content.problems(inode.size)

    def _content_blocks(self, inodes: Iterable[Inode], maps: dict[int, BlockMap]) -> list[int]:
        """The blocks of small folders and of links, which are about to be read."""
        wanted: list[int] = []
        for inode in inodes:
            if inode.is_folder or (inode.kind_bits == Mode.LINK and not inode.is_fast_link):
                size = min(inode.size, 64 * self._superblock.block_bytes)
                wanted += folder_blocks(self._superblock, size, maps[inode.number])
        return wanted

    def _target(self, inode: Inode, found: BlockMap, size: int) -> bytes | None:
        """What a link points to, as stored; None if it cannot be had."""
        if inode.is_fast_link:
            return inode.block[:size]
        if inode.is_inline:
            held = inline_content(inode)
            return None if held is None or len(held) < size else held[:size]
        first = found.runs[0] if found.runs else None
        if first is None or first.logical != 0 or not 0 < size <= self._superblock.block_bytes:
            return None
        block = self._blocks.block(first.physical)
        return None if any(start < size for start, _ in block.missing) else block.data[:size]

    def _nameless(self, seen: _Seen) -> Iterator[Entry]:
        """What the inode tables hold that the walk has not met."""
        folders = [
            inode
            for inodes in self._tables.scan(_folders_in_use)
            for inode in inodes
            if inode.number not in seen and self._counts(inode)
        ]
        if folders:
            inner = self._named_by(folders)
            tops = [inode for inode in folders if inode.number not in inner]
            yield from self._tree([_nameless_spot(inode) for inode in tops], seen, named=False)
            for inode in folders:
                # Only folders that hold each other in a circle are left.
                if inode.number not in seen:
                    yield from self._tree([_nameless_spot(inode)], seen, named=False)
        for inodes in self._tables.scan(_in_use):
            left = [inode for inode in inodes if inode.number not in seen and self._counts(inode)]
            for some in _batches(left):
                yield from self._usable_only(some, seen)

    def _usable_only(self, inodes: Iterable[Inode], seen: _Seen) -> Iterator[Entry]:
        spots = [_nameless_spot(inode) for inode in inodes]
        for entry in self._entries(spots, seen, [], [], named=False):
            if entry.links:
                yield entry

    def _counts(self, inode: Inode) -> bool:
        """Whether an inode can be a person's file: not one the file system keeps for itself."""
        one = self._superblock
        own = inode.number < one.first_inode and inode.number != ROOT_INODE
        return not (own or inode.number in one.hidden_inodes or inode.flags & InodeFlag.XATTR_VALUE)

    def _named_by(self, folders: list[Inode]) -> set[int]:
        """The inodes among `folders` that another one of them names."""
        own = {inode.number for inode in folders}
        named: set[int] = set()
        for some in _batches(folders):
            for inode, content in self._contents(some):
                named.update(
                    name.inode for name in content.names if name.inode in own and name.inode != inode.number
                )
        return named

    def _contents(self, folders: Iterable[Inode]) -> Iterator[tuple[Inode, FolderContent]]:
        some = list(folders)
        maps = map_all(self._superblock, self._blocks, some)
        self._blocks.prefetch(self._content_blocks(some, maps))
        for inode in some:
            if self._prover.describe(inode, maps[inode.number], None).usable:
                yield inode, read_folder(self._superblock, self._blocks, inode, maps[inode.number])

    def layout(self, entry: Entry) -> Layout:
        """Where the bytes of an entry lie on `source`. Folders and links have that of their stored bytes."""
        inode = self._inode(entry.inode)
        found = map_one(self._superblock, self._blocks, inode)
        told = self._prover.describe(inode, found, entry.kind)
        told = replace(told, problems=self._worded(told.problems))
        if not told.usable or told.kind is Kind.OTHER:
            return _inside(None, told)
        if inode.is_fast_link:
            return _inside(inode.block[: told.size], told)
        if inode.is_inline:
            return self._inline_layout(inode, told)
        return layout_of(self._superblock, told.size, found, told.proof, told.problems)

    def _inode(self, number: int) -> Inode:
        """One inode. The others of its block are parsed with it, which costs no read: files are asked for
        in about the order of their inodes."""
        if number not in self._at_hand:
            one = self._superblock
            per_block = one.block_bytes // one.inode_bytes
            first = number - (number - 1) % one.inodes_per_group % per_block
            if len(self._at_hand) > BATCH:
                self._at_hand.clear()
            self._at_hand |= self._tables.load(range(first, first + per_block))
        return self._at_hand[number]

    def _inline_layout(self, inode: Inode, told: Description) -> Layout:
        held = inline_content(inode)
        if held is not None and len(held) >= told.size:
            return _inside(held[: told.size], told)
        size = max(told.size, len(inode.block))
        place = int(self._groups.inode_places(np.array([inode.number]))[0])
        kept = Span(0, len(inode.block))
        return Layout(
            size,
            (Extent(kept, place + INODE_BLOCK_AT),),
            SpanSet((Span(kept.stop, size),)),
            proof=Proof.NONE,
            problems=tuple(dict.fromkeys((*told.problems, INLINE_DAMAGED))),
        )

    def metadata(self) -> SpanSet:
        """The ranges of the volume that describe the files. Reads all inode tables, and every mapping block
        that leads to another."""
        one, groups = self._superblock, self._groups
        size = one.block_bytes
        usable = groups.usable
        numbers = np.concatenate(
            (
                np.array(sorted(groups.table_blocks), np.int64),
                groups.block_bitmap[usable & ~groups.blocks_unused],
                groups.inode_bitmap[usable & ~groups.inodes_unused],
            )
        )
        found = SpanSet.from_bounds(numbers * size, (numbers + 1) * size)
        found |= SpanSet((Span.at(SUPERBLOCK_AT, SUPERBLOCK_BYTES),))
        found |= self._tables.used_spans() | self._journal
        waiting: list[Inode] = []
        for inodes in self._tables.scan(_mapped_outside):
            waiting += inodes
            if len(waiting) >= BATCH:
                found |= self._described_by(waiting)
                waiting = []
        found |= self._described_by(waiting)
        return found.clip(Span(0, self.source.size_bytes))

    def allocated(self) -> SpanSet:
        """The ranges of the volume in use, by the block bitmaps; where one is not to be had all counts as
        used, and so does what the file system cannot speak of."""
        one = self._superblock
        beyond = Span(one.blocks_count * one.block_bytes, self.source.size_bytes)
        found = Bitmaps(self._groups, self._blocks).used()
        if beyond.start < beyond.stop:
            found |= SpanSet((beyond,))
        return found.clip(Span(0, self.source.size_bytes))

    def _described_by(self, inodes: list[Inode]) -> SpanSet:
        """The mapping blocks of these inodes, and the content of the folders and links among them."""
        one = self._superblock
        maps = map_all(one, self._blocks, inodes)
        numbers: list[int] = []
        for inode in inodes:
            found = maps[inode.number]
            if not self._prover.describe(inode, found, None).usable:
                continue
            numbers += found.nodes
            if inode.kind_bits != Mode.FILE:
                numbers += folder_blocks(one, inode.size, found)
        starts = np.array(numbers, np.int64) * one.block_bytes
        return SpanSet.from_bounds(starts, starts + one.block_bytes)


def _inside(content: bytes | None, told: Description) -> Layout:
    """The layout of a file whose inode holds its content; of one that has none, for None."""
    return Layout(len(content or b""), (), SpanSet(), content, proof=told.proof, problems=told.problems)


def _batches(whole: list[_T]) -> Iterator[list[_T]]:
    for start in range(0, len(whole), BATCH):
        yield whole[start : start + BATCH]


def _nameless_spot(inode: Inode) -> _Spot:
    return _Spot(b"inode-%d" % inode.number, Name(inode.number, 0, b""))


def _kind_of_name(name: Name) -> Kind | None:
    mode = MODE_OF_NAME_TYPE.get(name.kind)
    return None if mode is None else kind_of_mode(mode)


_NAME_TYPE = {mode: kind for kind, mode in MODE_OF_NAME_TYPE.items()}


def _in_use(rows: Rows) -> Bools:
    kinds = rows["mode"] & KIND_BITS
    known = np.isin(kinds, [int(mode) for mode in Mode])
    return known & (rows["links"] > 0) & (rows["deleted_at"] == 0)  # type: ignore[no-any-return]


def _folders_in_use(rows: Rows) -> Bools:
    return _in_use(rows) & (rows["mode"] & KIND_BITS == Mode.FOLDER)  # type: ignore[no-any-return]


def _mapped_outside(rows: Rows) -> Bools:
    """Folders, links, and files whose map does not fit into the inode."""
    kinds = rows["mode"] & KIND_BITS
    block = np.ascontiguousarray(rows["block"])
    levels = block.view("<u2").reshape(-1, 30)[:, 3]
    indirect = block.view("<u4").reshape(-1, 15)[:, 12:].any(axis=1)
    has_extents = (rows["flags"] & InodeFlag.EXTENTS) != 0
    mapped = (kinds == Mode.FILE) & np.where(has_extents, levels > 0, indirect)
    return _in_use(rows) & ((kinds == Mode.FOLDER) | (kinds == Mode.LINK) | mapped)  # type: ignore[no-any-return]
