"""The write-intent bitmap of an md set: which parts of the data may differ between its members.

Rules: Linux kernel 6.1, drivers/md/md-bitmap.h and md-bitmap.c. Fields: `docs/formats/md.md`.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

import numpy as np

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import missing_words
from mendbay.pair.fields import Row, layout, pack, parse
from mendbay.pair.md import LARGEST_SECTOR, SECTOR, Superblock, Version

MAGIC = 0x6D74_6962
HEADER_BYTES = 256
VERSION_CLUSTERED = 5
VERSIONS = (3, 4, VERSION_CLUSTERED)
MAX_BIT_BYTES = 8 << 20
"""Sixty-four times what is set up for the largest sets; a hostile header cannot ask for more."""

STATE_STALE, STATE_WRITE_ERROR = 1 << 1, 1 << 2

HEADER = layout(
    HEADER_BYTES,
    ("magic", 0, "<u4"),
    ("version", 4, "<u4"),
    ("uuid", 8, "V16"),
    ("events", 24, "<u8"),
    ("events_cleared", 32, "<u8"),
    ("sync_sectors", 40, "<u8"),
    ("state", 48, "<u4"),
    ("chunk_bytes", 52, "<u4"),
    ("daemon_sleep", 56, "<u4"),
    ("write_behind", 60, "<u4"),
    ("sectors_reserved", 64, "<u4"),
)


@dataclass(frozen=True, slots=True)
class Bitmap:
    """One member's bitmap: bit k stands for the bytes from k times `chunk_bytes` of the data.

    `marked` are the bytes whose bit is set or could not be read, within the `sync_bytes` that the bitmap
    speaks of. `doubts` are reasons, as parts of a sentence, why its clear bits prove nothing.
    """

    events: int
    events_cleared: int
    sync_bytes: int
    chunk_bytes: int
    marked: SpanSet
    doubts: tuple[str, ...] = ()

    def dirty(self, data_bytes: int, stale_events: int) -> SpanSet:
        """The bytes of the data in which a member that fell behind may differ from this one.

        Args:
            data_bytes: the size of the data, all of which is answered for.
            stale_events: the event count of the member that fell behind. Bits were only ever cleared while
                all members were there, up to `events_cleared`; a member older than that gets no proof.

        Returns:
            Everything if the bitmap proves nothing; what lies beyond it counts as dirty too.
        """
        whole = Span(0, data_bytes)
        if self.doubts or stale_events < self.events_cleared:
            return SpanSet((whole,))
        covered = min(self.sync_bytes, data_bytes)
        return self.marked.clip(whole) | SpanSet((Span(covered, data_bytes),))


def read_bitmap(member: Source, superblock: Superblock) -> Bitmap | str:
    """The bitmap that a member's superblock points to, in two short reads.

    Returns:
        The bitmap, or a sentence saying why there is none to be used.
    """
    at = superblock.bitmap_at
    if at is None:
        return "The set keeps no write-intent bitmap"
    reading = member.read(Span.at(at, HEADER_BYTES))
    if not reading.is_complete:
        return f"The write-intent bitmap {missing_words(reading.gaps)}"
    row = parse(HEADER, reading.data)
    version, chunk = int(row["version"]), int(row["chunk_bytes"])
    sync_sectors = int(row["sync_sectors"])
    if int(row["magic"]) != MAGIC or version not in VERSIONS:
        return "The write-intent bitmap is damaged: its first bytes are not those of a bitmap"
    if chunk < SECTOR or chunk & (chunk - 1) or sync_sectors >= LARGEST_SECTOR:
        return (
            f"The write-intent bitmap is damaged: it claims {sync_sectors} sectors in chunks of {chunk} bytes"
        )
    sync_bytes = sync_sectors * SECTOR
    bits = -(-sync_bytes // chunk)
    if bits > MAX_BIT_BYTES * 8:
        return f"The write-intent bitmap is damaged: it claims {bits} chunks"
    return Bitmap(
        events=int(row["events"]),
        events_cleared=int(row["events_cleared"]),
        sync_bytes=sync_bytes,
        chunk_bytes=chunk,
        marked=_marked(member, at + HEADER_BYTES, bits, chunk, sync_bytes),
        doubts=tuple(_doubts(superblock, row)),
    )


def _doubts(superblock: Superblock, row: Row) -> list[str]:
    """Why the kernel would not go by this bitmap (md_bitmap_read_sb)."""
    doubts: list[str] = []
    version, state, events = int(row["version"]), int(row["state"]), int(row["events"])
    if superblock.version is not Version.V090 and row["uuid"].tobytes() != UUID(superblock.set_uuid).bytes:
        doubts.append("it belongs to another set")
    if state & STATE_STALE:
        doubts.append("it says itself that it is out of date")
    if state & STATE_WRITE_ERROR:
        doubts.append("it says itself that it could not be written")
    if version == VERSION_CLUSTERED:
        doubts.append("it is one of several that a cluster keeps")
    if events < superblock.events:
        doubts.append(f"it stopped at {events} events while its member went on to {superblock.events}")
    return doubts


def _marked(member: Source, at: int, bits: int, chunk_bytes: int, sync_bytes: int) -> SpanSet:
    """The bytes whose bit is set, least significant bit first; a bit that cannot be read counts as set."""
    place = Span.at(at, -(-bits // 8))
    reading = member.read(place)
    octets = np.frombuffer(reading.data, np.uint8).copy()
    for gap in reading.gaps:
        octets[gap.span.start - at : gap.span.stop - at] = 0xFF
    chunks = np.flatnonzero(np.unpackbits(octets, count=bits, bitorder="little")).astype(np.int64)
    return SpanSet.from_bounds(chunks * chunk_bytes, np.minimum((chunks + 1) * chunk_bytes, sync_bytes))


def pack_bitmap(
    superblock: Superblock,
    dirty: SpanSet,
    sync_bytes: int,
    chunk_bytes: int,
    events_cleared: int,
    events: int | None = None,
    state: int = 0,
) -> bytes:
    """A bitmap of the set `superblock` belongs to, header and bits, for rehearsal members and tests.

    Args:
        dirty: the bytes of the data to mark; whole chunks are marked.
        events: of the bitmap; by default those of the superblock.
    """
    bits = -(-sync_bytes // chunk_bytes)
    marks = np.zeros(bits, np.uint8)
    for span in dirty.widen(chunk_bytes).clip(Span(0, bits * chunk_bytes)):
        marks[span.start // chunk_bytes : span.stop // chunk_bytes] = 1
    header = pack(
        HEADER,
        magic=MAGIC,
        version=4,
        uuid=np.void(UUID(superblock.set_uuid).bytes),
        events=superblock.events if events is None else events,
        events_cleared=events_cleared,
        sync_sectors=sync_bytes // SECTOR,
        state=state,
        chunk_bytes=chunk_bytes,
    )
    return header + np.packbits(marks, bitorder="little").tobytes()
