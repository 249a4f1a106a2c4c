"""The beginnings of documents of ISO/IEC 26300 (OpenDocument; from memory).

All three kinds keep what they say in `content.xml`. Of a cell the text that was shown is taken, or the value
itself where there is none. Runs only in the process that makes previews.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field

from mendbay.inlets.office_bounds import (
    CELL_LETTERS,
    MOST_COLUMNS,
    MOST_NAMED,
    MOST_PARAGRAPHS,
    MOST_READ,
    MOST_ROWS,
    MOST_SLIDE_LINES,
    MOST_SLIDES,
    NAME_LETTERS,
    PARAGRAPH_LETTERS,
    Held,
    cut,
)
from mendbay.inlets.office_xml import Enough, Taker, take
from mendbay.inlets.office_zip import Archive
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow

CONTENT = "content.xml"
KINDS = {
    "spreadsheet": DocumentKind.SHEETS,
    "text": DocumentKind.TEXT,
    "presentation": DocumentKind.SLIDES,
}
"""By the element in the body."""
ASIDE = ("annotation", "tracked-changes", "notes", "note", "forms", "sequence-decls")
"""What stands beside the text, or was struck out of it."""
VALUES = (":date-value", ":time-value", ":value", ":string-value", ":boolean-value")
HELD_CELLS = 64
MOST_REPEATED = 1 << 21


@dataclass(slots=True)
class _Piece:
    name: str = ""
    rows: list[tuple[int, dict[int, str]]] = field(default_factory=list)
    is_cut: bool = False
    is_read: bool = True


class _Content(Taker):
    """What a document says, of whichever kind it is."""

    def __init__(self) -> None:
        self.kind: DocumentKind | None = None
        self.pieces: list[_Piece] = []
        self.count = 0
        self._is_body = False
        self._aside = 0
        self._paragraphs = 0
        self._held = Held(PARAGRAPH_LETTERS)
        self._tables = 0
        self._row = self._column = 0
        self._row_times = 1
        self._cells: dict[int, str] = {}
        self._cell: Mapping[str, str] | None = None
        self._lines: list[str] = []

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if self._aside or name in ASIDE:
            self._aside += 1
        elif self.kind is None:
            if self._is_body:
                self._begin(name)
            self._is_body = name == "body"
        elif name in ("p", "h"):
            self._finish_paragraph()
            self._paragraphs += 1
        elif name == "s":
            self._held.add(" " * min(_times(given, ":c"), PARAGRAPH_LETTERS))
        elif name in ("tab", "line-break"):
            self._held.add("\t" if name == "tab" else "\n")
        elif self.kind is DocumentKind.SHEETS:
            self._start_in_sheet(name, given)
        elif self.kind is DocumentKind.SLIDES and name == "page":
            self._add_piece("", MOST_SLIDES, MOST_SLIDES)

    def text(self, data: str) -> None:
        if self._paragraphs and not self._aside:
            self._held.add(data)

    def end(self, name: str) -> None:
        if self._aside:
            self._aside -= 1
        elif name in ("p", "h") and self._paragraphs:
            self._finish_paragraph()
            self._paragraphs -= 1
        elif self.kind is DocumentKind.SHEETS:
            self._end_in_sheet(name)
        if name == "body":
            raise Enough

    def _begin(self, name: str) -> None:
        self.kind = KINDS.get(name)
        if self.kind is None:
            raise Enough
        if self.kind is DocumentKind.TEXT:
            self._add_piece("", 1, 1)

    def _add_piece(self, name: str, most: int, most_read: int) -> None:
        self.count += 1
        if self.count <= most:
            self.pieces.append(_Piece(cut(name, NAME_LETTERS), is_read=self.count <= most_read))
        self._row = 0

    @property
    def _at_hand(self) -> _Piece | None:
        """The piece that is being read; None where no more are."""
        piece = self.pieces[-1] if self.pieces and self.count == len(self.pieces) else None
        return piece if piece is not None and piece.is_read else None

    # ------------------------------------------------------------------ sheets

    def _start_in_sheet(self, name: str, given: Mapping[str, str]) -> None:
        if name == "table":
            self._tables += 1
            if self._tables == 1:
                self._add_piece(given.get(":name", ""), MOST_NAMED, MOST_READ)
        elif self._tables != 1:
            return  # a table in a cell
        elif name == "table-row":
            self._row_times = _times(given, ":number-rows-repeated")
            self._column, self._cells = 0, {}
        elif name in ("table-cell", "covered-table-cell"):
            self._cell, self._lines = given, []

    def _end_in_sheet(self, name: str) -> None:
        if name == "table":
            self._tables -= 1
        elif self._tables != 1:
            return
        elif name in ("table-cell", "covered-table-cell") and self._cell is not None:
            self._finish_cell(self._cell)
            self._cell = None
        elif name == "table-row":
            self.finish_row()

    def _finish_cell(self, given: Mapping[str, str]) -> None:
        times = _times(given, ":number-columns-repeated")
        text = "\n".join(self._lines) or next((given[one] for one in VALUES if given.get(one)), "")
        piece = self._at_hand
        if text and piece is not None:
            room = HELD_CELLS - len(self._cells)
            piece.is_cut |= times > room
            for number in range(min(times, room)):
                self._cells[self._column + 1 + number] = cut(text, CELL_LETTERS)
        self._column += times

    def finish_row(self) -> None:
        """Puts the row at hand, as often as it is said to be there, to the others."""
        piece, times = self._at_hand, self._row_times
        if piece is not None and self._cells:
            room = MOST_ROWS - len(piece.rows)
            piece.is_cut |= times > room
            piece.rows += [(self._row + 1 + number, self._cells) for number in range(min(times, room))]
        self._row += times
        self._row_times, self._cells = 1, {}

    # ------------------------------------------------------------------ paragraphs

    def _finish_paragraph(self) -> None:
        text, piece = self._held.taken(), self._at_hand
        if self.kind is DocumentKind.SHEETS:
            if text and self._tables == 1 and len(self._lines) < MOST_ROWS:
                self._lines.append(text)
            return
        if not text.strip() or piece is None:
            return
        most = MOST_PARAGRAPHS if self.kind is DocumentKind.TEXT else MOST_SLIDE_LINES
        if len(piece.rows) < most:
            piece.rows.append((0, {0: text}))
            return
        piece.is_cut = True
        if self.kind is DocumentKind.TEXT:
            raise Enough

    def break_off(self) -> None:
        """Puts what there is of the paragraph and the row at hand to the others."""
        piece = self._at_hand
        with suppress(Enough):
            self._finish_paragraph()
        if self.kind is DocumentKind.SHEETS:
            if self._cell is not None:
                self._finish_cell(self._cell)
            self.finish_row()
        if piece is not None:
            piece.is_cut = True


def document(archive: Archive) -> MadeDocument | None:
    """The beginning of a document of any of the three kinds; None of what is none of them."""
    content = _Content()
    if not take(archive, CONTENT, content):
        content.break_off()
    if content.kind is None:
        return None
    return MadeDocument(content.kind, tuple(map(_made, content.pieces)), content.count, not archive.is_whole)


def _made(piece: _Piece) -> MadePiece:
    used = sorted({column for _, cells in piece.rows for column in cells})
    columns = used[:MOST_COLUMNS]
    rows = tuple(
        MadeRow(number, tuple(cells.get(column, "") for column in columns)) for number, cells in piece.rows
    )
    goes_on = piece.is_cut or len(used) > len(columns)
    shown = tuple(columns) if columns != [0] else ()
    return MadePiece(piece.name, shown, rows, goes_on, is_read=piece.is_read)


def _times(given: Mapping[str, str], key: str) -> int:
    said = given.get(key, "1")
    return min(int(said), MOST_REPEATED) if said.isascii() and said.isdigit() and len(said) < 9 else 1
