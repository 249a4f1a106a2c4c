import random

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Extent
from mendbay.files.verdict import Verdict
from mendbay.inlets.unsteady_description import load_unsteady
from mendbay.outlets.scenario.damage import (
    Faults,
    Weak,
    description_of,
    fates,
    in_file,
    on_volume,
    sector_in,
    write_drive,
)
from mendbay.outlets.scenario.geometry import Geometry, Level
from mendbay.outlets.scenario.volume import Placed

MIRROR = Geometry(Level.MIRROR, 1 << 20)
NONE = Faults(SpanSet())
SYSTEM = SpanSet([Span(1024, 2048)])
PARTED_AT = 1_000_000


def placed(inode_at, extents, size):
    return Placed(12, Span.at(inode_at, 256), size, tuple(extents), SpanSet(), 4096)


ROOT = placed(8192, [Extent(Span(0, 4096), 16384)], 0)
FILE = placed(8448, [Extent(Span(0, 8192), 65536), Extent(Span(12288, 13000), 131072)], 13000)
PLACES = {b"": ROOT, b"file": FILE}


def bad(*spans):
    return Faults(MIRROR.on_drive(0, SpanSet([Span(*span) for span in spans])))


def fate(first, second, changed_at=500, parted_at=PARTED_AT, geometry=MIRROR):
    return fates(PLACES, {b"file": changed_at}, geometry, (first, second), parted_at, SYSTEM)[b"file"]


def test_places_in_the_file_and_on_the_volume_are_each_others_inverse():
    spans = on_volume(FILE, Span(8000, 12500))
    assert spans == SpanSet([Span(73536, 73728), Span(131072, 131284)])
    assert in_file(FILE, spans) == SpanSet([Span(8000, 8192), Span(12288, 12500)])


def test_the_end_of_the_last_block_is_no_part_of_the_file():
    assert not in_file(FILE, SpanSet([Span(131072 + 712, 131072 + 4096)]))


def test_an_untouched_file_from_the_half_that_fell_behind_is_whole():
    found = fate(bad((65536, 66048)), NONE)
    assert (found.verdict, found.other_half, found.older) == (
        Verdict.WHOLE,
        SpanSet([Span(0, 512)]),
        SpanSet(),
    )


@pytest.mark.parametrize("changed_at", [PARTED_AT + 5, PARTED_AT - 3599, 0])
def test_a_file_changed_about_then_or_later_is_unproven(changed_at):
    found = fate(bad((65536, 66048)), NONE, changed_at)
    assert (found.verdict, found.older) == (Verdict.UNPROVEN, SpanSet([Span(0, 512)]))


def test_equal_halves_prove_each_other():
    assert fate(bad((65536, 66048)), NONE, PARTED_AT + 5, parted_at=None).verdict is Verdict.WHOLE


def test_what_neither_half_gives_is_a_hole():
    found = fate(bad((65536, 66560)), bad((66048, 67072)))
    assert (found.verdict, found.missing, found.other_half) == (
        Verdict.HOLED,
        SpanSet([Span(512, 1024)]),
        SpanSet([Span(0, 512)]),
    )


def test_a_file_of_which_nothing_stored_is_left_is_lost():
    everything = bad((65536, 73728), (131072, 135168))
    assert fate(everything, everything).verdict is Verdict.LOST


def test_damage_on_the_older_half_alone_changes_nothing():
    assert fate(NONE, bad((65536, 73728), (8192, 8704))).verdict is Verdict.WHOLE


@pytest.mark.parametrize(
    "span", [(8192, 8704), (16384, 16896), (1024, 1536)], ids=["inode", "folder", "system"]
)
def test_a_doubtful_description_decides_nothing(span):
    assert fate(bad(span), NONE).verdict is None


def test_a_description_that_an_equal_half_gives_is_not_doubtful():
    assert fate(bad((8192, 8704)), NONE, parted_at=None).verdict is Verdict.WHOLE


def test_a_description_includes_every_folder_on_the_way():
    inner = placed(9216, [Extent(Span(0, 4096), 20480)], 0)
    deep = placed(9472, [], 0)
    found = description_of({b"": ROOT, b"a": inner, b"a/b": deep}, b"a/b")
    assert found == SpanSet([Span(8192, 8448), Span(9216, 9728), Span(16384, 24576)])


def test_one_drive_of_a_stripe_is_enough_to_lose_bytes():
    geometry = Geometry(Level.STRIPE, 1 << 20)
    second = Faults(geometry.on_drive(1, SpanSet([Span(65536, 66048)])))
    assert fate(NONE, second, parted_at=None, geometry=geometry).missing == SpanSet([Span(0, 512)])


def test_a_random_sector_lies_inside_and_on_a_border():
    spans = SpanSet([Span(100, 700), Span(1000, 5000)])
    chance = random.Random(3)
    found = {sector_in(chance, spans, 3) for _ in range(200)}
    assert all(spans.covers(span) and span.start % 512 == 0 and span.stop % 512 == 0 for span in found)
    assert {span.start for span in found} == {1024, 1536, 2048, 2560, 3072, 3584, 4096}
    with pytest.raises(ValueError, match="no whole sector"):
        sector_in(chance, SpanSet([Span(100, 700)]))


def test_the_simulated_drive_reads_the_description_back(tmp_path):
    image = tmp_path / "bay-1.img"
    image.write_bytes(bytes(1 << 16))
    faults = Faults(SpanSet([Span(512, 1536), Span(5120, 5632)]), (Weak(40, 2, 3),))
    write_drive(tmp_path / "bay-1.toml", image, faults, seed=4, serial="AH4K-1")
    read = load_unsteady(tmp_path / "bay-1.toml")
    assert (read.image, read.sector_bytes, read.seed, read.serial) == (image, 512, 4, "AH4K-1")
    assert read.refused == ((1, 2), (10, 1))
    assert [(one.at, one.count, one.refuses) for one in read.weak] == [(40, 2, 3)]


def test_a_sound_drive_can_be_described_too(tmp_path):
    image = tmp_path / "bay-1.img"
    image.write_bytes(bytes(1 << 16))
    write_drive(tmp_path / "d.toml", image, NONE, seed=4, serial="")
    assert load_unsteady(tmp_path / "d.toml").refused == ()
