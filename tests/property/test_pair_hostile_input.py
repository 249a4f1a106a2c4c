"""Tables and superblocks of a customer's drive may hold anything: the answer is a value or CannotAssemble."""

from __future__ import annotations

from contextlib import suppress

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.errors import CannotAssemble
from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.pair.assemble import assemble_all
from mendbay.pair.bitmap import read_bitmap
from mendbay.pair.md import (
    Version,
    checksum_090,
    checksum_1,
    find_superblocks,
    parse_superblock,
    places,
    read_bad_blocks,
)
from mendbay.pair.md_pack import pack_md090, pack_md12
from mendbay.pair.partitions import Partition, find_partitions, pack_gpt
from support.box import DISK_GUIDS, MIB, RAID_TYPE, bitmap_for, drive_bytes, member_bytes, superblock
from support.sources import MemorySource

INSIDE = pack_gpt(
    MIB,
    [Partition(1, Span(65_536, 131_072), RAID_TYPE, "inside", "9c2d4e6f-1a3b-4c5d-8e7f-00000000000a")],
    DISK_GUIDS[0],
)
MEMBER = member_bytes(
    superblock(
        0, bitmap_at=8192, bad_blocks=Span(16_384, 20_480), component_bytes=MIB, data=Span(MIB, 2 * MIB)
    ),
    INSIDE.head.ljust(INSIDE.tail_at, b"d") + INSIDE.tail,
    3 * MIB,
    bitmap_for(superblock(0, component_bytes=MIB), SpanSet(), 1),
    SpanSet([Span(0, 512)]),
)
DRIVE = drive_bytes([MEMBER])
LARGEST_READ = 9 << 20

edits = st.lists(st.tuples(st.integers(0, 511), st.binary(min_size=1, max_size=9)), min_size=1, max_size=6)


def look(source: MemorySource) -> None:
    """Everything that looks at a drive, and a look at what it makes."""
    table = find_partitions(source)
    for one in table.partitions:
        assert one.span.length > 0
    for superblock_found in find_superblocks(source).superblocks:
        read_bitmap(source, superblock_found)
        read_bad_blocks(source, superblock_found)
    with suppress(CannotAssemble):
        for made in assemble_all({"1": source}):
            size = made.volume.size_bytes
            for span in (Span(0, min(size, 9000)), Span(size // 2, min(size // 2 + 9000, size))):
                reading = made.volume.read(span)
                assert reading.gaps == made.volume.outlook(span).gaps
    assert max((read.length for read in source.reads), default=0) <= LARGEST_READ


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=20_000), st.sampled_from([512, 4096]))
def test_random_bytes(data: bytes, sector_bytes: int) -> None:
    look(MemorySource(data, sector_bytes=sector_bytes))


@settings(max_examples=150, deadline=None)
@given(
    edits,
    st.sampled_from(
        [0, 512, 1024, len(DRIVE) - 512, MIB + 4096, MIB + 8192, MIB + 16_384, 2 * MIB, 2 * MIB + 1024]
    ),
)
def test_edited_drive(changes: list[tuple[int, bytes]], base: int) -> None:
    image = bytearray(DRIVE)
    for at, value in changes:
        end = min(base + at + len(value), len(image))
        image[base + at : end] = value[: end - base - at]
    look(MemorySource(image))


@settings(max_examples=150, deadline=None)
@given(edits)
def test_edited_superblock_with_a_right_checksum(changes: list[tuple[int, bytes]]) -> None:
    """A checksum only says that nothing was lost, not that a set could be like that."""
    raw = bytearray(MEMBER)
    for at, value in changes:
        raw[4096 + at : 4096 + at + len(value)] = value
    length = 256 + 2 * min(int.from_bytes(raw[4096 + 220 : 4096 + 224], "little"), 1920)
    raw[4096 + 216 : 4096 + 220] = checksum_1(bytes(raw[4096 : 4096 + length])).to_bytes(4, "little")
    look(MemorySource(raw))


@settings(max_examples=100, deadline=None)
@given(edits, st.booleans())
def test_edited_090_superblock_with_a_right_checksum(changes: list[tuple[int, bytes]], big: bool) -> None:
    size = 2 * MIB
    at_end = places(size)[Version.V090]
    one = superblock(
        0, version=Version.V090, data=Span(0, MIB), component_bytes=MIB, roles=(0, 1), big_endian=big
    )
    block = bytearray(pack_md090(one))
    for at, value in changes:
        block[at : at + len(value)] = value
    block[152:156] = checksum_090(bytes(block[:4096]), big).to_bytes(4, "big" if big else "little")
    raw = bytearray(size)
    raw[at_end : at_end + 4096] = block[:4096]
    look(MemorySource(raw))


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 8 * 512 - 1))
def test_one_flipped_bit_in_a_superblock_never_goes_unnoticed(bit: int) -> None:
    block = bytearray(pack_md12(superblock()))
    block[bit // 8] ^= 1 << bit % 8
    found = parse_superblock(Version.V12, 4096, bytes(block))
    assert found is None or not found.is_sound


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(DRIVE) // 512), st.integers(1, 40)), max_size=6), st.data())
def test_unreadable_sectors_anywhere(places_lost: list[tuple[int, int]], data: st.DataObject) -> None:
    lost = SpanSet(Span.at(at * 512, count * 512) for at, count in places_lost)
    near = data.draw(st.sampled_from([0, 512, 1024, 2048, MIB, MIB + 4096, MIB + 8192]))
    lost = lost | SpanSet([Span.at(near, 512)])
    source = MemorySource(DRIVE, {Lack.REFUSED: lost})
    look(source)
    table = find_partitions(source)
    assert table.partitions or table.unreadable, "what cannot be read is never taken for nothing"
