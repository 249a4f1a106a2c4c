"""How much of an office document is shown, and the one budget of letters it is taken out of.

The bounds are own choices: what fits a page that is looked at for a moment.
"""

from __future__ import annotations

from dataclasses import replace

from mendbay.jobs.preview_port import MadeDocument, MadeRow

MOST_NAMED = 60
"""Sheets whose names are told."""
MOST_READ = 6
"""Sheets of which rows are shown."""
MOST_SLIDES = 20
MOST_ROWS = 40
MOST_COLUMNS = 16
MOST_PARAGRAPHS = 120
MOST_SLIDE_LINES = 40
CELL_LETTERS = 200
PARAGRAPH_LETTERS = 1000
NAME_LETTERS = 80
MOST_LETTERS = 200_000
"""In the whole of what is shown."""


def cut(text: str, most: int) -> str:
    """The text, or what of it has room, which then ends in an ellipsis."""
    return text if len(text) <= most else text[: most - 1] + "…"


class Held:
    """Text that comes in pieces, of which no more is held than is shown."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._pieces: list[str] = []
        self._letters = 0

    def add(self, text: str) -> None:
        if self._letters <= self._most:
            text = text[: self._most + 1 - self._letters]
            self._pieces.append(text)
            self._letters += len(text)

    def taken(self) -> str:
        """What was added since the last time."""
        text = cut("".join(self._pieces), self._most)
        self._pieces, self._letters = [], 0
        return text


def within(document: MadeDocument) -> MadeDocument:
    """The document with no more than `MOST_LETTERS`: rows behind that are left out, and it is told."""
    left = MOST_LETTERS
    pieces = []
    for piece in document.pieces:
        rows: list[MadeRow] = []
        for row in piece.rows:
            left -= sum(len(one or "") for one in row.cells)
            if left < 0:
                break
            rows.append(row)
        goes_on = piece.goes_on or len(rows) < len(piece.rows)
        pieces.append(replace(piece, rows=tuple(rows), goes_on=goes_on))
    return replace(document, pieces=tuple(pieces))
