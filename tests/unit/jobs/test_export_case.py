"""An export of a case: everything in it, nothing of another case, described, and whole or no bag at all."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest

from mendbay.case.custody import parse_lines, verify
from mendbay.case.records import Bay, CaseState
from mendbay.core.errors import CaseForgotten, DestinationError, Interrupted, UsageError
from mendbay.core.note import NoteKind
from mendbay.core.source import Reading
from mendbay.core.span import Span
from mendbay.jobs import export_case as export_job
from mendbay.jobs.export_case import Exported, export_case
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.scenario.small import SmallBase
from mendbay.wiring import open_bench, open_handback_folder
from support.full_case import CUSTOMER, OTHER, ROM, SERIAL, SHOPS_OWN, forget, full_home, held_below
from support.pair_shop import shop

SCHEMA = json.loads((Path(__file__).parents[3] / "docs" / "case-export.schema.json").read_text())
SIZE = 1 << 20


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return full_home(tmp_path / "home")


LAST_HOPE = Although(harmful="an image file stands for the drive")
"""The case's drive clicks."""


def exported(home: Path, to: Path, number: int = 2, **choice: bool) -> Exported:
    with open_bench(home) as bench:
        return export_case(bench, number, to, open_handback_folder, **choice)


def facts_of(folder: Path) -> Any:
    facts = json.loads((folder / "data/case.json").read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(facts)
    return facts


def notes_of(folder: Path) -> list[Mapping[str, Any]]:
    lines = [json.loads(line) for line in (folder / "data/notes.jsonl").read_text().splitlines()]
    shape = {**SCHEMA["$defs"]["note"], "$schema": SCHEMA["$schema"]}
    for line in lines:
        jsonschema.Draft202012Validator(shape).validate(line)
    return lines


def damaged_drive(folder: Path) -> str:
    """The address of a drive with two refused sectors."""
    (folder / "drive.img").write_bytes(bytes(range(256)) * (SIZE // 256))
    text = 'image = "drive.img"\nseed = 1\nrefused = [[100, 1], [700, 1]]\n'
    (folder / "drive.toml").write_text(text)
    return f"unsteady:{folder}/drive.toml"


def test_everything_is_in_it_and_described(home: Path, tmp_path: Path) -> None:
    with open_bench(home) as bench:
        log, notes, events = bench.ledger.custody(2), bench.notes.all_of(2), bench.ledger.events(2)
    done = exported(home, tmp_path / "out")
    facts = facts_of(tmp_path / "out")
    assert (facts["case"]["customer"], facts["bays"][0]["serial"]) == (CUSTOMER, SERIAL)
    assert [one["number"] for one in facts["stock"]] == [1]
    assert {one["original"] for one in facts["files"]} == {
        "erasures/plan-1.json",
        "papers/bill-1.pdf",
        "papers/hand-over-1.pdf",
        "papers/hand-over-2.pdf",
        "papers/payment-1.pdf",
        "papers/payment-2.pdf",
        "papers/quote-1.pdf",
        "papers/receipt.pdf",
        "photos/bay-1/label.jpg",
        "roms/bay-1/donor-1/1 read.bin",
        "roms/bay-1/patient-1/1 read.bin",
    }
    for one in facts["files"]:
        there = (tmp_path / "out/data" / one["path"]).read_bytes()
        assert there == (home / "cases/0002-quillmere-pottery" / one["original"]).read_bytes()
    assert parse_lines((tmp_path / "out/data/custody.jsonl").read_bytes()) == log
    check = verify(parse_lines((tmp_path / "out/data/custody.jsonl").read_bytes()))
    assert check.holds
    assert check.head is not None
    assert (check.head.sequence, check.head.hash) == (done.entries, done.head)
    assert facts["custody"] == {"entries": done.entries, "head": done.head}
    assert [one["number"] for one in notes_of(tmp_path / "out")] == [one.number for one in notes]
    with (tmp_path / "out/data/events.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(one["at"], one["text"]) for one in rows] == [(one.at, one.text) for one in events]
    assert (done.left_out, done.missing) == ((), ())
    readme = (tmp_path / "out/data/README.txt").read_text()
    for name in os.listdir(tmp_path / "out/data"):
        assert name == "README.txt" or name in readme
    assert check_bag(tmp_path / "out").is_valid


def test_the_whole_export_has_the_remark_at_closing(home: Path, tmp_path: Path) -> None:
    exported(home, tmp_path / "out")
    assert [one["body"]["remark"] for one in notes_of(tmp_path / "out") if one["kind"] == "outcome"] == [
        "they were told"
    ]
    assert b"broken: heads:1. they were told" in held_below(tmp_path / "out")


def test_nothing_of_another_case_is_in_it(home: Path, tmp_path: Path) -> None:
    exported(home, tmp_path / "out")
    held = held_below(tmp_path / "out").lower()
    assert b"quillmere" in held
    for one in (OTHER.lower(), "harrow", "h-1"):
        assert one.encode() not in held


def test_for_the_customer_the_shops_own_is_left_out(home: Path, tmp_path: Path) -> None:
    done = exported(home, tmp_path / "out", for_customer=True)
    facts = facts_of(tmp_path / "out")
    assert (facts["for_customer"], facts["stock"]) == (True, [])
    assert [one["original"] for one in facts["files"] if "roms" in one["original"]] == [
        "roms/bay-1/patient-1/1 read.bin"
    ]
    notes = notes_of(tmp_path / "out")
    kinds = {one["kind"] for one in notes}
    assert kinds.isdisjoint({"plan", "alternative", "learned", "family", "change"})
    assert kinds >= {"swap", "intake", "quote", "sign", "outcome", "letter", "dump"}
    assert [one["body"]["role"] for one in notes if one["kind"] == "dump"] == ["patient"]
    assert not any("cost" in one["body"] or "was" in one["body"] for one in notes)
    swap = next(one for one in notes if one["kind"] == "swap")
    assert swap["body"]["remark"] == "its owner was glad", "remarks about somebody are theirs to see"
    (outcome,) = [one["body"] for one in notes if one["kind"] == "outcome"]
    assert (outcome["end"], "remark" in outcome) == ("sent on", False)
    assert b"Closed: sent on; data: none; broken: heads:1." in held_below(tmp_path / "out")
    assert b"they were told" not in held_below(tmp_path / "out"), "the shop's own word"
    assert SHOPS_OWN.encode() not in held_below(tmp_path / "out")
    assert b"38.00" not in held_below(tmp_path / "out")
    assert ROM + b"donor" not in held_below(tmp_path / "out")
    assert facts["left_out"] == [{"what": one.what, "why": one.why} for one in done.left_out]
    assert {one.what for one in done.left_out} == {
        "roms/bay-1/donor-1/1 read.bin",
        "1 note",
        "2 events",
        "1 remark at closing",
    }
    assert parse_lines((tmp_path / "out/data/custody.jsonl").read_bytes())


def test_images_are_in_it_when_asked_for_with_their_gaps(home: Path, tmp_path: Path) -> None:
    with open_bench(home) as bench:
        read_drive(bench, 2, DriveAt("1", damaged_drive(tmp_path)), although=LAST_HOPE)
    done = exported(home, tmp_path / "without")
    assert [one.what for one in done.left_out] == []
    assert not list((tmp_path / "without/data/images").glob("*.img"))
    exported(home, tmp_path / "out", with_images=True)
    image = facts_of(tmp_path / "out")["images"][0]
    assert (image["refused_bytes"], image["read_bytes"]) == (1024, SIZE - 1024)
    assert image["runs"][0]["number"] == 1
    raw = (tmp_path / "out/data" / image["image"]).read_bytes()
    source = bytearray((tmp_path / "drive.img").read_bytes())
    for sector in (100, 700):
        source[sector * 512 : sector * 512 + 512] = bytes(512)
    assert raw == bytes(source)
    rows = list(csv.reader(io.StringIO((tmp_path / "out/data" / image["coverage"]).read_text())))
    assert rows[0] == ["start", "stop", "condition", "tries"]
    assert [row[:3] for row in rows[1:] if row[2] != "read"] == [
        ["51200", "51712", "refused"],
        ["358400", "358912", "refused"],
    ]
    assert int(rows[-1][1]) == SIZE
    gaps = json.loads((tmp_path / "out/gaps.json").read_text())["files"]
    assert [(one["path"], [gap["start"] for gap in one["gaps"]]) for one in gaps] == [
        (f"data/{image['image']}", [51200, 358400])
    ]
    assert check_bag(tmp_path / "out").is_valid


def test_what_was_left_to_the_other_half_is_not_called_unread(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as one:
        read_pair(one.bench, 1, one.drives())
        export_case(one.bench, 1, tmp_path / "out", open_handback_folder)
        lacking = [
            one.box.images[bay].stat().st_size - read.total_bytes for bay, read in enumerate(one.read_of())
        ]
    for image, left in zip(facts_of(tmp_path / "out")["images"], lacking, strict=True):
        assert left > 1 << 20
        assert (image["unread_bytes"], image["left_bytes"]) == (0, left)
        rows = list(csv.DictReader((tmp_path / "out/data" / image["coverage"]).open(newline="")))
        assert {row["condition"] for row in rows} == {"read", "left"}
        theirs = [row for row in rows if row["condition"] == "left"]
        assert sum(int(row["stop"]) - int(row["start"]) for row in theirs) == left
        assert [row["start"] for row in rows[1:]] == [row["stop"] for row in rows[:-1]]


def test_what_was_never_read_takes_no_room(home: Path, tmp_path: Path) -> None:
    with open_bench(home) as bench:
        (tmp_path / "large.img").touch()
        os.truncate(tmp_path / "large.img", 64 << 20)
        read_drive(bench, 2, DriveAt("1", str(tmp_path / "large.img")), although=LAST_HOPE)
    exported(home, tmp_path / "out", with_images=True)
    there = (tmp_path / "out/data/images/bay-1.img").stat()
    assert there.st_size == 64 << 20
    assert there.st_blocks * 512 < 1 << 20


def test_an_image_that_cannot_be_opened_is_told_as_missing(home: Path, tmp_path: Path) -> None:
    with open_bench(home) as bench:
        read_drive(bench, 2, DriveAt("1", damaged_drive(tmp_path)), although=LAST_HOPE)
    (home / "cases/0002-quillmere-pottery/bay-1.coverage").write_bytes(b"no database at all" * 300)
    done = exported(home, tmp_path / "out", with_images=True)
    assert [one.what for one in done.missing] == ["bay-1.img"]
    facts = facts_of(tmp_path / "out")
    assert facts["images"][0]["coverage"] is None
    assert "bay-1.img" in {one["original"] for one in facts["files"]}, "its bytes are there all the same"


def test_links_and_pipes_of_the_folder_are_left_out(home: Path, tmp_path: Path) -> None:
    folder = home / "cases/0002-quillmere-pottery"
    (tmp_path / "secret.txt").write_text("not of the case")
    (folder / "photos/away").symlink_to(tmp_path / "secret.txt")
    (folder / os.fsdecode(b"papers/\xff.txt")).write_text("odd name")
    os.mkfifo(folder / "pipe")
    done = exported(home, tmp_path / "out")
    assert {one.what for one in done.left_out} == {"photos/away", "pipe"}
    assert b"not of the case" not in held_below(tmp_path / "out")
    facts = facts_of(tmp_path / "out")
    odd = next(one for one in facts["files"] if "\\xff" in one["original"])
    assert (tmp_path / "out/data" / odd["path"]).read_text() == "odd name"


@pytest.mark.parametrize("stop_at", range(1, 9))
def test_half_an_export_is_no_bag_and_goes_on(home: Path, tmp_path: Path, stop_at: int) -> None:
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked == stop_at

    with open_bench(home, stop=stop) as bench, pytest.raises(Interrupted):
        export_case(bench, 2, tmp_path / "out", open_handback_folder)
    assert not (tmp_path / "out/bagit.txt").exists()
    assert not check_bag(tmp_path / "out").is_valid
    with open_bench(home) as bench:
        assert [one.what for one in bench.ledger.custody(2)][-1] != "case exported"
    exported(home, tmp_path / "out")
    assert check_bag(tmp_path / "out").is_valid


def test_it_is_part_of_custody_without_names(home: Path, tmp_path: Path) -> None:
    exported(home, tmp_path / "out", for_customer=True)
    with open_bench(home) as bench:
        last = bench.ledger.custody(2)[-1]
        assert last.what == "case exported"
        assert CUSTOMER not in last.item
        assert bench.ledger.events(2)[-1].kind == "export"


def test_where_it_cannot_go(home: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="folder of the case itself"):
        exported(home, home / "cases/0002-quillmere-pottery/out")
    (tmp_path / "full").mkdir()
    (tmp_path / "full/x").write_text("x")
    with pytest.raises(DestinationError):
        exported(home, tmp_path / "full")
    exported(home, tmp_path / "out")
    with pytest.raises(DestinationError):
        exported(home, tmp_path / "out", number=1)
    before = (tmp_path / "out/data/custody.jsonl").read_bytes()
    with pytest.raises(DestinationError, match="finished"):
        exported(home, tmp_path / "out")
    assert (tmp_path / "out/data/custody.jsonl").read_bytes() == before
    assert (tmp_path / "out/bagit.txt").exists()


def test_a_forgotten_case_has_nothing_to_export(home: Path, tmp_path: Path) -> None:
    with open_bench(home) as bench:
        forget(bench, 2, "asked by its owner")
    with pytest.raises(CaseForgotten):
        exported(home, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_case_of_which_nothing_is_known(tmp_path: Path) -> None:
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Kiln", bays=[Bay(0, "L"), Bay(0, "l")])
        bench.ledger.amend_case(1, state=CaseState.CLOSED)
    exported(tmp_path / "home", tmp_path / "out", number=1)
    assert facts_of(tmp_path / "out")["files"] == []
    assert notes_of(tmp_path / "out") == []
    assert NoteKind.FORGETTING not in {one["kind"] for one in notes_of(tmp_path / "out")}


def test_a_large_file_is_left_off_within_it_and_tells_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(export_job, "TOLD_BYTES", 10)
    told: list[Any] = []
    asked = iter([False, False, False, True])
    bench: Any = SimpleNamespace(stop=lambda: next(asked), tell=told.append)
    readings = [Reading(Span(at, at + 10), bytes(10)) for at in range(0, 40, 10)]
    with pytest.raises(Interrupted):
        list(export_job._heeded(bench, "images/bay-1.img", 40, readings))
    assert [(one.done, one.total) for one in told] == [(10, 40), (20, 40)]
