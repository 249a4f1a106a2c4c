"""The record of an image on the command line: verify, refused, show, and the blend of several images."""

from __future__ import annotations

import csv
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.jobs.imaging_record import LACKING_COLUMNS
from mendbay.outlets.image_file import ImageFile
from support.answers import Run, answer, fits, refused, text_of

SIZE = 4 * BLOCK_BYTES
ANOTHER_BENCH = ("--although-other-case", "it stands for another bench")
ROOT = Path(__file__).parents[3]


@pytest.fixture
def run(without_case: Run) -> Run:
    return without_case


@pytest.fixture
def content(tmp_path: Path) -> bytes:
    data = os.urandom(SIZE)
    (tmp_path / "drive.img").write_bytes(data)
    return data


def opened(run: Run, name: str) -> None:
    assert run("case", "open", name).returncode == 0


def read(
    run: Run,
    tmp_path: Path,
    case: int,
    adapter: str,
    bad: int,
    count: int = 3,
    code: int = 3,
    serial: str = "",
) -> None:
    """Reads the drive, whose sectors from `bad` on are refused this time."""
    plan = tmp_path / f"{case}-{bad}.toml"
    faults = f"refused = [[{bad}, {count}]]\n" if count else ""
    plan.write_text(f'image = "drive.img"\nserial = "{serial}"\n{faults}')
    twice = ("--although-other-serial", "case 2 is another bench") if case > 1 and serial else ()
    done = run("drive", "read", case, "1", f"unsteady:{plan}", "--adapter", adapter, *twice)
    assert done.returncode == code, done.stdout + done.stderr


def custody_of(run: Run) -> str:
    return json.dumps(answer(run, "case", "show", 1)["custody"])


def image_of(tmp_path: Path, folder: str) -> Path:
    return tmp_path / "home" / "cases" / folder / "bay-1.img"


def spoil(path: Path, at: int, data: bytes = b"spoilt") -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def test_a_sound_image_verifies(run: Run, tmp_path: Path, content: bytes) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100)
    found = answer(run, "drive", "verify", 1, 1)
    assert (found["holds"], found["complete"], found["wrong"]) == (True, True, [])
    assert found["checked_bytes"] == SIZE - 3 * 512
    assert "Nothing differs" in text_of(run, "drive", "verify", 1, 1)
    assert "image verified" in custody_of(run)


def test_a_spoilt_block_is_named_marked_on_request_and_read_again(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 0, count=0, code=0)
    image = image_of(tmp_path, "0001-one")
    spoil(image, BLOCK_BYTES + 3)
    found = answer(run, "drive", "verify", 1, 1, codes=(26,))
    assert [(one["start"], one["stop"], one["adapter"]) for one in found["wrong"]] == [
        (BLOCK_BYTES, 2 * BLOCK_BYTES, "Dock")
    ]
    assert found["sha256_noted"] != found["sha256_found"]
    assert answer(run, "drive", "show", 1, 1)["unread_bytes"] == 0, "a look changes nothing"
    told = text_of(run, "drive", "verify", 1, 1, "--read-again", "the image was edited", code=26)
    assert "marked unread again" in told
    assert answer(run, "drive", "show", 1, 1)["unread_bytes"] == BLOCK_BYTES
    read(run, tmp_path, 1, "Dock", 0, count=0, code=0)
    assert image.read_bytes() == content
    again = answer(run, "drive", "verify", 1, 1)
    assert again["holds"]
    assert again["sha256_noted"]
    assert "the image was edited" in custody_of(run)
    assert answer(run, "case", "custody", 1)["holds"]


def test_a_reason_that_names_the_customer_is_refused(run: Run, tmp_path: Path, content: bytes) -> None:
    opened(run, "Quillmere Pottery")
    read(run, tmp_path, 1, "Dock", 0, count=0, code=0)
    spoil(image_of(tmp_path, "0001-quillmere-pottery"), 0)
    refused(run, 2, "drive", "verify", 1, 1, "--read-again", "Quillmere Pottery asked for it")
    assert answer(run, "drive", "show", 1, 1)["unread_bytes"] == 0


def test_an_image_without_digests_is_not_called_sound(run: Run, tmp_path: Path, content: bytes) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100)
    log = sqlite3.connect(image_of(tmp_path, "0001-one").with_suffix(".coverage"))
    log.execute("UPDATE reading SET digests = x''")
    log.commit()
    log.close()
    found = answer(run, "drive", "verify", 1, 1, codes=(3,))
    assert found["holds"]
    assert not found["complete"]
    assert (found["checked_bytes"], found["without_digest_bytes"]) == (0, SIZE - 3 * 512)


def test_the_list_of_what_is_refused_is_a_list_no_spreadsheet_runs(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, '=cmd|"x"', 100)
    found = answer(run, "drive", "refused", 1, 1)
    assert found["ranges"] == [
        {
            "start": 100 * 512,
            "stop": 103 * 512,
            "condition": "refused",
            "tries": 3,
            "trouble": found["ranges"][0]["trouble"],
            "error": found["ranges"][0]["error"],
            "last_tried_at": found["ranges"][0]["last_tried_at"],
            "adapter": '=cmd|"x"',
            "celsius": None,
        }
    ]
    path = tmp_path / "list.csv"
    assert answer(run, "drive", "refused", 1, 1, path)["path"] == str(path)
    raw = path.read_bytes()
    assert raw.endswith(b"\r\n")
    head, row = csv.reader(raw.decode().splitlines())
    assert tuple(head) == LACKING_COLUMNS
    named = dict(zip(head, row, strict=True))
    assert named["adapter"] == '\'=cmd|"x"'
    assert (named["first_byte"], named["last_byte"], named["sectors"]) == ("51200", "52735", "3")
    assert (named["first_sector"], named["last_sector"], named["tries"]) == ("100", "102", "3")
    assert (named["case"], named["bay"]) == ("1", "1")
    shared = set(head) & set(found["ranges"][0])
    assert shared == set(found["ranges"][0]) - {"start", "stop"}, "one name for one thing"
    refused(run, 20, "drive", "refused", 1, 1, path)
    text_of(run, "drive", "refused", 1, 1)
    document = tmp_path / "list.json"
    answer(run, "drive", "refused", 1, 1, document)
    assert json.loads(document.read_text()) == {**found, "path": str(document)}
    assert ".csv" in refused(run, 2, "drive", "refused", 1, 1, tmp_path / "list.xlsx")
    assert not (tmp_path / "list.xlsx").exists()
    documented = (ROOT / "docs" / "formats" / "refused.md").read_text()
    assert all(f"| `{column}` |" in documented for column in LACKING_COLUMNS)


def test_another_adapter_gets_tries_of_its_own_and_its_odds_are_told(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100)
    read(run, tmp_path, 1, "dock ", 0, count=0)  # the same one: its tries are used up
    read(run, tmp_path, 1, "Second dock", 102, count=1)
    found = answer(run, "drive", "show", 1, 1)
    assert [(one["start"], one["stop"], one["tries"]) for one in found["not_read"]] == [
        (102 * 512, 103 * 512, 6)
    ]
    (chance,) = found["second_chances"]  # nothing of the other order: that was asked for leavings
    assert chance["refused_through"] == "Dock"
    assert (chance["given_through"], chance["given"], chance["asked"]) == ("Second dock", 2, 3)
    assert 0 < chance["low"] < 2 / 3 < chance["high"] < 1
    assert "that Dock refused, Second dock gave 2 later (" in text_of(run, "drive", "show", 1, 1)


def test_three_images_become_one_and_every_range_keeps_where_it_came_from(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    for case, bad in enumerate((100, 900, 1500), 1):
        opened(run, f"Case {case}")
        read(run, tmp_path, case, f"Adapter {case}", bad)
    others = [image_of(tmp_path, f"000{case}-case-{case}") for case in (2, 3)]
    blended = answer(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, *others)
    assert [one["taken_bytes"] for one in blended["images"]] == [3 * 512, 0]
    assert blended["read_bytes"] == SIZE
    assert image_of(tmp_path, "0001-case-1").read_bytes() == content
    shown = answer(run, "drive", "show", 1, 1)
    assert [one["adapter"] for one in shown["runs"]] == ["Adapter 1", "Adapter 2", "Adapter 3"]
    assert all(one["bench"] for one in shown["runs"])
    assert answer(run, "drive", "verify", 1, 1)["complete"]
    custody = custody_of(run)
    for taken in ("1\N{THIN SPACE}536", "0"):
        assert json.dumps(f"another image of the same drive: {taken} bytes taken over")[1:-1] in custody


def test_reads_that_differ_are_told_and_a_foreign_drive_among_many_changes_nothing(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    opened(run, "Two")
    opened(run, "Three")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    unlike = bytearray(content)
    unlike[300 * 512 + 7] ^= 1
    (tmp_path / "drive.img").write_bytes(unlike)
    read(run, tmp_path, 2, "Second dock", 900, serial="S1")
    (tmp_path / "drive.img").write_bytes(os.urandom(SIZE))
    read(run, tmp_path, 3, "Dock", 900, serial="S1")  # the same serial number, but a copy of something else
    second, foreign = (image_of(tmp_path, name) for name in ("0002-two", "0003-three"))
    assert "something wrote to the drive" in refused(
        run, 24, "drive", "blend", 1, 1, *ANOTHER_BENCH, second, foreign
    )
    assert len(answer(run, "drive", "show", 1, 1)["runs"]) == 1
    for _ in range(2):
        found = answer(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, second)
        spans = [(one["start"], one["stop"]) for one in found["images"][0]["differences"]]
        assert spans == [(300 * 512, 301 * 512)]
    shown = answer(run, "drive", "show", 1, 1)["differences"]
    assert [(one["start"], one["first_run"], one["second_run"]) for one in shown] == [(300 * 512, 1, 2)]
    assert "do not agree on 512 bytes" in text_of(run, "drive", "show", 1, 1)
    text_of(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, second)


def test_a_rotten_block_is_not_taken_over_nor_called_a_difference(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    opened(run, "Two")
    bad = 3 * BLOCK_BYTES // 512
    read(run, tmp_path, 1, "Dock", bad, count=8, serial="S1")
    read(run, tmp_path, 2, "Dock", 900, serial="S1")
    other = image_of(tmp_path, "0002-two")
    spoil(other, 3 * BLOCK_BYTES + 100)  # in what the first image lacks
    spoil(image_of(tmp_path, "0001-one"), 100)
    found = answer(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, other)["images"][0]
    assert found["taken_bytes"] == 0
    assert found["differences"] == []
    ((start, stop),) = found["unsound"]  # the rot in what both hold is no business of theirs: the reads agree
    assert start <= 3 * BLOCK_BYTES + 100 < stop
    assert answer(run, "drive", "show", 1, 1)["refused_bytes"] == 8 * 512
    text_of(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, other)


def test_without_serial_numbers_one_place_that_differs_is_another_drive(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    opened(run, "Two")
    read(run, tmp_path, 1, "Dock", 100)
    (tmp_path / "drive.img").write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    read(run, tmp_path, 2, "Dock", 900)
    told = refused(run, 24, "drive", "blend", 1, 1, *ANOTHER_BENCH, image_of(tmp_path, "0002-two"))
    assert f"differ at byte {SIZE - 1}" in told
    assert "verifying them tells" in told


def emptied(path: Path, serial: str = "") -> None:
    """An image of the same drive of which nothing is read yet."""
    path.unlink()
    for one in path.parent.glob(f"{path.stem}.coverage*"):
        one.unlink()
    ImageFile.create(path, Identity("simulated drive", "drive", SIZE, 512, serial=serial)).close()


def drives_apart(path: Path, content: bytes, *, first_half: bool) -> None:
    """Half of a drive as an image without a serial number: nothing in common with the other half."""
    made = ImageFile.create(path, Identity("simulated drive", "drive", SIZE, 512))
    made.begin_run("Dock", "drive")
    half = Span(0, SIZE // 2) if first_half else Span(SIZE // 2, SIZE)
    made.keep(half, memoryview(content)[half.start : half.stop], 0.1)
    made.close()


def test_into_an_empty_image_go_only_images_that_are_joined_to_one_another(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100)
    mine = image_of(tmp_path, "0001-one")
    emptied(mine)
    one, other = tmp_path / "half-1.img", tmp_path / "half-2.img"
    drives_apart(one, content, first_half=True)
    drives_apart(other, os.urandom(SIZE), first_half=False)
    told = refused(run, 24, "drive", "blend", 1, 1, *ANOTHER_BENCH, one, other)
    assert "nothing shows that they belong together" in told
    assert not answer(run, "drive", "show", 1, 1)["runs"]
    whole = tmp_path / "whole.img"
    shutil.copy(one, whole)
    shutil.copy(one.with_suffix(".coverage"), whole.with_suffix(".coverage"))
    added = ImageFile.reopen(whole)
    added.begin_run("Dock", "drive")
    added.keep(Span(SIZE // 2, SIZE), memoryview(content)[SIZE // 2 :], 0.1)
    added.close()
    assert answer(run, "drive", "blend", 1, 1, *ANOTHER_BENCH, one, whole)["read_bytes"] == SIZE
    assert mine.read_bytes() == content


def test_into_an_empty_image_with_a_serial_number_go_no_images_without_one(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    emptied(image_of(tmp_path, "0001-one"), "S1")
    other = tmp_path / "half-1.img"
    drives_apart(other, content, first_half=True)
    assert "nothing shows" in refused(run, 24, "drive", "blend", 1, 1, *ANOTHER_BENCH, other)
    assert not answer(run, "drive", "show", 1, 1)["runs"]


def test_a_second_reading_finds_what_the_drive_gives_otherwise_and_changes_nothing(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    before = image_of(tmp_path, "0001-one").read_bytes()
    plan = f"unsteady:{tmp_path}/1-100.toml"
    same = answer(run, "drive", "compare", 1, 1, plan, "--adapter", "Second dock")
    assert (same["compared_bytes"], same["differences"]) == (SIZE - 3 * 512, [])
    unlike = bytearray(content)
    unlike[300 * 512 + 7] ^= 1
    (tmp_path / "drive.img").write_bytes(unlike)
    found = answer(run, "drive", "compare", 1, 1, plan, "--adapter", "Third dock")
    assert [(one["start"], one["stop"]) for one in found["differences"]] == [(300 * 512, 301 * 512)]
    assert "Third dock" in text_of(run, "drive", "show", 1, 1)
    assert image_of(tmp_path, "0001-one").read_bytes() == before
    verified = answer(run, "drive", "verify", 1, 1)
    assert verified["holds"]
    assert len(verified["differences"]) == 1
    (tmp_path / "one.toml").write_text('image = "drive.img"\nserial = "S1"\nrefused = [[200, 1]]\n')
    said = text_of(run, "drive", "compare", 1, 1, f"unsteady:{tmp_path}/one.toml", code=3)
    story = answer(run, "case", "show", 1)["events"][-1]["text"]
    assert "not given this time, though given before: " in said
    assert " not given this time; all that the image holds was asked for" in story
    assert "refused this time" not in said + story, "no sector of those reads was asked for alone"
    (tmp_path / "worse.toml").write_text('image = "drive.img"\nserial = "S1"\nrefused = [[0, 2048]]\n')
    refused(run, 15, "drive", "compare", 1, 1, f"unsteady:{tmp_path}/worse.toml")
    text_of(run, "drive", "compare", 1, 1, plan, "--minutes", "0", code=3)


@pytest.mark.usefixtures("content")
def test_a_second_reading_looks_for_the_relay_before_it_touches_the_drive(run: Run, tmp_path: Path) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    settings = tmp_path / "home" / "settings"
    settings.mkdir()
    (settings / "power.toml").write_text('command = ["relay"]\n')
    said = refused(run, 52, "drive", "compare", 1, 1, f"unsteady:{tmp_path}/1-100.toml")
    assert "settings/power.toml names a program without its whole path" in " ".join(said.split())
    assert len(answer(run, "drive", "show", 1, 1)["runs"]) == 1


def test_decay_of_the_image_is_not_held_against_the_drive(run: Run, tmp_path: Path, content: bytes) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    image = image_of(tmp_path, "0001-one")
    plan = f"unsteady:{tmp_path}/1-100.toml"
    for ask in (answer, text_of):
        spoil(image, 3 * BLOCK_BYTES + 100)
        found = ask(run, "drive", "compare", 1, 1, plan)
        if isinstance(found, str):
            assert "no longer what the drive had given" in found
        else:
            assert 0 < found["mended_bytes"] <= BLOCK_BYTES
            assert found["differences"] == []
            assert answer(run, "drive", "show", 1, 1)["read_bytes"] == SIZE - 3 * 512
        assert image.read_bytes()[3 * BLOCK_BYTES :] == content[3 * BLOCK_BYTES :]
    assert answer(run, "drive", "verify", 1, 1)["holds"]
    assert "no longer what the drive had given" in custody_of(run)


def test_an_image_that_decayed_gets_no_sha256_and_that_is_told(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    read(run, tmp_path, 1, "Dock", 100, serial="S1")
    spoil(image_of(tmp_path, "0001-one"), 3 * BLOCK_BYTES + 100)
    (tmp_path / "well.toml").write_text('image = "drive.img"\nserial = "S1"\n')
    again = ("drive", "read", 1, 1, f"unsteady:{tmp_path}/well.toml", "--adapter", "Second dock")
    told = text_of(run, *again)
    assert "NO LONGER what the drive gave" in told
    assert "SHA-256:" not in told
    shown = answer(run, "drive", "show", 1, 1)
    assert shown["read_bytes"] == SIZE
    ((start, stop),) = shown["changed"]
    assert start <= 3 * BLOCK_BYTES + 100 < stop
    assert "the image has no SHA-256" in " ".join(text_of(run, "drive", "show", 1, 1).split())
    assert "so it has no SHA-256" in json.dumps(answer(run, "case", "show", 1))


def test_how_refused_sectors_are_asked_for_again_is_told_as_it_is(
    run: Run, tmp_path: Path, content: bytes
) -> None:
    opened(run, "One")
    (tmp_path / "plan.toml").write_text('image = "drive.img"\nserial = "S1"\nrefused = [[100, 2]]\n')
    for adapter in ("", "Dock A"):
        shown = text_of(
            run, "drive", "read", 1, 1, f"unsteady:{tmp_path}/plan.toml", "--adapter", adapter, code=3
        )
        assert "A run without --adapter may have been through any, so" in " ".join(shown.split())
    assert {one["tries"] for one in answer(run, "drive", "refused", 1, 1)["ranges"]} == {3}


def test_a_bay_without_an_image_is_told(run: Run, tmp_path: Path) -> None:
    opened(run, "One")
    for name in ("show", "refused", "verify"):
        refused(run, 41, "drive", name, 1, 1)
    (tmp_path / "drive.img").write_bytes(bytes(1 << 20))
    refused(run, 41, "drive", "compare", 1, 1, tmp_path / "drive.img")


def test_what_is_at_stake_is_stated_in_one_currency_and_with_a_worth(
    run: Run, content: bytes, tmp_path: Path
) -> None:
    opened(run, "Quillmere Pottery")
    read_it = ("drive", "read", 1, 1, tmp_path / "drive.img")
    assert "worth" in refused(run, 2, *read_it, "--bench-hour", "60.00 EUR")
    assert "currency" in refused(run, 2, *read_it, "--worth", "100.00 EUR", "--bench-hour", "60.00 GBP")
    found = answer(run, *read_it, "--worth", "100.00 EUR", "--bench-hour", "60.00")
    assert found["advice"] == {"at_end": None, "stop_after_seconds": None, "stop": None}
    assert found["worth_trying"] == []


def test_advice_and_the_adapter_to_try_are_told_and_fit_the_screen(
    run: Run, content: bytes, tmp_path: Path
) -> None:
    opened(run, "Quillmere Pottery")
    description = tmp_path / "bridge.toml"
    description.write_text('image = "drive.img"\nserial = "7K0042"\nrefused = [[100, 120]]\n')
    read_it = ("drive", "read", 1, 1, f"unsteady:{description}", "--adapter", "USB bridge", "--tries", 1)
    done = run(*read_it, "--condition", "clicks")
    assert done.returncode == 3, "advice changes no exit code"
    assert fits(done.stdout)
    assert fits(done.stderr)
    assert "recommended: stop here, power the drive off" in " ".join(done.stderr.split())
    said = " ".join(done.stdout.split())
    assert "Another one, or another cable, may give about 12 of the 120 refused sectors" in said
    assert "Stopping was recommended after" in said
    description.write_text('image = "drive.img"\nserial = "7K0042"\nrefused = [[100, 90]]\n')
    again = ("drive", "read", 1, 1, f"unsteady:{description}", "--adapter", "port on the board", "--tries", 1)
    found = answer(run, *again, codes=(3,))
    assert found["worth_trying"] == []
    description.write_text('image = "drive.img"\nserial = "7K0043"\nrefused = [[100, 90]]\n')
    other = answer(run, "drive", "read", 1, 2, read_it[4], *read_it[5:], codes=(3,))
    (port,) = other["worth_trying"]
    assert (port["adapter"], port["given"], port["asked"]) == ("port on the board", 30, 120)
    assert other["advice"]["stop"] is None or not other["advice"]["stop"]["go_on"]
