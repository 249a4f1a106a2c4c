"""What a blend that breaks off leaves behind: the truth in image, ledger, story and custody."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import DestinationError, ForeignImage, MendbayError, NoRoom, UsageError
from mendbay.core.quantity import count_text
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.jobs.bench import Bench
from mendbay.jobs.blend_images import blend_images
from mendbay.jobs.hand_back import _bay_facts
from mendbay.jobs.take_in import take_in
from mendbay.outlets import image_file
from mendbay.outlets.image_file import ImageFile
from support.scripted_drive import numbered

SIZE = 4 * BLOCK_BYTES
DATA = numbered(SIZE // 512)
IDENTITY = Identity("simulated drive", "drive", SIZE, 512, serial="S1")


def image(path: Path, *held: Span) -> Path:
    made = ImageFile.create(path, IDENTITY)
    made.begin_run("Dock", path.stem)
    for span in held:
        made.keep(span, memoryview(DATA)[span.start : span.stop], 0.1)
    made.close()
    return path


@pytest.fixture
def mine(bench: Bench) -> Path:
    """The image of bay 1 of case 1, of which the first block is read."""
    folder = bench.images.folder(bench.ledger.case(1))
    return image(folder / bench.images.name("1"), Span(0, BLOCK_BYTES))


def told(bench: Bench) -> tuple[str, str]:
    """Story and custody of the case."""
    story = " ".join(one.text for one in bench.ledger.events(1))
    return story, " ".join(one.what for one in bench.ledger.custody(1))


def read_of(path: Path) -> SpanSet:
    looked = ImageFile.reopen(path, writable=False)
    try:
        return looked.coverage().read
    finally:
        looked.close()


def test_this_bays_own_image_among_the_others_is_refused_before_anything_is_changed(
    bench: Bench, mine: Path, tmp_path: Path
) -> None:
    other = image(tmp_path / "other.img", Span(0, SIZE))
    before = mine.read_bytes(), read_of(mine), told(bench)
    with pytest.raises(ForeignImage, match="itself"):
        blend_images(bench, 1, "1", [other, mine])
    assert (mine.read_bytes(), read_of(mine), told(bench)) == before


def full_after(writes: int) -> Callable[[int, memoryview, int], int]:
    left = [writes]
    real = os.pwrite

    def pwrite(fd: int, data: memoryview, at: int) -> int:
        if not left[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        left[0] -= 1
        return real(fd, data, at)

    return pwrite


def unreadable_from(start: int) -> Callable[[int, int, int], bytes]:
    real = os.pread

    def pread(fd: int, count: int, at: int) -> bytes:
        if at >= start:
            raise OSError(errno.EIO, "Input/output error")
        return real(fd, count, at)

    return pread


@pytest.mark.parametrize(
    ("call", "made", "trouble"),
    [("pwrite", full_after(2), NoRoom), ("pread", unreadable_from(3 * BLOCK_BYTES), DestinationError)],
    ids=["full", "unreadable"],
)
def test_a_blend_that_breaks_off_is_told_as_far_as_it_came(
    bench: Bench,
    mine: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    call: str,
    made: object,
    trouble: type[MendbayError],
) -> None:
    first = image(tmp_path / "first.img", Span(0, BLOCK_BYTES))
    second = image(tmp_path / "second.img", Span(BLOCK_BYTES, SIZE))
    monkeypatch.setattr(image_file.os, call, made)
    with pytest.raises(trouble):
        blend_images(bench, 1, "1", [first, second])
    monkeypatch.undo()
    assert read_of(mine) == SpanSet([Span(0, 3 * BLOCK_BYTES)])
    assert mine.read_bytes()[: 3 * BLOCK_BYTES] == DATA[: 3 * BLOCK_BYTES]
    (noted,) = bench.ledger.images(1)
    assert noted.read_bytes == 3 * BLOCK_BYTES
    for text in told(bench):
        assert "0 bytes taken over" in text  # the first image, which is whole
        assert f"{count_text(2 * BLOCK_BYTES)} bytes taken over before it broke off" in text


def test_a_blend_that_breaks_off_before_it_changed_anything_tells_nothing(
    bench: Bench, mine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = image(tmp_path / "other.img", Span(0, SIZE))

    def stop(*_: object) -> None:
        raise DestinationError("no", "no")

    before = told(bench)
    monkeypatch.setattr("mendbay.jobs.blend_images.compare_images", stop)
    with pytest.raises(DestinationError):
        blend_images(bench, 1, "1", [other])
    assert told(bench) == before


def test_the_hand_back_says_of_a_decayed_image_why_it_has_no_digest(tmp_path: Path) -> None:
    path = image(tmp_path / "whole.img", Span(0, SIZE))
    for spoilt in (False, True):
        if spoilt:
            path.write_bytes(b"rot" + DATA[3:])
        store = ImageFile.reopen(path)
        store.digest()
        facts = _bay_facts("1", None, store, (), store.changed(), SpanSet())
        assert bool(facts.image_sha256) is not spoilt
        assert any("no longer what the drive gave" in one for one in facts.remarks) is spoilt
        store.doubt(SpanSet([Span(SIZE - 1, SIZE)]), "to be hashed again")  # takes the digest along
        store.begin_run("Dock", "again")
        store.keep(Span(SIZE - BLOCK_BYTES, SIZE), memoryview(DATA)[SIZE - BLOCK_BYTES :], 0.1)
        store.close()


# ---------------------------------------------------------------------- whose it is


def image_as(path: Path, serial: str, *held: Span) -> Path:
    made = ImageFile.create(path, Identity("simulated drive", "drive", SIZE, 512, serial=serial))
    made.begin_run("Another dock", path.stem)
    for span in held:
        made.keep(span, memoryview(DATA)[span.start : span.stop], 0.1)
    made.close()
    return path


def taken_from(path: Path) -> str:
    looked = ImageFile.reopen(path, writable=False)
    try:
        return looked.runs()[-1].taken_from
    finally:
        looked.close()


def test_an_image_of_another_case_is_taken_only_with_a_reason(
    bench: Bench, mine: Path, tmp_path: Path
) -> None:
    case = take_in(bench, "Delta Ceramics", bays=[Bay(0, "1")])
    other = image_as(bench.images.folder(case) / bench.images.name("1"), "S1", Span(0, SIZE))
    way_in = tmp_path / "way-in"
    way_in.symlink_to(other.parent, target_is_directory=True)
    before = mine.read_bytes(), read_of(mine), told(bench)
    for path in (other, way_in / other.name):
        with pytest.raises(ForeignImage, match="lies in the folder of case 2"):
            blend_images(bench, 1, "1", [path])
    with pytest.raises(UsageError, match="names the customer"):
        blend_images(bench, 1, "1", [other], bench.ledger.case(1).customer)
    assert (mine.read_bytes(), read_of(mine), told(bench)) == before
    done = blend_images(bench, 1, "1", [other], "one drive, entered twice")
    assert done.images[0].other_case == 2
    assert done.taken_bytes == 3 * BLOCK_BYTES
    assert "of case 2, taken all the same: one drive, entered twice" in bench.ledger.custody(1)[-1].item
    assert bench.ledger.events(1)[-1].facts["other_case"] == 2
    assert taken_from(mine) == "bay-1.img of case 2", "without the name of its customer"


def test_an_image_beside_its_own_case_or_elsewhere_needs_no_reason(
    bench: Bench, mine: Path, tmp_path: Path
) -> None:
    aside = image_as(mine.with_name("bay-1.aside-1.img"), "S1", Span(0, 2 * BLOCK_BYTES))
    elsewhere = image_as(tmp_path / "elsewhere.img", "S1", Span(0, SIZE))
    done = blend_images(bench, 1, "1", [aside, elsewhere])
    assert [one.other_case for one in done.images] == [None, None]
    assert [one.serials for one in done.images] == ["", ""]


def test_a_serial_number_on_one_side_only_is_told_and_kept(bench: Bench, mine: Path, tmp_path: Path) -> None:
    silent = image_as(tmp_path / "silent.img", "", Span(0, SIZE))
    done = blend_images(bench, 1, "1", [silent])
    words = (
        "The image of bay 1 is of serial number S1, the other gives none; they are taken for one drive, as "
        f"{count_text(BLOCK_BYTES)} bytes of both were compared."
    )
    assert done.images[0].serials == words
    assert words in bench.ledger.events(1)[-1].text
    assert words[:-1] in bench.ledger.custody(1)[-1].item
    assert taken_from(mine) == "silent.img (no serial number)"
