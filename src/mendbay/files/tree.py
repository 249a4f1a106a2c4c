"""What a file system holds, in the words every reader and every later stage shares.

A reader gives `Entry` records (what the directory and the inode say, and what is wrong with them) and
the layout of each file's bytes on the volume. Names are raw bytes, exactly as stored, and are hostile:
nothing here turns them into paths of this machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet

NOT_READ_YET = "has not been read yet"
"""Stands in a problem that reading on may mend: unread is told apart from refused to the last report."""


class Kind(StrEnum):
    """What an entry is."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    """A symbolic link: its target is kept as text and never followed."""
    OTHER = "other"
    """A device node, socket or pipe: listed, never made."""


class Proof(StrEnum):
    """How far the description of a file (its inode and the blocks that map it) is proven."""

    CHECKSUM = "checksum"
    """Every metadata checksum on the way to its bytes holds."""
    STRUCTURE = "structure"
    """The file system keeps no checksums, but everything it says about the file agrees."""
    NONE = "none"
    """Something in the description is wrong, missing or not checkable; `problems` says what."""


@dataclass(frozen=True, slots=True)
class Extent:
    """A run of a file's bytes. `volume_start` is None for a run stored as zero without blocks (sparse or
    preallocated), which is as good as read."""

    file_span: Span
    volume_start: int | None

    @property
    def volume_span(self) -> Span | None:
        """Where the run lies on the volume."""
        return None if self.volume_start is None else Span.at(self.volume_start, self.file_span.length)


@dataclass(frozen=True, slots=True)
class Entry:
    """One name in a tree.

    `path` is the raw path from the root without a leading slash, components joined by `/` (a name can
    hold any other byte); the root folder is the empty path. `named` is False for a file found by its
    inode alone. Times are seconds since 1970 (UTC), `changed_at` being the last change of the inode
    itself; 0 if never set. `problems` are sentences a technician can read; an entry with problems is
    still given as far as it can be; `mode` is 0 if its inode cannot be used at all, and only the name and
    kind are then known. `links` is how many names the inode says it has.
    """

    path: bytes
    kind: Kind
    inode: int
    size_bytes: int
    mode: int
    modified_at: int
    changed_at: int
    links: int
    proof: Proof
    named: bool = True
    link_target: bytes | None = None
    problems: tuple[str, ...] = ()

    @property
    def is_described(self) -> bool:
        """Whether an inode that can be used stands behind the name; otherwise size and times mean nothing."""
        return self.mode != 0 or self.proof is not Proof.NONE


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a file's bytes are.

    `extents` are sorted, disjoint and inside the file; `unmapped` are the bytes of the file whose place
    is not known because a mapping block cannot be read or is damaged. Bytes in neither are sparse.
    `inline` holds the content of a file small enough to live in its inode.
    """

    size_bytes: int
    extents: tuple[Extent, ...]
    unmapped: SpanSet
    inline: bytes | None = None
    proof: Proof = Proof.CHECKSUM
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class VolumeFacts:
    """What the file system says of itself. `remarks` are findings worth telling: a copy of the superblock
    had to be used, the journal was not empty, groups whose description fails its checksum."""

    kind: str
    label: str
    uuid: str
    block_bytes: int
    size_bytes: int
    has_checksums: bool
    last_written_at: int
    remarks: tuple[str, ...]


class FileSystem(Protocol):
    """A file system on a volume that may have gaps. No method raises for damage: it shows in the answers."""

    @property
    def facts(self) -> VolumeFacts: ...

    @property
    def source(self) -> Source:
        """What the bytes of files are to be read from: the volume, with what its journal holds newer."""
        ...

    def metadata(self) -> SpanSet:
        """The volume ranges that describe the files: superblock and its descriptors, bitmaps, used inode
        tables, journal, folder blocks and mapping blocks. May read much of them to find the rest."""
        ...

    def allocated(self) -> SpanSet | None:
        """The volume ranges that are in use by the file system's own maps, what it does not know of included;
        None if it keeps none. Reads the maps."""
        ...

    def walk(self, *, nameless: bool = False) -> Iterator[Entry]:
        """Every entry once, folders before what they hold; the root comes first.

        Args:
            nameless: also search the inode tables for files in use that no folder leads to.
        """
        ...

    def find(self, path: bytes) -> Entry | None:
        """The entry that `walk` gives at a path, by its components alone, without a walk.

        Returns:
            None where nothing stands there, no folder leads there, or only a walk can tell what stands there:
            a name on the way may be of another time, stands in its folder twice or leads in a circle.
        """
        ...

    def layout(self, entry: Entry) -> Layout:
        """Where the bytes of a file are. Folders and links have the layout of their own stored bytes."""
        ...
