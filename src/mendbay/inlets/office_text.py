"""The beginnings of text documents and slides of ISO/IEC 29500 (part 1, clauses 17 and 19; from memory).

Of a text its paragraphs are taken in order, those in tables and boxes among them; not what was struck out,
nor headers, footers and notes. Runs only in the process that makes previews.
"""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from contextlib import suppress

from mendbay.inlets.office_bounds import (
    MOST_PARAGRAPHS,
    MOST_SLIDE_LINES,
    MOST_SLIDES,
    PARAGRAPH_LETTERS,
    Held,
)
from mendbay.inlets.office_parts import relations
from mendbay.inlets.office_xml import Enough, Taker, take
from mendbay.inlets.office_zip import Archive
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow

BREAKS = {"tab": "\t", "br": "\n", "cr": "\n", "noBreakHyphen": "-"}


class _Paragraphs(Taker):
    """The first paragraphs that hold anything. A paragraph within another ends what came before it."""

    def __init__(self, most: int) -> None:
        self.found: list[MadeRow] = []
        self.goes_on = False
        self._most = most
        self._held = Held(PARAGRAPH_LETTERS)
        self._is_text = False
        self._left_out = 0

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name in ("Fallback", "del", "moveFrom"):  # what is said once more, was struck out or moved away
            self._left_out += 1
        elif name == "p":
            self.finish()
        elif name == "t":
            self._is_text = not self._left_out
        elif name in BREAKS and not given and not self._left_out:
            self._held.add(BREAKS[name])

    def text(self, data: str) -> None:
        if self._is_text:
            self._held.add(data)

    def end(self, name: str) -> None:
        if name in ("Fallback", "del", "moveFrom"):
            self._left_out -= 1
        elif name == "p":
            self.finish()
        elif name == "t":
            self._is_text = False

    def finish(self) -> None:
        """Puts the paragraph at hand to the others."""
        text = self._held.taken()
        if not text.strip():
            return
        if len(self.found) == self._most:
            self.goes_on = True
            raise Enough
        self.found.append(MadeRow(0, (text,)))


class _Slides(Taker):
    """What the slides are called, in the order they are shown."""

    def __init__(self) -> None:
        self.found: list[str] = []
        self.count = 0

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "sldId":
            self.count += 1
            if len(self.found) < MOST_SLIDES:
                self.found.append(given.get(":id", ""))

    def end(self, name: str) -> None:
        if name == "sldIdLst":
            raise Enough


def text_document(archive: Archive, main: str) -> MadeDocument:
    """The first paragraphs of a text whose main part is `main`."""
    return MadeDocument(
        DocumentKind.TEXT, (_piece(archive, main, MOST_PARAGRAPHS),), is_partial=not archive.is_whole
    )


def slides(archive: Archive, main: str) -> MadeDocument:
    """What the first slides say. `main` is the part that lists them; it need not be there."""
    listed = _Slides()
    take(archive, main, listed)
    related_to = relations(archive, main)
    parts = [related_to.get(one, ("", ""))[1] for one in listed.found]
    count = listed.count
    if not parts:  # the list is lost: their parts are called so by all who write them
        begin = f"{posixpath.dirname(main)}/slides/slide"
        parts = sorted(
            (one for one in archive.names() if one.startswith(begin)), key=lambda one: (len(one), one)
        )
        count, parts = len(parts), parts[:MOST_SLIDES]
    pieces = tuple(_piece(archive, one, MOST_SLIDE_LINES) for one in parts)
    return MadeDocument(DocumentKind.SLIDES, pieces, count, not archive.is_whole)


def _piece(archive: Archive, part: str, most: int) -> MadePiece:
    taker = _Paragraphs(most)
    is_whole = take(archive, part, taker)
    if not is_whole and not taker.goes_on:
        with suppress(Enough):
            taker.finish()  # what there is of the paragraph that breaks off
    return MadePiece(
        "", (), tuple(taker.found), taker.goes_on or not is_whole, is_wrong=part.lower() in archive.wrong
    )
