"""The beginnings of the sheets of a spreadsheet of ISO/IEC 29500 (part 1, clause 18; from memory).

Values are those stored. A number is shown as a day or a time where the style of its cell is plainly one; of a
formula its stored result is shown, or itself where none is stored. Runs only in the process that makes
previews.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from mendbay.inlets.office_bounds import (
    CELL_LETTERS,
    MOST_COLUMNS,
    MOST_NAMED,
    MOST_READ,
    MOST_ROWS,
    NAME_LETTERS,
    Held,
    cut,
)
from mendbay.inlets.office_dates import as_date, is_date_form
from mendbay.inlets.office_parts import related, relations
from mendbay.inlets.office_xml import Enough, Taker, take
from mendbay.inlets.office_zip import Archive
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow

PLACE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})\Z")
LONG_FRACTION = re.compile(r"-?(?=.{17})[0-9]{1,12}\.[0-9]{1,20}\Z")
HELD_CELLS = 64
"""Cells of a row that are looked at, so that those shown can be chosen."""
MOST_STYLES = 70_000
MOST_STRING = 10_000_000
DATE_FORMS = frozenset((*range(14, 23), 45, 47))
"""Forms of numbers that need no description: days and times of day (18.8.30); 46 is how long something
took."""


@dataclass(frozen=True, slots=True)
class _Cell:
    """`shared` is the number of a text kept apart, -1 for none."""

    text: str
    shared: int = -1


@dataclass(slots=True)
class _Sheet:
    name: str
    part: str
    is_hidden: bool = False
    rows: list[tuple[int, dict[int, _Cell]]] = field(default_factory=list)
    is_cut: bool = False
    has_dates: bool = False


class _Book(Taker):
    """The names of the sheets, and from which day days are counted."""

    def __init__(self) -> None:
        self.sheets: list[tuple[str, str, bool]] = []
        self.count = 0
        self.is_1904 = False

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "workbookPr":
            self.is_1904 = given.get("date1904", "") in ("1", "true")
        elif name == "sheet":
            self.count += 1
            if len(self.sheets) < MOST_NAMED:
                is_hidden = given.get("state", "visible") != "visible"
                self.sheets.append((given.get("name", ""), given.get(":id", ""), is_hidden))
        elif name == "definedNames":
            raise Enough


class _Styles(Taker):
    """Which styles of cells are days or times."""

    def __init__(self) -> None:
        self.forms: dict[str, bool] = {}
        self.dates: list[bool] = []
        self._is_inside = False

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "numFmt":
            if len(self.forms) < MOST_STYLES:
                self.forms[given.get("numFmtId", "")] = is_date_form(given.get("formatCode", ""))
        elif name == "cellXfs":
            self._is_inside = True
        elif name == "xf" and self._is_inside:
            form = given.get("numFmtId", "0")
            known = form.isascii() and form.isdigit() and int(form[:9]) in DATE_FORMS
            self.dates.append(self.forms.get(form, known))
            if len(self.dates) >= MOST_STYLES:
                raise Enough

    def end(self, name: str) -> None:
        if name == "cellXfs":
            raise Enough


class _Rows(Taker):
    """The first rows of a sheet that hold anything."""

    def __init__(self, sheet: _Sheet, dates: list[bool], is_1904: bool) -> None:
        self._sheet = sheet
        self._dates = dates
        self._is_1904 = is_1904
        self._row = self._column = 0
        self._cells: dict[int, _Cell] = {}
        self._given: Mapping[str, str] | None = None
        self._into: Held | None = None
        self._value, self._formula = Held(CELL_LETTERS), Held(CELL_LETTERS)
        self._aside = 0

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "row":
            self.finish()
            self._row = _number(given.get("r", ""), 1 << 21) or self._row + 1
            self._column = 0
        elif name == "c":
            found = PLACE.match(given.get("r", ""))
            self._column = column_number(found[1]) if found else self._column + 1
            self._given = given
        elif name == "rPh":
            self._aside += 1  # how a text is spoken, beside it
        elif self._given is not None and name in ("v", "t"):
            self._into = self._value
        elif self._given is not None and name == "f":
            self._into = self._formula

    def text(self, data: str) -> None:
        if self._into is not None and not self._aside:
            self._into.add(data)

    def end(self, name: str) -> None:
        if name in ("v", "t", "f"):
            self._into = None
        elif name == "rPh":
            self._aside -= 1
        elif name == "c" and self._given is not None:
            self._keep(self._given)
            self._given = None
        elif name == "row":
            self.finish()
        elif name == "sheetData":
            raise Enough

    def finish(self) -> None:
        """Puts the row at hand to the others."""
        if not self._cells:
            return
        if len(self._sheet.rows) == MOST_ROWS:
            self._sheet.is_cut = True
            raise Enough
        self._sheet.rows.append((self._row, self._cells))
        self._cells = {}

    def _keep(self, given: Mapping[str, str]) -> None:
        value, formula = self._value.taken(), self._formula.taken()
        if not value and not formula:
            return
        if len(self._cells) >= HELD_CELLS:
            self._sheet.is_cut = True
            return
        self._cells[self._column] = self._cell(given, value) if value else _Cell(f"={formula}")

    def _cell(self, given: Mapping[str, str], value: str) -> _Cell:
        kind = given.get("t", "n")
        if kind == "s":
            number = _number(value.strip(), MOST_STRING)
            return _Cell("", number) if number is not None else _Cell("")
        if kind == "b":
            return _Cell({"1": "TRUE", "0": "FALSE"}.get(value, value))
        style = _number(given.get("s", "0"), MOST_STYLES)
        if kind == "n" and style is not None and style < len(self._dates) and self._dates[style]:
            date = as_date(value, self._is_1904)
            self._sheet.has_dates |= bool(date)
            return _Cell(date or value)
        return _Cell(_plain(value) if kind == "n" else value)


class _Strings(Taker):
    """The texts kept apart that are asked for."""

    def __init__(self, wanted: set[int]) -> None:
        self.found: dict[int, str] = {}
        self._wanted = wanted
        self._last = max(wanted)
        self._number = 0
        self._is_inside = False
        self._aside = 0
        self._held = Held(CELL_LETTERS)

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "t":
            self._is_inside = not self._aside and self._number in self._wanted
        elif name == "rPh":
            self._aside += 1

    def text(self, data: str) -> None:
        if self._is_inside:
            self._held.add(data)

    def end(self, name: str) -> None:
        if name == "t":
            self._is_inside = False
        elif name == "rPh":
            self._aside -= 1
        elif name == "si":
            if self._number in self._wanted:
                self.found[self._number] = self._held.taken()
            self._number += 1
            if self._number > self._last:
                raise Enough


def spreadsheet(archive: Archive, main: str) -> MadeDocument:
    """The names of the sheets and their first rows.

    Args:
        main: the part that lists the sheets; it need not be there.
    """
    book, styles = _Book(), _Styles()
    take(archive, main, book)
    related_to = relations(archive, main)
    folder = posixpath.dirname(main)
    style_part = related(related_to, "/styles") or f"{folder}/styles.xml"
    if style_part in archive:
        take(archive, style_part, styles)
    sheets = [
        _Sheet(cut(name, NAME_LETTERS), related_to.get(at, ("", ""))[1], is_hidden)
        for name, at, is_hidden in book.sheets
    ]
    if not sheets:  # the list is lost: their parts are called so by all who write them
        names = sorted(
            (one for one in archive.names() if one.startswith(f"{folder}/worksheets/sheet")), key=_order
        )
        sheets = [_Sheet("", one) for one in names[:MOST_NAMED]]
    for sheet in sheets[:MOST_READ]:
        rows = _Rows(sheet, styles.dates, book.is_1904)
        if not take(archive, sheet.part, rows):
            sheet.is_cut = True
    strings = _strings(archive, sheets, related(related_to, "/sharedStrings"), folder)
    pieces = [
        replace(_piece(one, strings, number < MOST_READ), is_wrong=one.part.lower() in archive.wrong)
        for number, one in enumerate(sheets)
    ]
    return MadeDocument(
        DocumentKind.SHEETS,
        tuple(pieces),
        max(book.count, len(sheets)),
        not archive.is_whole,
        any(one.has_dates for one in sheets),
    )


def _strings(archive: Archive, sheets: list[_Sheet], part: str, folder: str) -> dict[int, str]:
    wanted = {
        cell.shared
        for sheet in sheets
        for _, cells in sheet.rows
        for cell in cells.values()
        if cell.shared >= 0
    }
    if not wanted:
        return {}
    taker = _Strings(wanted)
    take(archive, part or f"{folder}/sharedStrings.xml", taker)
    archive.is_whole &= len(taker.found) == len(wanted)
    return taker.found


def _piece(sheet: _Sheet, strings: Mapping[int, str], is_read: bool) -> MadePiece:
    used = sorted({column for _, cells in sheet.rows for column in cells})
    columns = used[:MOST_COLUMNS]
    rows = []
    for number, cells in sheet.rows:
        texts = (cells.get(column, _Cell("")) for column in columns)
        rows.append(
            MadeRow(number, tuple(one.text if one.shared < 0 else strings.get(one.shared) for one in texts))
        )
    goes_on = sheet.is_cut or len(used) > len(columns)
    return MadePiece(sheet.name, tuple(columns), tuple(rows), goes_on, sheet.is_hidden, is_read)


def _plain(value: str) -> str:
    """A fraction that was stored with all its digits, to the fifteen that spreadsheets show."""
    return f"{float(value):.15g}" if LONG_FRACTION.match(value) else value


def column_number(letters: str) -> int:
    """The number of a column by its letters: A is 1, AA is 27."""
    number = 0
    for one in letters.upper():
        number = number * 26 + ord(one) - ord("A") + 1
    return number


def _number(text: str, below: int) -> int | None:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        return None
    number = int(text)
    return number if number < below else None


def _order(name: str) -> tuple[int, str]:
    return len(name), name
