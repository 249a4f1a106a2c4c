"""The superblocks by which the kernel's md driver knows the members of a set.

Rules and names of fields: Linux kernel 6.1, include/uapi/linux/raid/md_p.h and drivers/md/md.c. Fields:
`docs/formats/md.md`. Positions on the member (the drive or partition) in sectors of 512 bytes, n being
its size: 0.90 at (n & ~127) - 128; 1.0 at (n - 16) & ~7; 1.1 at 0; 1.2 at 8.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from uuid import UUID

import numpy as np

from mendbay.core.source import Gap, Reading, Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import lacks_of, missing_words
from mendbay.pair.fields import Row, layout, parse

SECTOR = 512
SUPER_BYTES = 4096
"""All that a superblock of either kind can take."""
MAGIC = 0xA92B_4EFC
MAX_ROLES = 1920
MAX_DISKS_090 = 27
NO_RESYNC = (1 << 64) - 1
LARGEST_SECTOR = 1 << 53
"""Positions from here on are no positions: in bytes they would leave 62 bits."""

ROLE_SPARE, ROLE_FAULTY, ROLE_JOURNAL, ROLE_LIMIT = 0xFFFF, 0xFFFE, 0xFFFD, 0xFF00

FEATURE_BITMAP = 1
FEATURE_RECOVERY = 2
FEATURE_RESHAPE = 4
FEATURE_BAD_BLOCKS = 8
FEATURE_JOURNAL = 512
FEATURE_PPL = 1024 | 2048
FEATURE_RAID0_LAYOUT = 4096
FEATURES_KNOWN = 0x1FFF

LEVEL_LINEAR = -1

SUPER_1 = layout(
    256,
    ("magic", 0, "<u4"),
    ("major", 4, "<u4"),
    ("features", 8, "<u4"),
    ("pad0", 12, "<u4"),
    ("set_uuid", 16, "V16"),
    ("name", 32, "V32"),
    ("created", 64, "<u8"),
    ("level", 72, "<i4"),
    ("layout", 76, "<u4"),
    ("size", 80, "<u8"),
    ("chunk", 88, "<u4"),
    ("raid_disks", 92, "<u4"),
    ("bitmap_offset", 96, "<i4"),
    ("reshape_position", 104, "<u8"),
    ("data_offset", 128, "<u8"),
    ("data_size", 136, "<u8"),
    ("super_offset", 144, "<u8"),
    ("recovery_offset", 152, "<u8"),
    ("device_number", 160, "<u4"),
    ("device_uuid", 168, "V16"),
    ("flags", 184, "u1"),
    ("bad_block_shift", 185, "u1"),
    ("bad_block_sectors", 186, "<u2"),
    ("bad_block_offset", 188, "<i4"),
    ("updated", 192, "<u8"),
    ("events", 200, "<u8"),
    ("resync_offset", 208, "<u8"),
    ("checksum", 216, "<u4"),
    ("max_dev", 220, "<u4"),
    ("pad3", 224, "V32"),
)
CHECKSUM_1_AT = 216

SUPER_090 = layout(
    SUPER_BYTES,
    ("magic", 0, "<u4"),
    ("major", 4, "<u4"),
    ("minor", 8, "<u4"),
    ("patch", 12, "<u4"),
    ("set0", 20, "<u4"),
    ("created", 24, "<u4"),
    ("level", 28, "<i4"),
    ("size_kib", 32, "<u4"),
    ("nr_disks", 36, "<u4"),
    ("raid_disks", 40, "<u4"),
    ("set1", 52, "<u4"),
    ("set2", 56, "<u4"),
    ("set3", 60, "<u4"),
    ("updated", 128, "<u4"),
    ("state", 132, "<u4"),
    ("checksum", 152, "<u4"),
    ("events", 156, "<u8"),
    ("recovery", 172, "<u4"),
    ("layout", 256, "<u4"),
    ("chunk_bytes", 260, "<u4"),
    ("disks", 512, "(27,32)<u4"),
    ("this", 3968, "(32,)<u4"),
)
CHECKSUM_090_AT = 152
STATE_CLEAN, STATE_BITMAP = 1 << 0, 1 << 8
DISK_FAULTY, DISK_ACTIVE, DISK_SYNC, DISK_REMOVED = 1 << 0, 1 << 1, 1 << 2, 1 << 3


class Version(StrEnum):
    """Which kind of superblock, which also says where it lies."""

    V090 = "0.90"
    V10 = "1.0"
    V11 = "1.1"
    V12 = "1.2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Superblock:
    """What one member says of itself and of its set. All positions and sizes are in bytes of the member.

    `at` is where the superblock lies, `data` where the member's data lies, `component_bytes` how much of
    it the set uses (0: all). `roles` holds for each device number the slot in the set, or one of the
    `ROLE_` codes. Times are seconds since 1970, 0 if never set. `resync_bytes` is how far a resync of the
    set had come (None: in step), `recovery_bytes` how far this member had been rebuilt, from the start of
    its data (None: wholly). `level` is the kernel's number, -1 for members end to end. `raid0_layout` is 1
    (original), 2 (alternate) or 0 (not stated).

    `problems` are what a kernel would refuse it for, apart from the checksum, which
    `checksum_holds` tells.
    """

    version: Version
    at: int
    set_uuid: str
    level: int
    raid_disks: int
    data: Span
    device_number: int
    roles: tuple[int, ...]
    events: int
    component_bytes: int = 0
    name: str = ""
    device_uuid: str = ""
    created_at: int = 0
    updated_at: int = 0
    layout: int = 0
    chunk_bytes: int = 0
    features: int = 0
    resync_bytes: int | None = None
    recovery_bytes: int | None = None
    bitmap_at: int | None = None
    bad_blocks: Span | None = None
    bad_block_shift: int = 0
    big_endian: bool = False
    checksum_holds: bool = True
    problems: tuple[str, ...] = ()

    @property
    def is_sound(self) -> bool:
        """Whether a kernel would take it."""
        return self.checksum_holds and not self.problems

    @property
    def role(self) -> int:
        """This member's slot in the set by its own account, or a `ROLE_` code."""
        return self.role_of(self.device_number)

    def role_of(self, device_number: int) -> int:
        """The slot this superblock gives to a device number; a spare if it knows no such device."""
        return self.roles[device_number] if 0 <= device_number < len(self.roles) else ROLE_SPARE

    @property
    def raid0_layout(self) -> int:
        return self.layout if self.features & FEATURE_RAID0_LAYOUT and self.layout in (1, 2) else 0

    @property
    def is_reshaping(self) -> bool:
        """Whether the set was being changed to another shape, so that no one layout fits all of it."""
        return bool(self.features & FEATURE_RESHAPE)


@dataclass(frozen=True, slots=True)
class Found:
    """The superblocks of one member, best first.

    Damaged ones come last and only if none is sound. `unreadable` are the places of superblocks
    that could not be read, in bytes of the member.
    """

    superblocks: tuple[Superblock, ...] = ()
    remarks: tuple[str, ...] = ()
    unreadable: SpanSet = field(default_factory=SpanSet)

    @property
    def best(self) -> Superblock | None:
        return self.superblocks[0] if self.superblocks else None


def places(member_bytes: int) -> dict[Version, int]:
    """Where on a member of this size each kind of superblock lies, in bytes; those that fit."""
    sectors = member_bytes // SECTOR
    at = {
        Version.V12: 8,
        Version.V11: 0,
        Version.V10: (sectors - 16) & ~7,
        Version.V090: (sectors & ~127) - 128,
    }
    return {
        version: sector * SECTOR
        for version, sector in at.items()
        if sector >= 0 and sector * SECTOR + SUPER_BYTES <= member_bytes
    }


def find_superblocks(member: Source) -> Found:
    """The superblocks of a drive or partition, in at most three short reads.

    A sound one at the start decides, and the end is then not touched: the start of a member is in use, so
    what is sound there is current, while the end may keep one of an earlier set. Of two sound ones at
    the same end of the member the one created later decides, then the higher version (common
    practice, no source).
    """
    at = places(member.size_bytes)
    head = member.read(Span(0, min(2 * SUPER_BYTES, member.size_bytes)))
    start = _Probe()
    for version in (Version.V12, Version.V11):
        if version in at:
            start.look(version, at[version], head)
    if not start.sound:
        end = _Probe()
        for version in (Version.V10, Version.V090):
            if version in at:
                end.look(version, at[version], member.read(Span.at(at[version], SUPER_BYTES)))
        return _result(start, end)
    return _result(start)


class _Probe:
    """What was found at one end of a member."""

    def __init__(self) -> None:
        self.sound: list[Superblock] = []
        self.damaged: list[Superblock] = []
        self.unreadable: list[Gap] = []

    def look(self, version: Version, at: int, reading: Reading) -> None:
        data = reading.data[at - reading.span.start :][:SUPER_BYTES]
        first = Span.at(at, SECTOR)
        lost = [Gap(first, gap.why) for gap in reading.gaps if gap.span.overlaps(first)]
        if not lost:
            needed = Span.at(at, _bytes_needed(version, data))
            lost = [Gap(gap.span.clip(needed), gap.why) for gap in reading.gaps if gap.span.overlaps(needed)]
        if lost:
            self.unreadable.extend(lost)
            return
        found = parse_superblock(version, at, data)
        if found is not None:
            (self.sound if found.is_sound else self.damaged).append(found)


def _bytes_needed(version: Version, data: bytes) -> int:
    """How much of a superblock must be there for its checksum: a 1.x one ends with its roles."""
    if version is Version.V090:
        return SUPER_BYTES
    return min(SUPER_BYTES, SUPER_1.itemsize + 2 * int(parse(SUPER_1, data)["max_dev"]))


def _result(*probes: _Probe) -> Found:
    def newest_first(one: Superblock) -> tuple[int, str]:
        return (one.created_at, one.version.value)

    sound = [one for probe in probes for one in sorted(probe.sound, key=newest_first, reverse=True)]
    damaged = [one for probe in probes for one in probe.damaged]
    remarks = [_damage(one) for one in damaged]
    if len(sound) > 1:
        others = ", ".join(f"{one.version} of set {one.set_uuid}" for one in sound[1:])
        remarks.append(
            f"More than one superblock is sound; the {sound[0].version} one, created last, is followed and "
            f"these are set aside: {others}"
        )
    gaps = [gap for probe in probes for gap in probe.unreadable]
    if not sound:
        remarks.extend(_unread_places(gaps))
    return Found(tuple(sound or damaged), tuple(remarks), SpanSet(gap.span for gap in gaps))


def _unread_places(gaps: Sequence[Gap]) -> Iterator[str]:
    """A remark for each reason why places of superblocks are missing."""
    for why, spans in lacks_of(gaps).items():
        listed = ", ".join(str(start) for start in spans.starts.tolist())
        words = missing_words([gap for gap in gaps if gap.why is why], plural=True)
        yield f"The places of superblocks at byte {listed} {words}"


def _damage(one: Superblock) -> str:
    reasons = [*one.problems, *(() if one.checksum_holds else ("its checksum fails",))]
    return f"The {one.version} superblock at byte {one.at} is damaged: {'; '.join(reasons)}"


def parse_superblock(version: Version, at: int, data: bytes) -> Superblock | None:
    """The superblock of one kind in up to 4096 bytes.

    Args:
        version: the kind that belongs to the place `at`.
        at: where on the member `data` begins, in bytes.

    Returns:
        None if there is none (no magic number, another major version, or too few bytes). A damaged one is
        given with its problems.
    """
    if version is not Version.V090:
        return _parse_1(version, at, data) if len(data) >= SUPER_1.itemsize else None
    return _parse_090(at, data) if len(data) >= SUPER_BYTES else None


def _parse_1(version: Version, at: int, data: bytes) -> Superblock | None:
    row = parse(SUPER_1, data)
    if int(row["magic"]) != MAGIC or int(row["major"]) != 1:
        return None
    max_dev = int(row["max_dev"])
    problems = list(_problems_1(row, at, version))
    usable = not problems
    length = SUPER_1.itemsize + 2 * min(max_dev, MAX_ROLES)
    roles = np.frombuffer(data[SUPER_1.itemsize : length].ljust(length - SUPER_1.itemsize, b"\0"), "<u2")
    features = int(row["features"])
    level = int(row["level"])
    resync = int(row["resync_offset"])
    recovers = bool(features & FEATURE_RECOVERY) and not features & FEATURE_JOURNAL
    has_bitmap = bool(features & FEATURE_BITMAP) and not features & FEATURE_PPL
    return Superblock(
        version=version,
        at=at,
        set_uuid=str(UUID(bytes=row["set_uuid"].tobytes())),
        name=row["name"].tobytes().split(b"\0", 1)[0].decode("utf-8", "replace"),
        level=level,
        layout=int(row["layout"]),
        chunk_bytes=int(row["chunk"]) * SECTOR,
        raid_disks=int(row["raid_disks"]),
        component_bytes=int(row["size"]) * SECTOR if usable else 0,
        data=_span_of_sectors(int(row["data_offset"]), int(row["data_size"])) if usable else Span(0, 0),
        device_uuid=str(UUID(bytes=row["device_uuid"].tobytes())),
        device_number=int(row["device_number"]),
        roles=tuple(roles.tolist()),
        events=int(row["events"]),
        created_at=int(row["created"]) & 0xFF_FFFF_FFFF,
        updated_at=int(row["updated"]) & 0xFF_FFFF_FFFF,
        features=features,
        resync_bytes=None if resync >= LARGEST_SECTOR else resync * SECTOR,
        recovery_bytes=min(int(row["recovery_offset"]), LARGEST_SECTOR) * SECTOR if recovers else None,
        bitmap_at=_beside(at, int(row["bitmap_offset"])) if has_bitmap else None,
        bad_blocks=_bad_block_place(row, at) if features & FEATURE_BAD_BLOCKS else None,
        bad_block_shift=int(row["bad_block_shift"]),
        checksum_holds=len(data) >= length and checksum_1(data[:length]) == int(row["checksum"]),
        problems=tuple(problems),
    )


def _problems_1(row: Row, at: int, version: Version) -> Iterator[str]:
    """What super_1_load of drivers/md/md.c refuses, and numbers that cannot be positions."""
    max_dev, data_offset, data_size = int(row["max_dev"]), int(row["data_offset"]), int(row["data_size"])
    if int(row["super_offset"]) * SECTOR != at:
        yield f"it says it lies at sector {row['super_offset']}"
    if max_dev > MAX_ROLES:
        yield f"it claims {max_dev} roles"
    if int(row["features"]) & ~FEATURES_KNOWN:
        yield f"it has features nobody knows ({int(row['features']):#x})"
    if data_size < 10:
        yield f"its data area has {data_size} sectors"
    if int(row["pad0"]) or any(row["pad3"].tobytes()):
        yield "bytes that must be zero are not"
    behind = at + SUPER_1.itemsize + 2 * min(max_dev, MAX_ROLES)
    if version is not Version.V10 and data_offset * SECTOR < behind:
        yield "its data area overlaps it"
    if max(data_offset + data_size, int(row["size"])) >= LARGEST_SECTOR:
        yield "its sizes are impossible"


def _span_of_sectors(start: int, count: int) -> Span:
    return Span.at(start * SECTOR, count * SECTOR)


def _beside(at: int, sectors: int) -> int | None:
    """A place given relative to the superblock; None if it is the superblock itself or before the member."""
    place = at + sectors * SECTOR
    return place if sectors != 0 and place >= 0 else None


def _bad_block_place(row: Row, at: int) -> Span | None:
    """Where the list of bad blocks lies. The kernel takes no more than one page of it."""
    sectors = int(row["bad_block_sectors"])
    start = _beside(at, int(row["bad_block_offset"]))
    return None if start is None or not 0 < sectors <= 8 else Span.at(start, sectors * SECTOR)


def _parse_090(at: int, data: bytes) -> Superblock | None:
    for record, big_endian in ((SUPER_090, False), (SUPER_090.newbyteorder(">"), True)):
        row = parse(record, data)
        if int(row["magic"]) == MAGIC and int(row["major"]) == 0:
            return _superblock_090(row, at, data, big_endian)
    return None


def _superblock_090(row: Row, at: int, data: bytes, big_endian: bool) -> Superblock:
    problems: list[str] = []
    if int(row["minor"]) not in (90, 91):
        problems.append(f"its version is 0.{row['minor']}")
    if not 0 < int(row["raid_disks"]) <= MAX_DISKS_090:
        problems.append(f"it claims {row['raid_disks']} disks")
    number = int(row["this"][0])
    clean = bool(int(row["state"]) & STATE_CLEAN)
    return Superblock(
        version=Version.V090,
        at=at,
        set_uuid=str(UUID("".join(f"{int(row[f'set{k}']):08x}" for k in range(4)))),
        level=int(row["level"]),
        layout=int(row["layout"]),
        chunk_bytes=int(row["chunk_bytes"]),
        raid_disks=int(row["raid_disks"]),
        component_bytes=int(row["size_kib"]) * 1024,
        data=Span(0, at),
        device_number=number,
        roles=_roles_090(row),
        events=int(row["events"]),
        created_at=int(row["created"]),
        updated_at=int(row["updated"]),
        features=FEATURE_RESHAPE if int(row["minor"]) == 91 else 0,
        resync_bytes=None if clean else int(row["recovery"]) * SECTOR,
        bitmap_at=at + SUPER_BYTES if int(row["state"]) & STATE_BITMAP else None,
        big_endian=big_endian,
        checksum_holds=checksum_090(data, big_endian) == int(row["checksum"]),
        problems=tuple(problems),
    )


def _roles_090(row: Row) -> tuple[int, ...]:
    """The members' states as 1.x roles: only what is in sync holds a slot (super_90_validate)."""
    disks = row["disks"].astype(np.int64)
    slot, state = disks[:, 3], disks[:, 4]
    roles = np.where((state & DISK_SYNC) != 0, slot, ROLE_SPARE)
    roles = np.where((state & DISK_FAULTY) != 0, ROLE_FAULTY, roles)
    return tuple(np.where(roles < ROLE_LIMIT, roles, np.minimum(roles, ROLE_SPARE)).tolist())


def checksum_1(superblock: bytes) -> int:
    """The checksum of a 1.x superblock of 256 bytes and its roles: 32-bit words added with that field
    zero, a last odd two bytes as they are, the carries added once (calc_sb_1_csum)."""
    blank = superblock[:CHECKSUM_1_AT] + bytes(4) + superblock[CHECKSUM_1_AT + 4 :]
    whole = len(blank) // 4 * 4
    total = int(np.frombuffer(blank[:whole], "<u4").sum(dtype=np.uint64))
    return _folded(total + int.from_bytes(blank[whole : whole + 2], "little"))


def checksum_090(superblock: bytes, big_endian: bool = False) -> int:
    """The checksum of a 0.90 superblock: its 1024 words in the byte order of the machine that wrote it,
    added with that field zero, the carries added once (calc_sb_csum)."""
    blank = superblock[:CHECKSUM_090_AT] + bytes(4) + superblock[CHECKSUM_090_AT + 4 : SUPER_BYTES]
    return _folded(int(np.frombuffer(blank, ">u4" if big_endian else "<u4").sum(dtype=np.uint64)))


def _folded(total: int) -> int:
    return ((total & 0xFFFF_FFFF) + (total >> 32)) & 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class BadBlocks:
    """The ranges of a member's data that the set itself has written off, and a remark about the list."""

    spans: SpanSet = field(default_factory=SpanSet)
    remark: str = ""


def read_bad_blocks(member: Source, superblock: Superblock) -> BadBlocks:
    """The member's own list of bad blocks, in bytes of its data; empty if it keeps none.

    Records of 64 bits hold a length in the low 10 and a start in the upper 54, both shifted left by the
    stated shift, counted from the start of the member; all ones end the list.
    """
    place = superblock.bad_blocks
    if place is None:
        return BadBlocks()
    reading = member.read(place)
    remark = ""
    if not reading.is_complete:
        remark = f"A part of its list of bad blocks {missing_words(reading.gaps)}"
    return BadBlocks(parse_bad_blocks(reading.data, superblock.bad_block_shift, superblock.data), remark)


def parse_bad_blocks(log: bytes, shift: int, data: Span) -> SpanSet:
    """The ranges a list of bad blocks names, in bytes of the data area `data`, clipped to it.

    A shift over 32 makes every position impossible and gives an empty set. An unreadable part of the
    list reads as zero, which names nothing.
    """
    records = np.frombuffer(log[: len(log) // 8 * 8], "<u8")
    ends = np.flatnonzero(records == np.uint64(NO_RESYNC))
    records = records[: ends[0]] if ends.size else records
    start, count = records >> np.uint64(10), records & np.uint64(0x3FF)
    possible = (count > 0) & (start < (LARGEST_SECTOR >> min(shift, 53)))
    if shift > 32 or not possible.any():
        return SpanSet()
    first = (start[possible].astype(np.int64) << shift) * SECTOR
    length = (count[possible].astype(np.int64) << shift) * SECTOR
    on_member = SpanSet.from_bounds(first, first + length).clip(data)
    return on_member.shift(-data.start)
