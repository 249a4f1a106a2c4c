"""Names as a catalogue searches them: folded, and matched against a word or a pattern for all rows at once.

Folding is chosen so that two names that a pattern of `files.wanted` takes for the same fold to the same: what
the folded names rule out, the pattern would too.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cached_property

import numpy as np

from mendbay.files.catalogue_rows import Columns, Flag, Longs
from mendbay.files.wanted import composed, name_matcher

SAMPLE = 1 << 20
"""Letters looked at to know how common each is."""
FEW = 4096
"""Places of a word up to which they are stepped through one by one; of more, all are found at once."""
_BEYOND = bytes(range(0x80, 0x100))
_WILD = re.compile(r"[*?]")


def fold(name: bytes) -> bytes:
    """A name, or part of one, as it is searched: upper and lower case are one, and so are a letter in one
    piece and the same of a letter and its marks (canonical equivalence, Unicode Standard Annex 15); bytes
    that are not UTF-8 stay."""
    if name.isascii():
        return name.lower()
    return _folded_text(name.decode("utf-8", "surrogateescape")).encode("utf-8", "surrogateescape")


def fold_all(names: Sequence[bytes]) -> list[bytes]:
    """The folded names; a NUL in a name becomes a 1."""
    whole = b"\0".join(names)
    if whole.count(b"\0") >= len(names):
        whole = b"\0".join(one.replace(b"\0", b"\1") for one in names)
    return fold(whole).split(b"\0") if names else []


def _folded_text(text: str) -> str:
    """Two letters that patterns take for an i are left apart by case folding alone."""
    return composed(text).replace("İ", "i").replace("ı", "i").casefold()


class NameIndex:
    """The names of a catalogue, to be searched. What it needs beside the columns is made when asked for."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns

    @cached_property
    def _folded(self) -> bytes:
        return self._columns.folded.tobytes()  # finding in bytes of one's own is several times as quick

    @cached_property
    def _lengths(self) -> Longs:
        found: Longs = np.diff(self._columns.folded_at) - 1
        return found

    def holding(self, word: bytes) -> Longs:
        """The rows whose folded name holds a folded word, rising."""
        columns = self._columns
        if not word:
            return np.arange(columns.count)
        if b"\0" in word:
            return np.empty(0, np.int64)
        places: list[int] = []
        at = self._folded.find(word)
        while at >= 0 and len(places) < FEW:
            places.append(at)
            at = self._folded.find(word, at + 1)
        if at < 0:
            return _rows_at(np.array(places, np.int64), columns.folded_at)
        return _rows_at(self._all_places(word), columns.folded_at)

    def _all_places(self, word: bytes) -> Longs:
        """Every place of a word, by its rarest letter first."""
        folded = self._columns.folded
        letters = np.frombuffer(word, np.uint8)
        counts = self._letter_counts[letters]
        rarest, *others = sorted(range(len(word)), key=counts.__getitem__)
        places = np.flatnonzero(folded == letters[rarest]) - rarest
        places = places[(places >= 0) & (places <= len(folded) - len(word))]
        for at in others:
            places = places[folded[places + at] == letters[at]]
        found: Longs = places
        return found

    @cached_property
    def _letter_counts(self) -> Longs:
        """How common each letter is, by a sample."""
        folded = self._columns.folded
        found: Longs = np.bincount(folded[:: len(folded) // SAMPLE + 1], minlength=256)
        return found

    def matching(self, pattern: str) -> Longs:
        """The rows whose name alone a pattern without a slash and without `**` matches, rising; rows without
        a name (the root) never. Just what `files.wanted` would say of each name."""
        try:
            literals = [_folded_text(one).encode("utf-8", "surrogateescape") for one in _WILD.split(pattern)]
        except UnicodeEncodeError:
            return np.empty(0, np.int64)  # what no name of bytes can hold
        if not any(literals):
            return self._verified(np.flatnonzero(self._lengths > 0), pattern, always="?" in pattern)
        longest = max(literals, key=len)
        rows = self.holding(longest)
        rows = rows[self._lengths[rows] >= sum(map(len, literals))]
        if literals[0]:
            rows = self._with(rows, literals[0], self._columns.folded_at[rows])
        if literals[-1]:
            ends = self._columns.folded_at[rows + 1] - 1
            rows = self._with(rows, literals[-1], ends - len(literals[-1]))
        if len(literals) == 1:
            rows = rows[self._lengths[rows] == len(literals[0])]
        if len(literals) > 2 and "?" not in pattern:
            rows = self._in_order(rows, literals)
        return self._verified(rows, pattern, always="?" in pattern or not pattern.isascii())

    def _in_order(self, rows: Longs, literals: Sequence[bytes]) -> Longs:
        """Those rows that have the literals between the first and the last one behind the other, each at the
        first place where it fits: no later one could bring more."""
        at = self._columns.folded_at[rows] + len(literals[0])
        stop = self._columns.folded_at[rows + 1] - 1 - len(literals[-1])
        for literal in filter(None, literals[1:-1]):
            places = np.append(self._all_places(literal), len(self._columns.folded))
            found = places[np.searchsorted(places, at)]
            fits = found + len(literal) <= stop
            rows, at, stop = rows[fits], found[fits] + len(literal), stop[fits]
        return rows

    def _with(self, rows: Longs, literal: bytes, places: Longs) -> Longs:
        """Those rows that have the literal at their place."""
        for at, letter in enumerate(literal):
            kept = self._columns.folded[places + at] == letter
            rows, places = rows[kept], places[kept]
        return rows

    def _verified(self, rows: Longs, pattern: str, *, always: bool) -> Longs:
        """Those rows that the pattern itself matches: asked of every one, or of names that are not plain."""
        doubtful = (
            np.ones(len(rows), np.bool_)
            if always
            else (self._columns.flags[rows] & int(Flag.ODD_LETTERS)) != 0
        )
        if not doubtful.any():
            return rows
        test = name_matcher(pattern)
        name = self._columns.name
        keep = ~doubtful
        keep[doubtful] = [test(name(row)) for row in rows[doubtful].tolist()]
        found: Longs = rows[keep]
        return found


def _rows_at(places: Longs, starts: Longs) -> Longs:
    """The rows whose names hold these places (rising), each once."""
    rows = np.searchsorted(starts, places, side="right") - 1
    found: Longs = rows[np.diff(rows, prepend=-1) != 0]
    return found


def odd_letters(names: Sequence[bytes], folded: Sequence[bytes]) -> Longs:
    """The rows of names in which a letter that is not ASCII folds to one that is, so that a search of folded
    names says more than a pattern would."""
    return np.array(
        [
            row
            for row, name in enumerate(names)
            if not name.isascii() and _plain_letters(_composed(name)) != _plain_letters(folded[row])
        ],
        np.int64,
    )


def _composed(name: bytes) -> bytes:
    return composed(name.decode("utf-8", "surrogateescape")).encode("utf-8", "surrogateescape")


def _plain_letters(name: bytes) -> int:
    return len(name.translate(None, _BEYOND))
