"""One bay named, of a mirror of which the case has the other half as an image."""

from __future__ import annotations

from pathlib import Path

from mendbay.core.span import SpanSet
from mendbay.files.verdict import Verdict
from mendbay.jobs.list_files import list_files
from mendbay.jobs.read_drive import read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.small import SmallBase
from support.pair_shop import Shop, data_area, shop

NAME, OTHER = b"files/14.bin", b"files/05.bin"


def place(one: Shop, base: SmallBase, name: bytes, bay: int) -> SpanSet:
    return one.box.geometry.on_drive(bay, SpanSet(base.newest.placed[name].blocks)).widen(512)


def refuse(one: Shop, base: SmallBase, name: bytes, bay: int) -> None:
    drive = one.box.drives[bay]
    drive.unlink()
    write_drive(drive, one.box.images[bay], Faults(place(one, base, name, bay)), seed=bay, serial=f"S{bay}")


def test_what_the_image_of_the_other_bay_holds_is_not_read_once_more(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives())
        before = one.read_of()
        refuse(one, base, NAME, 1)
        result = read_pair(one.bench, 1, one.drives()[1:], ["*.bin"])
        after = one.read_of()
        data = data_area(one.box)
        assert after[0] == before[0]
        assert ((after[1] - before[1]) & data).total_bytes < 0.02 * data.total_bytes
        assert [read.bay for read in result.drives] == ["2"]
        assert result.drives[0].refused_bytes == 0
        assert set(result.verdicts) == {Verdict.WHOLE}
        assert result.missing_bytes == 0
        assert any("The image of bay 1 counts as that half" in text for text in one.said)
        listing = list_files(one.bench, 1)
        assert set(listing.verdicts) == {Verdict.WHOLE}


def test_only_what_the_other_half_lacks_is_read_and_a_sample_of_the_rest(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        refuse(one, base, NAME, 0)
        read_drive(one.bench, 1, one.drives()[0])
        result = read_pair(one.bench, 1, one.drives()[1:])
        data = data_area(one.box)
        case = one.bench.ledger.case(1)
        second = one.bench.images.reopen(case, "2", writable=False)
        read = second.coverage().read
        second.close()
        assert not place(one, base, NAME, 1) - read
        assert 0 < (read & data).total_bytes < 0.2 * data.total_bytes
        assert result.compared is not None
        assert result.compared.compared_bytes > 0
        assert result.missing_bytes == 0


def test_a_drive_that_differs_from_the_image_of_the_other_is_read_whole(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        read_drive(one.bench, 1, one.drives()[0])
        inode = one.box.geometry.on_drive(1, SpanSet([base.newest.placed[OTHER].inode_at]))
        with one.box.images[1].open("r+b") as image:
            image.seek(next(iter(inode)).start + 8)
            byte = image.read(1)
            image.seek(-1, 1)
            image.write(bytes([byte[0] ^ 1]))
        result = read_pair(one.bench, 1, one.drives()[1:])
        assert result.compared is not None
        assert result.compared.differ_at is not None
        assert result.drives[0].is_complete
        assert result.halves is not None
        assert result.halves.apart
        assert any("The halves of the mirror differ" in text for text in one.said)


def test_an_image_that_cannot_be_looked_at_is_left_out_and_that_is_said(
    tmp_path: Path, base: SmallBase
) -> None:
    with shop(tmp_path, base) as one:
        read_drive(one.bench, 1, one.drives()[0])
        store = one.bench.images.reopen(one.bench.ledger.case(1), "1", writable=False)
        store.close()
        store.path.with_suffix(".coverage").write_bytes(b"no log of reads")
        result = read_pair(one.bench, 1, one.drives()[1:])
        assert result.drives[0].is_complete
        assert any("The image of bay 1 is left out" in text for text in one.said)
