"""What the record of an image has against its bytes reaches the verdicts and the papers of the hand-back."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.records import CaseState
from mendbay.core.errors import DamagedCheckpoint, MendbayError, NoRoom
from mendbay.core.quantity import count_text
from mendbay.core.source import Mark
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Verdict
from mendbay.handback.facts import FileFacts
from mendbay.handback.report import word_report
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.jobs.bench import Bench
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.events import Said
from mendbay.jobs.hand_back import HandBackResult, hand_back
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.list_files import list_files, show_file
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.jobs.verify_image import verify_image
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.image_shelf import ImageShelf
from mendbay.wiring import open_bench, open_handback_folder, papers
from support.box import mirror_drives
from support.ext_images import small_image

LARGE, OTHER = b"large.bin", b"pieces.bin"
SECTOR = 512


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path / "home") as made:
        take_in(made, "Quillmere Pottery")
        yield made


def read(bench: Bench, folder: Path, bay: str, content: bytes) -> DriveAt:
    """Reads an unsteady drive of that content into the image of a bay."""
    (folder / f"drive-{bay}.img").write_bytes(content)
    plan = folder / f"drive-{bay}.toml"
    plan.write_text(f'image = "drive-{bay}.img"\nserial = "K-{bay}"\n')
    drive = DriveAt(bay, f"unsteady:{plan}")
    read_drive(bench, 1, drive)
    return drive


def place_of(bench: Bench, path: bytes, at: int = 0) -> tuple[str, int]:
    """The bay and the byte of its drive that hold the byte of a file."""
    for piece in show_file(bench, 1, path).pieces:
        origin = piece.origin
        if at in origin.span:
            return origin.bay, origin.at.start + at - origin.span.start
    raise AssertionError(f"byte {at} of {path!r} is nowhere")


def spoil(path: Path, at: int, count: int = 4) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        before = file.read(count)
        file.seek(at)
        file.write(bytes(byte ^ 0xFF for byte in before))


def verdicts(bench: Bench) -> dict[bytes, Verdict]:
    return {
        line.entry.path: line.judgement.verdict
        for line in list_files(bench, 1).lines
        if line.judgement is not None
    }


def handed_back(bench: Bench, folder: Path) -> tuple[HandBackResult, FileFacts]:
    """The hand-back, and what it says of the large file. Every other file must be proven."""
    made = hand_back(bench, 1, folder, open_handback_folder, papers(), shop="Kiln Lane Repairs")
    others = {one.raw_path: one.verdict for one in made.facts.files if one.raw_path != LARGE}
    assert set(others.values()) == {"whole"}, {path for path, one in others.items() if one != "whole"}
    (large,) = (one for one in made.facts.files if one.raw_path == LARGE)
    return made, large


def lines_on(made: HandBackResult, path: str) -> str:
    """What the customer reads of a file that is not proven."""
    (entry,) = (one for one in word_report(made.facts).attention if one.path == path)
    return " ".join(entry.lines).replace("\u202f", "")


def spans_of(one: FileFacts, mark: Mark) -> SpanSet:
    return SpanSet(doubt.span for doubt in one.doubts if doubt.mark is mark)


def test_a_file_where_the_drive_gave_two_answers_is_not_proven(bench: Bench, tmp_path: Path) -> None:
    drive = read(bench, tmp_path, "1", small_image("ext4"))
    assert set(verdicts(bench).values()) == {Verdict.WHOLE}
    _, place = place_of(bench, LARGE, 300_000)
    sector = place // SECTOR * SECTOR
    spoil(tmp_path / "drive-1.img", place)
    found = compare_drive(bench, 1, drive)
    assert [one.span for one in found.differences] == [Span.at(sector, SECTOR)]

    judged = verdicts(bench)
    assert judged.pop(LARGE) is Verdict.UNPROVEN
    assert set(judged.values()) == {Verdict.WHOLE}
    detail = show_file(bench, 1, LARGE).line.judgement
    assert detail is not None
    assert detail.reasons == (
        "512 bytes lie where the drive gave other bytes when read again; nothing says which are right",
    )

    made, large = handed_back(bench, tmp_path / "out")
    at = 300_000 - (place - sector)
    assert (large.verdict, large.gaps) == ("unproven", ())
    assert spans_of(large, Mark.TWO_ANSWERS) == SpanSet([Span.at(at, SECTOR)])
    said = lines_on(made, "large.bin")
    assert f"512 bytes (bytes {at} to {at + 511}) cannot be proven: read again, the drive gave other" in said
    assert "lie where" not in said, "said twice"
    (bay,) = made.facts.bays
    assert any("the drive gave other bytes in sectors of 512 bytes" in one for one in bay.remarks)
    assert any(one.outcome.startswith("1 of ") for one in made.facts.proof)
    told = json.loads((tmp_path / "out" / "report.json").read_text())
    (row,) = (one for one in told["files"] if one["path"] == "data/large.bin")
    assert row["doubts"] == [{"start": at, "stop": at + SECTOR, "why": "two answers"}]


def test_what_verify_finds_changed_makes_its_files_unproven_until_it_is_mended(
    bench: Bench, tmp_path: Path
) -> None:
    read(bench, tmp_path, "1", small_image("ext4"))
    path = bench.images.folder(bench.ledger.case(1)) / "bay-1.img"
    _, place = place_of(bench, LARGE, 400_000)
    spoil(path, place)
    assert verdicts(bench)[LARGE] is Verdict.WHOLE, "nobody has looked yet"
    noted = verify_image(bench, 1, "1")
    assert not noted.holds
    assert noted.sha256_noted
    store = image_of(bench, 1, "1", writable=False)
    assert store.changed().covers(Span.at(place, 1))
    assert store.digest(compute=False) == "", "no digest vouches for an image that has changed"
    store.close()
    assert not bench.ledger.images(1)[0].sha256
    assert verdicts(bench)[LARGE] is Verdict.UNPROVEN
    again = verify_image(bench, 1, "1")
    assert (again.wrong, again.sha256_noted) == (noted.wrong, noted.sha256_noted)

    spoil(path, place)  # a good copy of the image is put back
    assert verify_image(bench, 1, "1").holds
    assert verdicts(bench)[LARGE] is Verdict.WHOLE
    assert bench.ledger.images(1)[0].sha256 == noted.sha256_noted


def test_a_change_of_the_image_is_found_while_copies_are_made(bench: Bench, tmp_path: Path) -> None:
    read(bench, tmp_path, "1", small_image("ext4"))
    path = bench.images.folder(bench.ledger.case(1)) / "bay-1.img"
    _, place = place_of(bench, LARGE, 500_000)
    spoil(path, place)
    made = hand_back(bench, 1, tmp_path / "out", open_handback_folder, papers())
    piece = Span.at(place // BLOCK_BYTES * BLOCK_BYTES, BLOCK_BYTES)
    touched = {
        one.raw_path
        for one in made.facts.files
        if any(Span.at(part.drive_start, part.file_span.length).overlaps(piece) for part in one.trace)
    }
    unproven = {one.raw_path for one in made.facts.files if one.verdict != "whole"}
    assert LARGE in unproven
    assert unproven <= touched
    (large,) = (one for one in made.facts.files if one.raw_path == LARGE)
    assert spans_of(large, Mark.NOT_AS_READ).covers(Span.at(500_000, 1))
    assert "our image of the drive has changed there since it was read" in lines_on(made, "large.bin")
    (bay,) = made.facts.bays
    assert bay.image_sha256 == ""
    assert any("no longer what the drive gave" in one for one in bay.remarks)
    assert verdicts(bench)[LARGE] is Verdict.UNPROVEN, "it is noted beside the image"
    told = [one.what for one in bench.ledger.custody(1) if one.item == "image of bay 1"]
    assert any("NOT what the drive gave, found while files were copied" in one for one in told)


FULL = NoRoom("The disk that holds the image is full.", "Make room there.")
UNSOUND = DamagedCheckpoint("The checkpoint of the image is damaged.", "Put a good copy of it back.")


@pytest.mark.parametrize(
    ("of", "what", "trouble"),
    [
        (ImageShelf, "reopen", UNSOUND),
        (ImageFile, "note_changed", FULL),
        (ImageFile, "claims_in", UNSOUND),
    ],
)
def test_copies_are_on_record_also_where_the_change_cannot_be_noted(
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    of: type,
    what: str,
    trouble: MendbayError,
) -> None:
    read(bench, tmp_path, "1", small_image("ext4"))
    path = bench.images.folder(bench.ledger.case(1)) / "bay-1.img"
    _, place = place_of(bench, LARGE, 500_000)
    spoil(path, place)
    said: list[str] = []
    listening = replace(
        bench, tell=lambda event: said.append(event.text) if isinstance(event, Said) else None
    )
    usual = getattr(of, what)

    def failing(one: Any, *args: Any, **options: Any) -> Any:
        """Fails once the bag is finished: until then only looking at the image is asked for."""
        if (tmp_path / "out" / "tagmanifest-sha256.txt").exists():
            raise trouble
        return usual(one, *args, **options)

    monkeypatch.setattr(of, what, failing)
    hand_back(listening, 1, tmp_path / "out", open_handback_folder, papers(), keep_until="2031-05-01")
    monkeypatch.undo()
    assert said[-1].endswith(f"That could not be noted beside it: {trouble.what}")
    case = bench.ledger.case(1)
    assert (case.state, case.keep_until) == (CaseState.HANDED_BACK, "2031-05-01")
    custody = [one.what for one in bench.ledger.custody(1)]
    assert any(one.startswith("files copied for a hand-back (") for one in custody)
    assert any("NOT what the drive gave, found while files were copied" in one for one in custody)
    story = [one.kind for one in bench.ledger.events(1) if one.kind in ("imaging", HAND_BACK)]
    assert story[-2:] == ["imaging", HAND_BACK]


def test_verify_says_where_it_cannot_take_back_what_was_noted(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read(bench, tmp_path, "1", small_image("ext4"))
    path = bench.images.folder(bench.ledger.case(1)) / "bay-1.img"
    _, place = place_of(bench, LARGE, 400_000)
    spoil(path, place)
    verify_image(bench, 1, "1")
    spoil(path, place)  # a good copy of the image is put back
    said: list[str] = []
    listening = replace(
        bench, tell=lambda event: said.append(event.text) if isinstance(event, Said) else None
    )

    def full(one: ImageFile, spans: SpanSet) -> None:
        raise FULL

    monkeypatch.setattr(ImageFile, "note_changed", full)
    assert verify_image(listening, 1, "1").holds
    assert said[-1].startswith(
        "What was noted of the image of bay 1 counts no more: it is what the drive gave."
    )
    assert said[-1].endswith(FULL.what)


def test_reading_one_file_finds_the_change_too(bench: Bench, tmp_path: Path) -> None:
    read(bench, tmp_path, "1", small_image("ext4"))
    path = bench.images.folder(bench.ledger.case(1)) / "bay-1.img"
    _, place = place_of(bench, LARGE, 100)
    spoil(path, place)
    shown = show_file(bench, 1, LARGE).line.judgement
    assert shown is not None
    assert shown.verdict is Verdict.UNPROVEN


@pytest.mark.parametrize("gap", [False, True], ids=["both whole", "one with a hole there"])
def test_halves_in_step_that_differ_leave_the_file_unproven(bench: Bench, tmp_path: Path, gap: bool) -> None:
    drives = mirror_drives(small_image("ext4"))
    for bay, drive in zip("12", drives, strict=True):
        (tmp_path / f"drive-{bay}.img").write_bytes(drive)
    read(bench, tmp_path, "1", drives[0])
    _, place = place_of(bench, LARGE, 200_000)
    spoilt = bytearray(drives[1])
    spoilt[place] ^= 0xFF
    if gap:
        (tmp_path / "drive-2.img").write_bytes(spoilt)
        plan = tmp_path / "drive-2.toml"
        plan.write_text(f'image = "drive-2.img"\nserial = "K-2"\nrefused = [[{place // SECTOR}, 1]]\n')
        read_drive(bench, 1, DriveAt("2", f"unsteady:{plan}"))
    else:
        read(bench, tmp_path, "2", bytes(spoilt))
    shown = show_file(bench, 1, LARGE).line.judgement
    assert shown is not None
    made, large = handed_back(bench, tmp_path / "out")
    compared = [one for one in made.facts.proof if "two drives should hold the same" in one.what]
    if gap:  # nothing to compare with there: nothing speaks against what the first half gave
        assert (shown.verdict, large.verdict) == (Verdict.WHOLE, "whole")
        assert compared[0].outcome.startswith("0 of ")
        both, stored = re.findall(r"([\d ]+) bytes", compared[0].outcome.replace("\u2009", ""))
        assert int(stored) - int(both) == SECTOR
        return
    assert (shown.verdict, large.verdict) == (Verdict.UNPROVEN, "unproven")
    assert spans_of(large, Mark.HALVES_DIFFER).covers(Span.at(200_000, 1))
    assert spans_of(large, Mark.HALVES_DIFFER).total_bytes <= 4096
    assert "the two drives should hold the same there, and do not" in lines_on(made, "large.bin")
    assert compared[0].outcome.startswith("1 of ")
    stored = sum(part.file_span.length for one in made.facts.files for part in one.trace)
    all_of_it = f"{count_text(stored)} bytes"
    assert f"both gave {all_of_it} of {all_of_it} stored." in compared[0].outcome


@pytest.mark.parametrize(("kind", "stays"), [("ext4", True), ("ext4-no-checksums", False)])
def test_a_doubted_description_is_proven_by_its_checksum_or_not_at_all(
    bench: Bench, tmp_path: Path, kind: str, stays: bool
) -> None:
    content = small_image(kind)
    read(bench, tmp_path, "1", content)
    inode = show_file(bench, 1, LARGE).line.entry.inode
    table = int.from_bytes(content[2048 + 8 : 2048 + 12], "little") * 1024  # group 0; blocks of 1024 bytes
    size = int.from_bytes(content[1024 + 0x58 : 1024 + 0x5A], "little")
    assert inode <= int.from_bytes(content[1024 + 0x28 : 1024 + 0x2C], "little"), "in group 0"
    store = image_of(bench, 1, "1", writable=True)
    run = store.begin_run("Dock", "again")
    sector = (table + (inode - 1) * size) // SECTOR * SECTOR
    store.keep(Span.at(sector, SECTOR), memoryview(bytes(SECTOR)), 0.1)
    assert [one.second_run for one in store.differences()] == [run]
    store.close()
    judged = verdicts(bench)
    assert (judged[LARGE] is Verdict.WHOLE) is stays
    assert judged[OTHER] is Verdict.WHOLE
    if not stays:
        shown = show_file(bench, 1, LARGE).line.judgement
        assert shown is not None
        assert any("two answers" in one for one in shown.reasons)
