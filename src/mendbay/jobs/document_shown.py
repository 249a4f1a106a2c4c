"""What is shown of an office document, out of the text that was taken from it."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.quantity import count_text
from mendbay.files.text_preview import Line, Part, PartKind, shown_text
from mendbay.jobs.preview_port import COMPOUND, SAID_OF_ITSELF, DocumentKind, MadeDocument, MadePiece

ARCHIVE = b"PK\x03\x04"
"""How an archive begins that may be an office document (ISO/IEC 21320-1, from memory)."""
SIGNS = (
    b"[Content_Types].xml",
    b"xl/workbook.xml",
    b"word/document.xml",
    b"ppt/presentation.xml",
    b"META-INF/manifest.xml",
    b"mimetypeapplication/vnd.oasis.opendocument.",
)
"""Names of members that an office document has, as they stand in it, and few other archives."""


PLURALS = {DocumentKind.SHEETS: "sheets", DocumentKind.TEXT: "texts", DocumentKind.SLIDES: "slides"}
WRONG = "does not agree with its own checksum: something in it is not what was saved."


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A row of a sheet with its number and a text for each column, or a paragraph as its only text."""

    number: int
    cells: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class ShownPiece:
    """A sheet, a slide, or the whole of a text.

    Args:
        title: empty where it needs none.
        called: what it is, in words of our own.
        letters: the columns of a sheet; none of anything else.
        nothing: said where there is no row.
        doubt: what is known against it, as a sentence; empty without any.
    """

    title: Line
    called: str
    letters: tuple[str, ...]
    rows: tuple[ShownRow, ...]
    is_hidden: bool
    nothing: str
    doubt: str


@dataclass(frozen=True, slots=True)
class DocumentPreview:
    """The beginning of an office document. `further` are names of sheets whose rows are not shown."""

    made: MadeDocument
    pieces: tuple[ShownPiece, ...]
    further: tuple[Line, ...]


def is_document(data: bytes) -> bool:
    """Whether a file may be an office document, by its bytes: a compound file, or an archive with members of
    such names. Whether it is one is told by what takes the text out of it."""
    return data.startswith(COMPOUND) or (data.startswith(ARCHIVE) and any(one in data for one in SIGNS))


def document_shown(made: MadeDocument) -> DocumentPreview:
    """The same text as it can be shown, whatever it holds."""
    pieces = [_piece(made.kind, 0, one) for one in made.pieces if one.is_about]
    content = list(enumerate(made.content, 1))
    pieces += [_piece(made.kind, number, one) for number, one in content if one.is_read]
    further = [_title(made.kind, number, one) for number, one in content if not one.is_read]
    return DocumentPreview(made, tuple(pieces), tuple(further))


def _piece(kind: DocumentKind, number: int, made: MadePiece) -> ShownPiece:
    called = {
        DocumentKind.SHEETS: f"The first rows of sheet {number}",
        DocumentKind.TEXT: "The first paragraphs",
        DocumentKind.SLIDES: f"What slide {number} says",
    }[kind]
    called = SAID_OF_ITSELF if made.is_about else called
    rows = tuple(ShownRow(row.number, tuple(map(_cell, row.cells))) for row in made.rows)
    nothing = "What it holds is missing." if made.goes_on else "Nothing is written in it."
    doubt = f"This part {WRONG}" if made.is_wrong else ""
    letters = tuple(map(column_letters, made.columns))
    return ShownPiece(_title(kind, number, made), called, letters, rows, made.is_hidden, nothing, doubt)


def _cell(text: str | None) -> Line:
    return Line((Part(PartKind.ESCAPE, "text missing"),)) if text is None else shown_text(text)


def _title(kind: DocumentKind, number: int, made: MadePiece) -> Line:
    if made.name.strip():
        return shown_text(made.name)
    named = {DocumentKind.SHEETS: f"Sheet {number}, its name missing", DocumentKind.SLIDES: f"Slide {number}"}
    words = named.get(kind, "")
    return Line((Part(PartKind.TEXT, words),) if words else ())


def document_notes(shown: DocumentPreview, is_holed: bool) -> list[str]:
    """What is to be known of what is shown, in sentences.

    Args:
        is_holed: whether bytes of the file are missing.
    """
    made = shown.made
    said = [f"This is the text of a {made.kind} and nothing of how it looks."]
    if made.kind is DocumentKind.SHEETS:
        said.append("Values stand as they are stored, fractions to fifteen digits; empty rows are left out.")
        if made.has_dates:
            said.append("Days and times are told by the style of their cells and written year-month-day.")
    if made.is_legacy:
        said += _legacy_notes(made)
    if made.is_partial:
        why = "is missing or damaged" if is_holed else "is damaged, locked or larger than is read"
        said.append(f"Some of the document {why}, so that more may belong here; nothing is made up for it.")
    if made.is_wrong and not any(one.is_wrong for one in made.pieces):
        said.append(f"A part of the document {WRONG}")
    if any(one.goes_on for one in made.pieces):
        said.append("The document goes on behind what is shown.")
    if not made.content and not made.is_legacy:
        said.append(f"No {PLURALS[made.kind]} were found in it.")
    elif made.content and made.count > len(made.content):
        told = f"the first {count_text(len(made.content))} are told"
        said.append(f"It has {count_text(made.count)} {PLURALS[made.kind]}; {told}.")
    lines = [one for piece in shown.pieces for row in piece.rows for one in row.cells]
    if any(part.kind is PartKind.ESCAPE and part.text[0] == "\\" for line in lines for part in line.parts):
        said.append("Signs that are not seen, or turn the direction of text, are shown by their numbers.")
    return said


def _legacy_notes(made: MadeDocument) -> list[str]:
    said = ["It is of the binary kinds from before 2007: what was deleted may still be in the file, unseen."]
    if any(one.is_about for one in made.pieces):
        said.append("What it says of itself is as whoever made it left it, and proves nothing.")
    if not made.content:
        said.append("What is written in it was not found, or is kept in a way that is not read here.")
    elif made.kind is DocumentKind.SHEETS:
        said.append("How cells are written is not read: a day stands as a number of days.")
    return said


def column_letters(number: int) -> str:
    """The letters of a column: 1 is A, 27 is AA."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
