"""What the first slides of a binary presentation say.

After [MS-PPT], PowerPoint binary file format (published specification, from memory): its records lie in each
other; a list of the newest place of each slide is kept, and older ones stay in the file unseen. Runs only in
the process that makes previews.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from mendbay.inlets.office_bounds import MOST_SLIDE_LINES, MOST_SLIDES, PARAGRAPH_LETTERS, cut
from mendbay.inlets.office_cfb import Compound
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow, NoPreview

STREAM, USER = "PowerPoint Document", "Current User"
LOCKED = 0xF3D1C4DF
"""Stands for a presentation that is encrypted."""
DOCUMENT, SLIDE_LIST, SLIDE_PLACE, SLIDE = 0x03E8, 0x0FF0, 0x03F3, 0x03EE
LETTERS, BYTES = 0x0FA0, 0x0FA8
EDIT, PLACES = 0x0FF5, 0x1772
CONTAINER = 0xF
MOST_RECORDS = 100_000
MOST_EDITS = 1_000
MOST_DEEP = 24


def slides(document: Compound) -> MadeDocument | NoPreview | None:
    """What the slides say, in their order; None where no list of them can be followed, and why where it is
    locked."""
    user = document.stream(USER).data
    if len(user) < 20:
        return None
    token, edit = struct.unpack_from("<II", user, 12)
    if token == LOCKED:
        return NoPreview("The document is locked with a password, so that its text cannot be had")
    data = document.stream(STREAM).data
    file = _Slides(data)
    first, places = file.places(edit)
    listed = list(file.listed(places.get(first, len(data))))
    if not listed:
        return None
    pieces = []
    for place, said in listed[:MOST_SLIDES]:
        lines = list(said)
        at = places.get(place, len(data))
        lines += [one for one in file.texts(at, SLIDE) if one not in lines]
        rows = tuple(MadeRow(0, (one,)) for one in lines[:MOST_SLIDE_LINES])
        goes_on = len(lines) > MOST_SLIDE_LINES or at >= len(data)
        pieces.append(MadePiece("", (), rows, goes_on))
    is_partial = not document.is_whole or file.is_broken
    return MadeDocument(DocumentKind.SLIDES, tuple(pieces), len(listed), is_partial)


class _Slides:
    """The records of a presentation. `is_broken` tells whether one did not lie within the file."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._left = MOST_RECORDS
        self.is_broken = False

    def places(self, edit: int) -> tuple[int, dict[int, int]]:
        """The number of the document's record, and the newest place of each record by its number. Every edit
        names the one before it, which lies before it in the file."""
        found: dict[int, int] = {}
        first = 0
        for _ in range(MOST_EDITS):
            body = self._body(edit, EDIT)
            if len(body) < 20:
                self.is_broken = True
                break
            before, table, document = struct.unpack_from("<III", body, 8)
            first = first or document
            for number, place in self._table(table):
                found.setdefault(number, place)
            if not before or before >= edit:
                break
            edit = before
        return first, found

    def _table(self, at: int) -> Iterator[tuple[int, int]]:
        body, place = self._body(at, PLACES), 0
        while place + 4 <= len(body):
            (head,) = struct.unpack_from("<I", body, place)
            first, count = head & 0xFFFFF, head >> 20
            count = min(count, (len(body) - place - 4) // 4)
            yield from enumerate(struct.unpack_from(f"<{count}I", body, place + 4), first)
            place += 4 + 4 * max(count, 1)

    def _body(self, at: int, kind: int) -> bytes:
        """The inside of the record at a place; empty if none of that kind is there."""
        if at + 8 > len(self._data):
            return b""
        _, found, length = struct.unpack_from("<HHI", self._data, at)
        return self._data[at + 8 : at + 8 + length] if found == kind else b""

    def listed(self, at: int) -> Iterator[tuple[int, tuple[str, ...]]]:
        """Each slide's number, and the texts that the list itself keeps of it."""
        number, texts = 0, list[str]()
        for instance, kind, start, stop in self._inside(at, DOCUMENT):
            if kind != SLIDE_LIST or instance != 0:
                continue
            for _, inner, begin, end in self._records(start, stop):
                if inner == SLIDE_PLACE and end - begin >= 4:
                    if number:
                        yield number, tuple(texts)
                    (number,), texts = struct.unpack_from("<I", self._data, begin), []
                elif number and (text := self._text(inner, begin, end)):
                    texts.append(text)
        if number:
            yield number, tuple(texts)

    def texts(self, at: int, kind: int) -> Iterator[str]:
        """All texts of the container at a place, if it is of that kind."""
        if not self._body(at, kind):
            return
        (length,) = struct.unpack_from("<I", self._data, at + 4)
        yield from self._texts(at + 8, min(at + 8 + length, len(self._data)), MOST_DEEP)

    def _texts(self, start: int, stop: int, deep: int) -> Iterator[str]:
        for head, kind, begin, end in self._records(start, stop):
            if head < 0 and deep:
                yield from self._texts(begin, end, deep - 1)
            elif text := self._text(kind, begin, end):
                yield text

    def _text(self, kind: int, begin: int, end: int) -> str:
        if kind not in (LETTERS, BYTES):
            return ""
        raw = self._data[begin : min(end, begin + 4 * PARAGRAPH_LETTERS)]
        text = raw.decode("utf-16-le" if kind == LETTERS else "latin-1", "replace")
        return cut(text.replace("\r", "\n").replace("\x0b", "\n").strip(), PARAGRAPH_LETTERS)

    def _inside(self, at: int, kind: int) -> Iterator[tuple[int, int, int, int]]:
        if self._body(at, kind):
            (length,) = struct.unpack_from("<I", self._data, at + 4)
            for head, inner, begin, end in self._records(at + 8, at + 8 + length):
                yield (-1 - head if head < 0 else head), inner, begin, end

    def _records(self, start: int, stop: int) -> Iterator[tuple[int, int, int, int]]:
        """Instance, kind, begin and end of each record in a row; of containers -1 less the instance."""
        stop = min(stop, len(self._data))
        while start + 8 <= stop:
            if self._left <= 0:
                self.is_broken = True
                return
            self._left -= 1
            head, kind, length = struct.unpack_from("<HHI", self._data, start)
            begin, end = start + 8, start + 8 + length
            if end > stop:
                self.is_broken = True
                end = stop
            instance = head >> 4
            yield (-1 - instance if head & 0xF == CONTAINER else instance), kind, begin, end
            start = end
