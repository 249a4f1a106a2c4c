import tomllib

import numpy as np
import pytest

from mendbay.core.errors import DestinationError, ToolMissing
from mendbay.core.source import PartOf
from mendbay.core.span import Span
from mendbay.files.tree import Kind
from mendbay.files.verdict import SETTLE_SECONDS, Verdict
from mendbay.outlets.scenario import volume
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.small import Aim, make_small_base, make_small_scenario
from mendbay.outlets.scenario.tree import Item
from mendbay.pair.md import ROLE_FAULTY, find_superblocks
from support.boxes import small_base, volume_byte_by_drive
from support.sources import MemorySource

BOXES = [
    (Level.MIRROR, True, Aim.FILES),
    (Level.MIRROR, True, Aim.ANYWHERE),
    (Level.MIRROR, False, Aim.FILES),
    (Level.STRIPE, False, Aim.FILES),
]


@pytest.fixture(scope="module", params=[(0, 4096), (1, 1024)], ids=["4 KiB blocks", "1 KiB blocks"])
def base(request, tmp_path_factory):
    return small_base(tmp_path_factory.mktemp("base"), *request.param)


def test_the_same_seed_makes_the_same_volumes(base, tmp_path):
    block_bytes = base.older.placed[b""].block_bytes
    again = small_base(tmp_path / "again", 0 if block_bytes == 4096 else 1, block_bytes)
    assert again.older.image.read_bytes() == base.older.image.read_bytes()
    assert again.newest.image.read_bytes() == base.newest.image.read_bytes()
    assert base.older.image.read_bytes() != base.newest.image.read_bytes()


def test_the_same_seed_makes_the_same_box(base, tmp_path):
    made = [make_small_scenario(tmp_path / name, 7, base=base) for name in ("a", "b")]
    other = make_small_scenario(tmp_path / "c", 8, base=base)
    assert made[0].truth == made[1].truth
    assert made[0].faults == made[1].faults != other.faults
    for bay in (0, 1):
        assert made[0].images[bay].read_bytes() == made[1].images[bay].read_bytes()
        assert made[0].drives[bay].read_bytes() == made[1].drives[bay].read_bytes()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("level", "parted", "aim"), BOXES)
def test_fates_agree_with_counting_sector_by_sector(base, tmp_path, level, parted, aim, seed):
    """Each volume sector's state is set one by one from the written descriptions, then each file walked."""
    box = make_small_scenario(tmp_path, seed, base=base, level=level, parted=parted, aim=aim)
    lost = [_lost_sectors(box, bay) for bay in (0, 1)]
    first, nowhere = lost[0], lost[0] & lost[1]
    if level is Level.STRIPE:
        first = nowhere = lost[0] | lost[1]
    decided = 0
    for path, truth in box.truth.items():
        if truth.fate is None:
            assert truth.kind is not Kind.FILE or truth.newest is None
            continue
        missing, other, stored = _walk(base.newest.placed[path], first, nowhere)
        assert _bytes_of(truth.fate.missing) == missing
        assert _bytes_of(truth.fate.other_half) == other
        if truth.fate.verdict is None:
            assert aim is Aim.ANYWHERE
            continue
        decided += 1
        untouched = truth.changed_at < (box.parted_at or 0) - SETTLE_SECONDS
        older = other if parted and not untouched else 0
        expected = Verdict.UNPROVEN if older else Verdict.WHOLE
        if missing:
            expected = Verdict.HOLED if stored > missing else Verdict.LOST
        assert truth.fate.verdict is expected
        assert _bytes_of(truth.fate.older) == older
    assert decided > 20 or aim is Aim.ANYWHERE


def test_every_kind_of_fate_comes_up(base, tmp_path):
    seen = set()
    for seed in range(20):
        box = make_small_scenario(tmp_path / str(seed), seed, base=base, aim=list(Aim)[seed % 2])
        seen |= {one.fate.verdict for one in box.truth.values() if one.fate}
    assert seen == {*Verdict, None}


def test_what_only_one_state_knows_is_told_apart(base, tmp_path):
    truth = make_small_scenario(tmp_path, 1, base=base).truth
    files = [one for one in truth.values() if one.kind is Kind.FILE]
    assert any(one.newest is None and one.older is not None for one in files)
    assert any(one.older is None and one.newest is not None for one in files)
    assert any(one.newest and one.older and one.newest.sha256 != one.older.sha256 for one in files)
    same = [one for one in files if one.newest == one.older]
    assert len(same) > 15
    assert truth[b""].kind is Kind.FOLDER


def test_the_drives_say_what_happened(base, tmp_path):
    parted = make_small_scenario(tmp_path / "parted", 1, base=base)
    first, second = (_superblock(image) for image in parted.images)
    assert first.events - second.events > 1
    assert second.updated_at == parted.parted_at < first.updated_at
    assert first.set_uuid == second.set_uuid
    assert first.device_uuid != second.device_uuid
    assert first.role_of(1) == ROLE_FAULTY
    assert second.role_of(1) == 1
    stripe = make_small_scenario(tmp_path / "stripe", 1, base=base, level=Level.STRIPE, parted=False)
    first, second = (_superblock(image) for image in stripe.images)
    assert (first.level, first.chunk_bytes, first.raid0_layout) == (0, 64 << 10, 1)
    assert first.events == second.events
    assert (first.role, second.role) == (0, 1)


def test_a_stripe_cannot_part(base, tmp_path):
    with pytest.raises(ValueError, match="cannot part"):
        make_small_scenario(tmp_path, 1, base=base, level=Level.STRIPE, parted=True)


def test_a_missing_program_is_named_with_its_package(monkeypatch, tmp_path):
    monkeypatch.setattr(volume.shutil, "which", lambda *_, **__: None)
    with pytest.raises(ToolMissing, match="mke2fs") as caught:
        make_small_base(tmp_path)
    assert "e2fsprogs" in caught.value.next_step


def test_files_that_do_not_fit_are_an_error_with_the_programs_own_words(base, tmp_path):
    big = tmp_path / "big"
    big.write_bytes(b"x" * (30 << 20))
    copy = tmp_path / "copy.ext4"
    copy.write_bytes(base.older.image.read_bytes())
    with pytest.raises(DestinationError, match="debugfs"):
        volume.change_volume(copy, base.older.items, [], [Item(b"big", Kind.FILE, 5, big)], 1_790_000_000)


def test_two_names_with_a_line_break_are_refused(tmp_path):
    items = [Item(name, Kind.FILE, 5, tmp_path / "x") for name in (b"a\nb", b"c\nd")]
    with pytest.raises(ValueError, match="line break"):
        volume.make_volume(tmp_path / "v", items, None, 5)


def _lost_sectors(box, bay):
    """For each 512-byte sector of the volume, whether the description of the drive refuses it."""
    lost = np.zeros(box.geometry.volume_bytes // 512, bool)
    for first, count in tomllib.loads(box.drives[bay].read_text())["refused"]:
        for sector in range(first, first + count):
            at = volume_byte_by_drive(box, bay, sector * 512)
            if at is not None:
                lost[at // 512] = True
    return lost


def _walk(where, first, nowhere):
    """(missing, from the other half, stored) bytes of a file."""
    missing = other = stored = 0
    for extent in where.extents:
        for at in range(0, extent.file_span.length, 512):
            here = min(512, extent.file_span.length - at)
            sector = (extent.volume_start + at) // 512
            stored += here
            missing += here * bool(nowhere[sector])
            other += here * bool(first[sector] and not nowhere[sector])
    return missing, other, stored


def _bytes_of(spans):
    return spans.total_bytes


def _superblock(image):
    drive = MemorySource(image.read_bytes())
    member = PartOf(drive, Span(1 << 20, drive.size_bytes - (1 << 20)), "member")
    return find_superblocks(member).best
