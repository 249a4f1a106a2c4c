"""A small hand-back to copy, and the whole job of copying it, as the tests of the destination do it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from mendbay.core.source import Gap, Lack, Mark, Marked, Reading
from mendbay.core.span import Span
from mendbay.handback.bag import PayloadFile
from mendbay.outlets.destination import Destination


class Unverified(Exception):
    """A copy did not read back as it was written."""


CASE = "0042"
CHUNK = 1000


def numbered(size: int, start: int = 1) -> bytes:
    """`size` bytes of which no two pieces are alike: 8-byte numbers counting up."""
    words = (start + at for at in range(size // 8 + 1))
    return b"".join(word.to_bytes(8, "big") for word in words)[:size]


CONTENT = {
    "data/Kiln log/kiln-log-2026.xlsx": numbered(5_500),
    "data/Kiln log/empty.txt": b"",
    "data/Glaze photographs/Глазурь.jpg": numbered(3_000, 10_000),
    "data/Glaze photographs/T=E9st.jpg": numbered(2_048, 20_000),
    "data/sparse.img": bytes(4_000) + numbered(500, 30_000) + bytes(9_000),
    "data/small.txt": b"hello\n",
}
HOLED = "data/Glaze photographs/T=E9st.jpg"
GAPS = (Gap(Span(100, 612), Lack.REFUSED), Gap(Span(900, 1_100), Lack.UNREAD))
MARKS = (Marked(Span(1_200, 1_300), Mark.OTHER_HALF),)
MODIFIED = 1_772_350_000


def expected_bytes(path: str) -> bytes:
    """What the copy must hold: zeros where bytes are missing."""
    data = bytearray(CONTENT[path])
    for gap in GAPS if path == HOLED else ():
        data[gap.span.start : gap.span.stop] = bytes(gap.span.length)
    return bytes(data)


def readings(path: str, chunk: int = CHUNK) -> Iterator[Reading]:
    """The file in pieces; the bytes inside gaps are rubbish, which no copy may hold."""
    data = CONTENT[path]
    for at in range(0, len(data), chunk):
        span = Span(at, min(at + chunk, len(data)))
        gaps, marks = [], []
        if path == HOLED:
            gaps = [Gap(gap.span.clip(span), gap.why) for gap in GAPS if gap.span.overlaps(span)]
            marks = [Marked(one.span.clip(span), one.mark) for one in MARKS if one.span.overlaps(span)]
        yield Reading(span, data[span.start : span.stop], tuple(gaps), tuple(marks))


def copy_all(folder: Path) -> tuple[tuple[PayloadFile, ...], int]:
    """The whole job, going on from whatever is there: the payload, and how many copies were kept."""
    kept = 0
    with Destination(folder, CASE) as destination:
        destination.expect({path: len(data) for path, data in CONTENT.items()})
        for path, data in CONTENT.items():
            gaps = GAPS if path == HOLED else ()
            marks = MARKS if path == HOLED else ()
            if destination.kept(path, len(data), gaps, marks, MODIFIED):
                kept += 1
                continue
            destination.put(path, readings(path), MODIFIED)
            if not destination.verify(path).equal:
                raise Unverified(path)
        tags = {"report.json": b"{}\n", "names.json": b"{}\n"}
        return destination.finish("2026-11-25", [("Contact-Name", "Maren Holt")], tags), kept
