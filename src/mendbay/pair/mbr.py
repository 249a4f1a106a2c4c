"""The partition table in the first sector of a drive, with its chain of logical partitions.

The record and its chain are common practice since the first fixed drives; what tells a table from the
boot sector of a file system follows the Linux kernel, block/partitions/msdos.c. The protective record:
UEFI 2.10, 5.2.3. Fields: `docs/formats/mbr.md`.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import missing_words
from mendbay.pair.fields import layout, pack, parse
from mendbay.pair.table import Partition

SECTOR_BYTES = 512
SIGNATURE = b"\x55\xaa"
FIRST_RECORD_AT = 446
RECORD_BYTES = 16
EXTENDED_TYPES = frozenset({0x05, 0x0F, 0x85})
PROTECTIVE_TYPE = 0xEE
MAX_LOGICAL = 128

RECORD = layout(
    RECORD_BYTES,
    ("boot", 0, "u1"),
    ("first_chs", 1, "V3"),
    ("type", 4, "u1"),
    ("last_chs", 5, "V3"),
    ("start", 8, "<u4"),
    ("count", 12, "<u4"),
)


@dataclass(frozen=True, slots=True)
class Slot:
    """One used record: `number` 1-4, `start` and `count` in sectors of the table."""

    number: int
    type: int
    start: int
    count: int


def parse_records(sector: bytes) -> tuple[Slot, ...] | None:
    """The used records of a boot sector.

    Returns:
        None if it is no table: no signature, or a record whose first byte is neither 00h nor 80h, as in
        the boot sector of a file system. An empty tuple if no record is used.
    """
    if len(sector) < SECTOR_BYTES or sector[510:512] != SIGNATURE:
        return None
    found: list[Slot] = []
    for index in range(4):
        row = parse(RECORD, sector, FIRST_RECORD_AT + index * RECORD_BYTES)
        if int(row["boot"]) not in (0, 0x80):
            return None
        if int(row["type"]) != 0 and int(row["count"]) != 0:
            found.append(Slot(index + 1, int(row["type"]), int(row["start"]), int(row["count"])))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Records:
    """What the records lead to: partitions, remarks, and the places of the chain that cannot be read."""

    partitions: tuple[Partition, ...]
    remarks: tuple[str, ...]
    unreadable: SpanSet


def follow_records(drive: Source, slots: tuple[Slot, ...], sector_bytes: int) -> Records:
    """The partitions of the records, logical ones included; the protective record is passed over."""
    found: list[Partition] = []
    remarks: list[str] = []
    unreadable = SpanSet()
    for slot in slots:
        if slot.type == PROTECTIVE_TYPE:
            continue
        if slot.start == 0 or slot.start * sector_bytes >= drive.size_bytes:
            remarks.append(
                f"Partition {slot.number} of the table begins at sector {slot.start}, where no "
                "partition can lie on this drive; it is left out"
            )
            continue
        found.append(_partition(slot.number, slot.type, slot.start, slot.count, sector_bytes))
        if slot.type in EXTENDED_TYPES:
            logical = _follow_chain(drive, slot, sector_bytes, 5 + sum(p.number >= 5 for p in found))
            found.extend(logical.partitions)
            remarks.extend(logical.remarks)
            unreadable = unreadable | logical.unreadable
    found.sort(key=lambda one: one.number)
    return Records(tuple(found), tuple(remarks), unreadable)


def _follow_chain(drive: Source, extended: Slot, sector_bytes: int, first_number: int) -> Records:
    """The logical partitions inside an extended one.

    Each link is a sector with two records: a partition relative to the link, and the next link relative
    to the extended partition. A chain that comes back to a link, leaves the extended partition or is
    longer than `MAX_LOGICAL` ends there with a remark.
    """
    found: list[Partition] = []
    remarks: list[str] = []
    seen: set[int] = set()
    at = extended.start
    stop = extended.start + extended.count
    for _ in range(MAX_LOGICAL):
        seen.add(at)
        where = Span.at(at * sector_bytes, SECTOR_BYTES)
        reading = drive.read(where)
        if not reading.is_complete:
            why = missing_words(reading.gaps)
            remarks.append(f"The chain of logical partitions breaks off: sector {at} {why}")
            return Records(tuple(found), tuple(remarks), SpanSet((where,)))
        slots = parse_records(reading.data)
        if slots is None:
            remarks.append(f"The chain of logical partitions breaks off: sector {at} holds no record")
            break
        data = next((s for s in slots if s.number <= 2 and s.type not in EXTENDED_TYPES), None)
        if data is not None and data.start > 0 and at + data.start + data.count <= stop:
            number = first_number + len(found)
            found.append(_partition(number, data.type, at + data.start, data.count, sector_bytes))
        elif data is not None:
            remarks.append(f"A logical partition described at sector {at} leaves the extended one; left out")
        link = next((s for s in slots if s.number <= 2 and s.type in EXTENDED_TYPES), None)
        if link is None:
            break
        at = extended.start + link.start
        if at in seen or at >= stop:
            remarks.append(f"The chain of logical partitions goes astray at sector {at} and is not followed")
            break
    else:
        remarks.append(f"The chain of logical partitions is longer than {MAX_LOGICAL}; the rest is left out")
    return Records(tuple(found), tuple(remarks), SpanSet())


def _partition(number: int, type_code: int, start: int, count: int, sector_bytes: int) -> Partition:
    return Partition(
        number=number,
        span=Span(start * sector_bytes, (start + count) * sector_bytes),
        type_id=f"{type_code:02x}",
        is_container=type_code in EXTENDED_TYPES,
    )


def pack_protective(drive_sectors: int) -> bytes:
    """The boot sector that keeps tools which know only this table off a drive with a GUID table.

    One record from sector 1 to the end, or FFFFFFFFh sectors if it is longer (UEFI 2.10, table 5.4).
    """
    record = pack(
        RECORD,
        first_chs=b"\x00\x02\x00",
        type=PROTECTIVE_TYPE,
        last_chs=_last_chs(drive_sectors),
        start=1,
        count=min(drive_sectors - 1, 0xFFFF_FFFF),
    )
    return bytes(FIRST_RECORD_AT) + record + bytes(3 * RECORD_BYTES) + SIGNATURE


def _last_chs(drive_sectors: int) -> bytes:
    """The last sector as cylinder, head and sector; all ones where it does not fit (UEFI 2.10, table 5.4).

    The 255 heads of 63 sectors that it supposes are common practice.
    """
    cylinder, rest = divmod(drive_sectors - 1, 255 * 63)
    head, sector = divmod(rest, 63)
    if cylinder > 1023:
        return b"\xff\xff\xff"
    return bytes((head, (sector + 1) | (cylinder >> 8) << 6, cylinder & 0xFF))
