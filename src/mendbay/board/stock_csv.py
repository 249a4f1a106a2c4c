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
from mendbay.board.stock import NOTES_LIMIT, PHOTOS_LIMIT, StockItem
from mendbay.core.errors import UsageError
from mendbay.core.money import cost_text
from mendbay.core.texts import LINE_LIMIT

FILE_LIMIT_BYTES = 256 << 20
ROWS_LIMIT = 2_000_000
BROKEN_ROWS_LIMIT = 1_000
"""Rows that cannot be split; with more of them it is another kind of file."""
COLUMNS_LIMIT = 200
CELL_LIMIT = max(NOTES_LIMIT, PHOTOS_LIMIT * (LINE_LIMIT + 1)) + 1
"""Characters in one cell: what the longest one that we write takes, with its apostrophe."""

DELIMITERS = (",", ";", "\t")
_PEEKED_ROWS = 50
_FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_ESCAPED = re.compile(r"'+[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
# What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"), full-width forms included.
_QUOTED = re.compile(r'(?:[^"]+|"")*+')


class Field(StrEnum):
    """What a column can hold; the value is the header it has in a list we write."""

    NUMBER = "mendbay item"
    """Our own item number: only in lists that Mendbay has written, or that were matched with one."""
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
    blank = broken = 0
    for line, cells in _records(lines, delimiter):
        if isinstance(cells, _Untaken):
            troubles.append(RowTrouble(line, "", cells.reason))
            broken += not cells.doubtful
            if broken > BROKEN_ROWS_LIMIT:
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
        cells
        for _, cells in _records(lines[: 4 * _PEEKED_ROWS], delimiter)
        if not isinstance(cells, _Untaken)
    ]
    filled = [cells for cells in sound if any(cell.strip() for cell in cells)][:_PEEKED_ROWS]
    if not filled:
        return (0, 0, 0)
    known = sum(field_of_header(cell) is not None for cell in filled[0])
    return (known, sum(len(row) == len(filled[0]) for row in filled), len(filled[0]))


@dataclass(frozen=True, slots=True)
class _Untaken:
    """Why what begins on a line is no row; `doubtful` if it may be the inside of a broken row's cell."""

    reason: str
    doubtful: bool = False


class _Lines:
    """Lines of a file, from the one `at` on."""

    def __init__(self, lines: Sequence[str]) -> None:
        self._lines, self.at = lines, 0

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if self.at >= len(self._lines):
            raise StopIteration
        self.at += 1
        return self._lines[self.at - 1]


def _records(lines: Sequence[str], delimiter: str) -> Iterator[tuple[int, list[str] | _Untaken]]:
    """Each record with the line it begins on (from 1), or why it is none.

    The inside of a cell never becomes a record: after one that is too long reading goes on where it ends.
    Where the quotes of a record are wrong, nobody can tell its inside from the rows after it, so its lines
    are told one by one, to the one where the quotes go wrong or, if none closes, to the last.
    """
    waiting = _Lines(lines)
    reader = csv.reader(waiting, delimiter=delimiter, strict=True)
    while waiting.at < len(lines):
        start = waiting.at
        try:
            cells = next(reader)
            if not any(len(cell) > CELL_LIMIT for cell in cells):
                yield start + 1, cells
                continue
            fault = ""
        except (csv.Error, StopIteration):
            waiting.at, fault = _extent(lines, start, delimiter)
        if not fault:
            yield start + 1, _Untaken(f"A cell of the row has over {CELL_LIMIT} characters.")
            continue
        yield start + 1, _Untaken(f"The row cannot be split into cells: {fault}.")
        for inside in range(start + 1, waiting.at):
            if lines[inside].strip():
                reason = f"It may be the inside of a cell of line {start + 1}: put the quotes there right."
                yield inside + 1, _Untaken(reason, doubtful=True)


def _extent(lines: Sequence[str], start: int, delimiter: str) -> tuple[int, str]:
    """Where the record ends that begins on a line: the number of lines up to its end (from 0, so that is the
    place of the next one), and what is wrong with its quotes, empty if nothing is."""
    quoted = False
    for at in range(start, len(lines)):
        line, place = lines[at].rstrip("\r\n"), 0
        while True:
            if not quoted and line[place : place + 1] != '"':
                place = line.find(delimiter, place) + 1
                if not place:
                    return at + 1, ""
                continue
            found = _QUOTED.match(line, place if quoted else place + 1)
            place = found.end() if found else len(line)
            quoted = place == len(line)
            if quoted:
                break
            if place + 1 == len(line):
                return at + 1, ""
            if line[place + 1] != delimiter:
                where = "" if at == start else f" on line {at + 1}"
                return (
                    at + 1,
                    f"a quote ends a cell{where}, but neither a delimiter nor a new line follows it",
                )
            place += 2
    return len(lines), "a quote that begins a cell is never closed"


def unescaped(cell: str) -> str:
    """The cell without the apostrophe that `to_csv` puts before what looks like a formula."""
    return cell[1:] if _ESCAPED.match(cell) else cell


def to_csv(items: Iterable[StockItem]) -> bytes:
    """The stock as a list that a spreadsheet and `read_table` can open: RFC 4180, UTF-8 with its mark, the
    headers of `Field`.

    A cell that a spreadsheet could take for a formula begins with an apostrophe, which reading removes.
    Picture names are separated by line breaks, which no name holds. Taken in again (`stock_import`) the list
    gives the same items to the letter.
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
        cost.removesuffix(f" {item.currency}"),
        item.currency,
        item.state,
        str(item.case or ""),
        "\n".join(item.photos),
        item.notes,
    ]
