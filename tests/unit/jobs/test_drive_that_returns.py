"""A drive that vanished comes back, or another does: the whole engine over the real reading process.

An image file stands for the drive. Cut to nothing it answers with no bytes, as an unplugged disk does; who
cycles the power writes it anew. What only a block device has (a serial number, `ENODEV`) is on the rig.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import DriveVanished, SourceChanged
from mendbay.core.quantity import count_text
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.inlets.power_relay import PowerRelay, RelaySettings
from mendbay.inlets.reader import ReaderProcess
from mendbay.jobs.drive_reading import NOT_GIVEN_ON_RETURN, DriveReading, Ending
from mendbay.jobs.events import Event, Said
from mendbay.jobs.ports import PowerCycle
from mendbay.outlets.image_file import ImageFile
from support.memory_store import MemoryStore
from support.processes import children
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 40_000
CONTENT = numbered(SECTORS)


class Run:
    """A reading of the drive at `path` that loses it before the third read."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "drive.img"
        self.path.write_bytes(CONTENT)
        self.image_path = folder / "bay-1.img"
        self.said: list[str] = []
        self.asked = 0

    def tell(self, event: Event) -> None:
        if isinstance(event, Said):
            self.said.append(event.text)

    def lose_it(self) -> bool:
        self.asked += 1
        if self.asked == 3:
            with self.path.open("r+b") as file:
                file.truncate(0)
        return False

    def __call__(self, power_cycle: PowerCycle) -> Ending:
        with ReaderProcess(self.path, patience_seconds=10) as reader:
            image = ImageFile.create(self.image_path, reader.identity)
            image.begin_run("Dock", str(self.path))
            reading = DriveReading(
                "1", reader, image, SystemClock(), self.tell, power_cycle=power_cycle, stop=self.lose_it
            )
            try:
                return reading.run()
            finally:
                image.close()

    def kept(self) -> tuple[int, bool]:
        """How many bytes the image claims, and whether each of them is the first drive's."""
        image = ImageFile.reopen(self.image_path, writable=False)
        read = image.coverage().read
        sound = all(image.take(span) == CONTENT[span.start : span.stop] for span in read)
        image.close()
        return read.total_bytes, sound


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return Run(tmp_path)


def back(run: Run, content: bytes) -> PowerCycle:
    def cycle(bay: str) -> bool:
        run.path.write_bytes(content)
        return True

    return cycle


def relay(run: Run, *lines: str, otherwise: PowerCycle = lambda bay: False, most: int = 3) -> PowerRelay:
    script = run.path.parent / "relay"
    script.write_text("\n".join(("#!/bin/sh", *lines)) + "\n")
    script.chmod(0o700)
    return PowerRelay(RelaySettings((str(script), "{bay}"), 1.0, 0.0, most), run.tell, otherwise)


def test_no_bytes_pause_the_reading_and_the_relay_brings_the_drive_back(run: Run, tmp_path: Path) -> None:
    good = tmp_path / "good"
    good.write_bytes(CONTENT)
    assert run(relay(run, f"cat {good} > {run.path}")) is Ending.DONE
    assert run.kept() == (len(CONTENT), True)
    assert run.said == [
        "The drive in bay 1 no longer answers.",
        "The relay cuts and restores the power of the drive in bay 1.",
        "The drive in bay 1 is back; reading goes on.",
    ]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (("exit 4",), "exit code 4"),
        (("exec sleep 60",), "did not end within 1 seconds"),
        (("kill -9 $$",), "signal 9"),
    ],
    ids=["fails", "hangs", "is killed"],
)
@pytest.mark.parametrize("somebody", [True, False], ids=["with somebody there", "with nobody there"])
def test_where_the_relay_fails_the_person_is_waited_for_and_without_one_all_is_kept(
    run: Run, lines: tuple[str, ...], told: str, somebody: bool
) -> None:
    cycle = relay(run, *lines, otherwise=back(run, CONTENT) if somebody else lambda bay: False)
    if somebody:
        assert run(cycle) is Ending.DONE
        assert run.kept() == (len(CONTENT), True)
    else:
        with pytest.raises(DriveVanished, match="everything read so far is kept"):
            run(cycle)
        read, sound = run.kept()
        assert 0 < read < len(CONTENT)
        assert sound
    assert any(told in one for one in run.said)


def test_a_relay_that_is_missing_is_told_and_the_person_is_waited_for(run: Run) -> None:
    gone = PowerRelay(RelaySettings(("/nowhere/relay",), 1.0, 0.0, 3), run.tell, back(run, CONTENT))
    assert run(gone) is Ending.DONE
    assert any("/nowhere/relay cannot be started" in one for one in run.said)


def test_a_relay_that_does_not_help_is_not_run_for_ever(run: Run) -> None:
    with pytest.raises(DriveVanished):
        run(relay(run, "exit 0", most=4))
    assert sum("cuts and restores" in one for one in run.said) == 4


@pytest.mark.parametrize(
    ("other", "told"),
    [
        (CONTENT[: len(CONTENT) // 2], f"{count_text(10_240_000)} bytes"),
        (CONTENT + bytes(512), f"{count_text(20_480_512)} bytes"),
        (bytes(512) + CONTENT[:-512], "holds other bytes at 0"),
        (b"\xff" * len(CONTENT), "holds other bytes at 0"),
    ],
    ids=["smaller", "larger", "shifted", "other content"],
)
def test_another_drive_in_its_place_is_refused_by_name_and_nothing_of_it_is_kept(
    run: Run, other: bytes, told: str
) -> None:
    with pytest.raises(SourceChanged, match=r"holds other|now has") as caught:
        run(back(run, other))
    assert told in caught.value.what
    assert "Connect the drive that was there before" in caught.value.next_step
    read, sound = run.kept()
    assert 0 < read < len(CONTENT)
    assert sound


class Returning(ScriptedDrive):
    """A drive without a serial number that vanishes once; what it does when it is back is its own matter."""

    def __init__(self, when_back: Callable[[Returning, Span], Outcome]) -> None:
        super().__init__(CONTENT, vanish_after=4, serial="")
        self.when_back = when_back
        self.back = 0
        self.asked_when_back: list[Span] = []

    def returned(self) -> bool:
        self.gone, self.back = False, self.back + 1
        return True

    def answer(self) -> Attempt:
        if not self.back:
            return super().answer()
        span = self._queue[0]
        outcome = self.when_back(self, span)
        if outcome is Outcome.GIVEN:
            return super().answer()
        self.asked_when_back.append(self._queue.popleft())
        self._queue.clear()
        return Attempt(span, outcome, memoryview(b""), 0.1, "EIO")


def reading(drive: ScriptedDrive, said: list[str], cycles: list[str], most: int = 3) -> DriveReading:
    def tell(event: Event) -> None:
        if isinstance(event, Said):
            said.append(event.text)

    def cycle(bay: str) -> bool:
        cycles.append(bay)
        return len(cycles) <= most

    store = MemoryStore(drive.identity)
    return DriveReading("1", drive, store, SystemClock(), tell, power_cycle=cycle)


def test_one_that_vanishes_over_the_comparison_is_cycled_again() -> None:
    def once(drive: Returning, span: Span) -> Outcome:
        return Outcome.VANISHED if drive.back == 1 else Outcome.GIVEN

    said: list[str] = []
    cycles: list[str] = []
    assert reading(Returning(once), said, cycles).run() is Ending.DONE
    assert cycles == ["1", "1"]
    assert sum("is back" in one for one in said) == 1


def test_one_that_refuses_what_it_gave_before_is_not_worn_by_comparing() -> None:
    def refusing_small(drive: Returning, span: Span) -> Outcome:
        is_sample = span.length == 512 and len(drive.asked_when_back) < NOT_GIVEN_ON_RETURN
        return Outcome.REFUSED if is_sample else Outcome.GIVEN

    said: list[str] = []
    drive = Returning(refusing_small)
    assert reading(drive, said, []).run() is Ending.DONE
    assert len(drive.asked_when_back) == NOT_GIVEN_ON_RETURN
    assert any(
        "Nothing shows that the drive that is back in bay 1 is the one that vanished" in one for one in said
    )


def test_one_with_a_serial_number_is_believed_by_it() -> None:
    drive = Returning(lambda drive, span: Outcome.GIVEN)
    drive._identity = replace(drive._identity, serial="K-0113")
    said: list[str] = []
    assert reading(drive, said, []).run() is Ending.DONE
    spans = [span for span, _ in drive.log]
    assert len(spans) == len(set(spans)), "nothing is read twice"


def test_each_drive_has_a_process_and_a_memory_of_its_own(tmp_path: Path) -> None:
    for bay in "12":
        (tmp_path / bay).write_bytes(CONTENT)
    before = children()
    with ReaderProcess(tmp_path / "1") as one, ReaderProcess(tmp_path / "2") as two:
        own = children() - before
        assert len(own) == 2
        shared = set()
        for process in own:
            links = [path.readlink() for path in Path(f"/proc/{process}/fd").iterdir()]
            assert any(str(link).startswith("/memfd:mendbay-read") for link in links)
            maps = Path(f"/proc/{process}/maps").read_text().splitlines()
            (where,) = (line for line in maps if "/memfd:mendbay-read" in line)
            assert " rw-s " in where, "shared, so that no byte of the drive goes through the channel"
            shared.add(where.split()[4])
        assert len(shared) == 2, "two memories"
        for reader in (one, two):
            reader.ask(Span(0, 1 << 20))
        assert all(reader.answer().outcome is Outcome.GIVEN for reader in (two, one))
    assert children() - before == set()
