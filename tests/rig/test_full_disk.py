"""A disk that really fills up, in mid-copy and in mid-image: nothing is lost, and the same job goes on."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import NoRoom
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.scenario.small import make_small_scenario
from mendbay.wiring import check_handback, open_bench, open_handback_folder, papers
from support.boxes import small_base
from support.scripted_drive import ScriptedDrive

pytestmark = pytest.mark.root


class SmallDisk:
    """A file system in memory with little room."""

    def __init__(self, place: Path) -> None:
        self.place = place
        place.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", place], check=True)

    def resize(self, size: str) -> None:
        subprocess.run(["mount", "-o", f"remount,size={size}", self.place], check=True)

    def close(self) -> None:
        subprocess.run(["umount", "-l", self.place], check=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    if os.geteuid() != 0:
        pytest.skip("needs root to mount a small file system")
    try:
        made = SmallDisk(tmp_path / "disk")
    except subprocess.CalledProcessError:
        pytest.skip("this machine lets nobody mount a small file system in memory")
    yield made
    made.close()


def test_a_full_image_disk_keeps_what_it_has_and_goes_on(disk: SmallDisk) -> None:
    data = os.urandom(12 << 20)
    drive = ScriptedDrive(data, bad={9})
    path = disk.place / "bay-1.img"
    image = ImageFile.create(path, drive.identity)
    image.begin_run("adapter", "drive")
    with pytest.raises(NoRoom) as caught:
        DriveReading("1", drive, image, SystemClock(), silent).run()
    assert "bytes free" in caught.value.what
    disk.resize("64m")
    try:
        image.close()
    except NoRoom:
        pytest.fail("there is room again")
    image = ImageFile.reopen(path)
    for span in image.coverage().read:
        assert image.take(span) == data[span.start : span.stop]
    image.begin_run("adapter", "drive")
    again = ScriptedDrive(data, bad={9})
    assert DriveReading("1", again, image, SystemClock(), silent).run() is Ending.DONE
    expected = bytearray(data)
    expected[9 * 512 : 10 * 512] = bytes(512)
    assert path.read_bytes() == bytes(expected)
    image.close()


def test_a_destination_that_fills_up_loses_nothing_and_goes_on(disk: SmallDisk, tmp_path: Path) -> None:
    box = make_small_scenario(tmp_path / "box", 3, base=small_base(tmp_path / "base"))
    out = disk.place / "out"
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "A customer")
        drives = [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]
        read_pair(bench, 1, drives)
        disk.resize("64m")  # enough to begin ...
        filler = disk.place / "filler"
        copied: list[str] = []

        def fill_up(event: object) -> None:
            copied.append(str(event))
            if len(copied) == 4:  # ... until something else takes the room
                free = os.statvfs(disk.place)
                with filler.open("wb") as file:
                    file.write(bytes(free.f_bavail * free.f_frsize - 65_536))

        with pytest.raises(NoRoom) as caught:
            hand_back(replace(bench, tell=fill_up), 1, out, open_handback_folder, papers())
        assert caught.value.exit_code == NoRoom.exit_code
        assert not (out / "bagit.txt").exists()
        there = {path for path in (out / "data").rglob("*") if path.is_file()}
        filler.unlink()
        result = hand_back(bench, 1, out, open_handback_folder, papers())
    assert there <= {path for path in (out / "data").rglob("*") if path.is_file()}
    assert result.facts.verified_files == result.facts.copied.files
    assert check_handback(out).is_valid
