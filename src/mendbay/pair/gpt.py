"""The GUID partition table: one header with its entries at the start of the drive, one at the end.

Rules: UEFI 2.10, 5.3.2 (table 5.5, header) and 5.3.3 (table 5.6, entry). Fields: `docs/formats/gpt.md`.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

import numpy as np

from mendbay.core.source import Reading, Source
from mendbay.core.span import Span
from mendbay.pair.fields import layout, pack, parse
from mendbay.pair.mbr import pack_protective
from mendbay.pair.table import Partition

SIGNATURE = b"EFI PART"
REVISION = 0x0001_0000
ENTRY_BYTES = 128
MAX_ENTRY_BYTES = 4096
MAX_ARRAY_BYTES = 1 << 20
"""Far above the 16 384 bytes in use everywhere; keeps a hostile count from asking for the whole drive."""
RESERVED_ARRAY_BYTES = 16_384
"""The least room for entries (UEFI 2.10, 5.3.1)."""

HEADER = layout(
    92,
    ("signature", 0, "S8"),
    ("revision", 8, "<u4"),
    ("header_bytes", 12, "<u4"),
    ("crc", 16, "<u4"),
    ("my_lba", 24, "<u8"),
    ("alternate_lba", 32, "<u8"),
    ("first_usable", 40, "<u8"),
    ("last_usable", 48, "<u8"),
    ("disk_guid", 56, "V16"),
    ("entry_lba", 72, "<u8"),
    ("count", 80, "<u4"),
    ("entry_bytes", 84, "<u4"),
    ("array_crc", 88, "<u4"),
)
ENTRY = layout(
    ENTRY_BYTES,
    ("type", 0, "V16"),
    ("unique", 16, "V16"),
    ("first", 32, "<u8"),
    ("last", 40, "<u8"),
    ("attributes", 48, "<u8"),
    ("name", 56, "V72"),
)


@dataclass(frozen=True, slots=True)
class GptHeader:
    """A header whose own checksum and bounds hold. LBAs count sectors of `sector_bytes`."""

    sector_bytes: int
    my_lba: int
    alternate_lba: int
    first_usable: int
    last_usable: int
    disk_guid: str
    array: Span
    entry_bytes: int
    array_crc: int


@dataclass(frozen=True, slots=True)
class Unsound:
    """Why something that carries the signature cannot be used: part of a sentence."""

    why: str


def parse_header(sector: bytes, my_lba: int, sector_bytes: int) -> GptHeader | Unsound | None:
    """The header in one sector.

    Args:
        sector: at least `sector_bytes` bytes that begin where the header should.
        my_lba: where that is.

    Returns:
        None without the signature; `Unsound` if anything a reader must check does not hold.
    """
    if len(sector) < HEADER.itemsize or sector[:8] != SIGNATURE:
        return None
    row = parse(HEADER, sector)
    size = int(row["header_bytes"])
    if not HEADER.itemsize <= size <= min(sector_bytes, len(sector)):
        return Unsound(f"its header claims {size} bytes")
    if zlib.crc32(sector[:16] + bytes(4) + sector[20:size]) != int(row["crc"]):
        return Unsound("its header fails its checksum")
    if int(row["my_lba"]) != my_lba:
        return Unsound(f"its header says it lies at sector {row['my_lba']}, not at {my_lba}")
    count, entry_bytes = int(row["count"]), int(row["entry_bytes"])
    if not _entry_size_allowed(entry_bytes) or not 0 < count * entry_bytes <= MAX_ARRAY_BYTES:
        return Unsound(f"its header claims {count} entries of {entry_bytes} bytes")
    first, last, entry_lba = int(row["first_usable"]), int(row["last_usable"]), int(row["entry_lba"])
    if not 0 < first <= last < 1 << 48 or not 0 < entry_lba < 1 << 48:
        return Unsound(f"its header allows partitions in sectors {first} to {last}, entries at {entry_lba}")
    return GptHeader(
        sector_bytes=sector_bytes,
        my_lba=my_lba,
        alternate_lba=int(row["alternate_lba"]),
        first_usable=first,
        last_usable=last,
        disk_guid=guid(row["disk_guid"].tobytes()),
        array=Span.at(entry_lba * sector_bytes, count * entry_bytes),
        entry_bytes=entry_bytes,
        array_crc=int(row["array_crc"]),
    )


def _entry_size_allowed(entry_bytes: int) -> bool:
    """128 times a power of two (UEFI 2.10, table 5.5), bounded."""
    return ENTRY_BYTES <= entry_bytes <= MAX_ENTRY_BYTES and entry_bytes & (entry_bytes - 1) == 0


def read_array(drive: Source, header: GptHeader) -> Reading:
    """The bytes of the entry array, whatever of them can be had."""
    return drive.read(header.array)


def array_holds(header: GptHeader, array: bytes) -> bool:
    """Whether the checksum of the entries holds; every byte of them must have been read."""
    return zlib.crc32(array) == header.array_crc


def partitions_of(header: GptHeader, array: bytes) -> tuple[tuple[Partition, ...], tuple[str, ...]]:
    """The used entries, and a remark for each that cannot be one.

    An entry's last sector is its own: the length is last - first + 1. Entries that end before they
    begin or leave the usable sectors are left out.
    """
    found: list[Partition] = []
    remarks: list[str] = []
    rows = np.frombuffer(array, np.uint8).reshape(-1, header.entry_bytes)[:, :ENTRY_BYTES]
    rows = np.ascontiguousarray(rows)
    for index in np.flatnonzero(rows[:, :16].any(axis=1)).tolist():
        row = parse(ENTRY, rows[index].tobytes())
        first, last = int(row["first"]), int(row["last"])
        if not header.first_usable <= first <= last <= header.last_usable:
            remarks.append(
                f"Partition {index + 1} of the table claims sectors {first} to {last}, outside the usable "
                f"{header.first_usable} to {header.last_usable}; it is left out"
            )
            continue
        span = Span(first * header.sector_bytes, (last + 1) * header.sector_bytes)
        found.append(
            Partition(
                number=index + 1,
                span=span,
                type_id=guid(row["type"].tobytes()),
                name=_name(row["name"].tobytes()),
                unique_id=guid(row["unique"].tobytes()),
                attributes=int(row["attributes"]),
            )
        )
    remarks.extend(overlaps(found))
    return tuple(found), tuple(remarks)


def overlaps(partitions: Iterable[Partition]) -> tuple[str, ...]:
    """A remark for each neighbour on the drive that begins before the one ahead of it has ended."""
    remarks: list[str] = []
    ahead: Partition | None = None
    for one in sorted((p for p in partitions if not p.is_container), key=lambda p: p.span):
        if ahead is not None and one.span.start < ahead.span.stop:
            remarks.append(f"Partitions {ahead.number} and {one.number} overlap")
        if ahead is None or one.span.stop > ahead.span.stop:
            ahead = one
    return tuple(remarks)


def guid(raw: bytes) -> str:
    """A GUID as it is written: its first three fields are stored least significant byte first."""
    return str(UUID(bytes_le=raw))


def _name(raw: bytes) -> str:
    """A partition's name: UTF-16, up to the first zero; what is no character shows as a replacement."""
    text = raw.decode("utf-16-le", "replace")
    return text.split("\0", 1)[0]


@dataclass(frozen=True, slots=True)
class PackedGpt:
    """A whole table: `head` belongs at byte 0 (protective record, header, entries), `tail` at `tail_at`
    (entries, header)."""

    head: bytes
    tail: bytes
    tail_at: int


def pack_gpt(
    size_bytes: int,
    partitions: Sequence[Partition],
    disk_guid: str,
    sector_bytes: int = 512,
    count: int = 128,
) -> PackedGpt:
    """A valid primary and backup table for a drive of `size_bytes`.

    Args:
        partitions: with sector-aligned spans; each goes to the entry of its `number`.
        disk_guid: of the drive.
        count: how many entries the table has room for.

    Raises:
        ValueError: a partition is misaligned, outside the usable sectors, or numbered past `count`;
            or the drive is too small.
    """
    array_sectors = -(-max(count * ENTRY_BYTES, RESERVED_ARRAY_BYTES) // sector_bytes)
    last_lba = size_bytes // sector_bytes - 1
    first_usable, last_usable = 2 + array_sectors, last_lba - array_sectors - 1
    if first_usable > last_usable:
        raise ValueError(f"{size_bytes} bytes leave no room for a partition")
    array = np.zeros((count, ENTRY_BYTES), np.uint8)
    for one in partitions:
        packed = _pack_entry(one, sector_bytes, first_usable, last_usable)
        if not 1 <= one.number <= count:
            raise ValueError(f"partition number {one.number} of {count}")
        array[one.number - 1] = np.frombuffer(packed, np.uint8)
    entries = array.tobytes()
    common = {
        "signature": SIGNATURE,
        "revision": REVISION,
        "header_bytes": HEADER.itemsize,
        "first_usable": first_usable,
        "last_usable": last_usable,
        "disk_guid": np.void(UUID(disk_guid).bytes_le),
        "count": count,
        "entry_bytes": ENTRY_BYTES,
        "array_crc": zlib.crc32(entries),
    }
    primary = _seal(pack(HEADER, my_lba=1, alternate_lba=last_lba, entry_lba=2, **common))
    backup = _seal(pack(HEADER, my_lba=last_lba, alternate_lba=1, entry_lba=last_usable + 1, **common))
    room = entries.ljust(array_sectors * sector_bytes, b"\0")
    protective = pack_protective(last_lba + 1).ljust(sector_bytes, b"\0")
    return PackedGpt(
        head=protective + primary.ljust(sector_bytes, b"\0") + room,
        tail=room + backup.ljust(sector_bytes, b"\0"),
        tail_at=(last_usable + 1) * sector_bytes,
    )


def _pack_entry(one: Partition, sector_bytes: int, first_usable: int, last_usable: int) -> bytes:
    first, rest = divmod(one.span.start, sector_bytes)
    stop, rest_of_stop = divmod(one.span.stop, sector_bytes)
    if rest or rest_of_stop or not first_usable <= first < stop <= last_usable + 1:
        raise ValueError(f"partition {one.number} does not fit the usable sectors")
    name = one.name.encode("utf-16-le")
    if len(name) > 72:
        raise ValueError(f"the name of partition {one.number} is longer than 36 characters")
    return pack(
        ENTRY,
        type=np.void(UUID(one.type_id).bytes_le),
        unique=np.void(UUID(one.unique_id).bytes_le),
        first=first,
        last=stop - 1,
        attributes=one.attributes,
        name=np.void(name.ljust(72, b"\0")),
    )


def _seal(header: bytes) -> bytes:
    """The header with its own checksum, which is taken with that field zero."""
    return header[:16] + zlib.crc32(header).to_bytes(4, "little") + header[20:]
