"""A list of the shop taken into the stock: what its columns mean, and what its cells say.

A list is never taken in silence: every row becomes an item or a trouble with its line and reason. Which
column means what is guessed from the header, can be edited, and holds for every list with that header.

Rules for cells, all our own: a date is `2019-03-28`, `2019/03/28`, `20190328`, `2019-03` (its first day
stands for a month), the ISO week `2019-W13` (its Monday), `28.3.2019` (with dots the day comes first) or
`28/3/2019`, whose order is taken from the column's other dates if one of them proves it, else from the
mapping, else it is a trouble; years have four digits. For costs see `core/money.py`. Words for "not known"
(`n/a`, `?`, `unknown`) make an empty cell, and outer blanks do not count.

A row with our own item number is one that we wrote: its texts mean what they say, letter for letter, blanks
and words for "not known" included, and its cost stands as we write it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import TypeVar

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_alike import DESCRIBED, Alike, brought_up, pair
from mendbay.board.stock_by_hand import Change, HandChange, Kept, as_listed, changes_between, hand_kept
from mendbay.board.stock_csv import Field, RowTrouble, Table, field_of_header, unescaped
from mendbay.core.errors import UsageError
from mendbay.core.money import read_cost

_UNKNOWN_WORDS = frozenset(("", "?", "??", "n/a", "na", "n.a.", "none", "unknown", "not known", "-", "--"))
_NAMING = frozenset((*DESCRIBED, Field.OWN_ID, Field.NUMBER))
"""What a row must say something of, to be about an item."""
_TEXTS = frozenset((*DESCRIBED, Field.OWN_ID, Field.LOCATION, Field.PHOTOS, Field.NOTES)) - {Field.MADE_ON}
_YEAR_FIRST = re.compile(r"([0-9]{4})[-/.]?([0-9]{2})(?:[-/.]?([0-9]{2}))?")
_WEEK = re.compile(r"([0-9]{4})-?W([0-9]{2})")
_DOTTED = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})")
_SLASHED = re.compile(r"([0-9]{1,2})[/-]([0-9]{1,2})[/-]([0-9]{4})")
_Word = TypeVar("_Word", bound=StrEnum)
_KINDS = {
    Kind.BOARD: "board|pcb|circuit board|board only|logic board",
    Kind.DRIVE: "donor drive|drive|whole drive|complete drive|donor|disk|hard drive|hdd",
}
_CONDITIONS = {
    Condition.TESTED_GOOD: "tested good|good|tested|tested ok|ok|working|works|yes|tested working",
    Condition.UNTESTED: "untested|not tested|no|unverified",
    Condition.REPAIRED: "repaired|mended|fixed",
    Condition.ROM_MISSING: "rom missing|no rom|rom removed|without rom|missing rom",
    Condition.DAMAGED: "damaged|bad|broken|defective|faulty|burnt|dead|not working|failed",
}
_STATES = {
    StockState.FREE: "free|available|in stock|yes|on stock",
    StockState.RESERVED: "reserved|on hold|held",
    StockState.USED: "used|consumed|taken|no",
    StockState.REMOVED: "removed|sold|gone|thrown away|discarded|scrapped|sent back|returned",
}


class DateOrder(StrEnum):
    """How dates with three plain numbers are to be read."""

    UNDECIDED = "undecided"
    """Such a date is a trouble unless only one reading is a date."""
    DAY_FIRST = "day first"
    MONTH_FIRST = "month first"


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """What each column of lists with one header means; made by `guess_mapping`, edited with `assigned` and
    `dataclasses.replace`, and remembered by its fingerprint.

    Args:
        fingerprint: of the header, see `Table.fingerprint`.
        columns: for each column what it holds; None for one that is left out.
        date_order: for dates such as 03/04/2019.
        currency: of costs that name none; empty if that is not known.

    Raises:
        UsageError: two columns hold the same, or a currency that is no code.
    """

    fingerprint: str
    columns: tuple[Field | None, ...]
    date_order: DateOrder = DateOrder.UNDECIDED
    currency: str = ""

    def __post_init__(self) -> None:
        twice = [one for one, count in Counter(self.columns).items() if one and count > 1]
        if twice:
            raise UsageError(f"Two columns are to be the {twice[0]}.", "Leave one of them out.")
        if self.currency and not re.fullmatch("[A-Z]{3}", self.currency):
            raise UsageError(f"{self.currency[:8]!r} is not a currency.", "Give its ISO 4217 code: EUR.")

    def assigned(self, column: int, field: Field | None) -> ColumnMapping:
        """The mapping with another meaning of one column (from 0); whatever had that meaning loses it.

        Raises:
            UsageError: there is no such column.
        """
        if not 0 <= column < len(self.columns):
            raise UsageError(f"There is no column {column}.", f"There are {len(self.columns)}, from 0.")
        cleared = [None if one is field else one for one in self.columns]
        cleared[column] = field
        return replace(self, columns=tuple(cleared))


@dataclass(frozen=True, slots=True)
class Import:
    """What a list gives: items with the line they begin on, troubles in the order of their lines, and how
    many rows there were. `len(items) + len(troubles) == rows`. `said_free` holds the lines of items of which
    the list itself says that they are free.
    """

    items: tuple[tuple[int, StockItem], ...]
    troubles: tuple[RowTrouble, ...]
    rows: int
    said_free: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """What taking in a list would do to the stock.

    Args:
        new: items to add; they have no number yet.
        changed: known items as they are to be, with their number, state, case and photos kept.
        unchanged: how many are in the stock as they stand in the list.
        troubles: rows that clash with the stock or with each other.
        asked: how many of the troubles are rows of which a person must say whether they are an item moved.
        changes: with the item's number each field of a known item that changes.
        kept: values set by hand that the list would undo.
    """

    new: tuple[StockItem, ...]
    changed: tuple[StockItem, ...]
    unchanged: int
    troubles: tuple[RowTrouble, ...]
    asked: int
    changes: tuple[tuple[int, Change], ...] = ()
    kept: tuple[Kept, ...] = ()


def guess_mapping(table: Table, currency: str = "") -> ColumnMapping:
    """The mapping that the headers suggest; of two columns that suggest the same, the first has it.

    Args:
        currency: the shop's own, for costs that name none.
    """
    columns: list[Field | None] = []
    for header in table.headers:
        field = field_of_header(header)
        columns.append(None if field in columns else field)
    return ColumnMapping(table.fingerprint, tuple(columns), currency=currency)


def import_items(table: Table, mapping: ColumnMapping) -> Import:
    """Turns the rows of a list into items. A row with any unusable cell is a trouble as a whole.

    Raises:
        UsageError: the mapping is for other columns, or no column says anything of a board or drive.
    """
    if len(mapping.columns) != len(table.headers):
        raise UsageError(
            f"The mapping has {len(mapping.columns)} columns, the list {len(table.headers)}.",
            "Make a mapping for this list.",
        )
    if not _NAMING.intersection(one for one in mapping.columns if one):
        raise UsageError(
            "No column is known to describe a board or drive.",
            f"Say which columns hold what; the headers are: {', '.join(table.headers)[:300]}.",
        )
    order = _date_order(table, mapping)
    items: list[tuple[int, StockItem]] = []
    troubles = list(table.troubles)
    said_free = set()
    for line, cells in table.rows:
        reader = _Row(mapping, order)
        item = reader.item(cells, len(table.headers))
        if item is None:
            column, reason = reader.faults[0][0], " ".join(words for _, words in reader.faults)
            troubles.append(RowTrouble(line, column, reason))
        else:
            items.append((line, item))
            if reader.says_free:
                said_free.add(line)
    troubles.sort(key=lambda one: one.line)
    return Import(tuple(items), tuple(troubles), len(items) + len(troubles), frozenset(said_free))


def _date_order(table: Table, mapping: ColumnMapping) -> DateOrder:
    """The order that the mapping gives, else the one that the column's own dates prove."""
    if mapping.date_order is not DateOrder.UNDECIDED or Field.MADE_ON not in mapping.columns:
        return mapping.date_order
    column, proven = mapping.columns.index(Field.MADE_ON), set()
    for _, cells in table.rows:
        found = _SLASHED.fullmatch(cells[column].strip()) if column < len(cells) else None
        if found:
            first, second = int(found[1]), int(found[2])
            if first > 12 >= second:
                proven.add(DateOrder.DAY_FIRST)
            elif second > 12 >= first:
                proven.add(DateOrder.MONTH_FIRST)
    return proven.pop() if len(proven) == 1 else DateOrder.UNDECIDED


class _Row:
    """Reads one row; what is wrong with it collects in `faults` as (column, sentence)."""

    def __init__(self, mapping: ColumnMapping, order: DateOrder) -> None:
        self._mapping, self._order = mapping, order
        self._to_the_letter = False
        self.says_free = False
        self.faults: list[tuple[str, str]] = []

    def item(self, cells: Sequence[str], width: int) -> StockItem | None:
        if len(cells) < width or any(cell.strip() for cell in cells[width:]):
            self.faults.append(("", f"The row has {len(cells)} cells, the header {width}."))
            return None
        named = dict(zip(self._mapping.columns, cells, strict=False))
        self._to_the_letter = bool(named.get(Field.NUMBER, "").strip())
        given = {field: self._cell(field, cell) for field, cell in named.items() if field}
        if not any(given.get(field) for field in _NAMING):
            self.faults.append(("", "The row names neither a board nor a drive."))
            return None
        try:
            made = self._made(given)
        except UsageError as trouble:
            self.faults.append(("", f"{trouble.what} {trouble.next_step}"))
            return None
        return None if self.faults else made

    def _made(self, given: dict[Field, str]) -> StockItem:
        described = {name: given.get(field, "") for field, name in DESCRIBED.items()}
        described["made_on"] = self._date(given.get(Field.MADE_ON, ""))
        minor, currency = self._cost(given.get(Field.COST, ""), given.get(Field.CURRENCY, ""))
        state = self._word(given, Field.STATE, _STATES, StockState.FREE)
        self.says_free = state is StockState.FREE and bool(given.get(Field.STATE))
        case = self._number(given, Field.CASE)
        return StockItem(
            self._number(given, Field.NUMBER),
            self._word(given, Field.KIND, _KINDS, Kind.BOARD),
            BoardDescription(**described),
            own_id=given.get(Field.OWN_ID, ""),
            location=given.get(Field.LOCATION, ""),
            condition=self._word(given, Field.CONDITION, _CONDITIONS, Condition.UNTESTED),
            cost_minor=minor,
            currency=currency,
            state=state,
            case=case,
            photos=self._photos(given.get(Field.PHOTOS, "")),
            notes=_plain_breaks(given.get(Field.NOTES, "")),
        )

    def _fault(self, field: Field, words: str) -> None:
        self.faults.append((field, words))

    def _word(self, given: dict[Field, str], field: Field, words: dict[_Word, str], empty: _Word) -> _Word:
        cell = given.get(field, "")
        said = re.sub(r"[^a-z]+", " ", cell.casefold()).strip()
        for meaning, known in words.items():
            if said in (meaning.casefold(), *known.split("|")):
                return meaning
        if cell:
            self._fault(field, f"{cell[:40]!r} is no {field}; use one of: {', '.join(words)}.")
        return empty

    def _number(self, given: dict[Field, str], field: Field) -> int:
        cell = given.get(field, "")
        if re.fullmatch(r"[0-9]{1,16}", cell):
            return int(cell)
        if cell:
            self._fault(field, f"{cell[:40]!r} is not a number.")
        return 0

    def _date(self, cell: str) -> str:
        try:
            found = _dates_meant(cell, self._order)
        except ValueError:
            found = []
        if len(found) == 1:
            return found[0]
        if not found:
            self._fault(Field.MADE_ON, f"{cell[:40]!r} is not a date; write it as 2019-03-28.")
        else:
            self._fault(
                Field.MADE_ON,
                f"{cell[:40]!r} can be {found[0]} or {found[1]}; say whether this list has the day first "
                "(--dates day-first, or month-first).",
            )
        return ""

    def _cost(self, cell: str, currency_cell: str) -> tuple[int | None, str]:
        currency = currency_cell.strip().upper() or self._mapping.currency
        try:
            return read_cost(cell, currency, as_written=self._to_the_letter)
        except UsageError as trouble:
            whole = (
                ""
                if currency or "currency" not in trouble.what
                else " Or for the whole list: --currency EUR."
            )
            self._fault(Field.COST, f"{trouble.what} {trouble.next_step}{whole}")
            return None, ""

    def _cell(self, field: Field, cell: str) -> str:
        if self._to_the_letter and field in _TEXTS:
            return unescaped(cell)
        return _known(unescaped(cell.strip()))

    def _photos(self, cell: str) -> tuple[str, ...]:
        if self._to_the_letter:
            return tuple(one for one in _plain_breaks(cell).split("\n") if one)
        return tuple(one.strip() for one in re.split("[\n;]", cell) if one.strip())


def _plain_breaks(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _known(cell: str) -> str:
    return "" if cell.casefold() in _UNKNOWN_WORDS else cell


def _dates_meant(cell: str, order: DateOrder) -> list[str]:
    """The ISO dates a cell can mean: one, or two if nothing tells day from month; `[""]` for an empty cell.

    Raises:
        ValueError: no date.
    """
    if not cell:
        return [""]
    if found := _YEAR_FIRST.fullmatch(cell):
        return [date(int(found[1]), int(found[2]), int(found[3] or 1)).isoformat()]
    if found := _WEEK.fullmatch(cell):
        return [date.fromisocalendar(int(found[1]), int(found[2]), 1).isoformat()]
    if found := _DOTTED.fullmatch(cell):
        return [date(int(found[3]), int(found[2]), int(found[1])).isoformat()]
    found = _SLASHED.fullmatch(cell)
    if not found:
        raise ValueError(cell)
    first, second, year = (int(one) for one in found.groups())
    if order is DateOrder.DAY_FIRST:
        return [date(year, second, first).isoformat()]
    if order is DateOrder.MONTH_FIRST:
        return [date(year, first, second).isoformat()]
    meant = []
    for month, day in ((second, first), (first, second)):
        if month <= 12:
            meant.append(date(year, month, day).isoformat())
    return list(dict.fromkeys(meant))


def plan_import(
    existing: Iterable[StockItem],
    imported: Import,
    columns: Collection[Field | None] = tuple(Field),
    cases: Collection[int] | None = None,
    alike: Alike = Alike.ASK,
    by_hand: Mapping[int, Sequence[HandChange]] | None = None,
) -> ImportPlan:
    """What taking in a list would do, so that reading the same list twice changes nothing.

    Args:
        columns: what the list has columns for; of known items nothing else is changed.
        cases: the cases there are; an item for another one is a trouble. None lets all pass.
        alike: what a row without number and own id is that only differs from an item in what can change.
        by_hand: by an item's number what was put right by hand, the oldest first.

    A row finds its item by our own number, else by the shop's own id. A row with neither finds one without
    own id by what it says (see `stock_alike`; as many of them as rows), and is else a new item. A trouble is
    a second row for one item, and a row that gives an own id which another item or a row before it has; also
    one whose own id is that of a used or removed item, if it is another part by its board number or model, or
    said to be free.
    What the bench knows better stays as it is in the stock: state, case, pictures, and what was set by hand
    where the list still says what that took away; such a row finds its item by that too.
    """
    stock = list(existing)
    by_hand = by_hand or {}
    formerly = {one.number: as_listed(one, by_hand[one.number]) for one in stock if one.number in by_hand}
    by_number = {one.number: one for one in stock}
    by_id = {one.own_id: one for one in stock if one.own_id}
    unnamed = [(line, one) for line, one in imported.items if not one.number and not one.own_id]
    numbered = {one.number for _, one in imported.items}
    unnumbered = (one for one in stock if one.number not in numbered)
    pairing = pair(unnumbered, unnamed, columns, alike, formerly)
    by_former_id = _by_former_id(stock, formerly, imported)
    seen: dict[str, int] = {}
    new: list[StockItem] = []
    changed: list[StockItem] = []
    changes: list[tuple[int, Change]] = []
    kept_values: list[Kept] = []
    troubles: list[RowTrouble] = []
    unchanged = asked = 0
    for line, item in imported.items:
        known = by_number.get(item.number) if item.number else by_id.get(item.own_id)
        known = known or pairing.known.get(line) or by_former_id.get("" if item.number else item.own_id)
        kept, stays = item, tuple[Kept, ...]()
        if known is not None:
            kept, stays = hand_kept(known, brought_up(known, item, columns), by_hand.get(known.number, ()))
        named = _names(item.number, "" if item.number else item.own_id)
        meant = _names(kept.number, kept.own_id)
        twice = next((one for one in (*named, *meant) if one in seen), None)
        seen.update({one: line for one in named if one not in seen})
        other = by_id.get(kept.own_id)
        if twice:
            troubles.append(RowTrouble(line, "", f"{twice} stands already on line {seen[twice]}."))
            continue
        if item.number and known is None:
            troubles.append(RowTrouble(line, Field.NUMBER, f"The stock has no item {item.number}."))
        elif other is not None and other.number != kept.number:
            words = f"The own id {kept.own_id!r} belongs to item {other.number}."
            troubles.append(RowTrouble(line, Field.OWN_ID, words))
        elif (
            known is not None
            and not item.number
            and item.own_id
            and (why := _another_part(known, kept, line in imported.said_free, by_hand.get(known.number, ())))
        ):
            troubles.append(RowTrouble(line, Field.OWN_ID, why))
        elif known is None and line in pairing.doubtful:
            troubles.append(RowTrouble(line, "", pairing.doubtful[line]))
            asked += 1
        elif known is None and item.case and cases is not None and item.case not in cases:
            troubles.append(RowTrouble(line, Field.CASE, f"There is no case {item.case}."))
        else:
            seen.update(dict.fromkeys(meant, line))
            kept_values += stays
            if known is None:
                new.append(kept)
            elif kept == known:
                unchanged += 1
            else:
                changed.append(kept)
                changes += ((kept.number, one) for one in changes_between(known, kept))
    return ImportPlan(
        tuple(new), tuple(changed), unchanged, tuple(troubles), asked, tuple(changes), tuple(kept_values)
    )


def _another_part(known: StockItem, listed: StockItem, said_free: bool, by_hand: Sequence[HandChange]) -> str:
    """Why a row with the own id of an item that is gone may be of a new part, as a sentence; empty if not.

    Args:
        known: the item.
        listed: the same as the row would have it.
        said_free: whether the row says that it is free.
        by_hand: what was put right by hand of the item, the oldest first.
    """
    if known.state not in (StockState.USED, StockState.REMOVED):
        return ""
    was, now = known.description, listed.description
    pairs = ((was.board_number, now.board_number), (was.model, now.model))
    other = any(one and two and comparison_key(one) != comparison_key(two) for one, two in pairs)
    if not (said_free or other):
        return ""
    said = "the row names another board number or model" if other else "the row says free"
    cure = "" if other else ", or leave its state empty if it is that item"
    return (
        f"The own id {known.own_id!r} belongs to item {known.number}, {gone_words(known, by_hand)}, "
        f"and {said}: give the new part another own id{cure}."
    )


def gone_words(item: StockItem, by_hand: Sequence[HandChange]) -> str:
    """What has become of a used or removed item, as `used in case 5` or `removed (sold)`.

    Args:
        by_hand: what was put right by hand of it, the oldest first.
    """
    if item.state is StockState.USED:
        return f"used in case {item.case}"
    reasons = [one.change.new.partition(": ")[2] for one in by_hand if one.change.field is Field.STATE]
    return f"{item.state} ({reasons[-1]})" if reasons and reasons[-1] else str(item.state)


def _by_former_id(
    stock: Sequence[StockItem], formerly: Mapping[int, StockItem], imported: Import
) -> dict[str, StockItem]:
    """Items by an own id that was changed by hand, unless that is another item's now or a row of the list
    names the item as it is."""
    rows = [one for _, one in imported.items]
    named = {one.own_id for one in stock} | {""}
    in_list = {one.own_id for one in rows if not one.number}
    numbers = {one.number for one in rows}
    return {
        was.own_id: one
        for one in stock
        if (was := formerly.get(one.number)) is not None
        and was.own_id not in named
        and one.number not in numbers
        and (not one.own_id or one.own_id not in in_list)
    }


def _names(number: int, own_id: str) -> list[str]:
    """What an item goes by, as the beginning of a sentence."""
    return [*([f"Item {number}"] if number else []), *([f"The own id {own_id!r}"] if own_id else [])]
