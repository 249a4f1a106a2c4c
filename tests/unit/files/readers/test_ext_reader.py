"""The reader on sound images: what it asks the volume for, and readings of single fields."""

from __future__ import annotations

import struct

import pytest

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_checksum import ALL_ONES, crc32c
from mendbay.files.readers.ext_proof import ENCRYPTED, INLINE_DAMAGED
from mendbay.files.readers.ext_tree import NO_TARGET
from mendbay.files.tree import Extent, Kind, Proof
from support.ext_damage import Patient, ask_debugfs, healthy
from support.ext_images import RECIPES
from support.sources import MemorySource


@pytest.mark.parametrize("recipe", RECIPES)
def test_the_metadata_are_all_that_a_listing_needs(recipe: str) -> None:
    patient = Patient(recipe)
    metadata = patient.open().metadata()
    patient.refused = metadata.complement(Span(0, len(patient.data)))
    fs = patient.open()
    assert patient.listing() == healthy(recipe)
    assert fs.metadata() == metadata
    assert metadata.total_bytes < len(patient.data) // 4
    sound = Patient(recipe).open()
    for entry in healthy(recipe).values():
        assert fs.layout(entry) == sound.layout(entry)


def test_the_volume_is_asked_in_few_reads_and_in_order() -> None:
    source = Patient("ext4").source()
    fs = open_ext(source)
    assert fs is not None
    source.reads.clear()
    fs.metadata()
    tables = [span.start for span in source.reads if span.length > 64 * 1024]
    assert tables == sorted(tables)
    assert len(source.reads) < 30
    source.reads.clear()
    entries = list(fs.walk())
    assert len(source.reads) < len(entries) / 10


def test_a_volume_with_nothing_on_it_costs_few_reads() -> None:
    source = MemorySource(bytes(64 << 20))
    assert open_ext(source) is None
    assert len(source.reads) < 40
    assert sum(span.length for span in source.reads) < 64 * 1024


@pytest.mark.parametrize("size", [0, 1, 511, 1024, 1500, 2048, 4096])
def test_a_volume_too_small_for_anything_is_no_file_system(size: int) -> None:
    assert open_ext(MemorySource(b"\x53\xef" * (size // 2) + b"\0" * (size % 2))) is None


@pytest.mark.parametrize(
    ("stored", "extra", "seconds"),
    [
        (0xFFFFFFFF, 0, -1),
        (0x80000000, 0, -0x80000000),
        (0x7FFFFFFF, 0, 0x7FFFFFFF),
        (0x80000000, 1, 0x80000000),
        (0x00000000, 1, 0x100000000),
        (0x80000000, 2, 0x180000000),
        (0x7FFFFFFF, 3, 0x37FFFFFFF),
    ],
)
def test_times_have_34_bits(stored: int, extra: int, seconds: int) -> None:
    """The table in the Linux kernel, Documentation/filesystems/ext4/inodes.rst, "Inode Timestamps"."""
    patient = Patient("ext4-no-checksums")
    place = patient.inode_at("/edges/12")
    for low, high in ((0x0C, 0x84), (0x10, 0x88)):
        patient.put(place + low, struct.pack("<I", stored))
        patient.put(place + high, struct.pack("<I", extra | 0xFFFFFFFC))
    entry = patient.listing()[b"edges/12"]
    assert (entry.modified_at, entry.changed_at) == (seconds, seconds)


def test_a_small_inode_has_no_more_than_32_bits_of_time() -> None:
    patient = Patient("ext2")
    place = patient.inode_at("/edges/12")
    patient.put(place + 0x10, struct.pack("<i", -5000))
    assert patient.listing()[b"edges/12"].modified_at == -5000


def test_extents_are_where_debugfs_says() -> None:
    recipe = "ext4"
    fs = Patient(recipe).open()
    for path in ("sparse/0", "edges/2061"):
        said = [
            int(number)
            for number in ask_debugfs(recipe, f"blocks /{path}").split()
            if int(number) not in _map_blocks(recipe, path)
        ]
        layout = fs.layout(healthy(recipe)[path.encode()])
        mine = [
            number
            for extent in layout.extents
            if extent.volume_start is not None
            for number in range(
                extent.volume_start // 4096, -(-(extent.volume_start + extent.file_span.length) // 4096)
            )
        ]
        assert mine == said


def _map_blocks(recipe: str, path: str) -> set[int]:
    said = ask_debugfs(recipe, f"stat /{path}")
    return {int(part.split(":")[1].strip(" \n,").split(",")[0]) for part in said.split("(ETB0)")[1:]}


def test_blocks_set_aside_but_never_written_read_as_zero() -> None:
    patient = Patient("ext4-no-checksums")
    place = patient.inode_at("/edges/13") + 0x28 + 12
    logical, length, high, low = struct.unpack_from("<IHHI", patient.data, place)
    patient.put(place, struct.pack("<IHHI", logical, length + 32768, high, low))
    fs = patient.open()
    entry = healthy("ext4-no-checksums")[b"edges/13"]
    assert patient.listing()[b"edges/13"] == entry
    assert fs.layout(entry).extents == (Extent(Span(0, 13 * 1024), None),)


def test_an_encrypted_file_is_told_as_such() -> None:
    patient = Patient("ext4-no-checksums")
    place = patient.inode_at("/edges/12")
    (flags,) = struct.unpack_from("<I", patient.data, place + 0x20)
    patient.put(place + 0x20, struct.pack("<I", flags | 0x800))
    entry = patient.listing()[b"edges/12"]
    assert (entry.proof, entry.problems) == (Proof.NONE, (ENCRYPTED,))


def test_features_nobody_knows_are_told() -> None:
    patient = Patient("ext4-no-checksums")
    patient.data[1024 + 0x60 + 3] |= 0x40
    (remark,) = patient.open().facts.remarks
    assert "bit 30" in remark
    assert patient.listing() == healthy("ext4-no-checksums")


def test_errors_seen_by_the_last_user_are_told() -> None:
    patient = Patient("ext3")
    patient.data[1024 + 0x3A] |= 2
    assert any("found errors" in remark for remark in patient.open().facts.remarks)


def test_a_journal_on_a_device_of_its_own_is_no_file_system() -> None:
    patient = Patient("ext4")
    patient.data[1024 + 0x60] |= 0x8
    checksum = crc32c(ALL_ONES, bytes(patient.data[1024 : 1024 + 0x3FC]))
    patient.put(1024 + 0x3FC, checksum.to_bytes(4, "little"))
    assert open_ext(patient.source()) is None


def test_a_link_whose_block_is_gone_has_no_target() -> None:
    patient = Patient("ext4")
    (block,) = patient.blocks_of("/link-100")
    patient.refuse([patient.block_span(block)])
    entry = patient.listing()[b"link-100"]
    assert (entry.kind, entry.link_target, entry.problems) == (Kind.LINK, None, (NO_TARGET,))


def test_content_kept_in_a_damaged_attribute_is_a_hole() -> None:
    patient = Patient("ext4-inline")
    place = patient.inode_at("/sizes/100")
    assert patient.listing()[b"sizes/100"] == healthy("ext4-inline")[b"sizes/100"]
    (extra,) = struct.unpack_from("<H", patient.data, place + 128)
    header = place + 128 + extra
    assert patient.data[header : header + 4] == struct.pack("<I", 0xEA020000)
    patient.put(header, b"!")
    entry = patient.listing()[b"sizes/100"]
    assert (entry.proof, entry.size_bytes) == (Proof.NONE, 100)
    assert INLINE_DAMAGED in entry.problems
    layout = patient.open().layout(entry)
    assert layout.extents == (Extent(Span(0, 60), place + 0x28),)
    assert layout.unmapped == SpanSet([Span(60, 100)])
    assert INLINE_DAMAGED in layout.problems


def test_an_unreadable_part_of_a_mapping_block_is_not_taken_for_zero() -> None:
    patient = Patient("ext3")
    place = patient.inode_at("/edges/268")
    (indirect,) = struct.unpack_from("<I", patient.data, place + 0x28 + 12 * 4)
    patient.refuse([Span.at(indirect * 1024 + 512, 512)])
    entry = patient.listing()[b"edges/268"]
    assert f"block {indirect} of its map cannot be read" in entry.problems
    layout = patient.open().layout(entry)
    assert layout.unmapped == SpanSet([Span(12 * 1024, 268 * 1024)])
    assert {gap.why for gap in patient.source().outlook(Span.at(indirect * 1024, 1024)).gaps} == {
        Lack.REFUSED
    }
