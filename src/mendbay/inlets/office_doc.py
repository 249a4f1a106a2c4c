"""The first paragraphs of a binary text document.

After [MS-DOC], word binary file format (published specification, from memory): the text lies in pieces, which
a table names in the order they are read. Runs only in the process that makes previews.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from mendbay.inlets.office_bounds import MOST_PARAGRAPHS, PARAGRAPH_LETTERS, Held
from mendbay.inlets.office_cfb import Compound
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow, NoPreview

STREAM = "WordDocument"
IDENT = 0xA5EC
FIRST_OF_97 = 0x00C1
"""The oldest version whose text lies as it is read here."""
ENCRYPTED, SECOND_TABLE = 0x0100, 0x0200
"""Bits of the flags at its beginning."""
LETTERS_AT, PIECES_AT = 0x4C, 0x01A2
"""Where the count of letters of the text itself stands, and place and length of the table of its pieces."""
PROPERTIES, PIECES = 1, 2
COMPRESSED = 1 << 30
"""A piece is of one byte a letter (Windows' Latin letters); else of two."""
MOST_LETTERS = 400_000
"""Looked at for paragraphs."""
FIELD, FIELD_RESULT, FIELD_END = "\x13", "\x14", "\x15"
ENDS = "\r\x07\x0c"
"""Ends of a paragraph, of a cell of a table, of a page."""
AS_SEEN = {"\x0b": "\n", "\x1e": "-", "\t": "\t"}


def text_document(document: Compound) -> MadeDocument | NoPreview | None:
    """The first paragraphs; None where its text cannot be had, and why where it is locked."""
    main = document.stream(STREAM)
    data = main.data
    if len(data) < PIECES_AT + 8 or struct.unpack_from("<H", data)[0] != IDENT:
        return None
    version, flags = struct.unpack_from("<H", data, 2)[0], struct.unpack_from("<H", data, 0x0A)[0]
    if flags & ENCRYPTED:
        return NoPreview("The document is locked with a password, so that its text cannot be had")
    if version < FIRST_OF_97:
        return None
    table = document.stream("1Table" if flags & SECOND_TABLE else "0Table").data
    place, length = struct.unpack_from("<II", data, PIECES_AT)
    (letters,) = struct.unpack_from("<I", data, LETTERS_AT)
    pieces = _pieces(table[place : place + length])
    if not pieces:
        return None
    taken = _Taken()
    for text, is_whole in _texts(data, pieces, min(letters, MOST_LETTERS)):
        taken.add(text)
        if not is_whole:
            document.is_whole = False
            break
        if taken.goes_on:
            break
    taken.end()
    goes_on = taken.goes_on or letters > MOST_LETTERS or not document.is_whole
    piece = MadePiece("", (), tuple(taken.rows), goes_on)
    return MadeDocument(DocumentKind.TEXT, (piece,), is_partial=not document.is_whole)


def _pieces(table: bytes) -> list[tuple[int, int, int]]:
    """First letter, first letter behind, and place of each piece; none where the table is damaged."""
    at = 0
    while at + 3 <= len(table) and table[at] == PROPERTIES:
        at += 3 + int(struct.unpack_from("<H", table, at + 1)[0])
    if at + 5 > len(table) or table[at] != PIECES:
        return []
    (length,) = struct.unpack_from("<I", table, at + 1)
    count = (min(length, len(table) - at - 5) - 4) // 12
    if count <= 0:
        return []
    letters = struct.unpack_from(f"<{count + 1}I", table, at + 5)
    places = at + 5 + 4 * (count + 1)
    found = list[tuple[int, int, int]]()
    for number in range(count):
        first, stop = letters[number : number + 2]
        if stop < first:
            return []
        (place,) = struct.unpack_from("<I", table, places + 8 * number + 2)
        found.append((first, stop, place))
    return found


def _texts(data: bytes, pieces: list[tuple[int, int, int]], letters: int) -> Iterator[tuple[str, bool]]:
    """The text of each piece up to so many letters, and whether it is all there."""
    for first, stop, place in pieces:
        count = min(stop, letters) - first
        if count <= 0:
            return
        each = 1 if place & COMPRESSED else 2
        at = (place & (COMPRESSED - 1)) // (2 if each == 1 else 1)
        raw = data[at : at + count * each]
        text = raw.decode("cp1252" if each == 1 else "utf-16-le", "replace")
        yield text, len(raw) == count * each


class _Taken:
    """Paragraphs out of letters as they are stored; what is a field's own wording is left out."""

    def __init__(self) -> None:
        self.rows: list[MadeRow] = []
        self.goes_on = False
        self._held = Held(PARAGRAPH_LETTERS)
        self._fields: list[bool] = []

    def add(self, text: str) -> None:
        for one in text:
            if one == FIELD:
                self._fields.append(False)
            elif one == FIELD_RESULT and self._fields:
                self._fields[-1] = True
            elif one == FIELD_END and self._fields:
                self._fields.pop()
            elif not all(self._fields):
                continue
            elif one in ENDS:
                self.end()
                if self.goes_on:
                    return
            elif one >= " " or one in AS_SEEN:
                self._held.add(AS_SEEN.get(one, one))

    def end(self) -> None:
        """Puts the paragraph at hand to the others."""
        text = self._held.taken()
        if not text.strip():
            return
        if len(self.rows) == MOST_PARAGRAPHS:
            self.goes_on = True
            return
        self.rows.append(MadeRow(0, (text,)))
