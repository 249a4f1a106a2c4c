"""A volume's files by the million, to be scrolled, searched and filtered.

A `Catalogue` answers questions about `Columns`: which rows are seen while some folders are open, which
entries match what was typed, what they come to. Every answer is an array of row numbers or a few rows of
it; nothing here goes through all entries one by one.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mendbay.core.errors import UsageError
from mendbay.files.catalogue_build import sums_of_ranges
from mendbay.files.catalogue_names import NameIndex, fold
from mendbay.files.catalogue_rows import (
    FOLDER,
    KINDS,
    VERDICTS,
    Columns,
    Flag,
    Longs,
    Numbers,
)
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.files.wanted import METADATA, matcher, plain_parts

KEPT_RESULTS = 48
"""How many answers are kept: views and searches that pages are still scrolling through, and the words of a
search that is still being typed."""
KEPT_BYTES = 96 << 20
"""What these may hold together; the newest is kept however large it is."""
MOST_WORDS = 32
LONGEST_QUERY = 1000
ROOT = 0
ANY = Flag(0)
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Sums:
    """What files come to: how many and how many bytes of each verdict, and bytes that are not there. Sizes
    that are not known count as none."""

    files: dict[Verdict, int]
    size_bytes: dict[Verdict, int]
    missing_bytes: int

    @property
    def count(self) -> int:
        """Files of any verdict."""
        return sum(self.files.values())

    @property
    def total_bytes(self) -> int:
        """Bytes of files of any verdict."""
        return sum(self.size_bytes.values())


@dataclass(frozen=True, slots=True)
class Row:
    """One entry as a page shows it.

    Args:
        number: by which it is asked for.
        name: raw; empty for the root and for the folder that gathers what no folder leads to.
        depth: 1 for what stands in the root.
        size_bytes: None if not known.
        changed_at: last change of the content, in seconds since 1970; 0 if not known.
        verdict: None for what is no file.
        is_open: what it holds is seen in this view.
        children: how many entries stand directly in it.
        sums: of a folder: the files below it.
    """

    number: int
    name: bytes
    kind: Kind
    depth: int
    size_bytes: int | None
    changed_at: int
    verdict: Verdict | None
    missing_bytes: int
    flags: Flag
    inode: int
    is_open: bool = False
    children: int = 0
    sums: Sums | None = None


@dataclass(frozen=True, slots=True)
class View:
    """Which folders are open. The root always is.

    Args:
        opened: rows of folders whose entries are seen, if they are seen themselves.
        everything: rows of folders that are open with all that is below them.
    """

    opened: frozenset[int] = frozenset()
    everything: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Window:
    """Some of the rows of a view or of a search: `total` of them there are, these from place `first` on."""

    total: int
    first: int
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Query:
    """What is searched for; all of it must hold.

    Args:
        text: words with blanks between them, each in the name of the entry or of a folder above it; upper
            and lower case are one. A word with `*`, `?` or `/` is a pattern as in `files.wanted`.
        verdicts: of files; any entry without one.
        kinds: any without one.
        flags: entries that carry one of them; any without one.
        wanted: patterns of which one must select the entry; None: whether it is wanted does not matter.
    """

    text: str = ""
    verdicts: frozenset[Verdict] = frozenset()
    kinds: frozenset[Kind] = frozenset()
    flags: Flag = ANY
    wanted: tuple[str, ...] | None = None


class Catalogue:
    """Sound columns and what is asked of them. Many threads may ask at once.

    Args:
        columns: held against `require_sound` by whoever opened them.
    """

    def __init__(self, columns: Columns) -> None:
        self.columns = columns
        self._names = NameIndex(columns)
        self._results: OrderedDict[object, Numbers] = OrderedDict()
        self._result_bytes = 0
        self._promised: dict[object, Future[Numbers]] = {}
        """Answers that a thread works out now; others wait for them."""
        self._lock = threading.Lock()

    def __len__(self) -> int:
        """How many entries there are, the root and the gathered folders included."""
        return self.columns.count

    def row(self, number: int, *, is_open: bool = False) -> Row:
        """One entry.

        Raises:
            IndexError: there is no such row.
        """
        self._require(number)
        one = self.columns
        size, kind = int(one.size[number]), KINDS[one.kind[number]]
        return Row(
            number=number,
            name=one.name(number),
            kind=kind,
            depth=int(one.depth[number]),
            size_bytes=None if size < 0 else size,
            changed_at=int(one.changed[number]),
            verdict=VERDICTS[one.verdict[number]],
            missing_bytes=int(one.missing[number]),
            flags=Flag(int(one.flags[number])),
            inode=int(one.inode[number]),
            is_open=is_open,
            children=int(one.child_at[number + 1]) - int(one.child_at[number]),
            sums=self._folder_sums(number) if kind is Kind.FOLDER else None,
        )

    def _require(self, number: int) -> None:
        if not 0 <= number < self.columns.count:
            raise IndexError(number)

    def _folder_sums(self, number: int) -> Sums:
        at = int(np.searchsorted(self.columns.folders, number))
        return _sums(self.columns.folder_sums[at])

    def standing(self, number: int) -> tuple[int, int]:
        """At which place, from 1, an entry stands among those of its folder, and how many these are; the root
        stands alone.

        Raises:
            IndexError: there is no such row.
        """
        self._require(number)
        one, folder = self.columns, int(self.columns.parent[number])
        if folder < 0:
            return 1, 1
        start, stop = int(one.child_at[folder]), int(one.child_at[folder + 1])
        return int(np.searchsorted(one.children[start:stop], number)) + 1, stop - start

    def are_wanted(self, numbers: Sequence[int], patterns: Sequence[str]) -> tuple[bool, ...]:
        """For each of some rows whether wishes select it; raises as `wanted` does."""
        found = self.wanted(patterns)
        at = np.searchsorted(found, np.asarray(numbers, np.int64))
        return tuple(
            place < len(found) and int(found[place]) == number
            for place, number in zip(at.tolist(), numbers, strict=True)
        )

    def window(self, view: View, first: int, count: int) -> Window:
        """Rows of the tree as a view shows it, the root itself left out."""
        seen = self.visible(view)
        deep = [
            (one, int(self.columns.last[one])) for one in view.everything if 0 <= one < self.columns.count
        ]
        first, numbers = _slice(seen, first, count)
        rows = tuple(
            self.row(one, is_open=one in view.opened or any(at <= one <= last for at, last in deep))
            for one in numbers
        )
        return Window(len(seen), first, rows)

    def visible(self, view: View) -> Numbers:
        """The rows that a view shows, in order. Numbers of no folder in it are passed over."""
        return self._kept(view, lambda: self._visible(view))

    def _visible(self, view: View) -> Numbers:
        one = self.columns
        seen = np.zeros(one.count, np.bool_)
        for number in sorted({ROOT} | view.opened | view.everything):
            # folders above have smaller numbers, so what they show is marked already
            if number != ROOT and not (0 < number < one.count and seen[number]):
                continue
            if number in view.everything:
                seen[number + 1 : int(one.last[number]) + 1] = True
            else:
                seen[one.children[int(one.child_at[number]) : int(one.child_at[number + 1])]] = True
        return _numbers(seen)

    def place_in(self, view: View, number: int) -> int | None:
        """At which place of a view a row stands; None if it is not seen."""
        return _place(self.visible(view), number)

    def opened_to(self, view: View, number: int) -> View:
        """The view with the folders above a row opened too, so that it is seen.

        Raises:
            IndexError: there is no such row.
        """
        return View(view.opened | frozenset(self.above(number)), view.everything)

    def above(self, number: int) -> tuple[int, ...]:
        """The folders above a row, the root first.

        Raises:
            IndexError: there is no such row.
        """
        self._require(number)
        found = []
        for _ in range(self.columns.count):
            number = int(self.columns.parent[number])
            if number < 0:
                break
            found.append(number)
            if number == ROOT:
                break
        return tuple(reversed(found))

    def found_window(self, query: Query, first: int, count: int) -> Window:
        """Rows of what a search finds; raises as `search` does."""
        found = self.search(query)
        first, numbers = _slice(found, first, count)
        return Window(len(found), first, tuple(self.row(one) for one in numbers))

    def search(self, query: Query) -> Numbers:
        """The entries that a query finds, in the order of the tree; the root and gathered folders are none.

        Raises:
            UsageError: too many words or patterns, or an empty pattern.
        """
        return self._kept(query, lambda: self._search(query))

    def _search(self, query: Query) -> Numbers:
        one = self.columns
        words = query.text.split()
        if len(words) > MOST_WORDS or len(query.text) > LONGEST_QUERY:
            raise UsageError("That is more than can be searched for at once.", "Give fewer words.")
        mask = (one.flags & int(Flag.GATHERED)) == 0
        mask[ROOT] = False
        if query.kinds:
            mask &= np.isin(one.kind, [code for code, kind in enumerate(KINDS) if kind in query.kinds])
        if query.verdicts:
            mask &= np.isin(one.verdict, [code for code, it in enumerate(VERDICTS) if it in query.verdicts])
        if query.flags:
            mask &= (one.flags & int(query.flags)) != 0
        for word in dict.fromkeys(words):
            mask &= self._marked(self._typed(word))
        if query.wanted is not None:
            mask &= self._marked(self.wanted(query.wanted))
        return _numbers(mask)

    def _typed(self, word: str) -> Numbers:
        return self._kept(("word", word), lambda: _numbers(self._word(word)))

    def _marked(self, rows: Numbers) -> Mask:
        found = np.zeros(self.columns.count, np.bool_)
        found[rows] = True
        return found

    def _word(self, word: str) -> Mask:
        if any(letter in word for letter in "*?/"):
            return self._pattern(word) if word.strip("/") else np.ones(self.columns.count, np.bool_)
        try:
            folded = fold(word.encode("utf-8", "surrogateescape"))
        except UnicodeEncodeError:
            return np.zeros(self.columns.count, np.bool_)
        return self._with_below(self._names.holding(folded))

    def wanted(self, patterns: Sequence[str]) -> Numbers:
        """The entries that wishes select, as `files.wanted.select` does of the entries themselves.

        Raises:
            UsageError: too many patterns, or an empty one.
        """
        kept = tuple(patterns)
        return self._kept(("wanted", kept), lambda: _numbers(self._wanted(kept)))

    def _wanted(self, patterns: Sequence[str]) -> Mask:
        matcher(patterns)  # what it refuses is refused here
        found = np.zeros(self.columns.count, np.bool_)
        for pattern in dict.fromkeys(patterns):
            if pattern != METADATA:
                found |= self._pattern(pattern)
        return found

    def _pattern(self, pattern: str) -> Mask:
        """The rows that one pattern selects, part by part from the root down."""
        one = self.columns
        found = np.zeros(one.count, np.bool_)
        for parts in plain_parts(pattern):
            if parts[:-1] == ("**",):  # a name anywhere
                found |= self._with_below(self._matching(parts[-1]))
            else:
                found |= self._from_root(parts)
        found &= (one.flags & int(Flag.GATHERED)) == 0
        found[ROOT] = matcher([pattern])(b"")
        return found

    def _matching(self, part: str) -> Numbers:
        return self._kept(("name", part), lambda: self._names.matching(part).astype(np.int32))

    def _from_root(self, parts: Sequence[str]) -> Mask:
        one = self.columns
        inside = self._tops()  # folders from which the next part is looked for
        for at, part in enumerate(parts):
            if part == "**":
                below = self._below(inside)
                if at == len(parts) - 1:
                    return below
                inside |= below
                continue
            rows = self._matching(part)
            rows = rows[rows > ROOT]
            rows = rows[inside[one.parent[rows]]]
            if at == len(parts) - 1:
                return self._with_below(rows)
            inside = np.zeros(one.count, np.bool_)
            inside[rows] = True
        return inside

    def _tops(self) -> Mask:
        """The folders whose entries have paths without a slash: the root, and the one that gathers what no
        folder leads to."""
        found = np.zeros(self.columns.count, np.bool_)
        found[ROOT] = True
        if (top := self.nameless_top) is not None:
            found[top] = True
        return found

    @property
    def nameless_top(self) -> int | None:
        """The folder that gathers what no folder leads to; None if there is nothing."""
        one = self.columns
        held = one.children[: int(one.child_at[1])]
        both = int(Flag.GATHERED | Flag.NAMELESS)
        found = held[(one.flags[held] & both) == both]
        return int(found[0]) if len(found) else None

    def _with_below(self, rows: Longs | Numbers) -> Mask:
        found = np.zeros(self.columns.count, np.bool_)
        found[rows] = True
        folders = np.zeros(self.columns.count, np.bool_)
        folders[rows[self.columns.kind[rows] == FOLDER]] = True
        return found | self._below(folders)

    def _below(self, folders: Mask) -> Mask:
        """All rows below the folders of a mask."""
        rows = np.flatnonzero(folders)
        last = self.columns.last[rows]
        if len(rows):
            tops = np.concatenate(([True], last[1:] > np.maximum.accumulate(last)[:-1]))
            rows, last = rows[tops], last[tops]  # those inside another add nothing
        change = np.zeros(self.columns.count + 1, np.int8)
        starts, stops = rows + 1, last.astype(np.int64) + 1
        change[starts] += 1
        change[stops] -= 1
        return np.cumsum(change[:-1], dtype=np.int8).astype(np.bool_)

    def path(self, number: int) -> bytes:
        """The raw path of a row as `Entry.path` gives it; empty for the root and gathered nameless ones.

        Raises:
            IndexError: there is no such row.
        """
        names = [self.columns.name(one) for one in (*self.above(number), number)]
        return b"/".join(one for one in names if one)

    def number_of(self, path: bytes) -> int | None:
        """The row of a path; None if there is none. Of several the first, named ones before others."""
        parts = [one for one in path.split(b"/") if one]
        tops = [ROOT] if self.nameless_top is None else [ROOT, self.nameless_top]
        for top in tops:
            inside = [top]
            for at, name in enumerate(parts):
                found = [one for folder in inside for one in self._named(folder, name).tolist()]
                if at < len(parts) - 1:
                    found = [one for one in found if self.columns.kind[one] == FOLDER]
                inside = found
            if inside:
                return inside[0]
        return None

    def _named(self, folder: int, name: bytes) -> Numbers:
        """The entries of a folder with just this raw name."""
        one = self.columns
        rows = one.children[int(one.child_at[folder]) : int(one.child_at[folder + 1])]
        rows = rows[one.name_at[rows + 1] - one.name_at[rows] == len(name)]
        for at in reversed(range(len(name))):  # names of one folder often begin alike
            if not len(rows):
                break
            rows = rows[one.names[one.name_at[rows] + at] == name[at]]
        found: Numbers = rows
        return found

    def sums(self, numbers: Sequence[int] | Numbers) -> Sums:
        """What these entries come to, folders with all below them; nothing counts twice.

        Raises:
            IndexError: there is no such row.
        """
        rows = np.unique(np.asarray(numbers, np.int64))
        if len(rows) and not (rows[0] >= 0 and rows[-1] < self.columns.count):
            raise IndexError(int(rows[0] if rows[0] < 0 else rows[-1]))
        mask = self._with_below(rows)
        one = self.columns
        if not mask.any():
            return _sums(np.zeros(9, np.int64))
        kind, size, verdict, missing = one.kind[mask], one.size[mask], one.verdict[mask], one.missing[mask]
        ends = np.array([0]), np.array([len(kind) - 1])
        return _sums(sums_of_ranges(*ends, kind=kind, size=size, verdict=verdict, missing=missing)[0])

    def _kept(self, key: object, work: Callable[[], Numbers]) -> Numbers:
        """An answer as it is kept, or worked out: once, however many threads ask for it at the same time."""
        with self._lock:
            found = self._results.get(key)
            if found is not None:
                self._results.move_to_end(key)
                return found
            promised = self._promised.get(key)
            is_mine = promised is None
            if promised is None:
                promised = self._promised[key] = Future()
        if not is_mine:
            return promised.result()
        try:
            found = work()
        except BaseException as trouble:
            with self._lock:
                del self._promised[key]
            promised.set_exception(trouble)
            raise
        found.setflags(write=False)
        with self._lock:
            del self._promised[key]
            self._keep(key, found)
        promised.set_result(found)
        return found

    def _keep(self, key: object, found: Numbers) -> None:
        self._results[key] = found
        self._result_bytes += found.nbytes
        while len(self._results) > 1 and (
            len(self._results) > KEPT_RESULTS or self._result_bytes > KEPT_BYTES
        ):
            self._result_bytes -= self._results.popitem(last=False)[1].nbytes


def _numbers(mask: Mask) -> Numbers:
    found: Numbers = np.flatnonzero(mask).astype(np.int32)
    return found


def _slice(found: Numbers, first: int, count: int) -> tuple[int, list[int]]:
    first = min(max(first, 0), len(found))
    return first, found[first : first + max(count, 0)].tolist()


def _place(found: Numbers, number: int) -> int | None:
    at = int(np.searchsorted(found, number))
    return at if at < len(found) and found[at] == number else None


def _sums(values: Longs) -> Sums:
    told = values.tolist()
    verdicts = [one for one in VERDICTS if one is not None]
    return Sums(
        dict(zip(verdicts, told[:4], strict=True)), dict(zip(verdicts, told[4:8], strict=True)), told[8]
    )
