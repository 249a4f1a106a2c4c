"""The stock as a table of text (RFC 4180): lists of the shop split into cells, the stock written out.

Nothing is lost in silence: every row of a list is either cells or a trouble with its line and reason.
What the cells mean is the business of `stock_import`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.board.stock import StockItem, cost_text
from mendbay.core.errors import UsageError

FILE_LIMIT_BYTES = 256 << 20
ROWS_LIMIT = 2_000_000
BROKEN_ROWS_LIMIT = 1_000
"""Rows that cannot be split; with more of them it is another kind of file."""
COLUMNS_LIMIT = 200
CELL_LIMIT = 10_000
"""Characters in one cell."""
ROW_LINES_LIMIT = 200
"""Lines of the file that one row may take, so that a quote never closed cannot swallow the rest."""

DELIMITERS = (",", ";", "\t")
_PEEKED_ROWS = 50
_FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_ESCAPED = re.compile(r"'+[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
# What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"), full-width forms included.


class Field(StrEnum):
    """What a column can hold; the value is the header it has in a list we write."""

    NUMBER = "mendbay item"
    """Our own item number: only in lists that Mendbay has written."""
    OWN_ID = "own id"
    KIND = "kind"
    BOARD_NUMBER = "board number"
    REVISION = "revision"
    CONTROLLER = "controller"
    MOTOR_DRIVER = "motor driver"
    ROM_CHIP = "ROM chip"
    FAMILY = "family"
    MODEL = "model"
    FIRMWARE = "firmware"
    SITE = "site"
    MADE_ON = "made on"
    HEADS_MAP = "heads map"
    LOCATION = "location"
    CONDITION = "condition"
    COST = "cost"
    CURRENCY = "currency"
    STATE = "state"
    CASE = "case"
    PHOTOS = "photos"
    NOTES = "notes"


_SYNONYMS: dict[Field, str] = {
    Field.NUMBER: "mendbay item|mendbay number",
    Field.OWN_ID: "own id|id|item|item id|item number|item no|stock id|stock number|stock no|inventory number"
    "|inventory no|inventory id|asset|asset number|our number|our id|reference|ref|sku|code",
    Field.KIND: "kind|type|item type|what|category",
    Field.BOARD_NUMBER: "board number|board no|board|board id|pcb|pcb number|pcb no|circuit board|pcb id"
    "|circuit board number|board part number",
    Field.REVISION: "revision|rev|board revision|board rev|pcb revision|pcb rev|version",
    Field.CONTROLLER: "controller|main chip|mcu|main controller|processor|cpu|soc|controller chip|main ic",
    Field.MOTOR_DRIVER: "motor driver|motor chip|motor controller|motor ic|spindle driver|driver chip"
    "|motor driver chip|spindle chip",
    Field.ROM_CHIP: "rom chip|rom|flash|flash chip|serial flash|eeprom|rom marking",
    Field.FAMILY: "family|model family|drive family|series|product family|product line",
    Field.MODEL: "model|drive model|model number|model no|drive|drive model number|part model",
    Field.FIRMWARE: "firmware|firmware revision|firmware version|fw|f w|fw revision|fw version|firmware rev",
    Field.SITE: "site|made in|country|plant|factory|place of manufacture|country of origin|origin",
    Field.MADE_ON: "made on|date|date of manufacture|manufacture date|manufactured|manufacturing date|made"
    "|production date|date made|built|build date",
    Field.HEADS_MAP: "heads map|head map|heads|heads in use|head configuration|map of heads",
    Field.LOCATION: "location|place|shelf|drawer|bin|box|where|storage|storage place",
    Field.CONDITION: "condition|tested|quality|test result|works|working",
    Field.COST: "cost|price|paid|purchase price|unit price|cost price|bought for|value",
    Field.CURRENCY: "currency|cur|currency code",
    Field.STATE: "state|status|availability|available",
    Field.CASE: "case|case number|case no|job|job number|reserved for|used in|used for",
    Field.PHOTOS: "photos|photo|pictures|picture|images|image|photo names",
    Field.NOTES: "notes|note|remarks|remark|comment|comments|description|details|info",
}
_FIELD_OF_HEADER = {word: one for one, words in _SYNONYMS.items() for word in words.split("|")}


def field_of_header(header: str) -> Field | None:
    """What a column with this header usually holds, from its words; None if they say nothing."""
    words = re.sub(r"[^a-z0-9]+", " ", header.casefold().replace("#", " number ")).strip()
    return _FIELD_OF_HEADER.get(words)


@dataclass(frozen=True, slots=True)
class RowTrouble:
    """Why a row was not taken: the line of the file it begins on (from 1), its column's header if it is one
    column, and the reason in a sentence."""

    line: int
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class Table:
    """A list as it was found.

    Args:
        headers: of the columns, outer blanks removed.
        rows: line of the file and cells of each sound row that is not blank.
        troubles: of the rows that cannot be split into cells.
        encoding, delimiter: as found.
        blank: how many rows were blank.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    troubles: tuple[RowTrouble, ...]
    encoding: str
    delimiter: str
    blank: int

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the headers as they are compared: lists with the same columns share it."""
        folded = json.dumps([comparison_key(one) for one in self.headers], ensure_ascii=False)
        return hashlib.sha256(folded.encode()).hexdigest()


def read_table(data: bytes) -> Table:
    """Splits a list into cells. Encodings: UTF-8 (with or without mark), else Windows-1252; the delimiter is
    the one of `DELIMITERS` that suits the header and most rows.

    Raises:
        UsageError: no text in one of these encodings, too large, or no header.
    """
    if len(data) > FILE_LIMIT_BYTES:
        raise UsageError(f"A list of {len(data)} bytes is too large.", f"Take at most {FILE_LIMIT_BYTES}.")
    text, encoding = _decoded(data)
    lines = list(io.StringIO(text, newline=""))
    if lines and re.fullmatch(r"sep=.\s*", lines[0]):
        lines[0] = "\r\n"  # a spreadsheet's own hint, not a row
    delimiter = max(DELIMITERS, key=lambda one: _suits(lines, one))
    header: tuple[str, ...] = ()
    rows: list[tuple[int, tuple[str, ...]]] = []
    troubles: list[RowTrouble] = []
    blank = 0
    for line, cells in _records(lines, delimiter):
        if isinstance(cells, str):
            troubles.append(RowTrouble(line, "", cells))
            if len(troubles) > BROKEN_ROWS_LIMIT:
                raise UsageError(
                    f"Over {BROKEN_ROWS_LIMIT} rows cannot be split into cells.",
                    "Save the list as CSV again.",
                )
        elif not any(cell.strip() for cell in cells):
            blank += bool(header)
        elif not header:
            header = tuple(cell.strip() for cell in cells)
            if len(header) > COLUMNS_LIMIT:
                raise UsageError(f"{len(header)} columns are too many.", f"Take at most {COLUMNS_LIMIT}.")
        else:
            rows.append((line, tuple(cells)))
        if len(rows) + len(troubles) > ROWS_LIMIT:
            raise UsageError(f"The list has over {ROWS_LIMIT} rows.", "Split it.")
    if not header:
        raise UsageError("The list has no header.", "Put the names of the columns in the first row.")
    return Table(header, tuple(rows), tuple(troubles), encoding, delimiter, blank)


def _decoded(data: bytes) -> tuple[str, str]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise UsageError("The list is in UTF-16.", "Save it as CSV in UTF-8.")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        marked = data.startswith(b"\xef\xbb\xbf")
        return text, encoding if marked or encoding != "utf-8-sig" else "utf-8"
    raise UsageError("The list is in no encoding that is read.", "Save it as CSV in UTF-8.")


def _suits(lines: Sequence[str], delimiter: str) -> tuple[int, int, int]:
    """How well a delimiter fits: known headers, rows as wide as the header, width."""
    sound = [
        cells for _, cells in _records(lines[: 4 * _PEEKED_ROWS], delimiter) if not isinstance(cells, str)
    ]
    filled = [cells for cells in sound if any(cell.strip() for cell in cells)][:_PEEKED_ROWS]
    if not filled:
        return (0, 0, 0)
    known = sum(field_of_header(cell) is not None for cell in filled[0])
    return (known, sum(len(row) == len(filled[0]) for row in filled), len(filled[0]))


class _Lines:
    """Lines of a file from one on, at most `ROW_LINES_LIMIT` of them for each record asked for."""

    def __init__(self, lines: Sequence[str], at: int) -> None:
        self._lines, self.at, self.left = lines, at, 0

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if not self.left or self.at >= len(self._lines):
            raise StopIteration
        self.at += 1
        self.left -= 1
        return self._lines[self.at - 1]


def _records(lines: Sequence[str], delimiter: str) -> Iterator[tuple[int, list[str] | str]]:
    """Each record with the line it begins on (from 1), or why it is none.

    After a broken record reading goes on with the line after its first one: a quote never closed costs one
    row, not the rest of the list.
    """
    waiting = _Lines(lines, 0)
    reader = csv.reader(waiting, delimiter=delimiter, strict=True)
    while waiting.at < len(lines):
        start, waiting.left = waiting.at, ROW_LINES_LIMIT
        try:
            cells = next(reader)
            if any(len(cell) > CELL_LIMIT for cell in cells):
                raise csv.Error(f"a cell has over {CELL_LIMIT} characters")
        except (csv.Error, StopIteration) as trouble:
            yield start + 1, f"The row cannot be split into cells: {trouble or 'it does not end'}."
            waiting = _Lines(lines, start + 1)
            reader = csv.reader(waiting, delimiter=delimiter, strict=True)
            continue
        yield start + 1, cells


def unescaped(cell: str) -> str:
    """The cell without the apostrophe that `to_csv` puts before what looks like a formula."""
    return cell[1:] if _ESCAPED.match(cell) else cell


def to_csv(items: Iterable[StockItem]) -> bytes:
    """The stock as a list that a spreadsheet and `read_table` can open: RFC 4180, UTF-8 with its mark, the
    headers of `Field`.

    A cell that a spreadsheet could take for a formula begins with an apostrophe, which reading removes.
    Picture names are separated by line breaks, which no name holds.
    """
    made = io.StringIO(newline="")
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow(Field)
    for item in items:
        writer.writerow([f"'{cell}" if _FORMULA.match(cell) else cell for cell in _cells(item)])
    return made.getvalue().encode("utf-8-sig")


def _cells(item: StockItem) -> list[str]:
    of: BoardDescription = item.description
    cost = cost_text(item.cost_minor, item.currency)
    return [
        str(item.number or ""),
        item.own_id,
        item.kind,
        of.board_number,
        of.revision,
        of.controller,
        of.motor_driver,
        of.rom_chip,
        of.family,
        of.model,
        of.firmware,
        of.site,
        of.made_on,
        of.heads_map,
        item.location,
        item.condition,
        cost.removeprefix(f"{item.currency} "),
        item.currency,
        item.state,
        str(item.case or ""),
        "\n".join(item.photos),
        item.notes,
    ]
