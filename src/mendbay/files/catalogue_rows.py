"""The columns of a catalogue: every entry of a volume as one row, in the order of the tree.

Rows are in pre-order: a folder stands before what it holds, and everything below it follows as one range.
Row 0 is the root. Names are raw bytes as the drive has them, beside a folded form that is searched.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict

Numbers = NDArray[np.int32]
"""Row numbers, rising."""
Longs = NDArray[np.int64]
Bytes = NDArray[np.uint8]

KINDS = (Kind.FILE, Kind.FOLDER, Kind.LINK, Kind.OTHER)
"""A kind's place here is its code."""
VERDICTS = (None, Verdict.WHOLE, Verdict.HOLED, Verdict.LOST, Verdict.UNPROVEN)
"""A verdict's place here is its code; 0 for what is no file."""
FILE, FOLDER = 0, 1
SUMS = 9
"""Columns of `folder_sums`: files and then bytes, each by the verdicts in order, and missing bytes."""
MOST_ROWS = (1 << 31) - 2


class Flag(IntFlag):
    """What is worth knowing of an entry beside its verdict."""

    PROBLEMS = 1
    """Something is wrong with it; its own page says what."""
    MAY_BE_OLDER = 2
    """Bytes come from a half that fell behind and are not proven current."""
    IN_DOUBT = 4
    """Something speaks against some of its bytes."""
    NAMELESS = 8
    """No folder of the tree leads to it."""
    GATHERED = 16
    """No entry of the drive: the folder that holds the nameless ones, or one that only paths tell of."""
    NOT_ASKED = 32
    """Bytes of it have not been asked for yet."""
    OTHER_HALF = 64
    """Bytes come from the other half of a mirror."""
    ODD_LETTERS = 128
    """A letter of its name that is not ASCII folds to one that is; for the search alone."""


class Unsound(ValueError):
    """Columns that do not make a tree: a damaged cache."""


@dataclass(frozen=True)
class Columns:
    """All columns, `n` being the number of rows.

    Args:
        parent: row of the folder above; -1 for the root.
        last: row of the last entry below; its own if there is none.
        depth: how many folders stand above, the root being 0.
        kind, verdict: codes, places in `KINDS` and `VERDICTS`.
        size: bytes; -1 if not known.
        changed: when its content was last changed, in seconds since 1970; 0 if not known.
        missing: bytes of it that are not there.
        flags: of `Flag`.
        inode: its number on the volume; 0 for gathered folders.
        names, name_at: raw names one after the other; that of row `i` is `names[name_at[i]:name_at[i + 1]]`.
        folded, folded_at: the same of the folded names, each followed by a NUL that no folded name holds.
        children, child_at: rows by the folder they stand in: those of row `i` are
            `children[child_at[i]:child_at[i + 1]]`, rising.
        folders, folder_sums: rows that are folders, rising, and for each what is below it (`SUMS`).
    """

    parent: NDArray[np.int32]
    last: NDArray[np.int32]
    depth: NDArray[np.uint16]
    kind: Bytes
    size: Longs
    changed: Longs
    verdict: Bytes
    missing: Longs
    flags: Bytes
    inode: Longs
    names: Bytes
    name_at: Longs
    folded: Bytes
    folded_at: Longs
    children: NDArray[np.int32]
    child_at: NDArray[np.int32]
    folders: NDArray[np.int32]
    folder_sums: Longs

    @property
    def count(self) -> int:
        """How many rows there are, the root included."""
        return len(self.parent)

    @property
    def entries(self) -> int:
        """How many rows are entries of the drive other than its root."""
        gathered = (self.flags[1:] & int(Flag.GATHERED)) != 0
        return self.count - 1 - int(np.count_nonzero(gathered))

    def name(self, row: int) -> bytes:
        """The raw name of a row."""
        return self.names[int(self.name_at[row]) : int(self.name_at[row + 1])].tobytes()

    def as_mapping(self) -> Mapping[str, NDArray[np.generic]]:
        """The columns by name."""
        return {one.name: getattr(self, one.name) for one in fields(self)}


DTYPES: Mapping[str, np.dtype[np.generic]] = {
    "parent": np.dtype(np.int32),
    "last": np.dtype(np.int32),
    "depth": np.dtype(np.uint16),
    "kind": np.dtype(np.uint8),
    "size": np.dtype(np.int64),
    "changed": np.dtype(np.int64),
    "verdict": np.dtype(np.uint8),
    "missing": np.dtype(np.int64),
    "flags": np.dtype(np.uint8),
    "inode": np.dtype(np.int64),
    "names": np.dtype(np.uint8),
    "name_at": np.dtype(np.int64),
    "folded": np.dtype(np.uint8),
    "folded_at": np.dtype(np.int64),
    "children": np.dtype(np.int32),
    "child_at": np.dtype(np.int32),
    "folders": np.dtype(np.int32),
    "folder_sums": np.dtype(np.int64),
}
"""The type of every column."""


def require_sound(columns: Columns) -> None:
    """Holds the columns against what every question takes for granted, so that none leaves an array.

    Raises:
        Unsound: a type, a shape, a range or the order of the tree is not what it must be.
    """
    for name, column in columns.as_mapping().items():
        shape_is_right = column.ndim == (2 if name == "folder_sums" else 1)
        _require(column.dtype == DTYPES[name] and shape_is_right, name)
    count = columns.count
    _require(0 < count <= MOST_ROWS, "parent")
    for name in ("last", "depth", "kind", "size", "changed", "verdict", "missing", "flags", "inode"):
        _require(len(getattr(columns, name)) == count, name)
    _require(bool((columns.kind < len(KINDS)).all()), "kind")
    _require(bool((columns.verdict < len(VERDICTS)).all()), "verdict")
    _require(bool(((columns.verdict != 0) == (columns.kind == FILE)).all()), "verdict")
    _require(bool((columns.size >= -1).all()), "size")
    _require(bool((columns.missing >= 0).all()), "missing")
    _require_tree(columns)
    _require_children(columns)
    _require_offsets(columns.name_at, len(columns.names), count, "name_at")
    _require_offsets(columns.folded_at, len(columns.folded), count, "folded_at")
    ends = columns.folded_at[1:] - 1
    _require(bool((np.diff(columns.folded_at) > 0).all()), "folded_at")
    _require(bool((columns.folded[ends] == 0).all()), "folded")
    _require(int(np.count_nonzero(columns.folded == 0)) == count, "folded")
    folders = np.flatnonzero(columns.kind == FOLDER)
    _require(bool(np.array_equal(columns.folders, folders)), "folders")
    _require(columns.folder_sums.shape == (len(folders), SUMS), "folder_sums")
    _require(bool((columns.folder_sums >= 0).all()), "folder_sums")


def _require(holds: bool, column: str) -> None:
    if not holds:
        raise Unsound(column)


def _require_offsets(at: Longs, size: int, count: int, column: str) -> None:
    _require(len(at) == count + 1, column)
    _require(int(at[0]) == 0 and int(at[-1]) == size and bool((np.diff(at) >= 0).all()), column)


def _require_tree(columns: Columns) -> None:
    """Every row stands below its parent, and right after the row before it or what that holds."""
    count, parent, last = columns.count, columns.parent, columns.last
    rows = np.arange(count, dtype=np.int32)
    _require(int(parent[0]) == -1 and int(columns.kind[0]) == FOLDER and int(columns.depth[0]) == 0, "parent")
    below, above = rows[1:], parent[1:]
    _require(bool(((above >= 0) & (above < below)).all()), "parent")
    _require(bool((columns.kind[above] == FOLDER).all()), "parent")
    _require(bool(((last >= rows) & (last < count)).all()) and int(last[0]) == count - 1, "last")
    _require(bool((last[1:] <= last[above]).all()), "last")
    depths = columns.depth.astype(np.int32)
    _require(bool((depths[1:] == depths[above] + 1).all()), "depth")
    # every row lies in the range of each folder above it: ranges that are no longer hold nothing else
    _require(int((last - rows).sum(dtype=np.int64)) == int(depths.sum(dtype=np.int64)), "last")


def _require_children(columns: Columns) -> None:
    count = columns.count
    _require_offsets(columns.child_at.astype(np.int64), len(columns.children), count, "child_at")
    _require(len(columns.children) == count - 1, "children")
    _require(bool(np.array_equal(columns.children, children_of(columns.parent))), "children")
    held = np.bincount(columns.parent[1:], minlength=count)
    _require(bool((np.diff(columns.child_at) == held).all()), "child_at")


def children_of(parent: NDArray[np.int32]) -> NDArray[np.int32]:
    """All rows but the root, by the folder they stand in and then by number."""
    return (np.argsort(parent[1:], kind="stable") + 1).astype(np.int32)
