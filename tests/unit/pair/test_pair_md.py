"""Superblocks, lists of bad blocks and bitmaps of single members."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mendbay.core.source import Lack
from mendbay.core.span import Span, SpanSet
from mendbay.pair.bitmap import HEADER_BYTES, Bitmap, pack_bitmap, read_bitmap
from mendbay.pair.md import (
    ROLE_FAULTY,
    ROLE_SPARE,
    Superblock,
    Version,
    checksum_1,
    find_superblocks,
    parse_bad_blocks,
    parse_superblock,
    places,
    read_bad_blocks,
)
from mendbay.pair.md_pack import pack_bad_blocks, pack_md090, pack_md1, pack_md12
from support.box import MIB, OTHER_UUID, member_bytes, superblock
from support.sources import MemorySource

SIZE = 4 * MIB
AT_END = {"data": Span(0, 2 * MIB), "component_bytes": 2 * MIB}


def changed(raw: bytes, at: int, value: bytes) -> bytes:
    """A 1.x superblock with a field changed and its checksum made to hold again."""
    out = bytearray(raw)
    out[at : at + len(value)] = value
    length = 256 + 2 * min(int.from_bytes(out[220:224], "little"), 1920)
    out[216:220] = checksum_1(bytes(out[:length])).to_bytes(4, "little")
    return bytes(out)


def at_end(version: Version, **changes: object) -> Superblock:
    return superblock(version=version, roles=(0, 1), **AT_END, **changes)


def with_both(first: Superblock, second: Superblock) -> bytes:
    """A member that carries two superblocks."""
    out = bytearray(member_bytes(first, b""))
    place = places(SIZE)[second.version]
    packed = pack_md090(second) if second.version is Version.V090 else pack_md1(replace(second, at=place))
    out[place : place + 4096] = packed
    return bytes(out)


def test_sound_superblock_at_the_start_costs_one_read() -> None:
    member = MemorySource(member_bytes(superblock(), b"data"))
    found = find_superblocks(member)
    assert found.best is not None
    assert found.best.version is Version.V12
    assert found.best.is_sound
    assert member.reads == [Span(0, 8192)]


@pytest.mark.parametrize("version", [Version.V10, Version.V090])
def test_superblock_at_the_end_costs_three_reads(version: Version) -> None:
    member = MemorySource(member_bytes(at_end(version), b"data"))
    found = find_superblocks(member)
    assert found.best is not None
    assert (found.best.version, found.best.data) == (
        version,
        Span(0, places(SIZE)[Version.V090]) if version is Version.V090 else Span(0, 2 * MIB),
    )
    assert len(member.reads) == 3


def test_10_is_found_on_a_member_that_is_no_multiple_of_4_kib() -> None:
    size = SIZE + 512 * 3
    one = at_end(Version.V10)
    found = find_superblocks(MemorySource(member_bytes(one, b"", size)))
    assert found.best is not None
    assert found.best.at == ((size // 512 - 16) & ~7) * 512


def test_sound_at_the_start_beats_whatever_lies_at_the_end() -> None:
    later = at_end(Version.V10, set_uuid=OTHER_UUID, created_at=superblock().created_at + 9)
    found = find_superblocks(MemorySource(with_both(superblock(), later)))
    assert found.best is not None
    assert found.best.version is Version.V12


@pytest.mark.parametrize(("older", "newer"), [(Version.V10, Version.V090), (Version.V090, Version.V10)])
def test_of_two_at_the_end_the_one_created_later_decides(older: Version, newer: Version) -> None:
    first = at_end(older, created_at=1_600_000_000)
    second = at_end(newer, created_at=1_600_000_001, set_uuid=OTHER_UUID)
    found = find_superblocks(MemorySource(with_both(first, second)))
    assert [one.version for one in found.superblocks] == [newer, older]
    assert found.superblocks[0].set_uuid == OTHER_UUID
    assert "created last, is followed" in found.remarks[0]


def test_of_two_at_the_end_created_together_10_decides() -> None:
    member = MemorySource(with_both(at_end(Version.V090), at_end(Version.V10)))
    assert [one.version for one in find_superblocks(member).superblocks] == [Version.V10, Version.V090]


def test_damaged_at_the_start_loses_to_sound_at_the_end() -> None:
    image = bytearray(with_both(superblock(), at_end(Version.V10)))
    image[4096 + 200] ^= 1
    found = find_superblocks(MemorySource(image))
    assert [one.version for one in found.superblocks] == [Version.V10]
    assert "its checksum fails" in found.remarks[0]


def test_damaged_alone_is_given_as_damaged() -> None:
    image = bytearray(member_bytes(superblock(), b""))
    image[4096 + 200] ^= 1
    found = find_superblocks(MemorySource(image))
    assert found.best is not None
    assert not found.best.is_sound
    assert found.best.problems == ()


@pytest.mark.parametrize(
    ("why", "said"),
    [
        (Lack.REFUSED, "could not be read"),
        (Lack.UNREAD, "have not been read yet"),
        (Lack.WAIVED, "were left out"),
    ],
)
def test_missing_is_not_none_and_its_reason_is_told(why: Lack, said: str) -> None:
    data = member_bytes(superblock(), b"")
    lost = SpanSet([Span(4096, 4608)])
    found = find_superblocks(MemorySource(data, {why: lost}))
    assert (found.best, found.unreadable) == (None, lost)
    assert found.remarks == (f"The places of superblocks at byte 4096 {said}",)
    none = find_superblocks(MemorySource(bytes(SIZE)))
    assert (none.best, none.unreadable, none.remarks) == (None, SpanSet(), ())


def test_unreadable_rest_of_the_page_does_not_matter() -> None:
    """The checksum ends with the roles: 256 + 2 x 128 bytes."""
    data = member_bytes(superblock(), b"")
    found = find_superblocks(MemorySource(data, {Lack.REFUSED: SpanSet([Span(4096 + 512, 8192)])}))
    assert found.best is not None
    assert found.best.is_sound


@pytest.mark.parametrize(
    ("at", "value", "problem"),
    [
        (8, b"\x00\x00\x00\x80", "features nobody knows"),
        (12, b"\x01", "must be zero"),
        (230, b"\x01", "must be zero"),
        (136, (9).to_bytes(8, "little"), "9 sectors"),
        (144, (16).to_bytes(8, "little"), "says it lies"),
        (220, (1921).to_bytes(4, "little"), "1921 roles"),
        (128, (8).to_bytes(8, "little"), "overlaps"),
        (128, b"\xff" * 8, "impossible"),
        (136, b"\xff" * 8, "impossible"),
        (80, b"\xff" * 8, "impossible"),
    ],
)
def test_what_the_kernel_refuses_is_a_problem(at: int, value: bytes, problem: str) -> None:
    """Linux kernel 6.1, drivers/md/md.c: super_1_load; impossible positions are our own bound."""
    found = parse_superblock(Version.V12, 4096, changed(pack_md12(superblock()), at, value))
    assert found is not None
    assert not found.is_sound
    assert any(problem in one for one in found.problems), found.problems
    assert found.data == Span(0, 0)


def test_update_time_is_not_creation_time() -> None:
    found = parse_superblock(Version.V12, 4096, pack_md12(superblock(created_at=5, updated_at=7)))
    assert found is not None
    assert (found.created_at, found.updated_at) == (5, 7)


def test_times_lose_their_microseconds() -> None:
    """md_p.h: the low 40 bits are seconds, the upper 24 microseconds."""
    raw = changed(pack_md12(superblock()), 192, (123_456 << 40 | 1_700_000_001).to_bytes(8, "little"))
    found = parse_superblock(Version.V12, 4096, raw)
    assert found is not None
    assert found.updated_at == 1_700_000_001


@pytest.mark.parametrize("roles", [(0,), (0, 1, ROLE_SPARE), (0, ROLE_FAULTY, 1)])
def test_odd_numbers_of_roles_have_their_checksum(roles: tuple[int, ...]) -> None:
    found = parse_superblock(Version.V12, 4096, pack_md12(superblock(roles=roles)))
    assert found is not None
    assert found.is_sound
    assert found.roles == roles


def test_recovery_offset_counts_only_with_its_feature_bit() -> None:
    packed = pack_md12(superblock(recovery_bytes=MIB))
    found = parse_superblock(Version.V12, 4096, packed)
    assert found is not None
    assert found.recovery_bytes == MIB
    without = parse_superblock(Version.V12, 4096, changed(packed, 8, bytes(4)))
    assert without is not None
    assert without.recovery_bytes is None


def test_090_marks_a_failed_member() -> None:
    one = at_end(Version.V090)
    found = find_superblocks(MemorySource(member_bytes(replace(one, roles=(0, ROLE_FAULTY)), b"")))
    assert found.best is not None
    assert found.best.role_of(0) == 0
    assert found.best.role_of(1) == ROLE_FAULTY
    assert found.best.role_of(26) == ROLE_SPARE


def test_places_on_members_too_small() -> None:
    assert places(0) == {}
    assert places(4096) == {Version.V11: 0}
    assert places(8192) == {Version.V12: 4096, Version.V11: 0, Version.V10: 0}
    assert find_superblocks(MemorySource(bytes(100))).best is None


def test_bad_blocks_are_read_back() -> None:
    bad = SpanSet([Span(4096, 8192), Span(MIB, 2 * MIB), Span(0, 512)])
    one = superblock(bad_blocks=Span(16_384, 20_480))
    member = MemorySource(member_bytes(one, b"", bad=bad))
    found = find_superblocks(member).best
    assert found is not None
    assert read_bad_blocks(member, found).spans == bad
    assert read_bad_blocks(member, replace(found, bad_blocks=None)).spans == SpanSet()


def test_bad_blocks_in_units_and_beyond_the_data() -> None:
    bad = SpanSet([Span(4096, 12_288)])
    log = pack_bad_blocks(bad, MIB, shift=3)
    assert parse_bad_blocks(log, 3, Span(MIB, 3 * MIB)) == bad
    assert parse_bad_blocks(log, 3, Span(MIB, MIB + 8192)) == SpanSet([Span(4096, 8192)])
    assert parse_bad_blocks(log, 60, Span(MIB, 3 * MIB)) == SpanSet()
    ended = np.array([0xFFFF_FFFF_FFFF_FFFF, 5 << 10 | 1], "<u8").tobytes()
    assert parse_bad_blocks(ended, 0, Span(0, MIB)) == SpanSet()


def test_unreadable_list_of_bad_blocks_is_remarked() -> None:
    one = superblock(bad_blocks=Span(16_384, 20_480))
    data = member_bytes(one, b"", bad=SpanSet([Span(0, 512)]))
    member = MemorySource(data, {Lack.REFUSED: SpanSet([Span(16_384, 16_896)])})
    assert "could not be read" in read_bad_blocks(member, one).remark


def bitmap_of(dirty: SpanSet, **changes: int) -> tuple[MemorySource, Superblock]:
    one = superblock(bitmap_at=8192)
    arguments = {"sync_bytes": 2 * MIB, "chunk_bytes": 65_536, "events_cleared": 4000, **changes}
    return MemorySource(member_bytes(one, b"", bitmap=pack_bitmap(one, dirty, **arguments))), one


def read(member: MemorySource, one: Superblock) -> Bitmap:
    found = read_bitmap(member, one)
    assert isinstance(found, Bitmap), found
    return found


def test_bitmap_marks_whole_chunks_least_significant_bit_first() -> None:
    member, one = bitmap_of(SpanSet([Span(65_536 * 9 + 5, 65_536 * 9 + 6)]))
    assert member.data[8192 + HEADER_BYTES : 8192 + HEADER_BYTES + 4] == b"\x00\x02\x00\x00"
    found = read(member, one)
    assert found.doubts == ()
    assert found.dirty(2 * MIB, 4000) == SpanSet([Span.at(65_536 * 9, 65_536)])
    assert sum(span.length for span in member.reads) == HEADER_BYTES + 4


def test_bitmap_proves_nothing_of_a_member_older_than_its_last_clearing() -> None:
    member, one = bitmap_of(SpanSet())
    assert read(member, one).dirty(2 * MIB, 4000) == SpanSet()
    assert read(member, one).dirty(2 * MIB, 3999) == SpanSet([Span(0, 2 * MIB)])


def test_bitmap_does_not_speak_of_what_lies_beyond_it() -> None:
    member, one = bitmap_of(SpanSet(), sync_bytes=MIB + 512)
    assert read(member, one).dirty(2 * MIB, 4812) == SpanSet([Span(MIB + 512, 2 * MIB)])


@pytest.mark.parametrize(
    ("changes", "doubt"),
    [({"state": 2}, "out of date"), ({"state": 4}, "written"), ({"events": 4811}, "stopped")],
)
def test_doubtful_bitmap_proves_nothing(changes: dict[str, int], doubt: str) -> None:
    found = read(*bitmap_of(SpanSet(), **changes))
    assert doubt in found.doubts[0]
    assert found.dirty(2 * MIB, 4812) == SpanSet([Span(0, 2 * MIB)])


def test_bitmap_of_a_cluster_proves_nothing() -> None:
    """Version 5 (Linux kernel 6.1, md-bitmap.h): every node keeps one, and only together they tell all."""
    member, one = bitmap_of(SpanSet())
    raw = bytearray(member.data)
    raw[8192 + 4] = 5
    assert read(MemorySource(raw), one).doubts == ("it is one of several that a cluster keeps",)


def test_bitmap_of_another_set_proves_nothing() -> None:
    member, one = bitmap_of(SpanSet())
    assert read(member, replace(one, set_uuid=OTHER_UUID)).doubts == ("it belongs to another set",)


def test_unreadable_bits_count_as_marked() -> None:
    member, one = bitmap_of(SpanSet(), chunk_bytes=512)  # 4096 bits: 512 bytes behind the header
    lost = SpanSet([Span(8192 + 512, 8192 + 1024)])
    broken = MemorySource(member.data, {Lack.REFUSED: lost})
    # the first 256 bytes of bits share a sector with the header
    assert read(broken, one).dirty(2 * MIB, 4812) == SpanSet([Span(256 * 8 * 512, 2 * MIB)])


def test_hostile_or_missing_bitmaps_are_sentences() -> None:
    member, one = bitmap_of(SpanSet())
    assert "keeps no" in str(read_bitmap(member, replace(one, bitmap_at=None)))
    lost = MemorySource(member.data, {Lack.UNREAD: SpanSet([Span(8192, 8704)])})
    assert "has not been read yet" in str(read_bitmap(lost, one))
    for at, value, said in (
        (0, b"\0", "first bytes"),
        (4, b"\x09", "first bytes"),
        (52, bytes(4), "chunks of 0"),
        (52, b"\x01\x02\x00\x00", "chunks of 513"),
        (40, b"\xff" * 8, "sectors"),
        (40, (1 << 40).to_bytes(8, "little"), "chunks"),
    ):
        raw = bytearray(member.data)
        raw[8192 + at : 8192 + at + len(value)] = value
        hostile = MemorySource(raw)
        assert said in str(read_bitmap(hostile, one))
        assert max(span.length for span in hostile.reads) <= HEADER_BYTES
