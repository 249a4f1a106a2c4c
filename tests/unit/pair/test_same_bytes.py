"""Which bytes of two drives are the same because they are halves of mirrors in step."""

from __future__ import annotations

import pytest

from mendbay.core.source import PartOf
from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.pair.assemble import Assembled, Member, assemble
from mendbay.pair.md import ROLE_FAULTY, Superblock
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.raid10 import FAR_2, OFFSET_2, TWO_MEMBER_LAYOUTS
from mendbay.pair.same_bytes import same_bytes
from mendbay.pair.volume import Level
from support.box import MIB, drive, member_bytes, superblock
from support.sources import MemorySource, numbered

DATA = numbered(2 * MIB)
DATA_AT = 2 * MIB
NEAR = next(one for one in TWO_MEMBER_LAYOUTS if one not in (FAR_2, OFFSET_2))


def pair_of(first: Superblock, second: Superblock) -> dict[str, MemorySource]:
    return {"1": drive([member_bytes(first, DATA)], "1"), "2": drive([member_bytes(second, DATA)], "2")}


def same_on(drives: dict[str, MemorySource], bays: tuple[str, str] = ("1", "2")) -> tuple[SameBytes, ...]:
    largest = assemble(drives)
    return same_bytes([largest, *largest.others], bays, 512)


def test_the_halves_of_a_mirror_hold_its_data_at_the_same_place() -> None:
    assert same_on(pair_of(superblock(0), superblock(1))) == (SameBytes((DATA_AT, DATA_AT), 2 * MIB),)


def test_each_half_is_taken_where_its_superblock_says() -> None:
    late = superblock(1, data=Span(MIB + 8192, 3 * MIB + 8192))
    drives = pair_of(superblock(0), late)
    assert same_on(drives) == (SameBytes((DATA_AT, DATA_AT + 8192), 2 * MIB),)
    assert same_on(drives, ("2", "1")) == (SameBytes((DATA_AT + 8192, DATA_AT), 2 * MIB),)
    found = same_on(drives)[0]
    for bay, start in zip("12", found.starts, strict=True):
        assert drives[bay].read(Span.at(start, found.length)).data == DATA


def test_a_half_that_may_be_older_shares_nothing() -> None:
    drives = pair_of(superblock(0, roles=(0, ROLE_FAULTY)), superblock(1, events=4000))
    assert same_on(drives) == ()


def test_only_what_was_rebuilt_is_shared() -> None:
    filled = superblock(1, recovery_bytes=MIB)
    found = same_on(pair_of(superblock(0), filled))
    assert found == (SameBytes((DATA_AT, DATA_AT), MIB),)


@pytest.mark.parametrize(("layout", "shared"), [(NEAR, True), (FAR_2, False), (OFFSET_2, False)])
def test_halves_woven_otherwise_are_left_out(layout: int, shared: bool) -> None:
    shape = {"level": 10, "chunk_bytes": 65536, "layout": layout}
    assert bool(same_on(pair_of(superblock(0, **shape), superblock(1, **shape)))) is shared


def test_stripes_and_single_drives_share_nothing() -> None:
    shape = {"level": 0, "chunk_bytes": 65536}
    assert same_on(pair_of(superblock(0, **shape), superblock(1, **shape))) == ()
    assert same_on({"1": drive([member_bytes(superblock(0), DATA)], "1")}) == ()


def test_a_byte_is_shared_once_and_only_in_whole_sectors() -> None:
    one, other = MemorySource(DATA, bay="1"), MemorySource(DATA, bay="2")

    def mirror(start: int, length: int, shift: int = 0) -> Assembled:
        halves = (
            PartOf(one, Span.at(start, length), "a"),
            PartOf(other, Span.at(start + shift, length), "b"),
        )
        members = (Member("1", None, Span(0, 2 * MIB)), Member("2", None, Span(0, 2 * MIB)))
        volume = Mirror([Half(half) for half in halves], length, "m")
        return Assembled(volume, Level.MIRROR, members, halves=halves)

    assert same_bytes([mirror(100, 5000)], ("1", "2"), 512) == (SameBytes((512, 512), 4096),)
    assert same_bytes([mirror(0, 4096, shift=100)], ("1", "2"), 512) == ()
    twice = same_bytes([mirror(0, 8192), mirror(4096, 8192), mirror(65536, 512)], ("1", "2"), 512)
    assert twice == (SameBytes((0, 0), 8192), SameBytes((65536, 65536), 512))
    assert SpanSet([Span.at(same.starts[0], same.length) for same in twice]).total_bytes == 8704
