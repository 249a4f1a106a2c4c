"""The beginning of a file as text, or as bytes in rows where it is none, with what is missing in its place.

Nothing that is shown can act on whoever shows it: whatever is no plain character (controls, signs that turn
the direction of text or are not seen, halves of a pair, what is no character at all) stands as an escape.
What a file says of itself, its name too, decides nothing here.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.span import Span, SpanSet

MOST_BYTES = 256 << 10
"""How much of a file is looked at: some thousand lines (own choice)."""
MOST_LINES = 1000
MOST_COLUMNS = 400
HEX_BYTES = 512
"""How much is shown of what is no text."""
ROW_BYTES = 16
CONTROL_SHARE = 0.01
"""From this share of control characters on it is no text (own choice: bytes at random have a tenth)."""


class Coding(StrEnum):
    """How the bytes of a text stand for characters."""

    UTF_8 = "UTF-8"
    UTF_16_LE = "UTF-16, low byte first"
    UTF_16_BE = "UTF-16, high byte first"
    WINDOWS_1252 = "Windows-1252"


class PartKind(StrEnum):
    """What a part of a line is."""

    TEXT = "text"
    ESCAPE = "escape"
    """`\\x1b` for a byte that is no character, `\\u{202e}` for a character that is not shown as it is."""
    MISSING = "missing"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a line: `text` as it can be shown, or how many bytes are missing in its place."""

    kind: PartKind
    text: str
    missing_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text. `is_cut`: it goes on, and no more of it is shown."""

    parts: tuple[Part, ...]
    is_cut: bool = False


@dataclass(frozen=True, slots=True)
class TextPreview:
    """The first lines of a text.

    Args:
        coding: None where none of its bytes is there.
        is_guess: nothing in the file proves the coding: letters that are not plain ones may be others.
        goes_on: the file has more than is shown.
    """

    lines: tuple[Line, ...]
    coding: Coding | None
    is_guess: bool
    goes_on: bool


@dataclass(frozen=True, slots=True)
class HexRow:
    """Sixteen bytes or fewer.

    Args:
        offset: of the first, in bytes from the start of the file.
        cells: each byte as two hexadecimal digits; empty for one that is missing.
        shown: each byte as its character, if that is a printable one of ASCII, else as a dot; a blank for one
            that is missing.
    """

    offset: int
    cells: tuple[str, ...]
    shown: str


@dataclass(frozen=True, slots=True)
class HexPreview:
    """The first bytes of what is no text. `goes_on`: the file has more than is shown."""

    rows: tuple[HexRow, ...]
    goes_on: bool


def preview_of(data: bytes, missing: SpanSet, size_bytes: int) -> TextPreview | HexPreview:
    """What the beginning of a file shows.

    Args:
        data: its first bytes, of which at most `MOST_BYTES` are looked at; those missing hold anything.
        missing: the bytes that are not there, in bytes of the file.
        size_bytes: of the whole file.
    """
    data = data[:MOST_BYTES]
    if size_bytes > len(data) and not missing.overlaps(Span(max(0, len(data) - 3), len(data))):
        data = data[:-3] + _CUT_CHARACTER.sub(b"", data[-3:])
    pieces = list(_pieces(data, missing))
    known = [one for one in pieces if isinstance(one, _Known)]
    goes_on = size_bytes > len(data)
    if not known and data:
        gap = Part(PartKind.MISSING, "", len(data))
        return TextPreview((Line((gap,)),), None, False, goes_on)
    coding, is_guess = _coding(known)
    if coding is None:
        return HexPreview(tuple(hex_rows(data[:HEX_BYTES], missing)), size_bytes > HEX_BYTES)
    lines, all_shown = _lines(_parts(pieces, coding))
    return TextPreview(tuple(lines), coding, is_guess, goes_on or not all_shown)


def shown_text(text: str) -> Line:
    """A text that was taken out of a file, its ends of lines as line feeds, what cannot be shown escaped."""
    held: list[Part] = []
    for part in _text_parts(text):
        _add(held, Part(PartKind.TEXT, "\n") if part is None else part)
    return Line(tuple(held))


def hex_rows(data: bytes, missing: SpanSet, start: int = 0) -> Iterator[HexRow]:
    """Rows of the bytes of a file from byte `start` on; those of `missing` hold anything."""
    lost = bytearray(len(data))
    for span in missing.clip(Span(start, start + len(data))):
        lost[span.start - start : span.stop - start] = b"\1" * span.length
    for at in range(0, len(data), ROW_BYTES):
        row = list(zip(data[at : at + ROW_BYTES], lost[at : at + ROW_BYTES], strict=True))
        cells = tuple("" if gone else f"{byte:02x}" for byte, gone in row)
        shown = "".join(" " if gone else chr(byte) if 0x20 <= byte < 0x7F else "." for byte, gone in row)
        yield HexRow(start + at, cells, shown)


@dataclass(frozen=True, slots=True)
class _Known:
    """Bytes in one piece, from byte `start` of the file on."""

    start: int
    data: bytes


def _pieces(data: bytes, missing: SpanSet) -> Iterator[_Known | Span]:
    """Bytes that are there and spans that are not, in order, filling the range of `data`."""
    at = 0
    for span in missing.clip(Span(0, len(data))):
        if span.start > at:
            yield _Known(at, data[at : span.start])
        yield span
        at = span.stop
    if at < len(data):
        yield _Known(at, data[at:])


_CONTROLS = bytes({*range(0x20), 0x7F} - set(b"\t\n\v\f\r\b\x1b"))
_MARKS = (
    (codecs.BOM_UTF8, Coding.UTF_8),
    (codecs.BOM_UTF16_LE, Coding.UTF_16_LE),
    (codecs.BOM_UTF16_BE, Coding.UTF_16_BE),
)


def _coding(known: list[_Known]) -> tuple[Coding | None, bool]:
    """The coding and whether it is a guess; None for what is no text."""
    first = known[0] if known else _Known(0, b"")
    marked = next(
        (coding for mark, coding in _MARKS if first.start == 0 and first.data.startswith(mark)), None
    )
    if marked in (Coding.UTF_16_LE, Coding.UTF_16_BE):
        units = "".join(text for one in known for kind, text in _utf_16(one, marked) if not kind)
        return (None if _is_noise(units.encode("utf-8", "replace"), len(units)) else marked), False
    whole = b"".join(one.data for one in known)
    if _is_noise(whole, len(whole)):
        return None, False
    if marked or all(_is_utf_8(one) for one in known):
        return Coding.UTF_8, False
    return Coding.WINDOWS_1252, True


def _is_noise(data: bytes, count: int) -> bool:
    controls = len(data) - len(data.translate(None, _CONTROLS))
    return 0 in data or controls > CONTROL_SHARE * count


def _is_utf_8(one: _Known) -> bool:
    """Whether it is UTF-8 but for a character cut at its end, or behind a gap at its start."""
    data = one.data
    for cut in range(min(4, len(data) + 1) if one.start else 1):
        if cut and not 0x80 <= data[cut - 1] < 0xC0:
            return False
        try:
            codecs.getincrementaldecoder("utf-8")().decode(data[cut:])
        except UnicodeDecodeError as trouble:
            if trouble.start:
                return False
        else:
            return True
    return False


_Raw = tuple[bool, str]
"""Whether it is an escape already, and the text."""


def _utf_16(one: _Known, coding: Coding) -> Iterator[_Raw]:
    """The text of a piece; bytes of units that are cut by its ends stand as escapes."""
    lead = one.start % 2
    whole = (len(one.data) - lead) // 2 * 2
    if lead:
        yield True, _byte_text(one.data[0])
    name = "utf-16-le" if coding is Coding.UTF_16_LE else "utf-16-be"
    yield False, one.data[lead : lead + whole].decode(name, "surrogatepass")
    for byte in one.data[lead + whole :]:
        yield True, _byte_text(byte)


def _decoded(one: _Known, coding: Coding) -> Iterator[_Raw]:
    if coding in (Coding.UTF_16_LE, Coding.UTF_16_BE):
        yield from _utf_16(one, coding)
        return
    text = one.data.decode("utf-8" if coding is Coding.UTF_8 else "cp1252", "surrogateescape")
    at = 0
    for found in _UNDECODED.finditer(text):
        yield False, text[at : found.start()]
        yield from ((True, _byte_text(ord(sign) - 0xDC00)) for sign in found[0])
        at = found.end()
    yield False, text[at:]


_UNDECODED = re.compile("[\udc80-\udcff]+")
"""What Python makes of bytes that are no character (PEP 383)."""
_NOT_SHOWN = re.compile(
    "["
    "\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f"  # controls other than tab and ends of lines
    "\xad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f"
    "\u3164\ufeff\uffa0\ufff0-\ufffb\ufffe\uffff\ufdd0-\ufdef\ud800-\udfff"
    + "".join(f"{chr(plane << 16 | 0xFFFE)}{chr(plane << 16 | 0xFFFF)}" for plane in range(1, 17))
    + "\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff"
    "]"
)
"""Controls, signs without a shape of their own, those that turn the direction of text, halves of a pair, and
what Unicode says is no character (Unicode 15.1: general categories Cc, Cf, Zl, Zp and Cs, default ignorable
code points, and 23.7). Joiners and what chooses between shapes of a letter stay: some scripts cannot be read
without them."""
_CUT_CHARACTER = re.compile(rb"(?:[\xc2-\xf4]|[\xe0-\xf4][\x80-\xbf]|[\xf0-\xf4][\x80-\xbf]{2})\Z")
"""The beginning of a character in UTF-8 whose rest lies behind the end."""
_LINE_END = re.compile("\r\n|\r|\n")


def _byte_text(byte: int) -> str:
    return f"\\x{byte:02x}"


def _escaped(found: re.Match[str]) -> str:
    return f"\\u{{{ord(found[0]):04x}}}"


def _parts(pieces: Iterable[_Known | Span], coding: Coding) -> Iterator[Part | None]:
    """Parts in order; None for the end of a line."""
    for one in pieces:
        if isinstance(one, Span):
            yield Part(PartKind.MISSING, "", one.length)
            continue
        for is_escape, text in _decoded(one, coding):
            if one.start == 0 and text.startswith("\ufeff"):
                text = text[1:]  # the mark of the coding, which is told
            if is_escape:
                yield Part(PartKind.ESCAPE, text)
            else:
                yield from _text_parts(text)


def _text_parts(text: str) -> Iterator[Part | None]:
    for number, line in enumerate(_LINE_END.split(text)):
        if number:
            yield None
        at = 0
        for found in _NOT_SHOWN.finditer(line):
            if found.start() > at:
                yield Part(PartKind.TEXT, line[at : found.start()])
            yield Part(PartKind.ESCAPE, _escaped(found))
            at = found.end()
        if at < len(line):
            yield Part(PartKind.TEXT, line[at:])


def _lines(parts: Iterable[Part | None]) -> tuple[list[Line], bool]:
    """Lines within the bounds, and whether all of them are there. What is missing is told in any line."""
    lines: list[Line] = []
    held: list[Part] = []
    columns, is_cut = 0, False
    for part in parts:
        if len(lines) >= MOST_LINES:
            return lines, False
        if part is None:
            lines.append(Line(tuple(held), is_cut))
            held, columns, is_cut = [], 0, False
            continue
        room = MOST_COLUMNS - columns
        if part.kind is PartKind.MISSING:
            _add(held, part)
        elif len(part.text) <= room:
            columns += len(part.text)
            _add(held, part)
        else:
            columns, is_cut = MOST_COLUMNS, True
            if part.kind is PartKind.TEXT and room:
                _add(held, Part(part.kind, part.text[:room]))
    if held or is_cut:
        lines.append(Line(tuple(held), is_cut))
    return lines, not any(line.is_cut for line in lines)


def _add(held: list[Part], part: Part) -> None:
    """Puts a part behind the others; neighbours of one kind become one."""
    if held and held[-1].kind is part.kind:
        last = held.pop()
        part = Part(part.kind, last.text + part.text, last.missing_bytes + part.missing_bytes)
    held.append(part)
