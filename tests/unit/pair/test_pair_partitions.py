"""Partition tables: sound, damaged, unreadable, of the other sector size, and of records."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace

import pytest

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.pair.gpt import MAX_ARRAY_BYTES
from mendbay.pair.mbr import MAX_LOGICAL
from mendbay.pair.partitions import (
    HEAD_BYTES,
    INSIDE_BYTES,
    Partition,
    TableKind,
    find_partitions,
    find_partitions_inside,
    pack_gpt,
)
from support.box import DISK_GUIDS, MIB, RAID_TYPE
from support.sources import MemorySource

SIZE = 8 * MIB
PARTS = (
    Partition(1, Span(MIB, 2 * MIB), RAID_TYPE, "system", "9c2d4e6f-1a3b-4c5d-8e7f-000000000001"),
    Partition(4, Span(2 * MIB, 6 * MIB), RAID_TYPE, "data", "9c2d4e6f-1a3b-4c5d-8e7f-000000000004", 1 << 60),
)


def gpt(sector_bytes: int = 512, parts: tuple[Partition, ...] = PARTS, size: int = SIZE) -> bytearray:
    packed = pack_gpt(size, parts, DISK_GUIDS[0], sector_bytes)
    return bytearray(packed.head.ljust(packed.tail_at, b"\0") + packed.tail)


def reseal(image: bytearray, at: int = 512) -> None:
    """Makes the header's checksum hold again after a change."""
    image[at + 16 : at + 20] = bytes(4)
    image[at + 16 : at + 20] = struct.pack("<I", zlib.crc32(image[at : at + 92]))


def records(*slots: tuple[int, int, int], boot: int = 0) -> bytes:
    out = bytearray(512)
    for index, (kind, start, count) in enumerate(slots):
        struct.pack_into("<B3xB3xII", out, 446 + 16 * index, boot, kind, start, count)
    out[510:] = b"\x55\xaa"
    return bytes(out)


def mbr(*sectors: tuple[int, bytes], size: int = SIZE) -> bytearray:
    image = bytearray(size)
    for at, sector in sectors:
        image[at * 512 : at * 512 + len(sector)] = sector
    return image


@pytest.mark.parametrize("sector_bytes", [512, 4096])
def test_primary_is_enough_and_the_end_is_not_touched(sector_bytes: int) -> None:
    drive = MemorySource(gpt(sector_bytes), sector_bytes=sector_bytes)
    table = find_partitions(drive)
    assert (table.kind, table.partitions, table.remarks) == (TableKind.GPT, PARTS, ())
    assert not table.unreadable
    assert drive.reads == [Span(0, HEAD_BYTES)]


@pytest.mark.parametrize(("of_table", "of_drive"), [(4096, 512), (512, 4096)])
def test_table_of_the_other_sector_size_is_found(of_table: int, of_drive: int) -> None:
    table = find_partitions(MemorySource(gpt(of_table), sector_bytes=of_drive))
    assert (table.kind, table.partitions, table.sector_bytes) == (TableKind.GPT, PARTS, of_table)
    assert "counts in sectors" in table.remarks[0]


@pytest.mark.parametrize("at", [512, 512 + 16, 512 + 24, 512 + 72, 1024, 1024 + 40, 1024 + 3 * 128 + 60])
def test_a_flipped_byte_anywhere_in_the_primary_leads_to_the_backup(at: int) -> None:
    image = gpt()
    image[at] ^= 0x10
    table = find_partitions(MemorySource(image))
    assert (table.kind, table.partitions) == (TableKind.GPT, PARTS)
    assert table.remarks[0].startswith("The backup of the GUID partition table is used")


@pytest.mark.parametrize("lost", [Span(512, 1024), Span(1024, 1536), Span(0, 17_408)])
@pytest.mark.parametrize(
    ("why", "said"), [(Lack.REFUSED, "could not be read"), (Lack.UNREAD, "not been read yet")]
)
def test_a_missing_primary_leads_to_the_backup(lost: Span, why: Lack, said: str) -> None:
    table = find_partitions(MemorySource(gpt(), {why: SpanSet([lost])}))
    assert (table.kind, table.partitions) == (TableKind.GPT, PARTS)
    assert said in table.remarks[0]
    assert not table.may_be_left_over


def test_a_wiped_start_leads_to_the_backup() -> None:
    image = gpt()
    image[:MIB] = bytes(MIB)
    table = find_partitions(MemorySource(image))
    assert table.partitions == PARTS
    assert table.remarks == ("The backup of the GUID partition table is used: the primary is not there",)
    assert table.may_be_left_over


def test_unreadable_is_not_no_table() -> None:
    lost = SpanSet([Span(0, 17_408), Span(SIZE - 17_408, SIZE)])
    unknown = find_partitions(MemorySource(gpt(), {Lack.REFUSED: lost}))
    assert (unknown.kind, unknown.partitions) == (TableKind.NONE, ())
    assert unknown.unreadable.covers(Span(0, 512))
    assert unknown.unreadable.covers(Span(SIZE - 512, SIZE))
    assert unknown.remarks[-1] == "The first sector, where a partition table begins, could not be read"
    none = find_partitions(MemorySource(bytes(SIZE)))
    assert (none.kind, none.unreadable, none.remarks) == (TableKind.NONE, SpanSet(), ())


def test_unreadable_entries_in_both_copies_are_named() -> None:
    lost = SpanSet([Span(2048, 2560), Span(SIZE - 33 * 512, SIZE - 32 * 512)])
    table = find_partitions(MemorySource(gpt(), {Lack.REFUSED: lost}))
    assert table.kind is TableKind.NONE
    assert table.unreadable == lost
    assert any("neither copy can be used" in remark for remark in table.remarks)


def test_entries_that_fail_their_checksum_in_both_copies_are_not_believed() -> None:
    image = gpt()
    image[1024 + 32] ^= 1
    image[SIZE - 33 * 512 + 32] ^= 1
    table = find_partitions(MemorySource(image))
    assert (table.kind, table.partitions) == (TableKind.NONE, ())
    assert any("fail their checksum" in remark for remark in table.remarks)
    assert not table.unreadable


@pytest.mark.parametrize(
    ("at", "value"),
    [
        (12, 91),  # a header shorter than 92 bytes
        (12, 513),  # a header longer than its sector
        (80, 0),  # no entries
        (80, MAX_ARRAY_BYTES // 128 + 1),  # more than anybody uses
        (80, 0xFFFFFFFF),
        (84, 96),  # entries shorter than 128
        (84, 384),  # not 128 times a power of two
        (84, 1 << 31),
    ],
)
def test_a_header_out_of_bounds_is_refused_even_with_a_right_checksum(at: int, value: int) -> None:
    image = gpt()
    struct.pack_into("<I", image, 512 + at, value)
    reseal(image)
    drive = MemorySource(image)
    table = find_partitions(drive)
    assert table.partitions == PARTS, "from the backup"
    assert "the primary is damaged" in table.remarks[0]
    assert max(read.length for read in drive.reads) <= MAX_ARRAY_BYTES


def test_an_entry_that_ends_before_it_begins_is_left_out() -> None:
    image = gpt()
    struct.pack_into("<QQ", image, 1024 + 32, 4000, 3999)
    struct.pack_into("<I", image, 512 + 88, zlib.crc32(image[1024 : 1024 + 16384]))
    reseal(image)
    table = find_partitions(MemorySource(image))
    assert table.partitions == PARTS[1:]
    assert table.remarks[0].startswith("Partition 1 of the table claims sectors 4000 to 3999")


def test_a_partition_of_one_sector_has_one_sector() -> None:
    one = replace(PARTS[0], span=Span(4096, 4608))
    assert find_partitions(MemorySource(gpt(parts=(replace(one, span=Span(MIB, MIB + 512)),)))).partitions[
        0
    ].span == Span(MIB, MIB + 512)


def test_overlapping_partitions_are_remarked() -> None:
    clash = replace(PARTS[1], span=Span(MIB + 512, 3 * MIB))
    table = find_partitions(MemorySource(gpt(parts=(PARTS[0], clash))))
    assert table.remarks == ("Partitions 1 and 4 overlap",)


def test_a_drive_cut_short_keeps_its_partitions() -> None:
    table = find_partitions(MemorySource(gpt()[: 5 * MIB]))
    assert table.partitions == PARTS
    assert "made for a larger drive" in table.remarks[0]


def test_a_drive_copied_to_a_larger_one_keeps_its_backup_where_it_was() -> None:
    image = gpt() + bytes(3 * MIB)
    image[600] ^= 1
    table = find_partitions(MemorySource(image))
    assert table.partitions == PARTS, "where the protective record ends"


def test_hybrid_table_is_told() -> None:
    image = gpt()
    image[462:478] = struct.pack("<B3xB3xII", 0, 0xFD, 2048, 2048)
    table = find_partitions(MemorySource(image))
    assert (table.kind, table.partitions) == (TableKind.GPT, PARTS)
    assert "a hybrid table" in table.remarks[0]


def test_guid_table_behind_plain_records_is_left_over() -> None:
    """UEFI 2.10, 5.2.3: without the protective record the GUID table does not count."""
    image = gpt()
    image[:512] = records((0x83, 64, 1000))
    table = find_partitions(MemorySource(image))
    assert (table.kind, [p.span.start for p in table.partitions]) == (TableKind.MBR, [64 * 512])
    assert "left over, not followed" in table.remarks[0]


def test_guid_table_behind_records_that_make_no_sense_is_followed() -> None:
    image = gpt()
    image[:512] = records((0x83, 0, 1000))
    table = find_partitions(MemorySource(image))
    assert (table.kind, table.partitions) == (TableKind.GPT, PARTS)


@pytest.mark.parametrize(("lost", "known"), [(Span(4096, 4608), True), (Span(512, 1024), False)])
def test_where_nothing_points_to_a_table_only_its_own_place_matters(lost: Span, known: bool) -> None:
    """A blank first sector on a drive of 512-byte sectors: where a table of 4096 would begin is no matter."""
    table = find_partitions(MemorySource(bytes(SIZE), {Lack.REFUSED: SpanSet([lost])}))
    assert table.kind is TableKind.NONE
    assert bool(table.unreadable) != known


def test_records_give_primary_and_logical_partitions() -> None:
    image = mbr(
        (0, records((0x83, 64, 100), (0x0F, 1000, 5000), (0xFD, 6000, 200))),
        (1000, records((0x83, 63, 100), (0x05, 500, 600))),
        (1500, records((0xFD, 63, 200))),
    )
    table = find_partitions(MemorySource(image))
    assert table.kind is TableKind.MBR
    assert [(p.number, p.span.start // 512, p.span.length // 512, p.type_id) for p in table.partitions] == [
        (1, 64, 100, "83"),
        (2, 1000, 5000, "0f"),
        (3, 6000, 200, "fd"),
        (5, 1063, 100, "83"),
        (6, 1563, 200, "fd"),
    ]
    assert [p.number for p in table.partitions if p.is_container] == [2]
    assert not table.unreadable


@pytest.mark.parametrize("link", [0, 500])
def test_a_chain_that_comes_back_to_itself_ends(link: int) -> None:
    image = mbr(
        (0, records((0x05, 1000, 5000))),
        (1000, records((0x83, 63, 100), (0x05, link, 600))),
        (1500, records((0x83, 63, 100), (0x05, 0, 600))),
    )
    table = find_partitions(MemorySource(image))
    assert "goes astray" in table.remarks[0]
    assert len([p for p in table.partitions if p.number >= 5]) == (2 if link else 1)


def test_a_chain_without_end_is_cut_off() -> None:
    links = [(1000 + 2 * k, records((0x83, 1, 1), (0x05, 2 * k + 2, 2))) for k in range(MAX_LOGICAL + 20)]
    table = find_partitions(MemorySource(mbr((0, records((0x05, 1000, 9000))), *links)))
    assert len(table.partitions) == MAX_LOGICAL + 1
    assert "longer than" in table.remarks[0]


def test_an_unreadable_link_is_told_from_the_end_of_the_chain() -> None:
    image = mbr((0, records((0x05, 1000, 5000))), (1000, records((0x83, 63, 100), (0x05, 500, 600))))
    lost = SpanSet([Span.at(1500 * 512, 512)])
    table = find_partitions(MemorySource(image, {Lack.REFUSED: lost}))
    assert [p.number for p in table.partitions] == [1, 5]
    assert table.unreadable == lost
    assert "breaks off: sector 1500 could not be read" in table.remarks[0]


def test_boot_sector_of_a_file_system_is_no_table() -> None:
    code = bytearray(records((0x83, 64, 100)))
    code[446] = 0x33
    assert find_partitions(MemorySource(mbr((0, bytes(code))))).kind is TableKind.NONE
    impossible = find_partitions(MemorySource(mbr((0, records((0x83, 0, 100))))))
    assert impossible.kind is TableKind.NONE
    assert "begins at sector 0" in impossible.remarks[0]


def test_records_in_sectors_of_512_on_a_drive_of_4096() -> None:
    image = mbr((0, records((0x83, 2048, SIZE // 512 - 2048))))
    table = find_partitions(MemorySource(image, sector_bytes=4096))
    assert (table.sector_bytes, table.partitions[0].span) == (512, Span(MIB, SIZE))


def test_a_table_inside_a_volume_must_be_announced_at_its_start() -> None:
    announced = MemorySource(gpt())
    assert find_partitions_inside(announced).partitions == PARTS
    left_over = gpt()
    left_over[:1024] = bytes(1024)
    volume = MemorySource(left_over)
    assert find_partitions_inside(volume).kind is TableKind.NONE
    assert volume.reads == [Span(0, INSIDE_BYTES)]


@pytest.mark.parametrize("sector_bytes", [512, 4096])
def test_a_table_inside_a_volume_is_announced_by_its_header_alone(sector_bytes: int) -> None:
    image = gpt(sector_bytes)
    image[:512] = bytes(512)
    assert find_partitions_inside(MemorySource(image)).partitions == PARTS


def test_a_volume_whose_start_is_missing_may_have_a_table() -> None:
    lost = {Lack.UNREAD: SpanSet([Span(0, 512)])}
    assert find_partitions_inside(MemorySource(gpt(), lost)).partitions == PARTS
    unknown = find_partitions_inside(MemorySource(bytes(SIZE), lost))
    assert unknown.unreadable == SpanSet([Span(0, 512)])
    assert unknown.remarks == ("The first sector, where a partition table begins, has not been read yet",)


def test_a_table_of_records_does_not_cost_a_look_at_the_end() -> None:
    drive = MemorySource(mbr((0, records((0x83, 2048, 100)))))
    assert find_partitions(drive).kind is TableKind.MBR
    assert drive.reads == [Span(0, HEAD_BYTES)]


@pytest.mark.parametrize("size", [0, 1, 511, 512, 1023, 4096, 4097, 20_000])
def test_tiny_drives_have_no_table(size: int) -> None:
    assert find_partitions(MemorySource(bytes(size))).kind is TableKind.NONE


def test_pack_refuses_what_does_not_fit() -> None:
    for span in (Span(0, MIB), Span(MIB, SIZE), Span(MIB, MIB + 100), Span(MIB, MIB)):
        with pytest.raises(ValueError, match="does not fit"):
            pack_gpt(SIZE, [replace(PARTS[0], span=span)], DISK_GUIDS[0])
    with pytest.raises(ValueError, match="number"):
        pack_gpt(SIZE, [replace(PARTS[0], number=129)], DISK_GUIDS[0])
    with pytest.raises(ValueError, match="no room"):
        pack_gpt(30_000, [], DISK_GUIDS[0])
    with pytest.raises(ValueError, match="36 characters"):
        pack_gpt(SIZE, [replace(PARTS[0], name="x" * 37)], DISK_GUIDS[0])
