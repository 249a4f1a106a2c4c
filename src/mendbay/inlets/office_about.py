"""What a binary office document says of itself: title, author and the like.

After [MS-OLEPS], object linking and embedding property set data structures (published specification, from
memory). Runs only in the process that makes previews.
"""

from __future__ import annotations

import codecs
import struct
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

from mendbay.inlets.office_bounds import PARAGRAPH_LETTERS, cut
from mendbay.inlets.office_cfb import Compound
from mendbay.jobs.preview_port import SAID_OF_ITSELF, MadePiece, MadeRow

STREAM = "\x05SummaryInformation"
SET = bytes.fromhex("e0859ff2f94f6810ab9108002b27b3d9")
"""The format of the properties of a document (FMTID_SummaryInformation)."""
MOST_BYTES = 1 << 18
MOST_PROPERTIES = 200
CODEPAGE = 1
WORDS: Mapping[int, str] = {
    2: "Title",
    3: "Subject",
    4: "Author",
    5: "Keywords",
    6: "Remarks",
    8: "Saved last by",
    9: "Times saved",
    11: "Printed last",
    12: "Made",
    13: "Saved last",
    14: "Pages",
    18: "Made with",
}
"""Of each property that is told, in that order."""
NUMBER16, NUMBER32, TEXT, WIDE, TIME = 2, 3, 30, 31, 64
"""Types of values: VT_I2, VT_I4, VT_LPSTR, VT_LPWSTR, VT_FILETIME."""
BEGIN = datetime(1601, 1, 1, tzinfo=UTC)
TICKS = 10_000_000
"""Of a second."""
WIDE_CODEPAGE, LATIN = 1200, "cp1252"
CODECS: Mapping[int, str] = {
    65001: "utf-8",
    WIDE_CODEPAGE: "utf-16-le",
    10000: "mac-roman",
    **{one: f"cp{one}" for one in (*range(1250, 1259), 437, 850, 852, 866, 874, 932, 936, 949, 950)},
}
for _one in (*CODECS.values(), "utf-16-le"):
    codecs.lookup(_one)  # while files may still be opened


def about(document: Compound) -> MadePiece | None:
    """What a document says of itself, a line for each; None if nothing."""
    if STREAM not in document:
        return None
    rows = tuple(MadeRow(0, (one,)) for one in _lines(document.stream(STREAM, MOST_BYTES).data))
    return MadePiece(SAID_OF_ITSELF, (), rows, is_about=True) if rows else None


def _lines(data: bytes) -> Iterator[str]:
    values = _values(data)
    codec = CODECS.get(_codepage(values.get(CODEPAGE)), LATIN)
    for one, words in WORDS.items():
        if one in values and (told := _told(*values[one], codec)):
            yield cut(f"{words}: {told}", PARAGRAPH_LETTERS)


def _values(data: bytes) -> dict[int, tuple[int, bytes]]:
    """Type and bytes of each property by its number; what does not lie within the data is left out."""
    found: dict[int, tuple[int, bytes]] = {}
    at = _set_at(data)
    if at < 0:
        return found
    count = struct.unpack_from("<I", data, at + 4)[0] if at + 8 <= len(data) else 0
    for number in range(min(count, MOST_PROPERTIES)):
        place = at + 8 + 8 * number
        if place + 8 > len(data):
            break
        name, offset = struct.unpack_from("<II", data, place)
        if at + offset + 8 <= len(data):
            (kind,) = struct.unpack_from("<H", data, at + offset)
            found.setdefault(name, (kind, data[at + offset + 4 :]))
    return found


def _set_at(data: bytes) -> int:
    """Where the properties of a document begin; below 0 where there are none."""
    if len(data) < 28 or data[:2] != b"\xfe\xff":
        return -1
    (sets,) = struct.unpack_from("<I", data, 24)
    for number in range(min(sets, 2)):
        place = 28 + 20 * number
        if data[place : place + 16] == SET and place + 20 <= len(data):
            return int(struct.unpack_from("<I", data, place + 16)[0])
    return -1


def _codepage(value: tuple[int, bytes] | None) -> int:
    if value is None or value[0] != NUMBER16:
        return 0
    return int(struct.unpack_from("<H", value[1])[0])


def _told(kind: int, raw: bytes, codec: str) -> str:
    """A value in words; empty for one that is none, or of a type that no such property has."""
    if kind == NUMBER32:
        number = struct.unpack_from("<i", raw)[0]
        return str(number) if number > 0 else ""
    if kind == TIME:
        return _moment(struct.unpack_from("<Q", raw)[0]) if len(raw) >= 8 else ""
    if kind not in (TEXT, WIDE):
        return ""
    (size,) = struct.unpack_from("<I", raw)
    text = raw[4 : 4 + min(size * (2 if kind == WIDE else 1), 8 * PARAGRAPH_LETTERS)]
    told = text.decode("utf-16-le" if kind == WIDE else codec, "replace")
    return " ".join(told.partition("\0")[0].split())


def _moment(ticks: int) -> str:
    """A time as ISO 8601 without its zone's letter; empty for none, or one that is a length of time."""
    try:
        found = BEGIN + timedelta(seconds=ticks // TICKS)
    except OverflowError:
        return ""
    return f"{found:%Y-%m-%d %H:%M} UTC" if found.year >= 1980 else ""
