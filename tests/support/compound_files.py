"""Compound files and the binary documents in them, written after the published specifications [MS-CFB],
[MS-OLEPS], [MS-DOC], [MS-XLS] and [MS-PPT] (from memory), apart from what reads them."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

FREE, END, FAT = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD
CUTOFF, MINI = 4096, 64
FORMAT = bytes.fromhex("e0859ff2f94f6810ab9108002b27b3d9")
ABOUT = "\x05SummaryInformation"


def compound(streams: Mapping[str, bytes], *, shift: int = 9) -> bytes:
    """A compound file with these streams in its root, one right of the other in its tree."""
    each = 1 << shift
    sectors, fat, mini, mini_fat, starts = list[bytes](), list[int](), b"", list[int](), dict[str, int]()

    def put(data: bytes) -> int:
        first, count = len(sectors), -(-len(data) // each)
        sectors.extend(data[at * each : (at + 1) * each].ljust(each, b"\0") for at in range(count))
        fat.extend([*range(first + 1, first + count), END] if count else [])
        return first if count else END

    for name, data in streams.items():
        if len(data) >= CUTOFF:
            starts[name] = put(data)
            continue
        first, count = len(mini_fat), -(-len(data) // MINI)
        starts[name] = first if count else END
        mini_fat += [*range(first + 1, first + count), END] if count else []
        mini += data.ljust(count * MINI, b"\0")
    root = put(mini)
    minis = put(struct.pack(f"<{len(mini_fat)}I", *mini_fat).ljust(each, b"\xff")) if mini_fat else END
    entries = [entry("Root Entry", 5, child=1 if streams else FREE, start=root, size=len(mini))]
    for number, (name, data) in enumerate(streams.items(), 1):
        right = number + 1 if number < len(streams) else FREE
        entries.append(entry(name, 2, right=right, start=starts[name], size=len(data)))
    directory = put(b"".join(entries))
    tables = 1
    while len(sectors) + tables > tables * each // 4:
        tables += 1
    places = [len(sectors) + one for one in range(tables)]
    fat += [FAT] * tables
    table = struct.pack(f"<{len(fat)}I", *fat).ljust(tables * each, b"\xff")
    head = struct.pack(
        "<8s16sHHHHH6s9I",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        b"",
        0x3E,
        3 if shift == 9 else 4,
        0xFFFE,
        shift,
        6,
        b"",
        0,
        tables,
        directory,
        0,
        CUTOFF,
        minis,
        0 if minis == END else 1,
        END,
        0,
    )
    head += struct.pack("<109I", *places, *[FREE] * (109 - tables))
    return head.ljust(each, b"\0") + b"".join(sectors) + table


def entry(
    name: str, kind: int, *, right: int = FREE, child: int = FREE, start: int = END, size: int = 0
) -> bytes:
    letters = name.encode("utf-16-le")
    head = letters.ljust(64, b"\0") + struct.pack("<HBB3I", len(letters) + 2, kind, 1, FREE, right, child)
    return head + bytes(36) + struct.pack("<IQ", start, size)


def about(said: Mapping[int, str | int | datetime], codepage: int = 1252) -> bytes:
    """The stream of what a document says of itself."""
    values = {1: struct.pack("<HHHH", 2, 0, codepage, 0)}
    for name, value in said.items():
        if isinstance(value, datetime):
            ticks = int((value - datetime(1601, 1, 1, tzinfo=UTC)).total_seconds()) * 10_000_000
            values[name] = struct.pack("<IQ", 64, ticks)
        elif isinstance(value, int):
            values[name] = struct.pack("<Ii", 3, value)
        else:
            raw = value.encode(f"cp{codepage}" if codepage != 65001 else "utf-8") + b"\0"
            values[name] = struct.pack("<II", 30, len(raw)) + raw.ljust(-(-len(raw) // 4) * 4, b"\0")
    listed, body = b"", b""
    for name, raw in values.items():
        listed += struct.pack("<II", name, 8 + 8 * len(values) + len(body))
        body += raw
    properties = struct.pack("<II", 8 + len(listed) + len(body), len(values)) + listed + body
    return struct.pack("<HHI16sI16sI", 0xFFFE, 0, 0, b"", 1, FORMAT, 48) + properties


def letter(
    pieces: Sequence[tuple[str, bool]], *, flags: int = 0x0200, version: int = 0x00C1, extra: str = ""
) -> dict[str, bytes]:
    """The streams of a text, in pieces: each with whether its letters take two bytes.

    Args:
        extra: letters behind the text itself, as of notes.
    """
    main = bytearray(2048)
    struct.pack_into("<HH", main, 0, 0xA5EC, version)
    struct.pack_into("<H", main, 0x0A, flags)
    struct.pack_into("<I", main, 0x4C, sum(len(text) for text, _ in pieces))
    ends, places = [0], list[int]()
    for text, wide in [*pieces, *([(extra, True)] if extra else [])]:
        places.append(len(main) if wide else len(main) * 2 | 1 << 30)
        main += text.encode("utf-16-le" if wide else "cp1252")
        ends.append(ends[-1] + len(text))
    table = struct.pack(f"<{len(ends)}I", *ends) + b"".join(struct.pack("<HIH", 0, one, 0) for one in places)
    pieces_of = b"\x01\x02\x00ab" + b"\x02" + struct.pack("<I", len(table)) + table
    struct.pack_into("<II", main, 0x01A2, 16, len(pieces_of))
    return {"WordDocument": bytes(main), "1Table" if flags & 0x0200 else "0Table": bytes(16) + pieces_of}


def record(kind: int, body: bytes, *, instance: int = 0, container: bool = False) -> bytes:
    return struct.pack("<HHI", instance << 4 | (0xF if container else 0), kind, len(body)) + body


def show(slides: Sequence[tuple[str, str]], *, older: str = "", token: int = 0xE391C05F) -> dict[str, bytes]:
    """The streams of a presentation: of each slide the text that the list keeps, and one in a box of its own.

    Args:
        older: text of a slide that was saved over.
    """
    data = record(0x03EE, record(0x0FA0, older.encode("utf-16-le")), container=True) if older else b""
    places = {}
    for number, (_, boxed) in enumerate(slides, 2):
        places[number] = len(data)
        box = record(0xF00D, record(0x0FA8, boxed.encode("latin-1")), container=True)
        data += record(0x03EE, record(0x0409, b"abc") + record(0x040C, box, container=True), container=True)
    listed = b""
    for number, (title, _) in enumerate(slides, 2):
        listed += record(0x03F3, struct.pack("<5I", number, 0, 1, 256 + number, 0))
        listed += record(0x0FA0, title.encode("utf-16-le"))
    places[1] = len(data)
    data += record(0x03E8, record(0x0FF0, listed, container=True), container=True)
    numbers = [places[one] for one in range(1, len(slides) + 2)]
    table = len(data)
    data += record(0x1772, struct.pack(f"<{len(numbers) + 1}I", 1 | len(numbers) << 20, *numbers))
    edit = len(data)
    data += record(0x0FF5, struct.pack("<IHBBIIIIHH", 256, 0, 0, 3, 0, table, 1, len(numbers) + 1, 1, 0))
    user = record(0x0FF6, struct.pack("<IIIHH", 20, token, edit, 0, 0x03F4))
    return {"PowerPoint Document": data, "Current User": user}
