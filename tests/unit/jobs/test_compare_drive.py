"""A second reading of a drive ends when the drive gets hot, or worse."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from mendbay.core.errors import DriveDied
from mendbay.core.source import Identity
from mendbay.imaging.ata_answer import Answer, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.block_digests import BLOCK_BYTES
from mendbay.inlets.bench_drives import BenchDrives
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
