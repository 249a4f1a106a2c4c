"""Finds the partitions of a drive, with as few reads as the answer allows.

Order: the first sectors in one read; the records of the first sector if they announce no GUID table; else the
GUID table there; its backup at the end only if the primary is unreadable, damaged or overwritten. A place
that cannot be read is never taken for a place without a table.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from mendbay.core.source import Gap, Reading, Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import missing_words
from mendbay.pair.gpt import (
    SIGNATURE,
    GptHeader,
    PackedGpt,
    Unsound,
    array_holds,
    pack_gpt,
    parse_header,
    partitions_of,
    read_array,
)
from mendbay.pair.mbr import PROTECTIVE_TYPE, Slot, follow_records, parse_records
from mendbay.pair.table import Partition, PartitionTable, TableKind

__all__ = [
    "PackedGpt",
    "Partition",
    "PartitionTable",
    "TableKind",
    "find_partitions",
    "find_partitions_inside",
    "pack_gpt",
]

TABLE_SECTOR_SIZES = (512, 4096)
HEAD_BYTES = 6 * 4096
"""Holds the records, the header and the usual entries of both sector sizes: one short read."""
INSIDE_BYTES = 8192
_FIRST_SECTOR = Span(0, 512)


def find_partitions(drive: Source) -> PartitionTable:
    """The partition table of a drive.

    Returns:
        What the first sector's records say if they are partitions and announce no GUID table; else the
        primary GUID table if it is sound, else its backup; else kind `none`. With `none`, `unreadable`
        tells "there is no table" (empty) from "it is not known" (the places that could not be read).
    """
    head = drive.read(Span(0, min(HEAD_BYTES, drive.size_bytes)))
    slots, records_unread = _records(head)
    protected = any(slot.type == PROTECTIVE_TYPE for slot in slots)
    if slots and not protected:
        table = _of_records(drive, slots)
        if table.partitions:
            return _with_leftover_remark(table, head)
    search = _GptSearch(drive, head, expected=protected or bool(records_unread))
    found = search.primary() or search.backup(slots)
    if found is not None:
        return _with_hybrid_remark(found, slots)
    remarks = list(search.remarks)
    if records_unread:
        remarks.append(
            f"The first sector, where a partition table begins, {missing_words(_within(head, _FIRST_SECTOR))}"
        )
    if protected:
        remarks.append(
            "The first sector says that a GUID partition table follows, but neither copy can be used"
        )
    table = _of_records(drive, slots)
    return replace(
        table,
        remarks=(*remarks, *table.remarks),
        unreadable=table.unreadable | search.unreadable | records_unread,
    )


def find_partitions_inside(volume: Source) -> PartitionTable:
    """The partition table that a set's volume has of its own, as some boxes make it.

    Most have none, so the start has to announce one, or be missing, before anything else is looked at:
    8 KiB there are all that a volume without a table costs. What is left of an earlier table at the end
    of a volume whose start is whole does not count.

    Returns:
        As `find_partitions`.
    """
    start = volume.read(Span(0, min(INSIDE_BYTES, volume.size_bytes)))
    places = [Span.at(unit, len(SIGNATURE)) for unit in TABLE_SECTOR_SIZES]
    known = not any(start.missing().overlaps(place) for place in (_FIRST_SECTOR, *places))
    if known and not parse_records(start.data) and not _signed(start.data, places):
        return PartitionTable(TableKind.NONE, (), volume.sector_bytes)
    return find_partitions(volume)


def _signed(data: bytes, places: Iterable[Span]) -> bool:
    return any(data[place.start : place.stop] == SIGNATURE for place in places)


def _of_records(drive: Source, slots: tuple[Slot, ...]) -> PartitionTable:
    """What the first sector's own records say; kind `none` if not one of them can be a partition."""
    usable = tuple(slot for slot in slots if slot.type != PROTECTIVE_TYPE)
    if not usable:
        return PartitionTable(TableKind.NONE, (), drive.sector_bytes)
    unit = _unit_of_records(drive, usable)
    found = follow_records(drive, usable, unit)
    # the boot sector of a file system can look like a table whose records make no sense
    kind = TableKind.MBR if found.partitions else TableKind.NONE
    return PartitionTable(kind, found.partitions, unit, found.remarks, found.unreadable)


def _with_leftover_remark(table: PartitionTable, head: Reading) -> PartitionTable:
    """Says so if a GUID table lies behind a first sector that does not announce it: it does not count then
    (UEFI 2.10, 5.2.3; Linux kernel 6.1, block/partitions/efi.c)."""
    where = Span(512, 1024)
    if head.missing().overlaps(where) or not isinstance(
        parse_header(head.data[where.start : where.stop], 1, 512), GptHeader
    ):
        return table
    remark = (
        "A GUID partition table lies behind a first sector that does not announce it: left over, not followed"
    )
    return replace(table, remarks=(*table.remarks, remark))


def _records(head: Reading) -> tuple[tuple[Slot, ...], SpanSet]:
    """The used records of the first sector, none if it is no table; and the sector if it is unreadable."""
    if len(head.data) < _FIRST_SECTOR.length:
        return (), SpanSet()
    if head.missing().overlaps(_FIRST_SECTOR):
        return (), SpanSet((_FIRST_SECTOR,))
    return parse_records(head.data[:512]) or (), SpanSet()


def _within(reading: Reading, where: Span) -> list[Gap]:
    """The gaps of a reading that meet a span."""
    return [gap for gap in reading.gaps if gap.span.overlaps(where)]


def _unit_of_records(drive: Source, slots: tuple[Slot, ...]) -> int:
    """The records carry no sector size: the drive's own holds unless only 512 keeps them on the drive."""
    own = drive.sector_bytes
    end = max(slot.start + slot.count for slot in slots)
    return 512 if own > 512 and end * own > drive.size_bytes >= end * 512 else own


def _with_hybrid_remark(found: PartitionTable, slots: tuple[Slot, ...]) -> PartitionTable:
    others = [slot for slot in slots if slot.type != PROTECTIVE_TYPE]
    if not others:
        return found
    listed = ", ".join(f"{slot.type:02x}" for slot in others)
    remark = (
        f"The first sector also lists partitions of its own (types {listed}): a hybrid table; "
        "the GUID table is followed"
    )
    return replace(found, remarks=(*found.remarks, remark))


class _GptSearch:
    """Looks for a sound GUID table and remembers what stood in the way.

    `expected` says that the first sector announces one, or cannot deny it.
    """

    def __init__(self, drive: Source, head: Reading, expected: bool) -> None:
        self.drive = drive
        self.head = head
        self.expected = expected
        self.remarks: list[str] = []
        self.unreadable = SpanSet()
        self._alternates: list[tuple[int, int]] = []

    def primary(self) -> PartitionTable | None:
        """The table at the second sector, for the drive's own sector size first."""
        for unit in self._units():
            found = self._try(1, unit, "primary")
            if found is not None:
                return found
        return None

    def backup(self, slots: tuple[Slot, ...]) -> PartitionTable | None:
        """The table at the end: where a sound primary header says, at the last sector, or where the
        protective record ends (a drive restored to a larger one keeps its old end)."""
        tried: set[tuple[int, int]] = set()
        for lba, unit in self._backup_places(slots):
            if (lba, unit) in tried or lba <= 1 or (lba + 1) * unit > self.drive.size_bytes:
                continue
            tried.add((lba, unit))
            found = self._try(lba, unit, "backup")
            if found is not None:
                remark = "The backup of the GUID partition table is used: " + (
                    "; ".join(self.remarks) if self.remarks else "the primary is not there"
                )
                alone = not self.expected and not self.remarks
                return replace(found, remarks=(remark, *found.remarks), may_be_left_over=alone)
        return None

    def _units(self) -> tuple[int, ...]:
        own = self.drive.sector_bytes
        return (own, *(unit for unit in TABLE_SECTOR_SIZES if unit != own))

    def _backup_places(self, slots: tuple[Slot, ...]) -> Iterator[tuple[int, int]]:
        yield from self._alternates
        for unit in self._units():
            yield self.drive.size_bytes // unit - 1, unit
        for slot in slots:
            if slot.type == PROTECTIVE_TYPE and slot.count < 0xFFFF_FFFF:
                yield slot.start + slot.count - 1, self.drive.sector_bytes

    def _try(self, lba: int, unit: int, which: str) -> PartitionTable | None:
        where = Span.at(lba * unit, unit)
        if where.stop > self.drive.size_bytes:
            return None
        reading = self._reading(where)
        missing = _within(reading, where)
        if missing and unit != self.drive.sector_bytes and not self.expected:
            return None  # nothing points to a table there, so its being unreadable says nothing
        if missing:
            self.unreadable = self.unreadable | SpanSet((where,))
            self.remarks.append(
                f"the {which} header at sector {lba} (of {unit} bytes) {missing_words(missing)}"
            )
            return None
        at = where.start - reading.span.start
        header = parse_header(reading.data[at : at + unit], lba, unit)
        if header is None:
            return None
        if isinstance(header, Unsound):
            self.remarks.append(f"the {which} is damaged: {header.why}")
            return None
        return self._with_entries(header, which)

    def _with_entries(self, header: GptHeader, which: str) -> PartitionTable | None:
        if which == "primary":
            self._alternates.append((header.alternate_lba, header.sector_bytes))
        reading = self._array(header)
        if not reading.is_complete:
            missing = reading.missing()
            self.unreadable = self.unreadable | missing
            self.remarks.append(
                f"{missing.total_bytes} bytes of the {which} entries at byte {header.array.start} "
                f"{missing_words(reading.gaps, plural=True)}"
            )
            return None
        if not array_holds(header, reading.data):
            self.remarks.append(f"the entries of the {which} fail their checksum")
            return None
        partitions, remarks = partitions_of(header, reading.data)
        more: list[str] = []
        if (header.last_usable + 1) * header.sector_bytes > self.drive.size_bytes:
            more.append("The partition table was made for a larger drive: its last sectors are not there")
        if header.sector_bytes != self.drive.sector_bytes:
            more.append(
                f"The partition table counts in sectors of {header.sector_bytes} bytes, the drive in "
                f"{self.drive.sector_bytes}"
            )
        return PartitionTable(TableKind.GPT, partitions, header.sector_bytes, (*more, *remarks))

    def _reading(self, where: Span) -> Reading:
        """A reading that holds one sector: the first one where possible."""
        return self.head if self.head.span.covers(where) else self.drive.read(where)

    def _array(self, header: GptHeader) -> Reading:
        if self.head.span.covers(header.array) and not self.head.missing().overlaps(header.array):
            return Reading(header.array, self.head.data[header.array.start : header.array.stop])
        return read_array(self.drive, header)
