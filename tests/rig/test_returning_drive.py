"""A real block device that leaves the bus and comes back, or another in its place: serial numbers, relay,
and the whole program."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.errors import SourceChanged
from mendbay.core.span import Span
from mendbay.imaging.attempt import Outcome
from mendbay.inlets import device, reader_child
from mendbay.inlets.failing_loop import FailingLoop
from mendbay.inlets.reader import ReaderProcess
from support.benches import Bench, description_of, needs_failing_loop

pytestmark = [pytest.mark.root, needs_failing_loop]


@pytest.fixture
def serials(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the drives say of themselves, one after the other; a loop device has no serial number."""
    told: list[str] = []
    monkeypatch.setattr(device, "texts_of", lambda node: ("AL20-HX4", told.pop(0)))
    return told


@pytest.mark.parametrize(
    ("before", "now", "refusal"),
    [
        ("K-0113", "K-0113", ""),
        ("", "", ""),
        ("", "K-0113", ""),
        ("K-0113", "K-0114", "now is the drive with serial number K-0114; it was K-0113"),
        ("K-0113", "", "now gives no serial number; it was K-0113"),
    ],
)
def test_the_serial_number_of_a_drive_that_is_back_must_be_that_of_before(
    tmp_path: Path, serials: list[str], before: str, now: str, refusal: str
) -> None:
    serials += [before, now]
    description = description_of(tmp_path)
    with FailingLoop(description) as loop, ReaderProcess(loop.path) as reader:
        bench = Bench(reader, description.image.read_bytes(), 512)
        loop.unplug()
        assert bench.read(0).outcome is Outcome.VANISHED
        loop.power_cycle()
        if not refusal:
            assert reader.returned()
            assert bench.holds(bench.read(7))
            return
        with pytest.raises(SourceChanged) as caught:
            reader.returned()
        assert refusal in caught.value.what
        assert "Connect the drive that was there before" in caught.value.next_step
        os.close(device.claim(loop.path))  # the stranger was let go of


def test_enodev_while_a_read_is_under_way_is_a_drive_that_vanished(tmp_path: Path) -> None:
    """The cable is pulled while the drive hangs over a read: the kernel ends it as `ENODEV` or `EIO`, with
    the size already gone."""
    with (
        FailingLoop(description_of(tmp_path, hang=((500, 1),))) as loop,
        ReaderProcess(loop.path, patience_seconds=20) as reader,
    ):
        reader.ask(Span.at(490 * 512, 100 * 512))
        reader.ask(Span.at(0, 512))
        pull = threading.Timer(0.5, loop.unplug)
        pull.start()
        gone = reader.answer()
        pull.join()
        assert gone.outcome is Outcome.VANISHED
        assert gone.error in ("ENODEV", "no bytes")
        assert gone.seconds < 15, "not waited for to the end of the patience"
        assert reader.queued == 0


@pytest.mark.parametrize("sector_bytes", [512, 4096])
def test_a_drive_says_its_own_sectors_and_takes_no_less(tmp_path: Path, sector_bytes: int) -> None:
    with FailingLoop(description_of(tmp_path, sector_bytes)) as loop:
        found = device.look(loop.path)
        assert (found.sector_bytes, found.physical_bytes) == (sector_bytes, sector_bytes)
        with ReaderProcess(loop.path) as reader:
            reader.ask(Span.at(sector_bytes, sector_bytes))
            assert reader.answer().outcome is Outcome.GIVEN
            if sector_bytes == 4096:
                with pytest.raises(ValueError, match="borders of sectors of 4096"):
                    reader.ask(Span.at(512, 512))


@pytest.mark.parametrize(("aside", "told"), [(0, 4096), (512, 0), (-1, 0)])
def test_a_512e_drive_is_asked_for_logical_sectors_and_told_with_its_physical_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, aside: int, told: int
) -> None:
    """No loop device has physical sectors larger than its logical ones: the kernel's answers to the questions
    for these are stood in for, where the device is looked at and in the child. Those that do not begin where
    the device does (or the kernel does not know) are none to read by."""
    plain = device.fcntl.ioctl

    def with_physical(descriptor: int, request: int, argument: object = 0) -> object:
        if request == device.BLKPBSZGET:
            return (4096).to_bytes(4, sys.byteorder)
        if request == device.BLKALIGNOFF:
            return aside.to_bytes(4, sys.byteorder, signed=True)
        return plain(descriptor, request, argument)  # type: ignore[call-overload]

    with FailingLoop(description_of(tmp_path)) as loop:
        monkeypatch.setattr(device.fcntl, "ioctl", with_physical)
        found = device.look(loop.path)
        child = reader_child.Drive(str(loop.path), 0)
        os.close(child.descriptor)
        assert (child.sector, child.physical) == (512, 4096)
        monkeypatch.undo()
        assert (found.sector_bytes, found.physical_bytes) == (512, told)
        assert found.unit_bytes == (told or 512)
        with ReaderProcess(loop.path) as reader:
            bench = Bench(reader, (tmp_path / "drive.img").read_bytes(), 512)
            assert [bench.read(one).outcome for one in (999, 1000, 1001)] == [
                Outcome.GIVEN,
                Outcome.REFUSED,
                Outcome.GIVEN,
            ]


# ---------------------------------------------------------------------- the whole program with a relay


RUN = "from mendbay.faces.cli.main import main; main()"


class Desk:
    """A home with a case, a relay that rings a bell (a named pipe), and whoever hears it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.bell, self.done = folder / "bell", folder / "done"
        for pipe in (self.bell, self.done):
            os.mkfifo(pipe)
        relay = folder / "relay"
        relay.write_text(f'#!/bin/sh\necho "$1" > {self.bell}\nread word < {self.done}\n[ "$word" = ok ]\n')
        relay.chmod(0o700)
        self.mendbay("case", "open", "Quillmere Pottery")
        (self.home / "settings").mkdir()
        (self.home / "settings" / "power.toml").write_text(
            f'command = ["{relay}", "{{bay}}"]\nseconds = 30\nready_seconds = 0\nmost = 3\n'
        )
        self.rung: list[str] = []

    def mendbay(self, *words: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", RUN, "--home", str(self.home), *map(str, words)],
            capture_output=True,
            text=True,
            timeout=100,
            check=False,
            stdin=subprocess.DEVNULL,
        )

    def listen(self, act: Callable[[], str]) -> threading.Thread:
        """Does what is to be done at the next ring and tells the relay how it went."""

        def once() -> None:
            self.rung.append(self.bell.read_text().strip())
            self.done.write_text(act() + "\n")

        thread = threading.Thread(target=once, daemon=True)
        thread.start()
        return thread


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_a_drive_that_drops_off_in_the_middle_is_brought_back_by_the_relay(desk: Desk) -> None:
    with FailingLoop(description_of(desk.folder, hang=(), vanish_after_reads=6, vanish_times=1)) as loop:

        def cycle() -> str:
            loop.power_cycle()
            return "ok"

        hand = desk.listen(cycle)
        read = desk.mendbay("drive", "read", 1, 1, loop.path, "--patience", 5)
        hand.join(10)
    assert desk.rung == ["1"]
    assert read.returncode == 3, read.stdout + read.stderr  # one sector is never given
    assert "The drive in bay 1 no longer answers." in read.stderr
    assert "The drive in bay 1 is back; reading goes on." in read.stderr
    shown = json.loads(desk.mendbay("--json", "drive", "show", 1, 1).stdout)
    assert "refused" in json.dumps(shown)
    image = next((desk.home / "cases").glob("*/bay-1.img")).read_bytes()
    content = bytearray((desk.folder / "drive.img").read_bytes())
    content[1000 * 512 : 1001 * 512] = bytes(512)
    assert image == bytes(content)


def test_a_second_reading_is_gone_on_with_after_the_relay(desk: Desk) -> None:
    with FailingLoop(description_of(desk.folder, hang=(), refused=())) as loop:
        read = desk.mendbay("drive", "read", 1, 1, loop.path, "--patience", 5)
        assert read.returncode == 0, read.stdout + read.stderr
    sound = {"hang": (), "refused": (), "weak": ()}
    with FailingLoop(description_of(desk.folder, vanish_after_reads=40, vanish_times=1, **sound)) as loop:

        def cycle() -> str:
            loop.power_cycle()
            return "ok"

        hand = desk.listen(cycle)
        compared = desk.mendbay("--json", "drive", "compare", 1, 1, loop.path)
        hand.join(10)
    assert desk.rung == ["1"]
    assert compared.returncode == 3, compared.stdout + compared.stderr
    found = json.loads(compared.stdout)
    assert found["refused_bytes"] == 256 << 10, "what it vanished over, and no more"
    assert (found["left_bytes"], found["differences"]) == (0, [])
    assert found["compared_bytes"] == (desk.folder / "drive.img").stat().st_size - (256 << 10)


def test_a_relay_that_fails_with_nobody_there_ends_the_reading_with_all_kept(desk: Desk) -> None:
    with FailingLoop(description_of(desk.folder, hang=(), vanish_after_reads=6, vanish_times=1)) as loop:
        hand = desk.listen(lambda: "no")
        read = desk.mendbay("drive", "read", 1, 1, loop.path, "--patience", 5)
        hand.join(10)
        assert read.returncode == 14, read.stdout + read.stderr
        assert "exit code 1" in read.stderr
        assert "everything read so far is kept" in " ".join(read.stderr.split())
        loop.power_cycle()
        again = desk.mendbay("drive", "read", 1, 1, loop.path, "--patience", 5)
        assert again.returncode == 3, again.stdout + again.stderr


def test_another_drive_that_comes_back_in_its_place_ends_the_reading(desk: Desk) -> None:
    """The name is a link, as in `/dev/disk/by-id`, that leads to another drive once the power is back."""
    other = desk.folder / "other"
    other.mkdir()
    content = (description_of(desk.folder).image).read_bytes()
    (other / "drive.img").write_bytes(content[512:] + content[:512])
    name = desk.folder / "by-id"
    # The kernel itself reads a few places of a drive that appears; then some must be given and kept.
    first = description_of(desk.folder, hang=(), vanish_after_reads=25, vanish_times=1)
    with FailingLoop(first) as loop, FailingLoop(description_of(other, hang=())) as stranger:
        name.symlink_to(loop.path)

        def swap() -> str:
            name.unlink()
            name.symlink_to(stranger.path)
            return "ok"

        hand = desk.listen(swap)
        read = desk.mendbay("drive", "read", 1, 1, name, "--patience", 5)
        hand.join(10)
    assert read.returncode == 13, read.stdout + read.stderr
    said = " ".join(read.stderr.split())
    assert "The drive that is back in bay 1 holds other bytes at" in said
    assert "nothing of it was read into the image" in said
    assert "Connect the drive that was there before" in said
    story = json.loads(desk.mendbay("--json", "case", "show", 1).stdout)
    assert "holds other bytes" in json.dumps(story["events"]), "it is in the story of the case"
    assert desk.mendbay("drive", "verify", 1, 1).returncode == 0


def test_settings_of_the_relay_that_are_not_sound_are_refused_before_the_drive_is_touched(desk: Desk) -> None:
    (desk.home / "settings" / "power.toml").write_text('command = ["relay"]\n')
    with FailingLoop(description_of(desk.folder)) as loop:
        loop.log()
        read = desk.mendbay("drive", "read", 1, 1, loop.path)
        assert read.returncode == 52, read.stdout + read.stderr
        assert "settings/power.toml names a program without its whole path" in " ".join(read.stderr.split())
        assert loop.log() == ()
