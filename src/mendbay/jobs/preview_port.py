"""What makes previews of pictures, as a protocol. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from types import TracebackType
from typing import Protocol, Self

from mendbay.core.span import SpanSet
from mendbay.jobs.ports import never

PICTURE_BYTES = 64 << 20
"""The largest file of which a preview is made."""
PDF_BYTES = 8 << 20
"""The largest PDF of which pages are shown."""
DOCUMENT_BYTES = 32 << 20
"""The largest office document out of which text is taken."""
MOST_HOLES = 10_000
"""Missing ranges of a document that are told to what takes text out of it."""
COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""How a compound file begins, which a document of the binary kinds is ([MS-CFB] 2.2, from memory)."""
SAID_OF_ITSELF = "What the file says of itself"
"""Name of the piece of a document that is none of its content."""
THUMBNAIL_SIDE = 320
LARGE_SIDE = 1600


@dataclass(frozen=True, slots=True)
class MadePicture:
    """A picture made anew from what a file shows: nothing of the file's own bytes is in it.

    Args:
        data: a JPEG or PNG file, as `mime` says.
        width, height: in pixels.
        of_width, of_height: of the picture in the file, as it is shown.
        is_partial: whether the file broke off or was damaged, so that a part of it may be grey or wrong.
            That it is not does not prove the file whole.
        pictures: how many the file holds, where it says so; the first is shown.
    """

    data: bytes
    mime: str
    width: int
    height: int
    of_width: int
    of_height: int
    is_partial: bool = False
    pictures: int = 1


@dataclass(frozen=True, slots=True)
class NoPreview:
    """Why there is no preview, and what to do; each a sentence.

    `again` says that another try may give one: nothing is known against the file itself. `beyond` says that
    there is no such page, while the first can be drawn. `is_other` says that the file is of another kind than
    was asked for.
    """

    what: str
    next_step: str = ""
    again: bool = False
    beyond: bool = False
    is_other: bool = False


class DocumentKind(StrEnum):
    """What an office document is."""

    SHEETS = "spreadsheet"
    TEXT = "text document"
    SLIDES = "set of slides"


@dataclass(frozen=True, slots=True)
class MadeRow:
    """A row of a sheet with a text for each column, or a paragraph as its only text. As hostile as the file:
    whoever shows it escapes it.

    Args:
        cells: None for a text that is kept elsewhere in the document and could not be read.
        number: of the row in its sheet, the first is 1; 0 for a paragraph.
    """

    number: int
    cells: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class MadePiece:
    """A sheet, a slide, or the whole of a text.

    Args:
        name: as the file has it; empty where it has none, or none is left.
        columns: of a sheet, those with a value in the rows shown; the first is 1.
        rows: the first that hold anything.
        goes_on: there is more than is shown.
        is_hidden: the program that made it would not show it.
        is_read: its rows were looked for; of sheets and slides behind the first ones only the name is told.
        is_wrong: it does not agree with its checksum in the document: something in it is not what was saved.
        is_about: it is none of the document's content, but what the file says of itself: title, author.
    """

    name: str
    columns: tuple[int, ...]
    rows: tuple[MadeRow, ...]
    goes_on: bool = False
    is_hidden: bool = False
    is_read: bool = True
    is_wrong: bool = False
    is_about: bool = False


@dataclass(frozen=True, slots=True)
class MadeDocument:
    """The beginning of an office document as text.

    Args:
        count: how many sheets or slides it has; there may be fewer pieces.
        is_partial: something of it is damaged, missing or larger than is read, so that more may belong here.
        is_wrong: some part, a piece or what pieces share, does not agree with its checksum.
        is_legacy: it is of the binary kinds, of which less is read.
        has_dates: days or times are among the values of a sheet, told by their style and written anew.
    """

    kind: DocumentKind
    pieces: tuple[MadePiece, ...]
    count: int = 1
    is_partial: bool = False
    has_dates: bool = False
    is_wrong: bool = False
    is_legacy: bool = False

    @property
    def content(self) -> tuple[MadePiece, ...]:
        """The pieces that are of what is written in it."""
        return tuple(one for one in self.pieces if not one.is_about)


class Previews(Protocol):
    """Makes small pictures of pictures and takes text out of documents; may be asked from several threads at
    once.
    """

    def picture(
        self, data: bytes, *, large: bool = False, stop: Callable[[], bool] = never
    ) -> MadePicture | NoPreview:
        """A picture of at most `LARGE_SIDE` or `THUMBNAIL_SIDE` pixels on its longer side, upright, from the
        bytes of a picture's file, or why there is none. Nothing a file holds makes this raise.

        Args:
            stop: whether nobody waits for it any more.

        Raises:
            ToolMissing: the libraries for pictures are not installed, or their process does not start.
        """
        ...

    def page(self, pdf: bytes, number: int, *, stop: Callable[[], bool] = never) -> MadePicture | NoPreview:
        """A page of a PDF (the first is 1) as a picture of at most `LARGE_SIDE` pixels, or why there is none.
        `pictures` of it is above the number where more pages come.

        Raises:
            ToolMissing: as `picture`.
        """
        ...

    def document(
        self, data: bytes, holes: SpanSet, *, stop: Callable[[], bool] = never
    ) -> MadeDocument | NoPreview:
        """The beginning of an office document as text, or why there is none. Nothing that is shown rests on
        bytes of `holes`, which may hold anything.

        Raises:
            ToolMissing: as `picture`.
        """
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
