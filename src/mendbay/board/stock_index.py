"""A large stock in columns, so that a million donors are ranked at once.

Every marking is a number of a vocabulary (0: not known). For one search each item's agreement with the
patient becomes one small whole number, two bits for an attribute; the few thousand agreements that occur
are scored once each and looked up for all items. The order is that of `match.rank`, to the last place.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from mendbay.board.match import TEXT_ATTRIBUTES, UNKNOWN_DAYS, Ranking, Wanted, judge, key_of, text_of
from mendbay.board.stock import LARGEST_NUMBER, Condition, Kind, StockItem, StockState
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Attribute, Level, Priors, Purpose, SwapOdds
from mendbay.core.errors import UsageError

Column = npt.NDArray[Any]
Codes = npt.NDArray[np.uint32]
Rows = npt.NDArray[np.intp]

_KINDS = {word: at for at, word in enumerate(Kind)}
_STATES = {word: at for at, word in enumerate(StockState)}
_CONDITIONS = {Condition(word): at for at, word in enumerate(LEVELS[Attribute.CONDITION])}
_FREE, _RESERVED = _STATES[StockState.FREE], _STATES[StockState.RESERVED]
_UNKNOWN = LEVELS[Attribute.BOARD_NUMBER].index(Level.UNKNOWN)
_DIFFERENT = LEVELS[Attribute.BOARD_NUMBER].index(Level.DIFFERENT)
_SAME = LEVELS[Attribute.BOARD_NUMBER].index(Level.SAME)
_DAMAGED = LEVELS[Attribute.CONDITION].index(Level.DAMAGED)
_NO_DATE = -(2**31)
_BATCH = 1 << 16
_FEW = 6
"""Up to so many values are found by comparing one after the other, more by a table."""
_PLAIN: dict[str, Any] = {
    "number": np.int64,
    "day": np.int32,
    "case": np.int32,
    "condition": np.uint8,
    "kind": np.uint8,
    "state": np.uint8,
}


@dataclass(frozen=True, slots=True)
class Found:
    """Item numbers in the order of `match.Ranking`, and how many there are of each sort."""

    fitting: tuple[int, ...]
    stopped: tuple[int, ...]
    fitting_total: int
    stopped_total: int


def explained(found: Found, wanted: Wanted, items: Mapping[int, StockItem], odds: SwapOdds) -> Ranking:
    """What was found with every attribute's part, from the items themselves (by number).

    Raises:
        KeyError: an item that was found is not among `items`.
    """
    return Ranking(
        tuple(judge(wanted, items[one], odds) for one in found.fitting),
        tuple(judge(wanted, items[one], odds) for one in found.stopped),
        found.fitting_total,
        found.stopped_total,
    )


class _Layout:
    """Where each attribute of a purpose has its bits in an item's agreement code.

    Markings and the date have two bits, the condition three, the ROM none (it is the same for all items);
    above them stand one bit for "not to be had" and, where heads are moved, one for "has none".
    """

    def __init__(self, purpose: Purpose) -> None:
        self.purpose = purpose
        self.attributes = ATTRIBUTES[purpose]
        self.shift: dict[Attribute, int] = {}
        self.mask: dict[Attribute, int] = {}
        at = 0
        for one in reversed(self.attributes):  # those that vary most lowest: counting codes is faster
            if one is not Attribute.ROM:
                width = (len(LEVELS[one]) - 1).bit_length()
                self.shift[one], self.mask[one] = at, (1 << width) - 1
                at += width
        self.taken = at
        self.headless = at + 1 if purpose is Purpose.HEAD_TRANSPLANT else None
        self.size = 1 << (at + 1 if self.headless is None else at + 2)
        """How many codes there are."""


_LAYOUTS = {one: _Layout(one) for one in Purpose}


class StockIndex:
    """The stock in columns, always in the order of the item numbers.

    Made empty; `from_items` or `from_columns` fill one at once, the other methods keep it up to date
    without building it anew.
    """

    def __init__(self) -> None:
        self._size = 0
        self._vocabulary: dict[Attribute, dict[str, int]] = {one: {} for one in TEXT_ATTRIBUTES}
        self._columns: dict[str, Column] = {
            **{name: np.empty(0, kind) for name, kind in _PLAIN.items()},
            **{one: np.empty(0, np.int32) for one in TEXT_ATTRIBUTES},
            **{one: np.empty(0, np.uint32) for one in Purpose},
        }
        # a column for each purpose: the codes of items that are known in everything and agree in nothing

    @classmethod
    def from_items(cls, items: Iterable[StockItem]) -> StockIndex:
        """An index of these items, in any order.

        Raises:
            UsageError: two items have the same number, or one has none.
        """
        index, waiting = cls(), iter(items)
        while batch := list(islice(waiting, _BATCH)):
            index._append(*_columns_of(batch))
        index._sort()
        return index

    @classmethod
    def from_columns(
        cls,
        numbers: Sequence[int] | npt.NDArray[np.integer],
        texts: Mapping[Attribute, Sequence[str]],
        *,
        made_on: Sequence[str] = (),
        kinds: Sequence[str] = (),
        conditions: Sequence[str] = (),
        states: Sequence[str] = (),
        cases: Sequence[int] | npt.NDArray[np.integer] = (),
    ) -> StockIndex:
        """An index from one sequence a column, each of n values, as a table of the ledger gives them.

        `texts` by attribute (those of `TEXT_ATTRIBUTES`); `made_on` ISO dates or empty texts; the others are
        values of `Kind`, `Condition` and `StockState`. What is left out is unknown for all: no text, no
        date, a board, untested, free, no case.

        Raises:
            UsageError: columns of different length, a value that is none of its column, two equal numbers,
                or a number that cannot be an item's.
        """
        count = len(numbers)
        plain = {
            "number": _whole(numbers, count, "number", 1, LARGEST_NUMBER),
            "day": _placed(made_on, count, "date", {"": _NO_DATE}, np.int32),
            "case": _whole(cases, count, "case", 0, 2**31 - 1),
            "condition": _placed(conditions, count, "condition", _CONDITIONS, np.uint8),
            "kind": _placed(kinds, count, "kind", _KINDS, np.uint8),
            "state": _placed(states, count, "state", _STATES, np.uint8),
        }
        for attribute, column in texts.items():
            if attribute not in TEXT_ATTRIBUTES:
                raise UsageError(f"The stock has no texts of a {attribute}.", "Leave that column out.")
            _require_length(column, count, attribute)
        index = cls()
        index._append(plain, texts)
        index._sort()
        return index

    def __len__(self) -> int:
        return self._size

    @property
    def bytes_held(self) -> int:
        """Memory of the columns (spare room included) and of the vocabularies, in bytes."""
        held = sum(one.nbytes for one in self._columns.values())
        for words in self._vocabulary.values():
            held += sys.getsizeof(words) + sum(sys.getsizeof(word) + sys.getsizeof(1) for word in words)
        return held

    def add(self, item: StockItem) -> None:
        """Takes in one more item. Numbers in rising order cost nothing; another is sorted in.

        Raises:
            UsageError: its number is 0 or already taken.
        """
        if self._row(item.number) is not None:
            raise UsageError(f"Item {item.number} is already in the stock.", "Change it instead.")
        in_order = not self._size or item.number > int(self._column("number")[-1])
        self._append(*_columns_of([item]))
        if not in_order:
            self._sort()

    def change(self, item: StockItem) -> None:
        """Takes over all that is now known of an item that is already in: reserved, used, corrected.

        Raises:
            UsageError: there is no such item.
        """
        row = self._required_row(item.number)
        self._write(slice(row, row + 1), *_columns_of([item]))

    def set_state(self, number: int, state: StockState, case: int = 0) -> None:
        """Marks an item as free or removed, or as reserved or used for a case.

        Raises:
            UsageError: there is no such item.
        """
        row = self._required_row(number)
        self._columns["state"][row] = _STATES[state]
        self._columns["case"][row] = case

    def remove(self, number: int) -> None:
        """Forgets an item.

        Raises:
            UsageError: there is no such item.
        """
        row = self._required_row(number)
        for column in self._columns.values():
            column[row : self._size - 1] = column[row + 1 : self._size]
        self._size -= 1

    def search(self, wanted: Wanted, odds: SwapOdds, limit: int = 10) -> Found:
        """The best `limit` donors that fit, and the nearest `limit` that something rules out.

        Raises:
            ValueError: a limit below 1, or odds for another purpose.
        """
        if limit < 1 or odds.purpose is not wanted.purpose:
            raise ValueError(f"cannot rank {limit} donors for a {wanted.purpose} by odds of a {odds.purpose}")
        layout = _LAYOUTS[wanted.purpose]
        codes = self._codes(wanted, layout, odds.priors)
        counts = np.bincount(codes, minlength=layout.size)
        present = np.flatnonzero(counts)
        stops, scores = _judged(present, wanted, layout, odds)
        order = np.lexsort((-scores, stops))
        present, stops, scores = present[order], stops[order], scores[order]
        cut = int(np.searchsorted(stops, 1))
        found = []
        for part in (slice(0, cut), slice(cut, None)):
            groups, ranks = present[part], _dense_ranks(stops[part], scores[part])
            found.append(self._first(codes, groups, ranks, counts, wanted, limit))
        fitting = int(counts[present[:cut]].sum())
        return Found(found[0], found[1], fitting, self._size - fitting)

    def _column(self, name: str) -> Column:
        return self._columns[name][: self._size]

    def _codes(self, wanted: Wanted, layout: _Layout, priors: Priors) -> Codes:
        """Each item's agreement with the patient as one number, see `_Layout`."""
        codes: Codes = self._column(layout.purpose).copy()
        for attribute, shift in layout.shift.items():
            if attribute is Attribute.CONDITION:
                continue
            known = wanted.patient.made_on if attribute is Attribute.MADE_ON else wanted.keys[attribute]
            if not known:
                codes &= np.uint32(~(layout.mask[attribute] << shift) & 0xFFFFFFFF)
            elif attribute is Attribute.MADE_ON:
                self._mark_dates(codes, known, shift, priors)
            else:
                self._mark_texts(codes, wanted, attribute, shift)
        taken = self._column("state") != _FREE
        if wanted.case:
            taken &= (self._column("state") != _RESERVED) | (self._column("case") != wanted.case)
        _mark(codes, taken, layout.taken)
        if layout.headless is not None:
            _mark(codes, self._column("kind") == _KINDS[Kind.BOARD], layout.headless)
        return codes

    def _mark_texts(self, codes: Codes, wanted: Wanted, attribute: Attribute, shift: int) -> None:
        """A known text has level 1, "different": one more makes it "same", two more "listed"."""
        column, vocabulary = self._column(attribute), self._vocabulary[attribute]
        own = vocabulary.get(wanted.keys[attribute])
        if own:
            _mark(codes, column == own, shift)
        listed = [vocabulary[key] for key in wanted.accepted[attribute] if key in vocabulary]
        if listed:
            _mark(codes, _among(column, listed, len(vocabulary) + 1), shift + 1)

    def _mark_dates(self, codes: Codes, made_on: str, shift: int, priors: Priors) -> None:
        """A known date has level 1, "far": one more makes it "close", two more "near"."""
        column, own = self._column("day"), date.fromisoformat(made_on).toordinal()
        near = (column >= own - priors.near_days) & (column <= own + priors.near_days)
        close = (column >= own - priors.close_days) & (column <= own + priors.close_days)
        _mark(codes, close, shift)
        _mark(codes, near & ~close, shift + 1)

    def _first(
        self,
        codes: Codes,
        groups: Rows,
        ranks: Rows,
        counts: npt.NDArray[np.intp],
        wanted: Wanted,
        limit: int,
    ) -> tuple[int, ...]:
        """Numbers of the first `limit` items among groups of equal code, which come in order of rank."""
        if not len(groups):
            return ()
        last = min(int(np.searchsorted(np.cumsum(counts[groups]), limit)), len(groups) - 1)
        taken = groups[: int(np.searchsorted(ranks, ranks[last], side="right"))]
        rows = np.flatnonzero(_among(codes, taken.tolist(), len(counts)))
        rank_of = np.zeros(len(counts), np.int32)
        rank_of[taken] = ranks[: len(taken)]
        keys: list[Column] = [rank_of[codes[rows]]]
        if wanted.patient.made_on:
            own, days = date.fromisoformat(wanted.patient.made_on).toordinal(), self._column("day")[rows]
            keys.append(np.where(days == _NO_DATE, UNKNOWN_DAYS, np.abs(days - np.int64(own))))
        return tuple(self._column("number")[rows[_smallest(keys, limit)]].tolist())

    def _row(self, number: int) -> int | None:
        numbers = self._column("number")
        row = int(np.searchsorted(numbers, number))
        return row if row < self._size and int(numbers[row]) == number else None

    def _required_row(self, number: int) -> int:
        row = self._row(number)
        if row is None:
            raise UsageError(f"Item {number} is not in the stock.", "Look up the number on its label.")
        return row

    def _append(self, plain: Mapping[str, Column], texts: Mapping[Attribute, Sequence[str]]) -> None:
        start, stop = self._size, self._size + len(plain["number"])
        room = len(self._columns["number"])
        if stop > room:
            size = max(stop, room + room // 8)
            for name, column in self._columns.items():
                wider = np.empty(size, column.dtype)
                wider[:start] = column[:start]
                self._columns[name] = wider
        self._write(slice(start, stop), plain, texts)
        self._size = stop

    def _write(
        self, rows: slice, plain: Mapping[str, Column], texts: Mapping[Attribute, Sequence[str]]
    ) -> None:
        count = len(plain["number"])
        known = {
            Attribute.MADE_ON: (plain["day"] != _NO_DATE).astype(np.uint32),
            Attribute.CONDITION: plain["condition"].astype(np.uint32),
        }
        for name, column in plain.items():
            self._columns[name][rows] = column
        for attribute in TEXT_ATTRIBUTES:
            given = texts.get(attribute)
            coded = np.zeros(count, np.int32) if given is None else self._coded(attribute, given)
            self._columns[attribute][rows] = coded
            known[attribute] = (coded != 0).astype(np.uint32)
        for purpose, layout in _LAYOUTS.items():
            base = np.zeros(count, np.uint32)
            for attribute, shift in layout.shift.items():
                base |= known[attribute] << np.uint32(shift)
            self._columns[purpose][rows] = base

    def _coded(self, attribute: Attribute, texts: Sequence[str]) -> npt.NDArray[np.int32]:
        """Places of texts in the vocabulary, which grows by what is new."""
        vocabulary, seen = self._vocabulary[attribute], {"": 0}

        def place(text: str) -> int:
            key = key_of(attribute, text)
            seen[text] = found = vocabulary.setdefault(key, len(vocabulary) + 1) if key else 0
            return found

        places = [seen[text] if text in seen else place(text) for text in texts]
        return np.array(places, np.int32)

    def _sort(self) -> None:
        """Puts the rows in the order of their numbers.

        Raises:
            UsageError: a number stands twice.
        """
        numbers = self._column("number")
        if np.all(numbers[1:] > numbers[:-1]):
            return
        order = np.argsort(numbers, kind="stable")
        for column in self._columns.values():
            column[: self._size] = column[: self._size][order]
        twice = np.flatnonzero(numbers[1:] == numbers[:-1])
        if len(twice):
            raise UsageError(
                f"The number {numbers[twice[0]]} stands for two items.", "Give each item a number of its own."
            )


def _columns_of(items: Sequence[StockItem]) -> tuple[dict[str, Column], dict[Attribute, list[str]]]:
    for item in items:
        if not item.number:
            raise UsageError("An item without a number cannot be looked up.", "Store it in the ledger first.")
    count = len(items)
    plain = {
        "number": np.array([item.number for item in items], np.int64),
        "day": _placed([item.description.made_on for item in items], count, "date", {"": _NO_DATE}, np.int32),
        "case": np.array([item.case for item in items], np.int32),
        "condition": np.array([_CONDITIONS[item.condition] for item in items], np.uint8),
        "kind": np.array([_KINDS[item.kind] for item in items], np.uint8),
        "state": np.array([_STATES[item.state] for item in items], np.uint8),
    }
    return plain, {one: [text_of(item.description, one) for item in items] for one in TEXT_ATTRIBUTES}


def _require_length(column: Sequence[object] | Column, count: int, what: str) -> None:
    if len(column) != count:
        raise UsageError(
            f"The column of the {what} has {len(column)} values for {count} items.", "Give one for each."
        )


def _whole(
    column: Sequence[int] | npt.NDArray[np.integer], count: int, what: str, least: int, most: int
) -> Column:
    """Whole numbers as a column; zeros if there are none."""
    if not len(column) and count:
        column = [0] * count
    _require_length(column, count, what)
    try:
        made = np.asarray(column, np.int64)
    except (OverflowError, ValueError, TypeError) as trouble:
        raise UsageError(f"A {what} is not a whole number: {trouble}.", "Correct it.") from trouble
    if count and not (least <= int(made.min()) and int(made.max()) <= most):
        raise UsageError(f"A {what} is not between {least} and {most}.", "Correct it.")
    return made


def _placed(
    column: Sequence[str], count: int, what: str, places: Mapping[Any, int], kind: type[np.number[Any]]
) -> Column:
    """Each value's place, or a date's day; the first place if the column is left out."""
    if not len(column):
        return np.full(count, next(iter(places.values())), kind)
    _require_length(column, count, what)
    known: dict[str, int] = dict(places)
    try:
        for word in set(column).difference(known):
            if what != "date":
                raise ValueError(word)
            known[word] = date.fromisoformat(word).toordinal()
        return np.array([known[word] for word in column], kind)
    except (ValueError, TypeError) as trouble:
        raise UsageError(f"A {what} cannot be read: {trouble}.", "Correct it in the stock.") from trouble


def _mark(codes: Codes, which: npt.NDArray[np.bool_], shift: int) -> None:
    codes += np.left_shift(which, np.uint32(shift), dtype=np.uint32)


def _among(column: Column, values: Sequence[int], size: int) -> npt.NDArray[np.bool_]:
    """Which values of a column (each below `size`) are among these."""
    if len(values) > _FEW:
        table = np.zeros(size, np.bool_)
        table[np.array(values)] = True
        return np.take(table, column)
    found: npt.NDArray[np.bool_] = column == values[0]
    for value in values[1:]:
        found |= column == value
    return found


def _judged(
    codes: Rows, wanted: Wanted, layout: _Layout, odds: SwapOdds
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """How many things rule out each of these agreement codes (n), and its score (n)."""
    places = np.empty((len(codes), len(layout.attributes)), np.intp)
    column = {one: places[:, at] for at, one in enumerate(layout.attributes)}
    for attribute, at in column.items():
        if attribute is Attribute.ROM:
            at[:] = LEVELS[attribute].index(wanted.rom)
        else:
            at[:] = codes >> layout.shift[attribute] & layout.mask[attribute]
    if layout.purpose is Purpose.BOARD_SWAP:  # see match.agreement_between
        column[Attribute.REVISION][column[Attribute.BOARD_NUMBER] != _SAME] = 0
    stops = (codes >> layout.taken & 1) + (column[Attribute.CONDITION] == _DAMAGED)
    if layout.headless is not None:
        stops = stops + (codes >> layout.headless & 1)
    shared = np.zeros(len(codes), np.bool_)
    for attribute in odds.priors.stops[layout.purpose]:
        stops = stops + (column[attribute] == _DIFFERENT)
        shared |= column[attribute] != _UNKNOWN
    stops = stops + ~shared
    return stops.astype(np.int64), odds.scores(places)


def _dense_ranks(stops: npt.NDArray[np.int64], scores: npt.NDArray[np.float64]) -> Rows:
    """Rank (n) of each of n sorted pairs; equal pairs share one."""
    if not len(stops):
        return np.zeros(0, np.intp)
    steps = (stops[1:] != stops[:-1]) | (scores[1:] != scores[:-1])
    return np.concatenate(([0], np.cumsum(steps))).astype(np.intp)


def _smallest(keys: Sequence[Column], limit: int) -> Rows:
    """Places of the `limit` smallest by the first key, then the second, ..., then the place; in order."""
    rows, left, picked = np.arange(len(keys[0])), limit, []
    for key in keys:
        if len(rows) <= left:
            break
        values = key[rows]
        edge = values[np.argpartition(values, left - 1)[left - 1]]
        below = values < edge
        picked.append(rows[below])
        left -= len(picked[-1])
        rows = rows[values == edge]
    chosen = np.concatenate([*picked, rows[:left]])
    return chosen[np.lexsort((chosen, *(key[chosen] for key in reversed(keys))))]
