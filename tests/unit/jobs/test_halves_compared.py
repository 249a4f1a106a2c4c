"""What is found to differ between the halves of a mirror is said alike by everything that judges files."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np

from mendbay.core.source import Mark
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Verdict
from mendbay.jobs.halves_compared import MOST_RANGES, _fewer, compare_all
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.list_files import list_files, show_file
from mendbay.jobs.other_half import COMPARED
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.jobs.volume import open_volume, sources_of
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.small import SmallBase
from mendbay.wiring import open_bench, open_handback_folder, papers
from support.box import mirror_drives
from support.boxes import have_refuse
from support.ext_images import make
from support.pair_shop import Shop, shop

ODD, OTHER, THIRD = b"files/14.bin", b"files/05.bin", b"texts/03.txt"


def spoil(one: Shop, base: SmallBase, name: bytes = ODD, count: int = 800) -> None:
    """Has bay 2 hold other bytes in a file, as no description tells."""
    place = next(iter(one.box.geometry.on_drive(1, SpanSet(base.newest.placed[name].blocks))))
    spoil_at(one.box.images[1], place.start, count)


def spoil_at(path: Path, at: int, count: int) -> None:
    with path.open("r+b") as image:
        image.seek(at)
        before = image.read(count)
        image.seek(at)
        image.write(bytes(byte ^ 0xFF for byte in before))


def refuse(one: Shop, base: SmallBase, name: bytes, bay: int) -> None:
    """Has the drive of a bay refuse the content of a file."""
    refused = one.box.geometry.on_drive(bay, SpanSet(base.newest.placed[name].blocks)).widen(512)
    drive = one.box.drives[bay]
    drive.unlink()
    write_drive(drive, one.box.images[bay], Faults(refused), seed=bay, serial=f"S{bay}")


def listed(one: Shop) -> dict[bytes, Verdict]:
    return {
        line.entry.path: line.judgement.verdict
        for line in list_files(one.bench, 1).lines
        if line.judgement is not None
    }


def shown(one: Shop, name: bytes) -> Verdict:
    judgement = show_file(one.bench, 1, name).line.judgement
    assert judgement is not None
    return judgement.verdict


def handed_back(one: Shop, folder: Path) -> dict[bytes, Verdict]:
    made = hand_back(one.bench, 1, folder, open_handback_folder, papers())
    return {file.raw_path: Verdict(file.verdict) for file in made.facts.files}


def test_both_whole_compares_the_halves_and_all_say_the_same_of_a_file(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        spoil(one, base)
        result = read_pair(one.bench, 1, one.drives(), ["*.bin"], both_whole=True)
        assert result.halves is not None
        assert result.halves.apart.total_bytes == 4096
        wanted = {line.entry.path: line.judgement for line in result.wanted if line.judgement is not None}
        assert wanted[ODD].verdict is Verdict.UNPROVEN
        assert {doubt.mark for doubt in wanted[ODD].doubts} == {Mark.HALVES_DIFFER}
        assert result.verdicts[Verdict.UNPROVEN] == 1
        said = listed(one)
        assert {name for name, verdict in said.items() if verdict is not Verdict.WHOLE} == {ODD}
        assert shown(one, ODD) is Verdict.UNPROVEN
        assert handed_back(one, tmp_path / "out") == said
        assert listed(one) == said
        noted = [event for event in one.bench.ledger.events(1) if event.kind == COMPARED]
        assert [event.facts["differ"] for event in noted] == [True], "what is known already is no news"
        assert "differ in 4\u2009096 bytes (1 range)" in noted[0].text


def test_halves_read_whole_that_are_the_same_lack_nothing_that_one_of_them_gave(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        refuse(one, base, ODD, 0)
        refuse(one, base, OTHER, 1)
        result = read_pair(one.bench, 1, one.drives(), both_whole=True)
        assert result.halves is not None
        assert not result.halves.apart
        assert all(read.refused_bytes for read in result.drives)
        assert result.missing_bytes == 0
        assert list_files(one.bench, 1).uncompared_bytes == 0
        assert set(listed(one).values()) == {Verdict.WHOLE}


def test_what_one_half_gave_is_not_missing_but_unproven_if_they_differ(
    tmp_path: Path, base: SmallBase
) -> None:
    """Each place counts once, and only where neither half gave it: one sector here, of two refused files."""
    with shop(tmp_path, base) as one:
        of_first, of_second = (
            one.box.geometry.on_drive(bay, SpanSet(base.newest.placed[name].blocks)).widen(512)
            for bay, name in ((0, OTHER), (1, THIRD))
        )
        common = Span.at(next(iter(of_first)).start, 512)
        offset = one.box.geometry.on_drive(1, SpanSet([Span(0, 512)])).starts[0]
        offset -= one.box.geometry.on_drive(0, SpanSet([Span(0, 512)])).starts[0]
        have_refuse(one.box, 0, of_first)
        have_refuse(one.box, 1, of_second | SpanSet([common.shift(int(offset))]))
        spoil(one, base)
        result = read_pair(one.bench, 1, one.drives(), both_whole=True)
        refused = [read.refused_bytes for read in result.drives]
        assert refused == [of_first.total_bytes, of_second.total_bytes + 512]
        assert result.missing_bytes == 512
        assert result.alone_bytes == sum(refused) - 2 * 512
        said = listed(one)
        assert (said[ODD], said[OTHER], said[THIRD]) == (
            Verdict.UNPROVEN,
            Verdict.HOLED,
            Verdict.UNPROVEN,
        )
        again = read_pair(one.bench, 1, one.drives(), both_whole=True, seconds=0)
        assert again.missing_bytes == 512, "also before all was tried"


def test_halves_found_to_differ_while_read_as_one_task_are_compared_everywhere(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        spoil(one, base)
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[OTHER].inode_at]))
        spoil_at(
            one.box.images[1], next(iter(inode)).start + 8, 1
        )  # its access time: no file is worse for it
        result = read_pair(one.bench, 1, one.drives())
        assert result.compared is not None
        assert result.compared.differ_at is not None
        assert result.halves is not None
        assert result.halves.apart.total_bytes >= 8192
        assert listed(one)[ODD] is Verdict.UNPROVEN


def test_drives_read_by_themselves_are_said_not_to_be_compared_until_a_look_finds_out(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        spoil(one, base)
        for drive in one.drives():
            read_drive(one.bench, 1, drive)
        before = list_files(one.bench, 1)
        assert before.uncompared_bytes > 0.9 * one.box.geometry.volume_bytes
        assert listed(one)[ODD] is Verdict.WHOLE, "nobody has looked yet"
        assert shown(one, OTHER) is Verdict.WHOLE
        assert not [event for event in one.bench.ledger.events(1) if event.kind == COMPARED]
        assert shown(one, ODD) is Verdict.UNPROVEN
        assert listed(one)[ODD] is Verdict.UNPROVEN, "what a look found is remembered"


def test_a_hand_back_that_finds_a_difference_judges_all_files_by_it(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        spoil(one, base)
        refuse(one, base, OTHER, 0)
        for drive in one.drives():
            read_drive(one.bench, 1, drive)
        assert listed(one)[OTHER] is Verdict.WHOLE
        said = handed_back(one, tmp_path / "out")
        assert (said[ODD], said[OTHER]) == (Verdict.UNPROVEN, Verdict.UNPROVEN)
        assert listed(one) == said


def test_a_file_with_many_names_is_compared_and_counted_once(tmp_path: Path) -> None:
    """By its names alone ten times as much would seem compared as the volume holds."""
    content, names = tmp_path / "content", 50
    content.mkdir()
    (content / "kiln-log-00").write_bytes(bytes(range(250)) * 2_000)
    for number in range(1, names):
        os.link(content / "kiln-log-00", content / f"kiln-log-{number:02}")
    image = make(tmp_path / "volume.img", 4, ("-t", "ext4", "-b", "1024", "-O", "^has_journal"), content)
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery")
        for bay, data in zip("12", mirror_drives(image.read_bytes()), strict=True):
            (tmp_path / f"drive-{bay}.img").write_bytes(data)
            described = tmp_path / f"drive-{bay}.toml"
            described.write_text(f'image = "drive-{bay}.img"\nserial = "K-{bay}"\n')
            read_drive(bench, 1, DriveAt(bay, f"unsteady:{described}"))
        before = list_files(bench, 1).uncompared_bytes
        made = hand_back(bench, 1, tmp_path / "out", open_handback_folder, papers())
        after = list_files(bench, 1).uncompared_bytes
    assert len(made.facts.files) == names
    assert before - after == 500_000
    (said,) = (one for one in made.facts.proof if "two drives should hold the same" in one.what)
    assert said.outcome.endswith("both gave 500\u2009000 bytes of 500\u2009000 bytes stored.")


def test_an_image_that_has_rotted_is_not_said_to_differ(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives(), both_whole=True)
        with one.images() as stores:
            path = stores[1].path
        place = next(iter(one.box.geometry.on_drive(1, SpanSet(base.newest.placed[ODD].blocks))))
        spoil_at(path, place.start, 800)
        result = read_pair(one.bench, 1, one.drives(), both_whole=True)
        assert result.halves is not None
        assert not result.halves.apart


def test_a_comparison_that_is_stopped_claims_nothing(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        spoil(one, base)
        for drive in one.drives():
            read_drive(one.bench, 1, drive)
        stopped = replace(one.bench, stop=lambda: True)
        with one.images() as stores:
            volume = open_volume(sources_of(dict(zip("12", stores, strict=True)), check=True))
            assert compare_all(stopped, 1, volume) is None
        assert not [event for event in one.bench.ledger.events(1) if event.kind == COMPARED]
        assert list_files(one.bench, 1).uncompared_bytes


def test_very_many_ranges_become_fewer_that_hold_them_all() -> None:
    starts = np.arange(MOST_RANGES + 5_000, dtype=np.int64) * 12_288
    starts[7:] += 1 << 30
    many = SpanSet.from_bounds(starts, starts + 4096)
    fewer = _fewer(many)
    assert len(fewer) == MOST_RANGES
    assert not many - fewer
    assert not fewer.overlaps(Span(int(starts[6]) + 4096, int(starts[7]))), "the widest gap stays"
