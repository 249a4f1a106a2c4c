"""What passes between whoever makes previews and the process that decodes for it.

To it go the longest side wanted and the page of a PDF (0 for a picture), each as four bytes, big-endian, then
the file. A side of 0 asks for the text of an office document: before the file stand how many ranges of it are
missing, and where each begins and ends, as four bytes each. From it comes the length of a JSON text as four
bytes, the text, then the picture made. That process has handled hostile bytes, so what it sends is held
against what it must be before anybody is given it: a JPEG or PNG file of the size told, of nothing but what
the picture itself needs; or texts within their bounds.
"""

from __future__ import annotations

import json
import struct
import zlib
from typing import Any

from mendbay.board.sighting_text import UNFIT, NotAReading
from mendbay.core.span import Span, SpanSet
from mendbay.inlets import office_bounds
from mendbay.jobs.preview_port import (
    DocumentKind,
    MadeDocument,
    MadePicture,
    MadePiece,
    MadeRow,
    NoPreview,
)

NUMBER = struct.Struct(">I")
MOST_WORDS = 300
MOST_COUNT = 1 << 21
PNG_SIGN = b"\x89PNG\r\n\x1a\n"
PNG_CHUNKS = frozenset((b"IHDR", b"PLTE", b"IDAT", b"IEND"))
JPEG_SIZE = frozenset((0xC0, 0xC1, 0xC2))
"""Segments that begin the picture and tell its size (ITU-T T.81, B.1.1.3): those made of Huffman codes."""
JPEG_SEGMENTS = JPEG_SIZE | {0xC4, 0xDB, 0xDD}
"""With these: tables of codes, of steps, and the interval between restarts."""
JFIF_BYTES = 16
"""Length of a JFIF header without a preview of its own (ITU-T T.871, 10.1)."""


def asked(data: bytes, side: int, page: int = 0) -> bytes:
    """The message that asks for a preview of at most `side` pixels: of a picture, or of a page of a PDF."""
    return NUMBER.pack(side) + NUMBER.pack(page) + data


def parts_of(message: bytes) -> tuple[int, int, bytes]:
    """Side, page and file of a message that `asked` made."""
    side, page = struct.unpack_from(">II", message)
    return side, page, message[2 * NUMBER.size :]


def with_holes(document: bytes, holes: SpanSet) -> bytes:
    """A document and what is missing of it, to be asked about with a side of 0."""
    ends = [end for one in holes for end in (one.start, one.stop)]
    return struct.pack(f">I{len(ends)}I", len(ends) // 2, *ends) + document


def document_of(data: bytes) -> tuple[bytes, SpanSet]:
    """What `with_holes` put together."""
    (count,) = NUMBER.unpack_from(data)
    ends = struct.unpack_from(f">{2 * count}I", data, NUMBER.size)
    holes = SpanSet(Span(*ends[at : at + 2]) for at in range(0, len(ends), 2))
    return data[NUMBER.size * (1 + len(ends)) :], holes


def answered(answer: MadePicture | MadeDocument | NoPreview) -> bytes:
    """An answer as bytes."""
    if isinstance(answer, NoPreview):
        said: dict[str, Any] = {
            "what": answer.what,
            "next_step": answer.next_step,
            "again": answer.again,
            "beyond": answer.beyond,
            "is_other": answer.is_other,
        }
        data = b""
    elif isinstance(answer, MadeDocument):
        said, data = _document_said(answer), b""
    else:
        said = {
            "size": [answer.width, answer.height],
            "of": [answer.of_width, answer.of_height],
            "is_partial": answer.is_partial,
            "pictures": answer.pictures,
        }
        data = answer.data
    text = json.dumps(said).encode()
    return NUMBER.pack(len(text)) + text + data


def answer_of(message: bytes, side: int) -> MadePicture | NoPreview:
    """The answer in a message.

    Raises:
        NotAReading: it is none, or not to what was asked.
    """
    try:
        said, data = _said(message)
        if "what" in said:
            return _none(said)
        (width, height), (of_width, of_height) = map(_count, said["size"]), map(_count, said["of"])
        pictures = _count(said["pictures"])
        if max(width, height) > side:
            raise NotAReading("a picture larger than was asked for")
        mime, found = _looked_at(data)
    except (KeyError, TypeError, ValueError, RecursionError, struct.error, IndexError) as trouble:
        raise NotAReading(str(trouble)[:200]) from None
    if found != (width, height):
        raise NotAReading("a picture of another size than was told")
    return MadePicture(data, mime, width, height, of_width, of_height, said["is_partial"] is True, pictures)


def document_answer_of(message: bytes) -> MadeDocument | NoPreview:
    """The answer in a message to what was asked of a document.

    Raises:
        NotAReading: it is none.
    """
    try:
        said, data = _said(message)
        if "what" in said:
            return _none(said)
        pieces = tuple(map(_piece, said["pieces"]))
        found = MadeDocument(
            DocumentKind(said["kind"]),
            pieces,
            _count(said["count"], least=0),
            said["is_partial"] is True,
            said["has_dates"] is True,
            said["is_wrong"] is True,
            said["is_legacy"] is True,
        )
    except (KeyError, TypeError, ValueError, RecursionError, struct.error, IndexError) as trouble:
        raise NotAReading(str(trouble)[:200]) from None
    if len(found.content) > found.count or len(pieces) - len(found.content) > 1:
        raise NotAReading("more pieces than the document has")
    if data or len(found.content) > office_bounds.MOST_NAMED or office_bounds.within(found) != found:
        raise NotAReading("more of a document than is shown")
    return found


def _said(message: bytes) -> tuple[Any, bytes]:
    length = NUMBER.unpack_from(message)[0]
    text, data = message[NUMBER.size : NUMBER.size + length], message[NUMBER.size + length :]
    return json.loads(text), data


def _none(said: Any) -> NoPreview:
    return NoPreview(
        _words(said["what"]),
        _words(said["next_step"]),
        said["again"] is True,
        said["beyond"] is True,
        said["is_other"] is True,
    )


def _document_said(made: MadeDocument) -> dict[str, Any]:
    return {
        "kind": made.kind,
        "count": made.count,
        "is_partial": made.is_partial,
        "has_dates": made.has_dates,
        "is_wrong": made.is_wrong,
        "is_legacy": made.is_legacy,
        "pieces": [
            {
                "name": one.name,
                "columns": one.columns,
                "rows": [[row.number, row.cells] for row in one.rows],
                "goes_on": one.goes_on,
                "is_hidden": one.is_hidden,
                "is_read": one.is_read,
                "is_wrong": one.is_wrong,
                "is_about": one.is_about,
            }
            for one in made.pieces
        ],
    }


def _piece(said: Any) -> MadePiece:
    columns = tuple(map(_count, said["columns"]))
    rows = tuple(
        MadeRow(_count(number, least=0), tuple(None if one is None else _text(one) for one in cells))
        for number, cells in said["rows"]
    )
    width = len(columns) or 1
    if any(len(row.cells) != width for row in rows) or width > office_bounds.MOST_COLUMNS:
        raise NotAReading("a row that does not fit its columns")
    if len(rows) > office_bounds.MOST_PARAGRAPHS:
        raise NotAReading("more rows than are shown")
    flags = (said[key] is True for key in ("goes_on", "is_hidden", "is_read", "is_wrong", "is_about"))
    return MadePiece(_text(said["name"]), columns, rows, *flags)


def _text(value: Any) -> str:
    """A text of a document, whatever signs it holds: they are escaped where it is shown."""
    if not isinstance(value, str) or len(value) > office_bounds.PARAGRAPH_LETTERS:
        raise NotAReading("not a text, or too long")
    return value


def _words(value: Any) -> str:
    if not isinstance(value, str) or len(value) > MOST_WORDS or UNFIT.search(value):
        raise NotAReading("no words that can be shown")
    return value


def _count(value: Any, least: int = 1) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= MOST_COUNT:
        raise NotAReading("not a count")
    return value


def _looked_at(data: bytes) -> tuple[str, tuple[int, int]]:
    """Type and size of a file that holds a picture and nothing else."""
    if data.startswith(PNG_SIGN):
        return "image/png", _png_size(data)
    if data.startswith(b"\xff\xd8"):
        return "image/jpeg", _jpeg_size(data)
    raise NotAReading("neither JPEG nor PNG")


def _png_size(data: bytes) -> tuple[int, int]:
    """Width and height (W3C PNG, 5.3 and 11.2.2); the checksum of every chunk is held."""
    at, kinds = len(PNG_SIGN), []
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        kinds.append(kind)
        stop = at + 8 + length
        (crc,) = NUMBER.unpack_from(data, stop)
        if kind not in PNG_CHUNKS or crc != zlib.crc32(data[at + 4 : stop]):
            raise NotAReading("a chunk that does not belong")
        at = stop + 4
    if kinds[0] != b"IHDR" or kinds[-1] != b"IEND" or kinds.count(b"IHDR") + kinds.count(b"IEND") != 2:
        raise NotAReading("chunks out of order")
    width, height = struct.unpack_from(">II", data, len(PNG_SIGN) + 8)
    return width, height


def _jpeg_size(data: bytes) -> tuple[int, int]:
    """Width and height (ITU-T T.81, B.2)."""
    at, size = 2, None
    while True:
        sign, marker = data[at], data[at + 1]
        if sign != 0xFF:
            raise NotAReading("no marker where one must be")
        if marker == 0xD9:
            if at + 2 != len(data) or size is None:
                raise NotAReading("more behind the end, or nothing before it")
            return size
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        is_jfif = marker == 0xE0 and length == JFIF_BYTES and data[at + 4 : at + 9] == b"JFIF\0"
        if length < 2 or not (is_jfif or marker == 0xDA or marker in JPEG_SEGMENTS):
            raise NotAReading("a segment that does not belong")
        if marker in JPEG_SIZE:
            if size is not None:
                raise NotAReading("two sizes")
            height, width = struct.unpack_from(">HH", data, at + 5)
            size = (width, height)
        at += 2 + length
        if marker == 0xDA:
            at = _scan_end(data, at)


def _scan_end(data: bytes, at: int) -> int:
    """Where the next marker after the codes of a scan stands: stuffed zeros and restarts are none."""
    while True:
        at = data.index(b"\xff", at)
        if data[at + 1] == 0 or 0xD0 <= data[at + 1] <= 0xD7:
            at += 2
        else:
            return at
