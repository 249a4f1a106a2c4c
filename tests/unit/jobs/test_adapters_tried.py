"""A simulated drive behind two adapters, read as a technician would."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from mendbay.core.errors import DriveDied
from mendbay.core.source import Identity
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.bench import Bench
from mendbay.jobs.imaging_record import imaging_record
from mendbay.jobs.ports import DriveReader
from mendbay.jobs.read_drive import DriveAt, ReadResult, read_drive
from mendbay.outlets.checkpoint import Checkpoint, Row
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 40_000
BAD = frozenset(range(1000, 1040))
THROUGH_PORT = frozenset(range(1000, 1030))
"""What the drive gives through the port on the board."""


class OnAnAdapter(ScriptedDrive):
    """Named like a device, so that a guard has something to look at."""

    @property
    def identity(self) -> Identity:
        return replace(self._identity, name="/dev/null")


@dataclass
class Drives(BenchDrives):
    """One drive that refuses `bad`, whatever is named."""

    bad: set[int] = field(default_factory=set)
    serial: str = ""

    def open(self, where: str) -> DriveReader:
        return OnAnAdapter(numbered(SECTORS), bad=self.bad, serial=self.serial)  # type: ignore[return-value]

    def drive_behind(self, where: str) -> str:
        return "unsteady:none"

    def guard(self, where: str, folder: Path, needed_bytes: int, file_name: str) -> None:
        """There is room."""


def read(bench: Bench, bay: str, adapter: str, bad: set[int]) -> ReadResult:
    return read_drive(
        replace(bench, drives=Drives(bad=bad, serial=f"bay {bay}")), 1, DriveAt(bay, "a drive", adapter)
    )


def test_the_odds_of_a_second_adapter_are_learned_within_the_case(bench: Bench) -> None:
    first = read(bench, "1", "USB bridge", set(BAD))
    assert first.refused_bytes == len(BAD) * 512
    (another,) = first.worth_trying
    assert (another.adapter, another.sectors, another.asked) == ("", 40, 0)
    assert another.expected == pytest.approx(4.0)
    assert "No other adapter was named for the drives of this case." in bench.ledger.events(1)[-1].text

    second = read(bench, "1", "port on the board", set(BAD - THROUGH_PORT))
    assert second.refused_bytes == 10 * 512
    assert second.worth_trying == (), "the ten that are left were refused through both"

    other_bay = read(bench, "2", "usb-bridge", set(BAD))
    (port,) = other_bay.worth_trying
    assert (port.adapter, port.sectors, port.given, port.asked) == ("port on the board", 40, 30, 40)
    assert port.expected == pytest.approx(40 * 30.4 / 44)
    told = bench.ledger.events(1)[-1].text
    assert "Through the adapter “port on the board” about 28 of the 40 refused sectors may come" in told
    assert "it gave 30 of 40 sectors refused like them" in told


def test_nothing_is_said_where_nobody_named_the_adapter(bench: Bench) -> None:
    assert read(bench, "1", "", set(BAD)).worth_trying == ()


def test_a_drive_that_ended_with_refusing_everything_is_given_no_other_adapter(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mendbay.jobs.drive_reading.DEAD_AFTER", 20)
    read(bench, "1", "USB bridge", set(BAD))
    found: list[ReadResult] = []
    dead = replace(bench, drives=Drives(bad=set(range(SECTORS)), serial="bay 1"))
    with pytest.raises(DriveDied):
        read_drive(dead, 1, DriveAt("1", "a drive", "port on the board"), broken_off=found.append)
    assert found[0].refused_bytes > 0
    assert found[0].worth_trying == ()
    assert "adapter" not in bench.ledger.events(1)[-1].text


def test_a_drive_that_refuses_nothing_needs_no_other_adapter(bench: Bench) -> None:
    assert read(bench, "1", "USB bridge", set()).worth_trying == ()


@pytest.mark.parametrize(("second", "passes"), [("", 1), ("port on the board", 2)])
def test_the_log_is_gone_through_again_only_to_hold_adapters_against_each_other(
    bench: Bench, second: str, passes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    read(bench, "1", "USB bridge", set(BAD))
    read(bench, "1", second, set(BAD - THROUGH_PORT))
    taken: list[Checkpoint] = []
    rows = Checkpoint.rows

    def counted(log: Checkpoint) -> Iterator[Row]:
        taken.append(log)
        return rows(log)

    monkeypatch.setattr(Checkpoint, "rows", counted)
    record = imaging_record(bench, 1, "1")
    assert len(taken) == passes, "a page looks at it again and again while it grows"
    assert bool(record.chances) == (passes == 2)
