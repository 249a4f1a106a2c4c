"""One part of an office document through a parser of XML that knows no declarations of a document's own.

A part that begins a document type, and with it entities, is refused: no office document has one. Nothing
outside is ever asked for. How deep elements lie, how many there are and how long one token is have limits.
Names are taken without their namespaces, since both editions of a standard have their own: an element's
is what follows it, an attribute's of a namespace stands behind a colon (`:id` beside `id`). Runs only in the
process that makes previews.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from xml.parsers import expat

from mendbay.inlets.office_zip import Archive, Broken

DEPTH = 200
MOST_ELEMENTS = 1_000_000
"""In all parts together."""
TOKEN_BYTES = 4 << 20
"""Read without an element or a text coming of it."""
CODINGS = ("utf-8", "utf-16", "us-ascii", "iso-8859-1")


class Enough(Exception):
    """What was looked for is there."""


class Taker:
    """Is told what a part holds; takes what it wants. May raise `Enough`."""

    def start(self, name: str, given: Mapping[str, str]) -> None:
        """An element begins."""

    def end(self, name: str) -> None:
        """It ends."""

    def text(self, data: str) -> None:
        """Text within it, in pieces of any length."""


def take(archive: Archive, part: str, taker: Taker, *, check: bool = True) -> bool:
    """Tells a part's elements and texts to `taker`, as far as it goes. `archive` notes what is not whole.

    Args:
        check: what is behind enough of it is unpacked as well, if that is not too much, and the whole held
            against its checksum.

    Returns:
        Whether it was whole, or was enough and nothing is known against it.
    """
    is_whole = _taken(archive, part, taker, check)
    archive.is_whole &= is_whole
    return is_whole


def _taken(archive: Archive, part: str, taker: Taker, check: bool) -> bool:
    walk = _Walk(archive, taker)
    chunks = archive.chunks(part)
    try:
        for chunk in chunks:
            walk.feed(chunk)
        walk.close()
    except Enough:
        return not check or _agrees(archive, chunks)
    except (Broken, expat.ExpatError, ValueError, LookupError):  # the last two: a coding that is none
        return False
    return True


def _agrees(archive: Archive, rest: Iterator[bytes]) -> bool:
    try:
        for _ in rest:
            if not archive.has_room:
                return True
    except Broken:
        return False
    return True


class _Walk:
    def __init__(self, archive: Archive, taker: Taker) -> None:
        self._archive = archive
        self._taker = taker
        self._depth = self._fed = self._told = 0
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        parser.buffer_text = True
        parser.XmlDeclHandler = self._declared
        parser.StartDoctypeDeclHandler = self._refuse
        parser.EntityDeclHandler = self._refuse
        parser.ExternalEntityRefHandler = self._refuse
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        self._parser = parser

    def feed(self, chunk: bytes) -> None:
        self._fed += len(chunk)
        if self._fed - self._told > TOKEN_BYTES:
            raise Broken("one token is longer than is read")
        self._parser.Parse(chunk, False)

    def close(self) -> None:
        self._parser.Parse(b"", True)

    def _declared(self, version: str, coding: str | None, standalone: int) -> None:
        if coding is not None and coding.lower() not in CODINGS:
            raise Broken("a coding that is not read")

    def _refuse(self, *given: object) -> int:
        raise Broken("a document type or an entity, which no office document has")

    def _start(self, name: str, given: dict[str, str]) -> None:
        self._told = self._fed
        self._depth += 1
        self._archive.elements += 1
        if self._depth > DEPTH or self._archive.elements > MOST_ELEMENTS:
            raise Broken("more elements than are read")
        held: dict[str, str] = {}
        for key, value in given.items():
            space, _, local = key.rpartition(" ")
            held.setdefault(f":{local}" if space else local, value)
        self._taker.start(name.rpartition(" ")[2], held)

    def _end(self, name: str) -> None:
        self._told = self._fed
        self._depth -= 1
        self._taker.end(name.rpartition(" ")[2])

    def _text(self, data: str) -> None:
        self._told = self._fed
        self._taker.text(data)
