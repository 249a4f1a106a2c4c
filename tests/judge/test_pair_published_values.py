"""Partition tables and md superblocks against published values. Each check names where its numbers stand."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest

from mendbay.core.span import Span
from mendbay.pair.gpt import ENTRY_BYTES, HEADER
from mendbay.pair.md import Superblock, Version, checksum_1, parse_superblock, places
from mendbay.pair.md_pack import pack_md090, pack_md1, pack_md12
from mendbay.pair.partitions import Partition, find_partitions, pack_gpt
from mendbay.pair.raid10 import FAR_2, NEAR_2, OFFSET_2, copy_on
from mendbay.pair.stripe import Raid0Layout, Stripe, linear_zones, raid0_layouts_differ, raid0_zones
from support.sources import MemorySource

SECTOR = 512

# util-linux 2.38.1, tests/ts/blkid/images-pt/gpt.img, sha256
# 6376c50f4396724f9ce551b860869e42900270d4677ab35001b8b08a576dcc67, and its
# tests/expected/blkid/lowprobe-pt-gpt: number, first sector, sectors, unique GUID, name
GPT_IMAGE_SECTORS = 20480
GPT_DISK = "dd27f98d-7519-4c9e-8041-f2bfa7b1ef61"
GPT_TYPE = "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7"
GPT_ENTRIES = (
    (1, 34, 2014, "1dcf10bc-637e-4c52-8203-087ae10a820b", "ThisIsName"),
    (2, 2048, 2048, "a1d03a96-7238-46c6-bbb3-789cbe173ec7", "ThisIsOtherName"),
    (3, 4096, 2048, "a7101b6c-468c-47df-aff6-cd444d12af61", "primary"),
    (4, 6144, 2048, "afc4950a-f0f1-4add-802c-5957133486d1", "primary"),
    (5, 8192, 2048, "0db0a787-c16b-4886-af3a-fbb97299677c", "primary"),
)

# a 1.2 superblock from a hexdump of a 100 MiB member in a public repository: 512 bytes, zero but for these
REAL_12 = {
    0: "fc4e2ba901000000",
    16: "6865ede1f1a76b4845071d66a55755bd",
    32: "6672616d65776f726b3a61727261796e616d65",
    64: "8ef3b866000000000100000000000000001803",
    92: "02",
    128: "0008000000000000001803",
    144: "08",
    168: "a5cc7f3aa6bc32e797b772897554b62f00000800100000008ef3b866",
    200: "11",
    208: "ffffffffffffffff6f63646080",
}

# the words that are not zero of the 0.90 superblock in util-linux 2.38.1, tests/ts/blkid/images-fs/mdraid.img
REAL_090 = {
    0: 0xA92B4EFC,
    2: 0x5A,
    5: 0x37C76B91,
    6: 0x4A1D3758,
    7: 1,
    8: 0x27C0,
    9: 2,
    10: 2,
    13: 0x011A05C5,
    14: 0xD30C1FD4,
    15: 0xC5C3DBBC,
    32: 0x4A1D3758,
    33: 1,
    34: 2,
    35: 2,
    38: 0x0F1752EB,
    39: 4,
    41: 4,
    43: 0xFFFFFFFF,
    129: 7,
    132: 6,
    160: 1,
    161: 7,
    162: 1,
    163: 1,
    164: 6,
    993: 7,
    996: 6,
}


def real_12(roles_after: int = 0xFFFF) -> bytes:
    out = bytearray(512)
    for at, text in REAL_12.items():
        raw = bytes.fromhex(text)
        out[at : at + len(raw)] = raw
    out[256:] = np.array([0, 1, *([roles_after] * 126)], "<u2").tobytes()
    return bytes(out)


def real_090() -> bytes:
    words = np.zeros(1024, "<u4")
    for at, value in REAL_090.items():
        words[at] = value
    return words.tobytes()


def parsed(version: Version, at: int, data: bytes) -> Superblock:
    found = parse_superblock(version, at, data)
    assert found is not None
    return found


def test_checksum_of_gpt_is_the_common_one() -> None:
    """The check value of CRC-32 as in ISO-HDLC, named by UEFI 2.10, 5.3.2."""
    assert zlib.crc32(b"123456789") == 0xCBF43926


def published_partitions() -> tuple[Partition, ...]:
    return tuple(
        Partition(number, Span.at(first * SECTOR, count * SECTOR), GPT_TYPE, name, unique)
        for number, first, count, unique, name in GPT_ENTRIES
    )


def test_gpt_of_util_linux_is_made_again_checksum_for_checksum() -> None:
    size = GPT_IMAGE_SECTORS * SECTOR
    packed = pack_gpt(size, published_partitions(), GPT_DISK)
    primary, backup = packed.head[SECTOR : 2 * SECTOR], packed.tail[-SECTOR:]
    assert int.from_bytes(primary[16:20], "little") == 0xF303C548
    assert int.from_bytes(backup[16:20], "little") == 0x49B8A601
    assert zlib.crc32(packed.head[1024 : 1024 + 128 * ENTRY_BYTES]) == 0xFAA76117
    assert int.from_bytes(backup[24:32], "little") == 20479
    row = np.frombuffer(primary, HEADER, 1)[0]
    assert (row["first_usable"], row["last_usable"], row["entry_lba"]) == (34, 20446, 2)
    record = packed.head[446:462]
    assert (record[4], record[8:].hex()) == (0xEE, "01000000ff4f0000")


def test_gpt_of_util_linux_is_read_as_util_linux_reads_it() -> None:
    size = GPT_IMAGE_SECTORS * SECTOR
    packed = pack_gpt(size, published_partitions(), GPT_DISK)
    image = bytearray(size)
    image[: len(packed.head)] = packed.head
    image[packed.tail_at :] = packed.tail
    table = find_partitions(MemorySource(bytes(image)))
    assert table.partitions == published_partitions()
    assert table.partitions[0].span == Span(34 * SECTOR, 2048 * SECTOR), "34 to 2047 inclusive"


def test_real_12_superblock() -> None:
    found = parsed(Version.V12, 8 * SECTOR, real_12())
    assert found.is_sound
    assert checksum_1(real_12()) == 0x6064636F
    assert (found.level, found.raid_disks, found.events) == (1, 2, 17)
    assert found.name == "framework:arrayname"
    assert found.set_uuid == "6865ede1-f1a7-6b48-4507-1d66a55755bd", "bytes in the order they are stored"
    assert found.device_uuid == "a5cc7f3a-a6bc-32e7-97b7-72897554b62f"
    assert found.data == Span.at(2048 * SECTOR, 202_752 * SECTOR)
    assert found.component_bytes == 202_752 * SECTOR
    assert found.roles == (0, 1, *([0xFFFF] * 126))
    assert (found.created_at, found.updated_at, found.role) == (1_723_397_006, 1_723_397_006, 0)
    assert found.resync_bytes is None


def test_real_12_superblock_with_other_spare_roles_has_the_other_checksum() -> None:
    """Same source: the 126 spare roles as FFFE."""
    assert checksum_1(real_12(0xFFFE)) == 0x60256330
    assert not parsed(Version.V12, 8 * SECTOR, real_12(0xFFFE)).checksum_holds


def test_real_12_superblock_is_made_again_but_for_its_idle_list_of_bad_blocks() -> None:
    """The record keeps no place for a list that the feature map says is not in use."""
    made = pack_md12(parsed(Version.V12, 8 * SECTOR, real_12()))[:512]
    differing = {at for at in range(512) if made[at] != real_12()[at]}
    assert differing <= {186, 187, 188, 189, 190, 191, 216, 217, 218, 219}


def test_real_090_superblock() -> None:
    at = places(20_480 * SECTOR)[Version.V090]
    assert at == 20_352 * SECTOR
    found = parsed(Version.V090, at, real_090())
    assert found.is_sound
    assert found.set_uuid == "37c76b91-011a-05c5-d30c-1fd4c5c3dbbc"
    assert (found.level, found.raid_disks, found.events) == (1, 2, 4)
    assert found.component_bytes == 10_176 * 1024
    assert (found.created_at, found.updated_at) == (1_243_428_696, 1_243_428_696)
    assert (found.role, found.roles[:3]) == (0, (0, 1, 0xFFFF))


def test_real_090_superblock_in_the_other_byte_order_says_the_same() -> None:
    """Derived: the kernel writes 0.90 in the order of the machine; the same words the other way round."""
    at = 20_352 * SECTOR
    little, big = real_090(), np.frombuffer(real_090(), "<u4").astype(">u4")
    swapped = big.copy()
    swapped[39], swapped[40] = big[40], big[39]  # a 64-bit count has its halves in that order too
    found = parsed(Version.V090, at, swapped.tobytes())
    assert found.big_endian
    assert replace(found, big_endian=False) == parsed(Version.V090, at, little)


@pytest.mark.parametrize(
    ("sectors", "at_090", "at_10"),
    [(1_953_525_168, 1_953_524_992, 1_953_525_152), (7_814_037_168, 7_814_036_992, 7_814_037_152)],
)
def test_places_at_the_end_of_common_drives(sectors: int, at_090: int, at_10: int) -> None:
    """Derived from Linux kernel 6.1, drivers/md/md.c: calc_dev_sboffset and super_1_load."""
    found = places(sectors * SECTOR)
    assert found[Version.V090] == at_090 * SECTOR
    assert found[Version.V10] == at_10 * SECTOR
    assert (found[Version.V11], found[Version.V12]) == (0, 8 * SECTOR)


def where(sizes: list[int], chunk: int, layout: Raid0Layout, sector: int) -> tuple[int, int]:
    """The member and its sector that hold a sector of the volume; sizes and chunk in sectors."""
    members = [MemorySource(bytes(size * SECTOR), bay=str(number)) for number, size in enumerate(sizes)]
    zones = raid0_zones([size * SECTOR for size in sizes], chunk * SECTOR, layout)
    origin = Stripe(members, zones, "s").trace(Span.at(sector * SECTOR, SECTOR))[0]
    return int(origin.bay), origin.at.start // SECTOR


@pytest.mark.parametrize("layout", list(Raid0Layout))
def test_raid0_of_1000_and_1600_sectors(layout: Raid0Layout) -> None:
    """Derived from Linux kernel 6.1, drivers/md/raid0.c; both layouts agree, as one member is left over."""
    sizes, chunk = [1000, 1600], 128
    zones = raid0_zones([size * SECTOR for size in sizes], chunk * SECTOR, layout)
    assert zones[-1].span.stop == 2432 * SECTOR
    assert [where(sizes, chunk, layout, at) for at in (128, 256, 1791, 1792, 2431)] == [
        (1, 0),
        (0, 128),
        (1, 895),
        (1, 896),
        (1, 1535),
    ]
    assert not raid0_layouts_differ([size * SECTOR for size in sizes], chunk * SECTOR)


@pytest.mark.parametrize(
    ("chunk_number", "original", "alternate"),
    [(15, (2, 40), (1, 40)), (16, (1, 40), (2, 40)), (17, (2, 48), (1, 48)), (18, (1, 48), (2, 48))],
)
def test_raid0_of_three_sizes_in_both_layouts(
    chunk_number: int, original: tuple[int, int], alternate: tuple[int, int]
) -> None:
    """Derived from Linux kernel 6.1, drivers/md/raid0.c, and the change of layout recorded on the kernel
    list on 2020-03-26."""
    sizes = [40, 56, 72]
    assert where(sizes, 8, Raid0Layout.ORIGINAL, chunk_number * 8) == original
    assert where(sizes, 8, Raid0Layout.ALTERNATE, chunk_number * 8) == alternate
    assert where(sizes, 8, Raid0Layout.ORIGINAL, 19 * 8) == (2, 56)
    assert where(sizes, 8, Raid0Layout.ALTERNATE, 19 * 8) == (2, 56)
    assert raid0_layouts_differ([size * SECTOR for size in sizes], 8 * SECTOR)


@pytest.mark.parametrize(
    ("layout", "expected"), [(NEAR_2, {0: 133, 1: 133}), (FAR_2, {1: 5, 0: 517}), (OFFSET_2, {1: 5, 0: 133})]
)
def test_raid10_of_two_members(layout: int, expected: dict[int, int]) -> None:
    """Derived from Linux kernel 6.1, drivers/md/raid10.c: 2 x 1024 sectors, chunk 128, volume sector 133."""
    found = {}
    for slot in (0, 1):
        member = MemorySource(bytes(1024 * SECTOR), bay=str(slot))
        copy = copy_on(slot, member, 1024 * SECTOR, 128 * SECTOR, layout, "copy")
        found[slot] = copy.trace(Span.at(133 * SECTOR, SECTOR))[0].at.start // SECTOR
    assert found == expected


def test_linear_lays_members_end_to_end_in_whole_chunks() -> None:
    """Linux kernel 6.1, drivers/md/md-linear.c: each member rounded down to the chunk, if there is one."""
    zones = linear_zones([1000, 700], 128)
    assert [(zone.span, zone.members) for zone in zones] == [
        (Span(0, 896), (0,)),
        (Span(896, 1536), (1,)),
    ]
    assert linear_zones([1000, 700])[1].span == Span(1000, 1700)


@pytest.mark.parametrize("version", [Version.V10, Version.V11, Version.V12])
def test_packed_superblocks_read_back_as_they_were(version: Version) -> None:
    one = replace(parsed(Version.V12, 8 * SECTOR, real_12()), version=version, at=places(10 << 20)[version])
    assert parsed(version, one.at, pack_md1(one)) == one


@pytest.mark.parametrize("big_endian", [False, True])
def test_packed_090_reads_back_as_it_was(big_endian: bool) -> None:
    one = replace(
        parsed(Version.V090, 20_352 * SECTOR, real_090()), big_endian=big_endian, events=4 << 32 | 9
    )
    assert parsed(Version.V090, one.at, pack_md090(one)) == one
