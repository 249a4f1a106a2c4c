"""Build a catalogue's columns from entries as a walk gives them.

What stands in a folder is in natural order: folders first, digits by their number, upper and lower case
alike, then by raw bytes. Two folders of one name in one folder cannot be told apart by the paths below them:
what they hold stands below the first.
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from mendbay.core.source import Lack
from mendbay.files.catalogue_names import fold_all, odd_letters
from mendbay.files.catalogue_rows import (
    FILE,
    FOLDER,
    KINDS,
    MOST_ROWS,
    SUMS,
    VERDICTS,
    Columns,
    Flag,
    Longs,
    children_of,
)
from mendbay.files.tree import Entry
from mendbay.files.verdict import Judgement, Verdict

MOST = (1 << 62) - 1
"""Larger sizes and times than any that is one are kept as this, so that sums stay numbers."""
DEEPEST = (1 << 16) - 1
_PROBLEMS, _NAMELESS, _GATHERED = int(Flag.PROBLEMS), int(Flag.NAMELESS), int(Flag.GATHERED)
_DIGITS = re.compile(rb"[0-9]+")
_CODE_OF_KIND = {kind: code for code, kind in enumerate(KINDS)}
_CODE_OF_VERDICT: dict[Verdict | None, int] = {one: code for code, one in enumerate(VERDICTS)}


class CatalogueBuilder:
    """Takes entries one by one, folders before what they hold, and makes the columns in the end."""

    def __init__(self) -> None:
        self._names: list[bytes] = []
        self._parent = array("i")
        self._depth = array("H")
        self._kind = array("B")
        self._size = array("q")
        self._changed = array("q")
        self._verdict = array("B")
        self._missing = array("q")
        self._flags = array("B")
        self._inode = array("q")
        self._folders: dict[bytes, int] = {}
        self._nameless_folders: dict[bytes, int] = {}
        self._nameless = -1
        self._folders[b""] = self._row(-1, b"", FOLDER, _GATHERED)

    def __len__(self) -> int:
        return len(self._names)

    def add(self, entry: Entry, judgement: Judgement | None) -> None:
        """Adds an entry; a file with its judgement. The root may be among them or not."""
        flags = _flags(entry, judgement)
        kind = _CODE_OF_KIND[entry.kind]
        if not entry.path:
            row = 0
            self._flags[0] = flags
        else:
            above, _, name = entry.path.rpartition(b"/")
            row = self._row(self._folder(above, entry.named), name, kind, flags)
            if kind == FOLDER:
                self._of(entry.named).setdefault(entry.path, row)
        known = entry.is_described
        self._size[row] = min(max(entry.size_bytes, 0), MOST) if known else -1
        self._changed[row] = min(max(entry.modified_at, -MOST), MOST) if known else 0
        self._inode[row] = min(max(entry.inode, 0), MOST)
        if kind == FILE:
            verdict = judgement.verdict if judgement is not None else Verdict.UNPROVEN
            self._verdict[row] = _CODE_OF_VERDICT[verdict]
            if judgement is not None and judgement.gaps:
                self._missing[row] = min(sum(gap.span.length for gap in judgement.gaps), MOST)

    def _of(self, named: bool) -> dict[bytes, int]:
        return self._folders if named else self._nameless_folders

    def _folder(self, path: bytes, named: bool) -> int:
        """The row of a folder; one that no entry told of is made, with those above it."""
        folders = self._of(named)
        row = folders.get(path)
        if row is not None:
            return row
        gathered = _GATHERED
        if not named:
            gathered |= _NAMELESS
            if self._nameless < 0:
                self._nameless = self._row(0, b"", FOLDER, gathered)
                self._nameless_folders[b""] = self._nameless
            if not path:
                return self._nameless
        missing = []
        while path not in folders:
            missing.append(path)
            path = path.rpartition(b"/")[0]
        row = folders[path]
        for one in reversed(missing):
            row = folders[one] = self._row(row, one.rpartition(b"/")[2], FOLDER, gathered)
        return row

    def _row(self, parent: int, name: bytes, kind: int, flags: int) -> int:
        row = len(self._names)
        if row >= MOST_ROWS:
            raise OverflowError("more entries than a catalogue numbers")
        self._names.append(name)
        self._parent.append(parent)
        self._depth.append(min(self._depth[parent] + 1, DEEPEST) if parent >= 0 else 0)
        self._kind.append(kind)
        self._size.append(-1 if flags & _GATHERED else 0)
        self._changed.append(0)
        self._verdict.append(0)
        self._missing.append(0)
        self._flags.append(flags)
        self._inode.append(0)
        return row

    def columns(self) -> Columns:
        """What was added so far, as columns in the order of the tree."""
        parent = np.array(self._parent, np.int32)
        kind = np.array(self._kind, np.uint8)
        depth = np.array(self._depth, np.uint16)
        folds = fold_all(self._names)
        group = (kind != FOLDER).astype(np.uint8)
        if self._nameless >= 0:
            group[self._nameless] = 2  # what no folder leads to stands behind everything else
        number, sizes = _numbers(parent, group, depth, _ranks(self._names, folds))
        order = np.empty(len(number), np.int32)
        order[number] = np.arange(len(number), dtype=np.int32)  # the row that each number comes from
        flags = np.array(self._flags, np.uint8)[order]
        parent = np.where(parent[order] < 0, -1, number[parent[order]]).astype(np.int32)
        names = [self._names[one] for one in order.tolist()]
        folds = [folds[one] for one in order.tolist()]
        flags[odd_letters(names, folds)] |= int(Flag.ODD_LETTERS)
        size = np.array(self._size, np.int64)[order]
        verdict = np.array(self._verdict, np.uint8)[order]
        missing = np.array(self._missing, np.int64)[order]
        kind = kind[order]
        last = (np.arange(len(order)) + sizes[order] - 1).astype(np.int32)
        folders = np.flatnonzero(kind == FOLDER).astype(np.int32)
        return Columns(
            parent=parent,
            last=last,
            depth=depth[order],
            kind=kind,
            size=size,
            changed=np.array(self._changed, np.int64)[order],
            verdict=verdict,
            missing=missing,
            flags=flags,
            inode=np.array(self._inode, np.int64)[order],
            names=np.frombuffer(b"".join(names), np.uint8),
            name_at=_offsets(np.fromiter(map(len, names), np.int64, len(names))),
            folded=np.frombuffer(b"\0".join(folds) + b"\0", np.uint8),
            folded_at=_offsets(np.fromiter(map(len, folds), np.int64, len(folds)) + 1),
            children=children_of(parent),
            child_at=_offsets(np.bincount(parent[1:], minlength=len(parent))).astype(np.int32),
            folders=folders,
            folder_sums=sums_of_ranges(
                folders, last[folders], kind=kind, size=size, verdict=verdict, missing=missing
            ),
        )


def _flags(entry: Entry, judgement: Judgement | None) -> int:
    found = _PROBLEMS if entry.problems else 0
    if not entry.named:
        found |= _NAMELESS
    if judgement is not None:
        if judgement.older:
            found |= int(Flag.MAY_BE_OLDER)
        if judgement.doubts:
            found |= int(Flag.IN_DOUBT)
        if judgement.other_half:
            found |= int(Flag.OTHER_HALF)
        if judgement.gaps and any(gap.why is Lack.UNREAD for gap in judgement.gaps):
            found |= int(Flag.NOT_ASKED)
    return found


def natural_key(folded: bytes) -> bytes:
    """Bytes by which folded names sort with the numbers in them as numbers."""
    return _DIGITS.sub(_number_key, folded)


@lru_cache(1 << 16)
def _key_of_digits(digits: bytes) -> bytes:
    digits = digits.lstrip(b"0")
    return b"0" + len(digits).to_bytes(4, "big") + digits


def _number_key(found: re.Match[bytes]) -> bytes:
    return _key_of_digits(found.group())


def _ranks(names: Sequence[bytes], folds: Sequence[bytes]) -> NDArray[np.int32]:
    """The place of each name among all, in natural order; of equal ones the first comes first."""
    keys = [natural_key(one) + b"\0" + name for one, name in zip(folds, names, strict=True)]
    ranks = np.empty(len(names), np.int32)
    ranks[sorted(range(len(names)), key=keys.__getitem__)] = np.arange(len(names), dtype=np.int32)
    return ranks


def _numbers(
    parent: NDArray[np.int32],
    group: NDArray[np.uint8],
    depth: NDArray[np.uint16],
    ranks: NDArray[np.int32],
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """For each row its number in pre-order, and how many rows its range has, its own included. In a folder
    rows stand by `group`, then by rank. Level by level: first the lengths from the bottom up, then the places
    from the top down."""
    count = len(parent)
    by_depth = np.argsort(depth, kind="stable")
    levels = np.split(by_depth, np.flatnonzero(np.diff(depth[by_depth])) + 1)
    sizes = np.ones(count, np.int32)
    for level in reversed(levels[1:]):
        np.add.at(sizes, parent[level], sizes[level])
    order = np.lexsort((ranks, group, parent))  # the root, then each folder's rows together
    lengths = sizes[order].astype(np.int64)
    before = np.cumsum(lengths) - lengths
    above = parent[order]
    begins = np.flatnonzero(np.diff(above, prepend=-2))
    before -= np.repeat(before[begins], np.diff(begins, append=count))
    offset = np.empty(count, np.int64)
    offset[order] = before
    number = np.zeros(count, np.int64)
    for level in levels[1:]:
        number[level] = number[parent[level]] + 1 + offset[level]
    return number.astype(np.int32), sizes


def sums_of_ranges(
    first: NDArray[np.integer],
    last: NDArray[np.integer],
    *,
    kind: NDArray[np.uint8],
    size: Longs,
    verdict: NDArray[np.uint8],
    missing: Longs,
) -> Longs:
    """For each range of rows (both ends included): files by verdict, their bytes by verdict, missing bytes.
    Sizes that are not known count as none."""
    found = np.zeros((len(first), SUMS), np.int64)
    stop = last.astype(np.int64) + 1
    files = kind == FILE
    for code in range(1, len(VERDICTS)):
        these = files & (verdict == code)
        found[:, code - 1] = _range_sums(these.astype(np.int64), first, stop)
        found[:, code + 3] = _range_sums(np.where(these, np.maximum(size, 0), 0), first, stop)
    found[:, SUMS - 1] = _range_sums(np.where(files, missing, 0), first, stop)
    return found


def _range_sums(values: Longs, first: NDArray[np.integer], stop: Longs) -> Longs:
    """Sums of ranges, in two halves of 31 bits each, so that a size that is no size does not run over."""
    low = np.concatenate((np.zeros(1, np.int64), np.cumsum(values & 0x7FFFFFFF)))
    high = np.concatenate((np.zeros(1, np.int64), np.cumsum(values >> 31)))
    lows, highs = low[stop] - low[first], high[stop] - high[first]
    highs += lows >> 31
    return np.where(highs > MOST >> 31, MOST, (highs << 31) | (lows & 0x7FFFFFFF))


def _offsets(lengths: Longs) -> Longs:
    return np.concatenate((np.zeros(1, np.int64), np.cumsum(lengths)))
