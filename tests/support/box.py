"""Drives of an invented two-bay box in memory: tables, superblocks, bitmaps and data in their places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.pair.bitmap import pack_bitmap
from mendbay.pair.md import ROLE_SPARE, Superblock, Version, places
from mendbay.pair.md_pack import pack_bad_blocks, pack_md090, pack_md1
from mendbay.pair.partitions import Partition, pack_gpt
from support.sources import MemorySource

MIB = 1 << 20
SET_UUID = "51c3a0de-0f0e-4d5c-9a3e-7b1f6d2c8e40"
OTHER_UUID = "0b7f3c11-6d52-4a8e-8f29-c4e1d9a70b55"
RAID_TYPE = "a19d880f-05fc-4d3b-a006-743f0f84911e"
DISK_GUIDS = ("3f1e5d7c-0a4b-4c6e-9d28-1b7a5c3e9f01", "3f1e5d7c-0a4b-4c6e-9d28-1b7a5c3e9f02")
CREATED, UPDATED = 1_700_000_000, 1_793_181_600


def superblock(slot: int = 0, **changes: object) -> Superblock:
    """A sound 1.2 superblock of a two-member mirror with 1 MiB before its data."""
    base = Superblock(
        version=Version.V12,
        at=4096,
        set_uuid=SET_UUID,
        name="tarn:data",
        level=1,
        raid_disks=2,
        component_bytes=2 * MIB,
        data=Span(MIB, 3 * MIB),
        device_uuid=f"{slot:08x}-2222-4333-8444-555566667777",
        device_number=slot,
        roles=(0, 1, *([ROLE_SPARE] * 126)),
        events=4812,
        created_at=CREATED,
        updated_at=UPDATED,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def member_bytes(
    one: Superblock,
    data: bytes,
    size_bytes: int = 4 * MIB,
    bitmap: bytes | None = None,
    bad: SpanSet | None = None,
) -> bytes:
    """A whole member: `data` in its place, the superblock where its version puts it, its extras."""
    place = places(size_bytes)[one.version]
    out = bytearray(size_bytes)
    out[one.data.start : one.data.start + len(data)] = data
    packed = pack_md090(one) if one.version is Version.V090 else pack_md1(replace(one, at=place))
    out[place : place + len(packed)] = packed
    if bitmap is not None and one.bitmap_at is not None:
        out[one.bitmap_at : one.bitmap_at + len(bitmap)] = bitmap
    if bad is not None and one.bad_blocks is not None:
        log = pack_bad_blocks(bad, one.data.start, one.bad_block_shift, one.bad_blocks.length)
        out[one.bad_blocks.start : one.bad_blocks.stop] = log
    return bytes(out)


def drive_bytes(
    members: Sequence[bytes],
    disk: int = 0,
    sector_bytes: int = 512,
    first_at: int = MIB,
    type_id: str = RAID_TYPE,
) -> bytes:
    """A drive with a GUID table whose partitions hold the members one after another."""
    partitions = []
    at = first_at
    for number, member in enumerate(members, 1):
        unique = f"9c2d4e6f-1a3b-4c5d-8e7f-{disk:04x}{number:08x}"
        partitions.append(Partition(number, Span.at(at, len(member)), type_id, f"part {number}", unique))
        at += len(member)
    size = at + MIB
    table = pack_gpt(size, partitions, DISK_GUIDS[disk], sector_bytes)
    out = bytearray(size)
    out[: len(table.head)] = table.head
    out[table.tail_at :] = table.tail
    for one, member in zip(partitions, members, strict=True):
        out[one.span.start : one.span.stop] = member
    return bytes(out)


def drive(
    members: Sequence[bytes], bay: str = "1", gaps: Mapping[Lack, SpanSet] | None = None
) -> MemorySource:
    """Such a drive as a source in a bay."""
    return MemorySource(drive_bytes(members, disk=int(bay) - 1), gaps, bay=bay, name=f"drive {bay}")


def mirror_drives(data: bytes) -> list[bytes]:
    """The two drives of a mirror in step that holds `data`."""
    start = superblock().data.start
    own = [
        replace(superblock(slot), component_bytes=len(data), data=Span.at(start, len(data)))
        for slot in range(2)
    ]
    return [
        drive_bytes([member_bytes(one, data, size_bytes=start + len(data))], slot)
        for slot, one in enumerate(own)
    ]


def bitmap_for(one: Superblock, dirty: SpanSet, events_cleared: int, chunk_bytes: int = 65536) -> bytes:
    """The bitmap of a member with these parts of its data marked."""
    return pack_bitmap(one, dirty, one.component_bytes, chunk_bytes, events_cleared)
