"""The first rows of the sheets of a binary spreadsheet.

After [MS-XLS], Excel binary file format (published specification, from memory): records one after the other,
first those of the whole, then those of each sheet. Runs only in the process that makes previews.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.inlets.office_bounds import (
    CELL_LETTERS,
    MOST_COLUMNS,
    MOST_NAMED,
    MOST_READ,
    MOST_ROWS,
    NAME_LETTERS,
    cut,
)
from mendbay.inlets.office_cfb import Compound
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow, NoPreview

STREAM, OLDER = "Workbook", "Book"
BEGIN, END, LOCK, SHEET, STRINGS, GOES_ON = 0x0809, 0x000A, 0x002F, 0x0085, 0x00FC, 0x003C
SHARED, LABEL, REAL, SHORT, SHORTS, FORMULA, STRING, TRUTH = (
    0x00FD,
    0x0204,
    0x0203,
    0x027E,
    0x00BD,
    0x0006,
    0x0207,
    0x0205,
)
VERSION = 0x0600
"""Of the records that are read here; older ones keep their texts otherwise."""
WIDE, PHONETIC, RICH = 1, 4, 8
"""Bits of how a text is kept."""
MOST_RECORDS = 200_000
MOST_STRINGS = 100_000
TRUTHS = {0: "FALSE", 1: "TRUE"}
ERRORS = {0x00: "#NULL!", 0x07: "#DIV/0!", 0x0F: "#VALUE!", 0x17: "#REF!", 0x1D: "#NAME?", 0x24: "#NUM!"}
NOT_THERE = "#N/A"


@dataclass(frozen=True, slots=True)
class _Named:
    name: str
    at: int
    is_hidden: bool
    is_sheet: bool


def spreadsheet(document: Compound) -> MadeDocument | NoPreview | None:
    """The first rows of the first sheets; None where they are kept as they are not read here, and why where
    it is locked."""
    data = document.stream(STREAM if STREAM in document else OLDER).data
    sheets, strings = list[_Named](), list[str]()
    is_whole = False
    for number, (kind, body, at) in enumerate(_records(data, 0)):
        if number == 0 and (kind != BEGIN or len(body) < 2 or struct.unpack_from("<H", body)[0] != VERSION):
            return None
        if kind == LOCK:
            return NoPreview("The document is locked with a password, so that its text cannot be had")
        if kind == SHEET and len(body) >= 8 and len(sheets) < 10_000:
            sheets.append(_named(body))
        elif kind == STRINGS:
            strings = _strings([body, *_going_on(data, at)])
        elif kind == END:
            is_whole = True
            break
    pieces = []
    for number, one in enumerate(sheets[:MOST_NAMED]):
        if number < MOST_READ and one.is_sheet:
            pieces.append(_piece(data, one, strings))
        else:
            pieces.append(MadePiece(one.name, (), (), is_hidden=one.is_hidden, is_read=False))
    is_partial = not is_whole or not document.is_whole
    return MadeDocument(DocumentKind.SHEETS, tuple(pieces), len(sheets), is_partial)


def _records(data: bytes, at: int) -> Iterator[tuple[int, bytes, int]]:
    """Kind and inside of each record from a place on, and where the next one begins."""
    for _ in range(MOST_RECORDS):
        if at + 4 > len(data):
            return
        kind, length = struct.unpack_from("<HH", data, at)
        body, at = data[at + 4 : at + 4 + length], at + 4 + length
        if len(body) < length:
            return
        yield kind, body, at


def _going_on(data: bytes, at: int) -> Iterator[bytes]:
    for kind, body, _ in _records(data, at):
        if kind != GOES_ON:
            return
        yield body


def _named(body: bytes) -> _Named:
    at, state, kind, letters, flags = struct.unpack_from("<IBBBB", body)
    raw = body[8 : 8 + letters * (1 + (flags & WIDE))]
    name = raw.decode("utf-16-le" if flags & WIDE else "latin-1", "replace")
    return _Named(cut(name, NAME_LETTERS), at, bool(state & 3), kind == 0)


class _Broken(Exception):
    """The table of texts ends before it should."""


class _Segments:
    """Bytes in segments. A text's letters may be parted by the end of one; each part then says anew how its
    letters are kept."""

    def __init__(self, segments: list[bytes]) -> None:
        self._segments, self._number, self._at = segments, 0, 0

    def take(self, count: int) -> bytes:
        found = b""
        while len(found) < count:
            room = self._room()
            piece = self._segments[self._number][self._at : self._at + min(room, count - len(found))]
            self._at += len(piece)
            found += piece
        return found

    def skip(self, count: int) -> None:
        while count > 0:
            step = min(self._room(), count)
            self._at += step
            count -= step

    def letters(self, count: int, flags: int) -> str:
        found = list[str]()
        while count > 0:
            if self._at >= len(self._segments[self._number]):
                self._room()
                flags = self.take(1)[0]
            each = 1 + (flags & WIDE)
            part = min(self._room() // each, count)
            if part == 0:
                raise _Broken
            raw = self.take(part * each)
            found.append(raw.decode("utf-16-le" if flags & WIDE else "latin-1", "replace"))
            count -= part
        return "".join(found)

    def _room(self) -> int:
        """What is left of a segment, of the next one that holds anything where none is."""
        while self._at >= len(self._segments[self._number]):
            if self._number + 1 >= len(self._segments):
                raise _Broken
            self._number, self._at = self._number + 1, 0
        return len(self._segments[self._number]) - self._at


def _strings(segments: list[bytes]) -> list[str]:
    """The texts that cells refer to by their number, as far as they can be read."""
    found = list[str]()
    left = _Segments(segments)
    try:
        _, count = struct.unpack("<II", left.take(8))
        for _ in range(min(count, MOST_STRINGS)):
            letters, flags = struct.unpack("<HB", left.take(3))
            runs = struct.unpack("<H", left.take(2))[0] if flags & RICH else 0
            sounds = struct.unpack("<I", left.take(4))[0] if flags & PHONETIC else 0
            found.append(cut(left.letters(letters, flags), CELL_LETTERS))
            left.skip(4 * runs + sounds)
    except _Broken:
        pass
    return found


def _piece(data: bytes, sheet: _Named, strings: list[str]) -> MadePiece:
    rows: dict[int, dict[int, str | None]] = {}
    is_ended = goes_on = False
    asked: tuple[int, int] | None = None
    for number, (kind, body, _) in enumerate(_records(data, sheet.at)):
        if number == 0 and kind != BEGIN:
            break
        if kind == END:
            is_ended = True
            break
        if kind == STRING and asked is not None and len(body) >= 3:
            rows[asked[0]][asked[1]] = _own_text(body)
            continue
        for row, column, value in _cells(kind, body, strings):
            if row not in rows and len(rows) >= MOST_ROWS:
                goes_on = True
                break
            rows.setdefault(row, {})[column] = value
            asked = (row, column)
        if goes_on:
            break
    filled = {row: {at: one for at, one in cells.items() if one != ""} for row, cells in rows.items()}
    every = sorted({column for cells in filled.values() for column in cells})
    columns = every[:MOST_COLUMNS]
    made = tuple(
        MadeRow(row + 1, tuple(cells.get(one, "") for one in columns))
        for row, cells in sorted(filled.items())
        if any(one in cells for one in columns)
    )
    goes_on = goes_on or not is_ended or len(every) > len(columns)
    return MadePiece(sheet.name, tuple(one + 1 for one in columns), made, goes_on, sheet.is_hidden)


def _cells(kind: int, body: bytes, strings: list[str]) -> Iterator[tuple[int, int, str | None]]:
    """Row, column and value of each cell of a record; the first are 0. None for a text that is lost."""
    if kind == SHORTS and len(body) >= 6:
        row, column = struct.unpack_from("<HH", body)
        for number in range((len(body) - 6) // 6):
            (short,) = struct.unpack_from("<I", body, 4 + 6 * number + 2)
            yield row, column + number, _short(short)
        return
    if kind not in (SHARED, LABEL, REAL, SHORT, FORMULA, TRUTH) or len(body) < 8:
        return
    row, column = struct.unpack_from("<HH", body)
    rest = body[6:]
    if kind == SHARED and len(rest) >= 4:
        (number,) = struct.unpack_from("<I", rest)
        yield row, column, strings[number] if number < len(strings) else None
    elif kind == LABEL and len(rest) >= 3:
        yield row, column, _own_text(rest)
    elif kind == REAL and len(rest) >= 8:
        yield row, column, _number(struct.unpack_from("<d", rest)[0])
    elif kind == SHORT and len(rest) >= 4:
        yield row, column, _short(struct.unpack_from("<I", rest)[0])
    elif kind == TRUTH:
        yield row, column, _truth(rest[0], is_error=bool(rest[1]))
    elif kind == FORMULA and len(rest) >= 8:
        yield row, column, _result(rest[:8])


def _own_text(raw: bytes) -> str:
    letters, flags = struct.unpack_from("<HB", raw)
    raw = raw[3 : 3 + letters * (1 + (flags & WIDE))]
    return cut(raw.decode("utf-16-le" if flags & WIDE else "latin-1", "replace"), CELL_LETTERS)


def _short(short: int) -> str:
    """A number kept in 30 bits: whole or the upper half of a fraction, perhaps a hundred times too large."""
    if short & 2:
        number: float = (short >> 2) - (1 << 30 if short & (1 << 31) else 0)
    else:
        (number,) = struct.unpack("<d", struct.pack("<Q", (short & ~3) << 32))
    return _number(number / 100 if short & 1 else number)


def _number(number: float) -> str:
    return f"{number:.15g}"


def _truth(value: int, *, is_error: bool) -> str:
    return ERRORS.get(value, NOT_THERE) if is_error else TRUTHS.get(value, "")


def _result(raw: bytes) -> str:
    """What a formula came to; a text comes in the record behind it."""
    if raw[6:] != b"\xff\xff":
        return _number(struct.unpack("<d", raw)[0])
    if raw[0] in (1, 2):
        return _truth(raw[2], is_error=raw[0] == 2)
    return ""
