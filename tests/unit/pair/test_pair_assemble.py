"""Drives put back together: which half is fresher, what proves it, and what cannot be put together."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from mendbay.core.errors import CannotAssemble
from mendbay.core.source import Lack, Mark
from mendbay.core.span import Span, SpanSet
from mendbay.pair.assemble import assemble, assemble_all
from mendbay.pair.compare import compare_halves
from mendbay.pair.md import ROLE_FAULTY, ROLE_SPARE, Superblock, Version
from mendbay.pair.member import Withheld
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.partitions import Partition, pack_gpt
from mendbay.pair.raid10 import FAR_2, OFFSET_2, TWO_MEMBER_LAYOUTS, copy_on
from mendbay.pair.standing import Standing
from mendbay.pair.stripe import Raid0Layout, Stripe, raid0_zones
from mendbay.pair.volume import Level
from support.box import (
    DISK_GUIDS,
    MIB,
    OTHER_UUID,
    RAID_TYPE,
    UPDATED,
    bitmap_for,
    drive,
    drive_bytes,
    member_bytes,
    superblock,
)
from support.sources import MemorySource, block_at, numbered

DATA = numbered(2 * MIB)
OLD = numbered(2 * MIB, first_block=100_000)
DATA_AT = 2 * MIB
"""Where on the drive of the only member its data begins: 1 MiB of table, 1 MiB before the data."""
LAPSED = UPDATED - 2_400_000


def fresh(**changes: object) -> Superblock:
    return superblock(0, **{"bitmap_at": 8192, **changes})


def stale(**changes: object) -> Superblock:
    return superblock(1, **{"bitmap_at": 8192, "events": 4790, "updated_at": LAPSED, **changes})


def pair(
    one: Superblock,
    other: Superblock,
    dirty: SpanSet | None = None,
    cleared: int = 4700,
    gaps: SpanSet | None = None,
) -> dict[str, MemorySource]:
    """Bay 1 holds DATA, with `gaps` of its data refused; bay 2 holds OLD."""
    bitmap = bitmap_for(one, dirty, cleared) if dirty is not None else None
    lost = {Lack.REFUSED: (gaps or SpanSet()).shift(DATA_AT)}
    return {
        "1": drive([member_bytes(one, DATA, bitmap=bitmap)], "1", lost),
        "2": drive([member_bytes(other, OLD)], "2"),
    }


def test_halves_in_step_make_a_mirror_without_marks() -> None:
    made = assemble(pair(superblock(0), superblock(1)))
    assert (made.level, made.bays, made.stale_bays, made.parted_at) == (Level.MIRROR, ("1", "2"), (), None)
    assert made.halves_in_step
    assert made.is_complete
    assert made.freshness == ("Bay 1 and bay 2 are in step: 4 812 events each",)
    reading = made.volume.read(Span(0, 2 * MIB))
    assert (reading.data, reading.marks) == (DATA, ())
    assert [member.role for member in made.members] == ["slot 0", "slot 1"]
    assert made.volume.trace(Span(0, 4096))[0].at == Span.at(DATA_AT, 4096)


def test_a_hole_is_filled_from_the_other_half_and_marked() -> None:
    made = assemble(pair(superblock(0), superblock(1), gaps=SpanSet([Span(40_960, 45_056)])))
    reading = made.volume.read(Span(36_864, 49_152))
    assert [block_at(reading.data, at) for at in (0, 4096, 8192)] == [9, 100_010, 11]
    assert reading.marked(Mark.OTHER_HALF) == SpanSet([Span(40_960, 45_056)])
    assert not reading.marked(Mark.POSSIBLY_OLDER)
    middle = made.volume.trace(Span(36_864, 49_152))[1]
    assert (middle.bay, middle.at, middle.mark) == (
        "2",
        Span.at(DATA_AT + 40_960, 4096),
        Mark.OTHER_HALF,
    )


def test_one_event_behind_is_in_step() -> None:
    made = assemble(pair(superblock(0), superblock(1, events=4811)))
    assert made.stale_bays == ()
    assert made.halves_in_step
    assert "one behind counts as in step" in made.freshness[0]


def test_two_events_behind_is_behind() -> None:
    made = assemble(pair(superblock(0), superblock(1, events=4810)))
    assert made.stale_bays == ("2",)
    assert not made.halves_in_step
    assert made.freshness[0].startswith("Bay 1 is fresher: 4 812 events against 4 810")


def test_one_half_alone_is_in_step_with_nothing() -> None:
    made = assemble({"1": pair(superblock(0), superblock(1))["1"]})
    assert (made.level, made.stale_bays, made.halves_in_step) == (Level.MIRROR, (), False)


def test_one_event_behind_but_listed_as_failed_is_behind() -> None:
    """The update that records a failure is itself one event."""
    listed = superblock(0, roles=(0, ROLE_FAULTY))
    made = assemble(pair(listed, superblock(1, events=4811, updated_at=LAPSED)))
    assert (made.stale_bays, made.parted_at) == (("2",), LAPSED)
    assert "lists bay 2 as failed" in made.freshness[0]


def test_two_events_behind_is_stale_whatever_the_slot() -> None:
    drives = pair(stale(bitmap_at=None), superblock(0, device_number=1, events=4812))
    swapped = {"1": drives["1"], "2": drives["2"]}
    made = assemble(swapped)
    assert made.stale_bays == ("1",)
    assert made.members[0].bay == "2"
    assert block_at(made.volume.read(Span(0, 4096)).data) == 100_000, "the fresher half, not the first slot"


def test_stale_half_is_explained_and_marked() -> None:
    made = assemble(pair(fresh(bitmap_at=None), stale(), gaps=SpanSet([Span(0, 8192)])))
    assert made.freshness == (
        "Bay 1 is fresher: 4 812 events against 4 790; bay 2 was last updated 2026-09-30T15:20:00Z",
    )
    assert (made.parted_at, made.stale_bays) == (LAPSED, ("2",))
    assert [member.standing for member in made.members] == [Standing.IN_STEP, Standing.BEHIND]
    reading = made.volume.read(Span(0, 16_384))
    assert reading.marked(Mark.POSSIBLY_OLDER) == SpanSet([Span(0, 8192)])
    assert reading.marked(Mark.OTHER_HALF) == SpanSet([Span(0, 8192)])


def test_bitmap_proves_parts_of_the_stale_half_current() -> None:
    dirty = SpanSet([Span(65_536, 131_072)])
    made = assemble(pair(fresh(), stale(), dirty, gaps=SpanSet([Span(61_440, 73_728)])))
    reading = made.volume.read(Span(0, 2 * MIB))
    assert reading.marked(Mark.POSSIBLY_OLDER) == SpanSet([Span(65_536, 73_728)])
    assert reading.marked(Mark.OTHER_HALF) == SpanSet([Span(61_440, 73_728)])
    assert any("proves 2 031 616 of 2 097 152 bytes" in remark for remark in made.remarks)


def test_bitmap_cleared_after_the_half_fell_behind_proves_nothing() -> None:
    made = assemble(pair(fresh(), stale(), SpanSet(), cleared=4791, gaps=SpanSet([Span(0, 4096)])))
    assert made.volume.read(Span(0, 4096)).marked(Mark.POSSIBLY_OLDER)
    assert any("cleared at 4 791 events" in remark for remark in made.remarks)


def test_halves_that_went_their_own_ways_prove_nothing() -> None:
    one = fresh(roles=(0, ROLE_FAULTY))
    made = assemble(pair(one, stale(roles=(ROLE_FAULTY, 1)), SpanSet(), gaps=SpanSet([Span(0, 4096)])))
    assert made.parted_at is None, "its last update came after they parted"
    assert made.stale_bays == ("2",)
    assert "without the other" in made.freshness[-1]
    assert made.volume.read(Span(0, 4096)).marked(Mark.POSSIBLY_OLDER), "nor does a clean bitmap"


def test_half_being_rebuilt_is_good_only_as_far_as_it_was_filled() -> None:
    other = superblock(1, recovery_bytes=MIB)
    made = assemble(pair(superblock(0), other, gaps=SpanSet([Span(MIB - 4096, MIB + 4096)])))
    reading = made.volume.read(Span(0, 2 * MIB))
    assert [(gap.span, gap.why) for gap in reading.gaps] == [(Span(MIB, MIB + 4096), Lack.REFUSED)]
    assert reading.marked(Mark.OTHER_HALF) == SpanSet([Span(MIB - 4096, MIB)])
    assert "first 1 048 576 bytes are good" in made.freshness[-1]
    assert made.members[-1].standing is Standing.REBUILDING


def test_a_whole_half_goes_before_one_being_rebuilt() -> None:
    made = assemble(pair(superblock(0, recovery_bytes=MIB), superblock(1)))
    assert [member.bay for member in made.members] == ["2", "1"]


def test_written_off_blocks_come_from_the_other_half() -> None:
    bad = SpanSet([Span(8192, 12_288)])
    one = superblock(0, bad_blocks=Span(16_384, 20_480))
    drives = {
        "1": drive([member_bytes(one, DATA, bad=bad)], "1"),
        "2": drive([member_bytes(superblock(1), OLD)], "2"),
    }
    made = assemble(drives)
    assert made.volume.read(Span(0, MIB)).marked(Mark.OTHER_HALF) == bad
    assert any("written off 4 096 bytes of bay 1" in remark for remark in made.remarks)
    alone = assemble({"1": drives["1"]}).volume.read(Span(0, MIB))
    assert [(gap.span, gap.why) for gap in alone.gaps] == [(Span(8192, 12_288), Lack.ABSENT)]


def test_one_half_alone_works_with_a_remark() -> None:
    made = assemble({"1": drive([member_bytes(superblock(0), DATA)], "1")})
    assert (made.level, made.is_complete) == (Level.MIRROR, False)
    assert made.volume.read(Span(0, 2 * MIB)).data == DATA
    assert any("slot 1 is not here. It still belonged" in remark for remark in made.remarks)
    gone = assemble({"1": drive([member_bytes(superblock(0, roles=(0, ROLE_FAULTY)), DATA)], "1")})
    assert any("already gone on without it" in remark for remark in gone.remarks)


def test_damaged_superblock_is_taken_for_older() -> None:
    drives = pair(fresh(), superblock(1), SpanSet(), gaps=SpanSet([Span(0, 4096)]))
    raw = bytearray(drives["2"].data)
    raw[MIB + 4096 + 200] ^= 0xFF
    made = assemble({"1": drives["1"], "2": MemorySource(raw, bay="2")})
    assert (made.stale_bays, made.parted_at) == (("2",), None)
    assert made.volume.read(Span(0, 4096)).marked(Mark.POSSIBLY_OLDER)
    assert any("fails its checksum" in text for text in made.freshness)
    assert any("its checksum fails" in text for text in made.remarks)


@pytest.mark.parametrize(
    ("why", "said"), [(Lack.REFUSED, "could not be read"), (Lack.UNREAD, "have not been read yet")]
)
def test_missing_superblock_is_told_from_none(why: Lack, said: str) -> None:
    drives = pair(superblock(0), superblock(1))
    lost = SpanSet([Span(MIB + 4096, MIB + 4608)])
    broken = MemorySource(drives["2"].data, {why: lost}, bay="2")
    made = assemble({"1": drives["1"], "2": broken})
    assert made.unreadable == {"2": lost}
    assert f"No superblock was found on bay 2, but 512 bytes where one could be {said}" in made.remarks


def test_each_reason_why_a_place_is_missing_is_counted_apart() -> None:
    lost = {
        Lack.UNREAD: SpanSet([Span(MIB + 4096, MIB + 4608)]),
        Lack.REFUSED: SpanSet([Span(5 * MIB - 8192, 5 * MIB - 7680)]),
    }
    drives = pair(superblock(0), superblock(1))
    made = assemble({"1": drives["1"], "2": MemorySource(drives["2"].data, lost, bay="2")})
    assert (
        "No superblock was found on bay 2, but 512 bytes where one could be have not been read yet and "
        "512 bytes where one could be could not be read"
    ) in made.remarks


@pytest.mark.parametrize(
    ("why", "said"), [(Lack.REFUSED, "could not be read"), (Lack.UNREAD, "have not been read yet")]
)
def test_drive_whose_table_is_missing_says_so(why: Lack, said: str) -> None:
    raw = drive_bytes([member_bytes(superblock(0), DATA)])
    ends = SpanSet([Span(0, 32_768), Span(len(raw) - 32_768, len(raw))])
    made = assemble({"1": MemorySource(raw, {why: ends})})
    assert (made.level, made.members[0].partition) == (Level.SINGLE, None)
    assert f"Bay 1: whether there is a partition table is not known, its places {said}" in made.remarks
    assert made.unreadable["1"].covers(Span(0, 1024))


def woven(chunk: int, layout: Raid0Layout = Raid0Layout.ORIGINAL) -> tuple[list[bytes], bytes]:
    """A volume of numbered blocks and the two members that hold it, chunk by chunk."""
    volume = numbered(4 * MIB)
    rows = np.frombuffer(volume, np.uint8).reshape(-1, 2, chunk)
    return [rows[:, k].tobytes() for k in range(2)], volume


@pytest.mark.parametrize("swapped", [False, True])
def test_stripe_is_put_together_in_slot_order(swapped: bool) -> None:
    parts, volume = woven(65_536)
    order = {"level": 0, "chunk_bytes": 65_536, "component_bytes": 0}
    drives = [drive([member_bytes(superblock(k, **order), parts[k])], "1") for k in (0, 1)]
    first, second = reversed(drives) if swapped else drives
    made = assemble({"1": first, "2": second})
    assert (made.level, made.volume.size_bytes) == (Level.STRIPE, 4 * MIB)
    assert made.volume.read(Span(0, 4 * MIB)).data == volume


def test_stripe_with_one_member_has_every_second_chunk() -> None:
    parts, _ = woven(65_536)
    one = superblock(1, level=0, chunk_bytes=65_536, component_bytes=0)
    made = assemble({"2": drive([member_bytes(one, parts[1])], "2")})
    assert (made.volume.size_bytes, made.is_complete) == (4 * MIB, False)
    reading = made.volume.read(Span(0, 262_144))
    assert [(gap.span, gap.why) for gap in reading.gaps] == [
        (Span(0, 65_536), Lack.ABSENT),
        (Span(131_072, 196_608), Lack.ABSENT),
    ]
    assert block_at(reading.data, 65_536) == 16
    assert any("slot 0 is not here" in remark for remark in made.remarks)


def test_span_lays_members_end_to_end() -> None:
    volume = numbered(4 * MIB)
    drives = {
        str(k + 1): drive(
            [member_bytes(superblock(k, level=-1, component_bytes=0), volume[k * 2 * MIB :][: 2 * MIB])], "1"
        )
        for k in (0, 1)
    }
    made = assemble(drives)
    assert (made.level, made.volume.read(Span(0, 4 * MIB)).data) == (Level.SPAN, volume)


@pytest.mark.parametrize("layout", TWO_MEMBER_LAYOUTS)
def test_level_10_of_two_is_a_mirror(layout: int) -> None:
    shape = {"level": 10, "chunk_bytes": 65_536, "layout": layout}
    volume = np.frombuffer(DATA, np.uint8).reshape(-1, 65_536)
    halves = [volume, volume]
    if layout == FAR_2:
        halves = [np.concatenate((volume[k::2], volume[1 - k :: 2])) for k in (0, 1)]
    elif layout == OFFSET_2:
        halves[1] = volume.reshape(-1, 2, 65_536)[:, ::-1]
    drives = {
        str(k + 1): drive([member_bytes(superblock(k, **shape), halves[k].tobytes())], "1") for k in (0, 1)
    }
    made = assemble(drives)
    assert (made.level, len(made.halves)) == (Level.MIRROR, 2)
    for half in (made.volume, *made.halves):
        assert half.read(Span(0, 2 * MIB)).data == DATA


def test_level_5_of_two_is_a_mirror() -> None:
    shape = {"level": 5, "chunk_bytes": 65_536, "layout": 2}
    made = assemble(pair(superblock(0, **shape), superblock(1, **shape)))
    assert (made.level, made.volume.read(Span(0, 2 * MIB)).data) == (Level.MIRROR, DATA)


@pytest.mark.parametrize(
    "changes",
    [
        {"level": 6, "raid_disks": 4},
        {"level": 5, "raid_disks": 3},
        {"level": 10, "raid_disks": 4, "layout": 0x102, "chunk_bytes": 65_536},
        {"level": 10, "layout": 0x301, "chunk_bytes": 65_536},
        {"level": 0, "chunk_bytes": 0},
        {"level": 0, "chunk_bytes": 8 * MIB},
        {"level": 0, "chunk_bytes": 65_536, "features": 4},
        {"level": 1, "raid_disks": 0},
        {"level": 1, "raid_disks": 1 << 31},
        {"level": -4},
    ],
)
def test_other_shapes_are_refused_with_a_next_step(changes: dict[str, int]) -> None:
    one = superblock(0, **changes)
    with pytest.raises(CannotAssemble) as trouble:
        assemble({"1": drive([member_bytes(one, DATA)], "1")})
    assert one.set_uuid in trouble.value.what
    assert trouble.value.next_step


def test_drives_of_different_sets_are_refused_and_both_named() -> None:
    drives = pair(superblock(0), superblock(1, set_uuid=OTHER_UUID, name="tarn:attic"))
    with pytest.raises(CannotAssemble) as trouble:
        assemble(drives)
    assert superblock().set_uuid in trouble.value.what
    assert OTHER_UUID in trouble.value.what
    both = assemble_all(drives)
    assert [one.bays for one in both] == [("1",), ("2",)]


def box_with_a_system_set(data_uuid: str | None = None) -> dict[str, MemorySource]:
    small = {
        "set_uuid": OTHER_UUID,
        "component_bytes": MIB,
        "data": Span(MIB, 2 * MIB),
        "name": "tarn:system",
    }
    drives = {}
    for k in (0, 1):
        big = superblock(k, set_uuid=data_uuid) if data_uuid and k else superblock(k)
        members = [member_bytes(superblock(k, **small), OLD[:MIB], 3 * MIB), member_bytes(big, DATA)]
        drives[str(k + 1)] = drive(members, str(k + 1))
    return drives


def test_the_largest_set_is_the_volume_and_the_others_follow() -> None:
    made = assemble(box_with_a_system_set())
    assert (made.name, [one.name for one in made.others]) == ("tarn:data", ["tarn:system"])
    assert [(member.bay, member.partition) for member in made.members] == [("1", 2), ("2", 2)]
    assert made.volume.read(Span(0, 4096)).data == DATA[:4096]


def test_a_shared_system_set_does_not_hide_strange_data_sets() -> None:
    with pytest.raises(CannotAssemble, match="different sets"):
        assemble(box_with_a_system_set("77777777-1111-4222-8333-444444444444"))


def test_sets_of_one_member_each_are_no_conflict() -> None:
    """Boxes without a pairing keep each drive as a set of its own."""
    drives = pair(
        superblock(0, raid_disks=1, roles=(0,)),
        superblock(0, raid_disks=1, roles=(0,), set_uuid=OTHER_UUID),
    )
    made = assemble(drives)
    assert (made.level, made.bays, made.others[0].bays) == (Level.SINGLE, ("1",), ("2",))


def test_drives_without_superblocks_give_a_candidate_for_each_place() -> None:
    plain = {"1": drive([bytes(2 * MIB), bytes(3 * MIB)], "1"), "2": MemorySource(bytes(4 * MIB), bay="2")}
    made = assemble(plain)
    found = [(one.level, one.bays, one.members[0].partition) for one in (made, *made.others)]
    assert found == [
        (Level.SINGLE, ("2",), None),
        (Level.SINGLE, ("1",), 2),
        (Level.SINGLE, ("1",), 1),
    ]
    assert "carries no superblock" in made.remarks[-1]


def test_drive_used_as_a_whole_after_it_had_a_table_is_a_candidate_as_a_whole() -> None:
    image = bytearray(drive_bytes([bytes(2 * MIB)]))
    image[: 2 * 4096] = bytes(2 * 4096)
    made = assemble({"1": MemorySource(image)})
    assert [one.members[0].partition for one in (made, *made.others)] == [None, 1]
    assert any("may be left over" in remark for remark in made.remarks)
    member = bytearray(drive_bytes([member_bytes(superblock(0), DATA)]))
    member[: 2 * 4096] = bytes(2 * 4096)
    found = assemble({"1": MemorySource(member)})
    assert (found.members[0].partition, found.others) == (1, ())


INNER = (
    Partition(1, Span(65_536, 262_144), RAID_TYPE, "small", "9c2d4e6f-1a3b-4c5d-8e7f-00000000000a"),
    Partition(2, Span(262_144, 2_031_616), RAID_TYPE, "big", "9c2d4e6f-1a3b-4c5d-8e7f-00000000000b"),
)


def with_table_inside(content: bytes) -> bytes:
    """The content of a volume with a partition table of its own at both ends."""
    table = pack_gpt(len(content), INNER, DISK_GUIDS[0])
    return table.head + content[len(table.head) : table.tail_at] + table.tail


def parted_pair(gaps: SpanSet) -> dict[str, MemorySource]:
    """A mirror with a table inside; bay 1 has gaps in its data, bay 2 fell behind."""
    lost = {Lack.REFUSED: gaps.shift(DATA_AT)}
    return {
        "1": drive([member_bytes(fresh(bitmap_at=None), with_table_inside(DATA))], "1", lost),
        "2": drive([member_bytes(stale(bitmap_at=None), with_table_inside(OLD))], "2"),
    }


def test_partitions_inside_a_set_are_candidates_before_the_set_itself() -> None:
    made = assemble(parted_pair(SpanSet([Span(266_240, 270_336)])))
    found = [(one.name, one.level, one.volume.size_bytes) for one in (made, *made.others)]
    assert found == [
        ("tarn:data, partition 2", Level.MIRROR, INNER[1].span.length),
        ("tarn:data", Level.MIRROR, 2 * MIB),
        ("tarn:data, partition 1", Level.MIRROR, INNER[0].span.length),
    ]
    assert (made.stale_bays, made.parted_at, made.set_uuid) == (("2",), LAPSED, superblock().set_uuid)
    reading = made.volume.read(Span(0, 12_288))
    assert [block_at(reading.data, at) for at in (0, 4096, 8192)] == [64, 100_065, 66]
    assert reading.marked(Mark.POSSIBLY_OLDER) == SpanSet([Span(4096, 8192)])
    assert made.volume.trace(Span(0, 4096))[0].at == Span.at(DATA_AT + 262_144, 4096)
    assert [block_at(half.read(Span(0, 4096)).data) for half in made.halves] == [64, 100_064]
    assert "partition table of its own; this is its partition 2 of 2" in made.remarks[-1]


def test_table_inside_a_set_is_found_by_its_backup_where_no_half_has_its_start() -> None:
    start = SpanSet([Span(0, 24_576)])
    drives = parted_pair(start)
    drives["2"] = MemorySource(drives["2"].data, {Lack.UNREAD: start.shift(DATA_AT)}, bay="2")
    made = assemble(drives)
    assert made.name == "tarn:data, partition 2"
    assert any("The volume tarn:data: The backup" in remark for remark in made.remarks)


def test_volume_whose_start_is_missing_says_that_a_table_inside_is_not_known() -> None:
    drives = pair(superblock(0), superblock(1), gaps=SpanSet([Span(0, 512)]))
    unread = {Lack.UNREAD: SpanSet([Span.at(DATA_AT, 512)])}
    made = assemble({"1": drives["1"], "2": MemorySource(drives["2"].data, unread, bay="2")})
    assert (made.name, made.others) == ("tarn:data", ())
    assert (
        "The volume tarn:data: The first sector, where a partition table begins, has not been read yet"
    ) in made.remarks


def test_table_inside_a_set_of_whole_drives_belongs_to_the_set() -> None:
    """With its superblock at the end the set begins where the drive does, and so does the table inside it."""
    one = superblock(0, version=Version.V10, data=Span(0, 2 * MIB), raid_disks=1, roles=(0,))
    made = assemble({"1": MemorySource(member_bytes(one, with_table_inside(DATA)))})
    assert [(made.name, made.level)] == [("tarn:data, partition 2", Level.SINGLE)]
    assert (made.members[0].partition, made.members[0].version) == (None, "1.0")


def test_no_drives_cannot_be_assembled() -> None:
    for call in (assemble, assemble_all):
        with pytest.raises(CannotAssemble):
            call({})


def test_a_spare_alone_holds_nothing() -> None:
    one = superblock(2, roles=(0, 1, ROLE_SPARE))
    with pytest.raises(CannotAssemble, match="holds a copy"):
        assemble({"1": drive([member_bytes(one, bytes(MIB))], "1")})
    made = assemble({**pair(superblock(0), superblock(1)), "3": drive([member_bytes(one, OLD)], "1")})
    assert made.members[-1].standing is Standing.UNUSED
    assert len(made.halves) == 2


def test_whole_drives_can_be_members() -> None:
    drives = {str(k + 1): MemorySource(member_bytes(superblock(k), DATA), bay=str(k + 1)) for k in (0, 1)}
    made = assemble(drives)
    assert [(member.bay, member.partition) for member in made.members] == [("1", None), ("2", None)]


def records_table(start: int, count: int) -> bytes:
    out = bytearray(512)
    struct.pack_into("<B3xB3xII", out, 446, 0, 0xFD, start, count)
    out[510:] = b"\x55\xaa"
    return bytes(out)


def at_end_090(**changes: object) -> Superblock:
    base = {"version": Version.V090, "data": Span(0, 3 * MIB), "roles": (0, 1)}
    return superblock(0, **{**base, **changes})


def test_090_seen_from_drive_and_last_partition_belongs_to_the_partition() -> None:
    """A partition that reaches the end of the drive has its superblock where the drive would have one."""
    member = member_bytes(at_end_090(), DATA, 4 * MIB)
    image = bytearray(MIB) + member
    image[:512] = records_table(2048, 8192)
    made = assemble({"1": MemorySource(image)})
    assert [(member.partition, member.version) for member in made.members] == [(1, "0.90")]
    assert made.volume.read(Span(0, 4096)).data == DATA[:4096]


def test_090_of_the_whole_drive_with_a_table_inside_the_set_belongs_to_the_drive() -> None:
    """A table inside a set never reaches the set's own superblock."""
    image = bytearray(member_bytes(at_end_090(component_bytes=3 * MIB), b"", 4 * MIB))
    image[:512] = records_table(2048, 2048)
    made = assemble({"1": MemorySource(image)})
    assert [(member.partition, member.version) for member in made.members] == [(None, "0.90")]


def test_090_left_over_inside_a_partition_is_set_aside() -> None:
    image = bytearray(member_bytes(at_end_090(), b"", 4 * MIB))
    image[:512] = records_table(2048, 8192 - 2048 - 8)
    made = assemble({"1": MemorySource(image)})
    assert (made.level, made.members[0].partition, made.set_uuid) == (Level.SINGLE, 1, "")
    assert any("left over from an earlier use" in remark for remark in made.remarks)


def test_member_cut_short_answers_absent() -> None:
    raw = drive_bytes([member_bytes(superblock(0), DATA)])[: DATA_AT + MIB]
    made = assemble({"1": MemorySource(raw)})
    gaps = made.volume.read(Span(0, 2 * MIB)).gaps
    assert [(gap.span, gap.why) for gap in gaps] == [(Span(MIB, 2 * MIB), Lack.ABSENT)]


def test_looking_at_a_healthy_pair_touches_little() -> None:
    """One read of the table and one of the start of each partition: 48 and 16 sectors.

    And on the preferred half 16 sectors at the start of each volume, where a table of its own would be.
    """
    drives = box_with_a_system_set()
    assemble(drives)
    for one, volumes in zip(drives.values(), (2, 0), strict=True):
        assert len(one.reads) == 3 + volumes
        assert sum(read.length for read in one.reads) == 24_576 + (2 + volumes) * 8192


def test_clone_of_a_half_is_another_half() -> None:
    same = member_bytes(superblock(0), DATA)
    made = assemble({"1": drive([same], "1"), "2": drive([same], "2")})
    assert (len(made.halves), made.stale_bays) == (2, ())


def test_two_members_in_one_slot_of_a_stripe_leave_one_aside() -> None:
    parts, _ = woven(65_536)
    shape = {"level": 0, "chunk_bytes": 65_536, "component_bytes": 0}
    one = member_bytes(superblock(0, **shape), parts[0])
    made = assemble({"1": drive([one], "1"), "2": drive([one], "2")})
    assert any("same slot" in remark for remark in made.remarks)


def test_compare_halves_finds_the_blocks_that_differ() -> None:
    changed = bytearray(DATA)
    for block in (3, 4, 200):
        changed[block * 4096 + 17] ^= 1
    one = MemorySource(DATA, {Lack.REFUSED: SpanSet([Span(8192, 8704)])})
    other = MemorySource(bytes(changed))
    found = compare_halves(one, other, SpanSet([Span(4096, 4096 * 100)]))
    assert found.differing == SpanSet([Span(3 * 4096, 5 * 4096)])
    assert found.not_comparable == SpanSet([Span(8192, 8704)])
    assert SpanSet(one.reads) == SpanSet([Span(4096, 4096 * 100)])


def test_unsound_construction_is_refused() -> None:
    with pytest.raises(ValueError, match="half"):
        Mirror([], 0, "m")
    with pytest.raises(ValueError, match="layout"):
        copy_on(0, MemorySource(DATA), MIB, 65_536, 0x301, "c")
    assert raid0_zones((100, 200), 4096) == ()


def test_outlook_of_one_chunk_says_nothing_of_its_neighbours() -> None:
    lost = {Lack.UNREAD: SpanSet([Span(0, MIB)])}
    stripe = Stripe(
        [MemorySource(DATA, lost), MemorySource(DATA, lost)], raid0_zones((MIB, MIB), 65_536), "s"
    )
    for chunk in range(4):
        span = Span.at(chunk * 65_536, 65_536)
        assert [(gap.span, gap.why) for gap in stripe.outlook(span).gaps] == [(span, Lack.UNREAD)]


def test_what_a_member_does_not_hold_is_not_needed_of_its_drive() -> None:
    held = Withheld(MemorySource(DATA), SpanSet([Span(MIB, 2 * MIB)]))
    assert held.needs(SpanSet([Span(0, 2 * MIB)])) == {"1": SpanSet([Span(0, MIB)])}


def test_unread_on_either_half_is_still_to_be_tried() -> None:
    one = MemorySource(DATA, {Lack.REFUSED: SpanSet([Span(0, 4096)])}, bay="1")
    lacking = {Lack.UNREAD: SpanSet([Span(0, 2048)]), Lack.ABSENT: SpanSet([Span(2048, 4096)])}
    other = MemorySource(DATA, lacking, bay="2")
    gaps = Mirror([Half(one), Half(other)], 2 * MIB, "m").read(Span(0, 8192)).gaps
    assert [(gap.span, gap.why) for gap in gaps] == [
        (Span(0, 2048), Lack.UNREAD),
        (Span(2048, 4096), Lack.REFUSED),
    ]


def test_a_place_without_superblock_wins_only_if_far_larger() -> None:
    small = superblock(0, component_bytes=MIB, data=Span(MIB, 2 * MIB), raid_disks=1, roles=(0,))
    for plain_bytes, level in ((2 * MIB, small.set_uuid), (2 * MIB + 512, "")):
        made = assemble({"1": drive([member_bytes(small, OLD[:MIB], 3 * MIB), bytes(plain_bytes)], "1")})
        assert made.set_uuid == level
