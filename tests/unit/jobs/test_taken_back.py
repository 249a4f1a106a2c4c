"""Pictures and signed papers: what is none is refused, and what was kept by mistake leaves the case."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.authority import Whose
from mendbay.case.custody import verify
from mendbay.core.errors import LedgerError, NoRoom, NoSuchItem, SourceChanged, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.authority import set_authority, take_authority_back
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import case_pictures, keep_pictures, take_picture_back
from mendbay.jobs.hand_over_items import hand_overs_of, keep_signed, receive, take_signed_back
from mendbay.jobs.picture_files import ending_of, is_picture, is_scan
from mendbay.jobs.ports import KeptFile

PNG = b"\x89PNG\r\n\x1a\n"
BEGINNINGS = {
    b"\xff\xd8\xff\xe0\x00\x10JFIF": ".jpg",
    PNG: ".png",
    b"RIFF\x24\x00\x00\x00WEBPVP8 ": ".webp",
    b"GIF89a\x01\x00\x01\x00": ".gif",
    b"II*\x00\x08\x00\x00\x00": ".tif",
    b"MM\x00*\x00\x00\x00\x08": ".tif",
    b"BM\x46\x00\x00\x00\x00\x00\x00\x00\x36\x00\x00\x00\x28\x00\x00\x00": ".bmp",
    b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1": ".heic",
    b"\x00\x00\x00\x20ftypavif\x00\x00\x00\x00avif": ".avif",
    b"%PDF-1.7\n": ".pdf",
}
"""First bytes of files by their kind (from the kinds' specifications, from memory)."""
NEITHER = (
    b"",
    b"only some text",
    b"BMI of the week",
    b"RIFF\x24\x00\x00\x00WAVEfmt ",
    b"\x00\x00\x00\x18ftypisom\x00\x00\x02\x00mp41",
    b"PK\x03\x04",
    b" %PDF",
)


@pytest.mark.parametrize(("data", "ending"), BEGINNINGS.items(), ids=[*BEGINNINGS.values()])
def test_kinds_are_told_by_their_first_bytes(data: bytes, ending: str) -> None:
    assert ending_of(data) == ending
    assert is_scan(data)
    assert is_picture(data) is (ending != ".pdf")
    assert not is_scan(b"\n" + data)


@given(st.binary(max_size=64))
def test_a_picture_is_always_a_scan(data: bytes) -> None:
    assert is_scan(data) is bool(ending_of(data))
    assert is_scan(data) or not is_picture(data)


@pytest.mark.parametrize("data", NEITHER)
def test_what_is_neither_is_refused_whatever_it_is_called(bench: Bench, tmp_path: Path, data: bytes) -> None:
    receive(bench, 1, ["1"])
    before = bench.notes.last_number(1), bench.files.held(bench.ledger.case(1))
    for name in ("front.jpg", "front.png", "paper.pdf"):
        file = tmp_path / name
        file.write_bytes(data)
        with pytest.raises(UsageError, match=f"{name} is not a picture, by its bytes"):
            keep_pictures(bench, 1, [file])
        with pytest.raises(UsageError, match="is empty" if not data else "neither a picture nor a PDF"):
            keep_signed(bench, 1, 1, file)
    assert (bench.notes.last_number(1), bench.files.held(bench.ledger.case(1))) == before


def test_a_folder_gives_what_is_a_picture_by_its_bytes(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "camera").mkdir()
    for name, data in (
        ("a.JPG", PNG + b"a"),
        ("b.png", b"text"),
        ("c.heic", [*BEGINNINGS][7]),
        ("d.txt", PNG),
    ):
        (tmp_path / "camera" / name).write_bytes(data)
    made, left_out = keep_pictures(bench, 1, [tmp_path / "camera"])
    named = [(one.kept.path[:13], Path(one.kept.path).suffix) for one in made]
    assert named == [("pictures/001-", ".png"), ("pictures/002-", ".heic")], "the ending is that of the bytes"
    assert [(one.name, one.why) for one in sorted(left_out, key=lambda one: one.name)] == [
        ("b.png", "not a picture"),
        ("d.txt", "not a picture"),
    ]


def folder(bench: Bench) -> Path:
    return bench.images.folder(bench.ledger.case(1))


def pictures(bench: Bench, tmp_path: Path, *names: str) -> list[str]:
    """Keeps pictures of that content; their paths."""
    found = []
    for name in names:
        file = tmp_path / f"{name}.png"
        file.write_bytes(PNG + name.encode())
        ((picture,), _) = keep_pictures(bench, 1, [file], name)
        found.append(picture.kept.path)
    return found


def test_a_picture_kept_by_mistake_leaves_the_case_and_custody_tells(bench: Bench, tmp_path: Path) -> None:
    first, second = pictures(bench, tmp_path, "ours", "theirs")
    gone = take_picture_back(bench, 1, "2", "of another case")
    assert (gone.kept.path, gone.of) == (second, "theirs")
    assert [one.kept.path for one in case_pictures(bench, 1)] == [first]
    assert (folder(bench) / first).exists()
    assert not (folder(bench) / second).exists()
    digest = sha256(PNG + b"theirs").hexdigest()
    last = bench.ledger.custody(1)[-1]
    assert last.what == "picture taken back, kept by mistake: of another case"
    assert last.item == f"{second}, SHA-256 {digest}"
    story = bench.ledger.events(1)[-1].text
    assert digest in story
    assert "of another case" in story
    assert verify(bench.ledger.custody(1)).holds
    with pytest.raises(NoSuchItem, match="no picture '2'"):
        take_picture_back(bench, 1, "2", "again")


def test_a_number_is_not_used_again_and_a_picture_can_come_back(bench: Bench, tmp_path: Path) -> None:
    (first,) = pictures(bench, tmp_path, "one")
    take_picture_back(bench, 1, first, "blurred")
    second, again = pictures(bench, tmp_path, "two", "one")
    assert second.startswith("pictures/002-")
    assert again.startswith("pictures/003-")
    assert [one.of for one in case_pictures(bench, 1)] == ["two", "one"]
    kept = [one.item for one in bench.ledger.custody(1) if one.what == "picture kept"]
    assert [one.partition(",")[0] for one in kept] == [first, second, again]
    assert (folder(bench) / again).read_bytes() == PNG + b"one"


@pytest.mark.parametrize("how", ["name", "path", "name without its ending"])
def test_a_picture_is_named_as_it_is_listed(bench: Bench, tmp_path: Path, how: str) -> None:
    (path,) = pictures(bench, tmp_path, "one")
    name = path.removeprefix("pictures/")
    take_picture_back(bench, 1, {"name": name, "path": path}.get(how, name.removesuffix(".png")), "blurred")
    assert case_pictures(bench, 1) == ()


def test_a_signed_paper_kept_by_mistake_leaves_the_hand_over_unsigned(bench: Bench, tmp_path: Path) -> None:
    receive(bench, 1, ["1"])
    scans = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
    for scan in scans:
        scan.write_bytes(b"%PDF-1.7 " + scan.name.encode())
        keep_signed(bench, 1, 1, scan)
    wrong, right = hand_overs_of(bench, 1)[0].signed
    assert take_signed_back(bench, 1, 1, "hand-over-1-signed.pdf", "of another case").signed == (right,)
    assert not (folder(bench) / wrong.path).exists()
    assert (folder(bench) / right.path).exists()
    assert bench.ledger.custody(1)[-1].item == f"{wrong.path}, SHA-256 {wrong.sha256}"
    assert "of another case" in bench.ledger.custody(1)[-1].what
    assert wrong.sha256 in bench.ledger.events(1)[-1].text
    with pytest.raises(NoSuchItem, match="no signed paper"):
        take_signed_back(bench, 1, 1, wrong.path, "again")
    assert take_signed_back(bench, 1, 1, right.path, "page missing").signed == ()
    assert hand_overs_of(bench, 1)[0].signed == ()
    (kept,) = keep_signed(bench, 1, 1, scans[1]).signed
    assert (folder(bench) / kept.path).read_bytes() == scans[1].read_bytes()


def test_a_paper_on_authority_leaves_the_case_when_it_is_taken_back(bench: Bench, tmp_path: Path) -> None:
    papers = [tmp_path / "Quillmere agrees.pdf", tmp_path / "second.dat"]
    papers[0].write_bytes(b"%PDF-1.7 one")
    papers[1].write_bytes(PNG + b"two")
    kept = [set_authority(bench, 1, Whose.EMPLOYER, document=one) for one in papers]
    assert [one.document for one in kept] == ["papers/authority/1.pdf", "papers/authority/2.png"]
    second = folder(bench) / kept[1].document
    second.chmod(0o644)
    second.write_bytes(b"other")
    before = bench.notes.all_of(1), bench.ledger.custody(1)
    with pytest.raises(SourceChanged, match="no longer holds what was kept"):
        take_authority_back(bench, 1, "of another case")
    assert (bench.notes.all_of(1), bench.ledger.custody(1)) == before
    second.write_bytes(PNG + b"two")
    take_authority_back(bench, 1, "of another case")
    assert [one.path for one in bench.files.held(bench.ledger.case(1)) if one.path.startswith("papers")] == []
    for one in kept:
        assert one.sha256 in bench.ledger.custody(1)[-1].item
        assert one.sha256 in bench.ledger.events(1)[-1].text
    assert set_authority(bench, 1, Whose.OWN, document=papers[1]).document == "papers/authority/3.png"


@pytest.mark.parametrize("data", NEITHER)
def test_a_paper_on_authority_is_a_scan_by_its_bytes(bench: Bench, tmp_path: Path, data: bytes) -> None:
    paper = tmp_path / "paper.pdf"
    paper.write_bytes(data)
    before = bench.notes.last_number(1), bench.files.held(bench.ledger.case(1))
    with pytest.raises(UsageError, match=r"paper\.pdf is neither a picture nor a PDF"):
        set_authority(bench, 1, Whose.EMPLOYER, document=paper)
    assert (bench.notes.last_number(1), bench.files.held(bench.ledger.case(1))) == before


@pytest.mark.parametrize("reason", ["", "  ", "Quillmere gave another", "the pin is 4711"])
def test_without_a_reason_that_can_be_kept_nothing_is_taken_back(
    bench: Bench, tmp_path: Path, reason: str
) -> None:
    (path,) = pictures(bench, tmp_path, "one")
    receive(bench, 1, ["1"])
    keep_signed(bench, 1, 1, tmp_path / "one.png")
    before = bench.notes.all_of(1), bench.files.held(bench.ledger.case(1)), bench.ledger.custody(1)
    with pytest.raises(UsageError):
        take_picture_back(bench, 1, path, reason)
    with pytest.raises(UsageError):
        take_signed_back(bench, 1, 1, "hand-over-1-signed.png", reason)
    assert (bench.notes.all_of(1), bench.files.held(bench.ledger.case(1)), bench.ledger.custody(1)) == before


def test_a_file_that_holds_something_else_stays_and_one_that_is_gone_is_no_trouble(
    bench: Bench, tmp_path: Path
) -> None:
    changed, linked, lost = pictures(bench, tmp_path, "changed", "linked", "lost")
    before = bench.notes.all_of(1), bench.ledger.custody(1)
    (folder(bench) / changed).unlink()
    (folder(bench) / changed).write_bytes(b"other")
    (folder(bench) / linked).unlink()
    outside = tmp_path / "outside.png"
    outside.write_bytes(PNG + b"linked")
    (folder(bench) / linked).symlink_to(outside)
    for path in (changed, linked):
        with pytest.raises(SourceChanged, match="no longer holds what was kept"):
            take_picture_back(bench, 1, path, "blurred")
    assert (bench.notes.all_of(1), bench.ledger.custody(1)) == before
    assert (folder(bench) / changed).read_bytes() == b"other"
    assert outside.exists()
    (folder(bench) / lost).unlink()
    take_picture_back(bench, 1, lost, "blurred")
    assert [one.kept.path for one in case_pictures(bench, 1)] == [changed, linked]


def test_a_file_is_kept_while_nobody_else_can_write(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a take-back may remove it before it is noted, or two pictures get one number."""
    receive(bench, 1, ["1"])
    file = tmp_path / "one.png"
    file.write_bytes(PNG)
    kept: list[str] = []
    real = type(bench.files).keep

    def keep(self: Any, case: Any, path: str, data: bytes) -> KeptFile:
        with (
            closing(sqlite3.connect(tmp_path / "home" / "ledger.sqlite3", timeout=0)) as other,
            pytest.raises(sqlite3.OperationalError, match="locked"),
        ):
            other.execute("BEGIN IMMEDIATE")
        kept.append(path)
        return real(self, case, path, data)

    monkeypatch.setattr(type(bench.files), "keep", keep)
    keep_pictures(bench, 1, [file])
    keep_signed(bench, 1, 1, file)
    set_authority(bench, 1, Whose.OWN, document=file)
    assert len(kept) == 3


def test_a_number_that_means_several_pictures_takes_none_back(bench: Bench, tmp_path: Path) -> None:
    (first,) = pictures(bench, tmp_path, "one")
    twin = bench.files.keep(bench.ledger.case(1), "pictures/001-twin.png", PNG + b"twin")
    body = {"path": twin.path, "sha256": twin.sha256, "size_bytes": twin.size_bytes, "of": ""}
    subject = "picture of the case: 001-twin.png"
    bench.notes.add(Note(1, "", NoteKind.INTAKE, subject, bench.now(), bench.who, json.dumps(body)))
    with pytest.raises(UsageError, match=r"means several pictures of case 1: 001-.*, 001-twin\.png"):
        take_picture_back(bench, 1, "1", "blurred")
    take_picture_back(bench, 1, "001-twin", "blurred")
    assert take_picture_back(bench, 1, "1", "blurred").kept.path == first


def test_pictures_before_one_that_cannot_be_kept_are_told(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [tmp_path / "a.png", tmp_path / "b.png"]
    for file in files:
        file.write_bytes(PNG + file.name.encode())
    real = type(bench.files).keep

    def keep(self: Any, case: Any, path: str, data: bytes) -> KeptFile:
        if data.endswith(b"b.png"):
            raise NoRoom("There is no room.", "Free some.")
        return real(self, case, path, data)

    with monkeypatch.context() as patch:
        patch.setattr(type(bench.files), "keep", keep)
        with pytest.raises(NoRoom):
            keep_pictures(bench, 1, files)
    assert len(case_pictures(bench, 1)) == 1
    assert bench.ledger.events(1)[-1].text == "Pictures kept: 1 (a.png)."
    assert [one.kept.path[:13] for one in keep_pictures(bench, 1, files)[0]] == [
        "pictures/001-",
        "pictures/002-",
    ]


def test_a_picture_whose_file_changed_is_kept_under_another_number(bench: Bench, tmp_path: Path) -> None:
    (first,) = pictures(bench, tmp_path, "one")
    (folder(bench) / first).unlink()
    (folder(bench) / first).write_bytes(b"other")
    (again,) = pictures(bench, tmp_path, "one")
    assert again.startswith("pictures/002-")


class FailingAt:
    """A ledger's notes of which the Nth, counted from 0, cannot be written."""

    def __init__(self, bench: Bench, fails: int) -> None:
        self._notes, self._left = bench.notes, fails

    def add(self, note: Note) -> Note:
        self._left -= 1
        if self._left < 0:
            raise LedgerError("The disk is full.", "Free some space.")
        return self._notes.add(note)

    def __getattr__(self, name: str) -> object:
        return getattr(self._notes, name)


def test_where_it_cannot_be_written_down_the_file_stays(bench: Bench, tmp_path: Path) -> None:
    (path,) = pictures(bench, tmp_path, "one")
    receive(bench, 1, ["1"])
    keep_signed(bench, 1, 1, tmp_path / "one.png")
    full = replace(bench, notes=FailingAt(bench, 0))  # type: ignore[arg-type]
    before = bench.notes.all_of(1), bench.files.held(bench.ledger.case(1)), bench.ledger.custody(1)
    with pytest.raises(LedgerError, match="disk is full"):
        take_picture_back(full, 1, path, "blurred")
    with pytest.raises(LedgerError, match="disk is full"):
        take_signed_back(full, 1, 1, "hand-over-1-signed.png", "blurred")
    assert (bench.notes.all_of(1), bench.files.held(bench.ledger.case(1)), bench.ledger.custody(1)) == before


def test_a_file_removed_before_the_ledger_broke_is_taken_back_by_the_same_command(
    bench: Bench, tmp_path: Path
) -> None:
    (path,) = pictures(bench, tmp_path, "one")

    def breaking() -> None:
        with bench.ledger.together():
            take_picture_back(bench, 1, path, "blurred")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        breaking()
    assert [one.kept.path for one in case_pictures(bench, 1)] == [path], "told as it was"
    take_picture_back(bench, 1, path, "blurred")
    assert case_pictures(bench, 1) == ()
