"""A set whose volume was partitioned: the file system that mke2fs made in a partition there is found."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.span import Span
from mendbay.jobs.volume import open_volume
from mendbay.pair.partitions import Partition, pack_gpt
from support.box import DISK_GUIDS, MIB, RAID_TYPE, drive, member_bytes, superblock
from support.boxes import tool_or_skip

VOLUME_BYTES = 8 * MIB
PART = Span(MIB, 7 * MIB)
EARLIER, CURRENT = "5a1e0000-0000-4000-8000-00000000000a", "5a1e0000-0000-4000-8000-00000000000b"


def made_system(folder: Path, size_bytes: int, uuid: str) -> bytes:
    file = folder / uuid
    file.write_bytes(bytes(size_bytes))
    command = [tool_or_skip("mke2fs", "e2fsprogs"), "-q", "-F", "-t", "ext4", "-U", uuid, str(file)]
    subprocess.run(command, check=True, capture_output=True)
    return file.read_bytes()


def guid_table(volume: bytearray) -> None:
    one = Partition(1, PART, RAID_TYPE, "data", "9c2d4e6f-1a3b-4c5d-8e7f-00000000000a")
    packed = pack_gpt(len(volume), [one], DISK_GUIDS[0])
    volume[: len(packed.head)] = packed.head
    volume[packed.tail_at :] = packed.tail


def records_table(volume: bytearray) -> None:
    """Leaves the file system that the whole volume held before recognisable."""
    struct.pack_into("<B3xB3xII", volume, 446, 0, 0x83, PART.start // 512, PART.length // 512)
    volume[510:512] = b"\x55\xaa"


@pytest.mark.parametrize("put_table", [guid_table, records_table])
def test_file_system_inside_the_partition_comes_before_an_earlier_one(
    tmp_path: Path, put_table: Callable[[bytearray], None]
) -> None:
    volume = bytearray(made_system(tmp_path, VOLUME_BYTES, EARLIER))
    volume[PART.start : PART.stop] = made_system(tmp_path, PART.length, CURRENT)
    put_table(volume)
    drives = {}
    for slot in (0, 1):
        one = superblock(slot, component_bytes=VOLUME_BYTES, data=Span.at(MIB, VOLUME_BYTES))
        drives[str(slot + 1)] = drive([member_bytes(one, bytes(volume), 10 * MIB)], str(slot + 1))
    opened = open_volume(drives)
    assert opened.system.facts.uuid == CURRENT
    assert (opened.assembled.name, opened.assembled.bays) == ("tarn:data, partition 1", ("1", "2"))
