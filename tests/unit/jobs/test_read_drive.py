"""Which drive belongs to which image."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mendbay.core.errors import ForeignImage, NoSuchCase, UsageError
from mendbay.jobs.events import Event, Said
from mendbay.jobs.practice import practice_cases
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.small import make_small_scenario
from mendbay.wiring import open_bench
from support.boxes import small_base
from support.scripted_drive import numbered


def test_the_other_half_of_a_mirror_is_not_read_into_a_bays_image(tmp_path: Path) -> None:
    """The halves are alike almost everywhere, and an image file has no serial number."""
    box = make_small_scenario(tmp_path / "box", 1, base=small_base(tmp_path / "base"), parted=False)
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "A customer")
        read_drive(bench, 1, DriveAt("1", str(box.images[0])))
        with pytest.raises(ForeignImage):
            read_drive(bench, 1, DriveAt("1", str(box.images[1])))


def test_nothing_to_compare_is_said(tmp_path: Path) -> None:
    said: list[str] = []

    def tell(event: Event) -> None:
        if isinstance(event, Said):
            said.append(event.text)

    blank = tmp_path / "blank.img"
    blank.write_bytes(bytes(1 << 20))
    (tmp_path / "home").mkdir()
    with open_bench(tmp_path / "home", tell=tell) as bench:
        take_in(bench, "A customer")
        read_drive(bench, 1, DriveAt("1", str(blank)))
        assert said == ["Case 1 had no bay 1: it is added."]
        said.clear()
        read_drive(bench, 1, DriveAt("1", str(blank)))
    assert "nothing could be compared" in said[0]


def test_one_drive_for_two_bays_and_a_third_bay_are_refused(tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(os.urandom(1 << 16))
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "A customer")
        with pytest.raises(UsageError, match="the same drive"):
            read_pair(bench, 1, [DriveAt("1", str(image)), DriveAt("2", str(image))])
        read_drive(bench, 1, DriveAt("1", str(image)))
        read_drive(bench, 1, DriveAt("2", str(image)))
        with pytest.raises(NoSuchCase, match="has the bays 1 and 2, not 3"):
            read_drive(bench, 1, DriveAt("3", str(image)))


def test_what_stopped_a_reading_is_part_of_the_story(tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(os.urandom(1 << 16))
    (tmp_path / "d.toml").write_text('image = "drive.img"\nrefused = [[0, 128]]\n')
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "A customer")
        with pytest.raises(Exception, match="never gave any"):
            read_drive(bench, 1, DriveAt("1", f"unsteady:{tmp_path}/d.toml"))
        assert any("never gave any" in event.text for event in bench.ledger.events(1))


def test_before_a_drive_is_read_it_is_said_what_a_new_name_asks_for_again(tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(4096))
    (tmp_path / "drive.toml").write_text('image = "drive.img"\nserial = "S1"\nrefused = [[100, 2]]\n')
    said: list[str] = []

    def tell(event: Event) -> None:
        if isinstance(event, Said) and "asked for again" in event.text:
            said.append(event.text)

    def again(adapter: str) -> list[str]:
        said.clear()
        read_drive(bench, 1, DriveAt("1", f"unsteady:{tmp_path}/drive.toml", adapter))
        return list(said)

    with open_bench(tmp_path / "home", tell=tell) as bench:
        take_in(bench, "Quillmere Pottery")
        assert again("") == []
        assert again("Dock A") == [], "the unnamed adapter may have been this one"
        store = bench.images.reopen(bench.ledger.case(1), "1", writable=False)
        assert {one.run for one in store.refusals()} == {1}
        store.close()
    with open_bench(tmp_path / "other", tell=tell) as bench:
        take_in(bench, "Quillmere Pottery")
        assert again("Dock A") == []
        assert again("dock-a") == []
        found = again("port on the board")
        assert len(found) == 1
        assert found[0].startswith("2 refused sectors of the drive in bay 1 are asked for again")
        assert "“port on the board”" in found[0]
        assert again("") == []


def test_a_case_in_which_a_simulated_drive_was_read_is_practice(tmp_path: Path) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(64))
    (tmp_path / "drive.toml").write_text('image = "drive.img"\nserial = ""\n')
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "A customer")
        take_in(bench, "Another")
        read_drive(bench, 1, DriveAt("1", str(tmp_path / "drive.img")))
        read_drive(bench, 2, DriveAt("1", f"unsteady:{tmp_path / 'drive.toml'}"))
        assert practice_cases(bench) == {2}
