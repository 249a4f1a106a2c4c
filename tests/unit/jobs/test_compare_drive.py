"""A second reading of a drive ends when the drive gets hot, or worse; one that vanishes is brought back."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from mendbay.core.errors import DriveDied, DriveVanished, SourceChanged
from mendbay.core.source import Identity
from mendbay.imaging.ata_answer import Answer, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.inlets.power_relay import PowerRelay, RelaySettings
from mendbay.jobs.bench import Bench
from mendbay.jobs.compare_drive import REFUSALS_BORNE, REFUSALS_BORNE_IN_ALL, compare_drive
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Event, Said
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.ports import DriveLine, DriveReader
from mendbay.jobs.read_drive import DriveAt, read_drive
from support.ata_pages import identity_page, sct_page
from support.clocks_by_hand import Quick
from support.scripted_drive import ScriptedDrive, numbered

PIECES = 120
SECTORS_A_PIECE = BLOCK_BYTES // 512


@dataclass
class Warm:
    """The line to a drive of one temperature."""

    celsius: int
    is_present: bool = True

    def ask(self, question: Question) -> Answer:
        warmth = sct_page(self.celsius)
        found = {Question.IDENTIFY: identity_page(words={206: 1}), Question.SCT_STATUS: warmth}.get(question)
        return answer_of(question, Passed(error=25) if found is None else Passed(data=found))

    def close(self) -> None:
        """Nothing is open."""


class Kept(ScriptedDrive):
    """A drive that can be named."""

    @property
    def identity(self) -> Identity:
        return replace(self._identity, name="/dev/null")

    def close(self) -> None:
        """Nothing is open."""


def no_bytes(drive: Kept, pieces: set[int]) -> None:
    """Has a drive vanish over these pieces, each time it is asked for them."""
    drive.vanish_at = {piece * SECTORS_A_PIECE for piece in pieces}


@dataclass
class Drives(BenchDrives):
    """One drive, whatever is named."""

    drive: Kept
    celsius: int = 30

    def open(self, where: str) -> DriveReader:
        return self.drive  # type: ignore[return-value]

    def line(self, where: str) -> DriveLine:
        return Warm(self.celsius)

    def guard(self, where: str, folder: Path, needed_bytes: int, file_name: str) -> None:
        """There is room."""


@pytest.fixture
def drives() -> Drives:
    return Drives(Kept(numbered(PIECES * SECTORS_A_PIECE)))


@pytest.fixture
def read(bench: Bench, drives: Drives) -> Bench:
    """The bench, with the drive of bay 1 read into its image."""
    made = replace(bench, drives=drives)
    assert read_drive(made, 1, DriveAt("1", "drive")).is_complete
    return made


def test_it_ends_when_the_drive_gets_too_hot(read: Bench, drives: Drives) -> None:
    drives.celsius = 61
    said: list[Event] = []
    found = compare_drive(replace(read, clock=Quick(), tell=said.append), 1, DriveAt("1", "drive"))
    assert found.ending is Ending.TOO_HOT
    assert 0 < found.compared_bytes < PIECES * BLOCK_BYTES
    assert found.left_bytes == PIECES * BLOCK_BYTES - found.compared_bytes
    assert any(isinstance(one, Said) and "was at 61 °C" in one.text for one in said)
    assert any("got too hot" in one.text for one in read.ledger.events(1))


def test_refusals_are_bounded_in_all_and_not_only_in_a_row(read: Bench, drives: Drives) -> None:
    drives.drive.bad = {piece * SECTORS_A_PIECE for piece in range(0, PIECES, 2)}
    drives.drive.log.clear()
    found = compare_drive(read, 1, DriveAt("1", "drive"))
    assert found.ending is Ending.WORSE
    assert found.refused_bytes == REFUSALS_BORNE_IN_ALL * BLOCK_BYTES
    assert len(drives.drive.log) == 2 * REFUSALS_BORNE_IN_ALL - 1
    drives.drive.bad = {piece * SECTORS_A_PIECE for piece in range(REFUSALS_BORNE)}
    with pytest.raises(DriveDied):
        compare_drive(read, 1, DriveAt("1", "drive"))


def test_a_cool_sound_drive_is_compared_to_the_end_and_its_temperature_noted(read: Bench) -> None:
    found = compare_drive(replace(read, clock=Quick()), 1, DriveAt("1", "drive"))
    assert (found.ending, found.left_bytes, found.differences) == (Ending.DONE, 0, ())
    with closing(image_of(read, 1, "1", writable=False)) as image:
        assert {row.celsius for row in image.rows() if row.outcome == "again"} == {None, 30.0}  # type: ignore[attr-defined]


# ---------------------------------------------------------------------- a drive that vanishes


@dataclass
class Hands:
    """Who cuts and restores the power, and what was said meanwhile."""

    drive: Kept
    turns: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    stop: bool = False

    def tell(self, event: Event) -> None:
        if isinstance(event, Said):
            self.said.append(event.text)

    def cycle(self, bay: str) -> bool:
        self.turns.append(bay)
        self.drive.power_cycle()
        return True

    def bench(self, bench: Bench) -> Bench:
        return replace(bench, tell=self.tell, power_cycle=self.cycle, stop=lambda: self.stop)


@pytest.fixture
def hands(drives: Drives) -> Hands:
    return Hands(drives.drive)


def test_one_that_vanishes_is_brought_back_and_compared_on(read: Bench, hands: Hands) -> None:
    no_bytes(hands.drive, {7, 50})
    hands.drive.log.clear()
    found = compare_drive(hands.bench(read), 1, DriveAt("1", "drive"))
    assert found.ending is Ending.DONE
    assert (found.refused_bytes, found.left_bytes) == (2 * BLOCK_BYTES, 0)
    assert hands.turns == ["1", "1"]
    assert hands.said[:2] == [
        "The drive in bay 1 no longer answers.",
        "The drive in bay 1 is back; reading goes on.",
    ]
    asked = [span for span, _ in hands.drive.log]
    assert len(asked) == len(set(asked)) == PIECES, "what it vanished over is not asked for once more"
    with closing(image_of(read, 1, "1", writable=False)) as image:
        gone = [one for one in image.refusals() if one.trouble == "gone"]
        assert [one.span.start for one in gone] == [7 * BLOCK_BYTES, 50 * BLOCK_BYTES]


def test_the_shops_relay_brings_it_back(read: Bench, hands: Hands, tmp_path: Path) -> None:
    cycled = tmp_path / "cycled"
    script = tmp_path / "relay"
    script.write_text(f'#!/bin/sh\necho "$1" >> {cycled}\n')
    script.chmod(0o700)
    relay = PowerRelay(
        RelaySettings((str(script), "{bay}"), 5.0, 0.0, 3), hands.tell, lambda bay: False, lambda: hands.stop
    )

    def cycle(bay: str) -> bool:
        return relay(bay) and hands.cycle(bay)

    no_bytes(hands.drive, {7})
    found = compare_drive(replace(hands.bench(read), power_cycle=cycle), 1, DriveAt("1", "drive"))
    assert found.ending is Ending.DONE
    assert cycled.read_text() == "1\n"


def test_one_that_vanishes_over_and_over_is_not_cycled_for_ever(read: Bench, hands: Hands) -> None:
    no_bytes(hands.drive, set(range(20, PIECES)))
    with pytest.raises(DriveDied):
        compare_drive(hands.bench(read), 1, DriveAt("1", "drive"))
    assert len(hands.turns) == REFUSALS_BORNE - 1


def test_one_that_stays_away_ends_it_with_all_kept(read: Bench, hands: Hands) -> None:
    no_bytes(hands.drive, {7})
    alone = replace(hands.bench(read), power_cycle=lambda bay: False)
    with pytest.raises(DriveVanished, match="what was compared so far is kept"):
        compare_drive(alone, 1, DriveAt("1", "drive"))
    with closing(image_of(read, 1, "1", writable=False)) as image:
        assert sum(row.outcome == "again" for row in image.rows()) == 7  # type: ignore[attr-defined]


def test_another_that_comes_back_is_not_compared(read: Bench, hands: Hands) -> None:
    hands.drive._identity = replace(hands.drive._identity, serial="")
    no_bytes(hands.drive, {7})

    def swapped(bay: str) -> bool:
        hands.drive.data = bytes(512) + hands.drive.data[:-512]
        return hands.cycle(bay)

    with pytest.raises(SourceChanged, match="holds other bytes at"):
        compare_drive(replace(hands.bench(read), power_cycle=swapped), 1, DriveAt("1", "drive"))
    with closing(image_of(read, 1, "1", writable=False)) as image:
        assert image.differences() == ()


def test_a_stop_while_it_is_away_is_told_as_one(read: Bench, hands: Hands) -> None:
    no_bytes(hands.drive, {7})

    def stopped(bay: str) -> bool:
        hands.stop = True
        return False

    found = compare_drive(replace(hands.bench(read), power_cycle=stopped), 1, DriveAt("1", "drive"))
    assert found.ending is Ending.STOPPED
    assert found.compared_bytes == 7 * BLOCK_BYTES
    assert any("stopped by hand" in one.text for one in read.ledger.events(1))
