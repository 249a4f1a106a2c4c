"""`mendbay drive list`: the drives that are plugged in, as the terminal and programs are told."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from mendbay.faces.cli.main import command
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.drives_at_hand import MOST_SHOWN
from mendbay.jobs.ports import DriveAtHand
from support.answers import SCHEMA, fits, one_line

FREE = DriveAtHand("/dev/sdb", 2_000_398_934_016, "AL20-HX4", "7K0042", "USB")
USED = DriveAtHand("/dev/sda", 1 << 30, uses=("/dev/sda1 is mounted at /srv", "/dev/sda2 is used as swap"))
EMPTY = DriveAtHand("/dev/sdc", 0, way="USB")


def said(tmp_path: Path, *words: str) -> str:
    done = CliRunner().invoke(command, ["--home", str(tmp_path / "home"), *words], env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture
def drives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: (FREE, USED, EMPTY))


@pytest.mark.usefixtures("drives")
def test_the_drives_at_hand(tmp_path: Path) -> None:
    said(tmp_path, "case", "open", "Quillmere Pottery", "--bay", "2=AL20/7K0042")
    shown = said(tmp_path, "drive", "list", "--case", "1")
    assert fits(shown)
    told = one_line(shown)
    assert "/dev/sdb: 2.00 TB, AL20-HX4, serial 7K0042, USB It says the serial number of bay 2." in told
    assert "It is in use: /dev/sda1 is mounted at /srv; /dev/sda2 is used as swap." in told
    assert "/dev/sdc: no size, USB It says that it holds nothing" in told
    answer = json.loads(said(tmp_path, "--json", "drive", "list", "--case", "1"))
    jsonschema.validate(answer, {**SCHEMA, "$ref": "#/$defs/drive%20list"})
    assert [(one["where"], one["bay"], bool(one["against"])) for one in answer["drives"]] == [
        ("/dev/sdb", "2", False),
        ("/dev/sda", None, True),
        ("/dev/sdc", None, True),
    ]
    assert "bay 2" not in one_line(said(tmp_path, "drive", "list"))


def test_of_more_than_are_listed_the_number_is_told_and_the_customers_drive_is_among_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = [DriveAtHand(f"/dev/loop{at}", 4096, uses=("it is mounted",)) for at in range(MOST_SHOWN)]
    plain = DriveAtHand("/dev/nvme0n1", 1 << 40)
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: (*busy, plain, FREE))
    said(tmp_path, "case", "open", "Quillmere Pottery", "--bay", "2=AL20/7K0042")
    shown = said(tmp_path, "drive", "list", "--case", "1")
    assert fits(shown)
    assert "2 more drives are plugged in and not listed" in one_line(shown)
    answer = json.loads(said(tmp_path, "--json", "drive", "list", "--case", "1"))
    jsonschema.validate(answer, {**SCHEMA, "$ref": "#/$defs/drive%20list"})
    assert answer["more"] == 2
    assert [one["where"] for one in answer["drives"]] == [
        *(one.where for one in busy[: MOST_SHOWN - 2]),
        "/dev/nvme0n1",
        "/dev/sdb",
    ]
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: (*busy, plain))
    assert "1 more drive is plugged in" in one_line(said(tmp_path, "drive", "list"))


def test_none_at_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: ())
    assert said(tmp_path, "drive", "list").strip() == "This machine sees no drive."
