"""Writes the two whole-drive images of a box: partition tables, member description, and the volume's bytes.

Each drive carries a GPT with one partition; the partition begins with a member of a two-drive array (md,
description 1.2) whose data area holds a copy, or every other chunk, of the file system.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from mendbay.core.span import Span
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.geometry import DATA_OFFSET, SECTOR_BYTES, Geometry, Level
from mendbay.pair.gpt import pack_gpt
from mendbay.pair.md import FEATURE_RAID0_LAYOUT, ROLE_FAULTY, ROLE_SPARE, Superblock, Version
from mendbay.pair.md_pack import PLACE_12, pack_md12
from mendbay.pair.table import Partition

PIECE_BYTES = 1 << 20
RAID_MEMBER = "a19d880f-05fc-4d3b-a006-743f0f84911e"
"""The partition type of an array's member (Linux kernel, block/partitions/efi.h)."""


@dataclass(frozen=True, slots=True)
class MemberState:
    """What one drive's own description says of the array: times in seconds since 1970."""

    updated_at: int
    events: int
    roles: tuple[int, int]


ACTIVE = (0, 1)
OTHER_FAULTY = (0, ROLE_FAULTY)
"""How the description on the drive that stayed sees the one that fell out."""


def member_states(level: Level, *, parted: bool) -> tuple[MemberState, MemberState]:
    """The states of both drives: equal, or with bay 2 (index 1) left behind when the halves parted.

    Raises:
        ValueError: a stripe cannot part.
    """
    if parted and level is Level.STRIPE:
        raise ValueError("the drives of a stripe cannot part")
    newest = MemberState(story.BURNT_AT, 4127, OTHER_FAULTY if parted else ACTIVE)
    return newest, MemberState(story.PARTED_AT, 3260, ACTIVE) if parted else newest


def write_members(
    images: tuple[Path, Path],
    volumes: tuple[Path, Path],
    geometry: Geometry,
    states: tuple[MemberState, MemberState],
    seed: int,
) -> None:
    """Makes the images of both drives, sparse where the volume is empty.

    Args:
        images: the files to make, bay 1 first.
        volumes: the file system that each drive takes its bytes from; the same twice unless parted.
        states: what each drive's description says.
        seed: decides the identifiers.
    """
    chance = random.Random(f"members {seed}")  # noqa: S311 - identifiers of an invented box
    array, *own = (UUID(int=chance.getrandbits(128), version=4) for _ in range(7))
    for bay, (image, volume) in enumerate(zip(images, volumes, strict=True)):
        with image.open("xb") as file:
            file.truncate(geometry.drive_bytes)
            for at, piece in _partition_tables(geometry, own[bay], own[2 + bay]):
                file.seek(at)
                file.write(piece)
            file.seek(geometry.partition.start + PLACE_12)
            file.write(_description(geometry, states[bay], bay, array, own[4 + bay]))
        _copy_data(image, volume, geometry, bay)


def copy_sparse(source: Path, copy: Path) -> None:
    """Copies a file; stretches of zeros become holes."""
    with source.open("rb") as given, copy.open("xb") as made:
        at = 0
        while piece := given.read(PIECE_BYTES):
            if piece.count(0) != len(piece):
                made.seek(at)
                made.write(piece)
            at += len(piece)
        made.truncate(at)


def _copy_data(image: Path, volume: Path, geometry: Geometry, bay: int) -> None:
    """Copies the drive's share of the volume; stretches of zeros stay holes."""
    stripe = geometry.level is Level.STRIPE
    step = 2 * geometry.chunk_bytes if stripe else PIECE_BYTES
    inner = geometry.chunk_bytes if stripe else PIECE_BYTES
    with volume.open("rb") as source, image.open("r+b") as target:
        for row, start in enumerate(range(0, geometry.volume_bytes, step)):
            source.seek(start + (bay * geometry.chunk_bytes if stripe else 0))
            piece = source.read(min(inner, geometry.volume_bytes - start))
            if piece.count(0) != len(piece):
                target.seek(geometry.data_at + row * inner)
                target.write(piece)


def _partition_tables(geometry: Geometry, disk: UUID, partition: UUID) -> list[tuple[int, bytes]]:
    """(byte, content) of everything that describes the drive's one partition."""
    one = Partition(1, geometry.partition, RAID_MEMBER, name="studio data", unique_id=str(partition))
    table = pack_gpt(geometry.drive_bytes, [one], str(disk), SECTOR_BYTES)
    return [(0, table.head), (table.tail_at, table.tail)]


def _description(geometry: Geometry, state: MemberState, bay: int, array: UUID, own: UUID) -> bytes:
    """The member's description of the array, to be put at its byte 4096."""
    stripe = geometry.level is Level.STRIPE
    return pack_md12(
        Superblock(
            version=Version.V12,
            at=PLACE_12,
            set_uuid=str(array),
            device_uuid=str(own),
            name=story.ARRAY_NAME,
            level=0 if stripe else 1,
            raid_disks=2,
            chunk_bytes=geometry.chunk_bytes if stripe else 0,
            component_bytes=0 if stripe else geometry.data_bytes,
            data=Span.at(DATA_OFFSET, geometry.data_bytes),
            device_number=bay,
            # the kernel keeps room for far more drives than two, all of them spare
            roles=(*state.roles, *[ROLE_SPARE] * 126),
            created_at=story.BOX_SET_UP_AT,
            updated_at=state.updated_at,
            events=state.events,
            layout=1 if stripe else 0,
            features=FEATURE_RAID0_LAYOUT if stripe else 0,
        )
    )
