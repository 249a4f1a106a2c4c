"""Makes md superblocks and their lists from the same records the parser gives.

For rehearsal members and tests: nothing here is ever written to a customer's drive.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal
from uuid import UUID

import numpy as np

from mendbay.core.span import SpanSet
from mendbay.pair.fields import pack
from mendbay.pair.md import (
    CHECKSUM_090_AT,
    CHECKSUM_1_AT,
    DISK_ACTIVE,
    DISK_FAULTY,
    DISK_REMOVED,
    DISK_SYNC,
    FEATURE_BAD_BLOCKS,
    FEATURE_BITMAP,
    FEATURE_RECOVERY,
    MAGIC,
    MAX_DISKS_090,
    MAX_ROLES,
    NO_RESYNC,
    ROLE_FAULTY,
    ROLE_LIMIT,
    ROLE_SPARE,
    SECTOR,
    STATE_BITMAP,
    STATE_CLEAN,
    SUPER_090,
    SUPER_1,
    SUPER_BYTES,
    Superblock,
    Version,
    checksum_090,
    checksum_1,
)

PLACE_12 = 8 * SECTOR


def pack_md12(superblock: Superblock) -> bytes:
    """A valid 1.2 superblock of 4096 bytes, to be put at byte 4096 of the member.

    `version` and `at` are set, whatever the record says.
    """
    return pack_md1(replace(superblock, version=Version.V12, at=PLACE_12))


def pack_md1(superblock: Superblock) -> bytes:
    """A valid 1.x superblock of 4096 bytes, to be put at byte `superblock.at` of the member.

    Feature bits that follow from the other fields are set in addition to `features`.

    Raises:
        ValueError: more roles than a superblock holds, or a position that is no whole sector.
    """
    one = superblock
    if len(one.roles) > MAX_ROLES:
        raise ValueError(f"{len(one.roles)} roles do not fit")
    body = pack(
        SUPER_1,
        magic=MAGIC,
        major=1,
        features=_features(one),
        set_uuid=np.void(UUID(one.set_uuid).bytes),
        name=np.void(one.name.encode()[:32].ljust(32, b"\0")),
        created=one.created_at,
        level=one.level,
        layout=one.layout,
        size=_sectors(one.component_bytes),
        chunk=_sectors(one.chunk_bytes),
        raid_disks=one.raid_disks,
        bitmap_offset=0 if one.bitmap_at is None else _sectors(one.bitmap_at - one.at),
        data_offset=_sectors(one.data.start),
        data_size=_sectors(one.data.length),
        super_offset=_sectors(one.at),
        recovery_offset=_sectors(one.recovery_bytes or 0),
        device_number=one.device_number,
        device_uuid=np.void(UUID(one.device_uuid or one.set_uuid).bytes),
        bad_block_shift=one.bad_block_shift,
        bad_block_sectors=_sectors(one.bad_blocks.length) if one.bad_blocks else 0,
        bad_block_offset=_sectors(one.bad_blocks.start - one.at) if one.bad_blocks else 0,
        updated=one.updated_at,
        events=one.events,
        resync_offset=NO_RESYNC if one.resync_bytes is None else _sectors(one.resync_bytes),
        max_dev=len(one.roles),
    )
    whole = body + np.array(one.roles, "<u2").tobytes()
    checksum = checksum_1(whole).to_bytes(4, "little")
    return (whole[:CHECKSUM_1_AT] + checksum + whole[CHECKSUM_1_AT + 4 :]).ljust(SUPER_BYTES, b"\0")


def _features(one: Superblock) -> int:
    implied = FEATURE_BITMAP if one.bitmap_at is not None else 0
    implied |= FEATURE_RECOVERY if one.recovery_bytes is not None else 0
    implied |= FEATURE_BAD_BLOCKS if one.bad_blocks is not None else 0
    return one.features | implied


def _sectors(size_bytes: int) -> int:
    sectors, rest = divmod(size_bytes, SECTOR)
    if rest:
        raise ValueError(f"{size_bytes} bytes are no whole sectors")
    return sectors


def pack_md090(superblock: Superblock) -> bytes:
    """A valid 0.90 superblock of 4096 bytes in the byte order that `superblock.big_endian` says, to be put at
    the place that belongs to the member's size.

    Raises:
        ValueError: more members than the 27 it can hold.
    """
    one = superblock
    if len(one.roles) > MAX_DISKS_090:
        raise ValueError(f"{len(one.roles)} members do not fit")
    disks = np.zeros((MAX_DISKS_090, 32), np.uint32)
    for number, role in enumerate(one.roles):
        disks[number, :5] = (number, 0, 0, *_disk_090(role))
    this = np.zeros(32, np.uint32)
    if one.device_number < MAX_DISKS_090:
        this = disks[one.device_number].copy()
    this[0] = one.device_number
    words = [int(UUID(one.set_uuid).hex[k : k + 8], 16) for k in range(0, 32, 8)]
    record = SUPER_090.newbyteorder(">") if one.big_endian else SUPER_090
    whole = pack(
        record,
        magic=MAGIC,
        minor=90,
        set0=words[0],
        set1=words[1],
        set2=words[2],
        set3=words[3],
        created=one.created_at,
        level=one.level,
        size_kib=one.component_bytes // 1024,
        nr_disks=sum(role < ROLE_LIMIT for role in one.roles),
        raid_disks=one.raid_disks,
        updated=one.updated_at,
        state=(STATE_CLEAN if one.resync_bytes is None else 0)
        | (STATE_BITMAP if one.bitmap_at is not None else 0),
        events=one.events,
        recovery=_sectors(one.resync_bytes or 0),
        layout=one.layout,
        chunk_bytes=one.chunk_bytes,
        disks=disks,
        this=this,
    )
    order: Literal["big", "little"] = "big" if one.big_endian else "little"
    checksum = checksum_090(whole, one.big_endian).to_bytes(4, order)
    return whole[:CHECKSUM_090_AT] + checksum + whole[CHECKSUM_090_AT + 4 :]


def _disk_090(role: int) -> tuple[int, int]:
    """The slot and state that a role becomes."""
    if role < ROLE_LIMIT:
        return role, DISK_ACTIVE | DISK_SYNC
    return 0, {ROLE_FAULTY: DISK_FAULTY | DISK_REMOVED, ROLE_SPARE: 0}.get(role, 0)


def pack_bad_blocks(bad: SpanSet, data_start: int, shift: int = 0, log_bytes: int = SUPER_BYTES) -> bytes:
    """A list of bad blocks that names `bad` (bytes of the data area, which begins at `data_start`).

    Raises:
        ValueError: a range is not a whole number of units, or the list is too long.
    """
    unit = SECTOR << shift
    records: list[int] = []
    for span in bad.shift(data_start):
        if span.start % unit or span.stop % unit:
            raise ValueError(f"{span} is not on units of {unit} bytes")
        for at in range(span.start // unit, span.stop // unit, 512):
            records.append(at << 10 | min(512, span.stop // unit - at))
    if len(records) > log_bytes // 8:
        raise ValueError(f"{len(records)} records do not fit")
    return np.array(records, "<u8").tobytes().ljust(log_bytes, b"\xff")
