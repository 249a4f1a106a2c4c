"""The simulated drive beyond what every reader promises: its time, and the wear it keeps."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from mendbay.core.errors import SourceTooSmall, UsageError
from mendbay.core.span import Span
from mendbay.imaging.attempt import Outcome
from mendbay.inlets.unsteady import DriveClock, UnsteadyDrive
from mendbay.inlets.unsteady_description import Slow, UnsteadyDescription
from support.benches import REFUSED, WEAK, Bench, description_of


def opened(folder: Path, **changes: object) -> Bench:
    description = description_of(folder, **changes)  # type: ignore[arg-type]
    return Bench(UnsteadyDrive(description), description.image.read_bytes(), description.sector_bytes)


def test_it_says_the_model_and_serial_described(tmp_path: Path) -> None:
    identity = opened(tmp_path, model="AL20-HX4", serial="7K0042").reader.identity
    assert (identity.kind, identity.model, identity.serial) == ("drive", "AL20-HX4", "7K0042")


def test_time_follows_the_model_and_does_not_pass(tmp_path: Path) -> None:
    bench = opened(
        tmp_path,
        command_seconds=1.0,
        seek_seconds=10.0,
        seconds_per_sector=0.5,
        refusal_seconds=100.0,
        patience_seconds=1000.0,
        slow=(Slow(50, 7.0, 3),),
    )
    begun = time.monotonic()
    assert bench.read(0, 4).seconds == 1 + 4 * 0.5
    assert bench.read(4, 4).seconds == 1 + 4 * 0.5, "no seek where the last read ended"
    assert bench.read(20, 2).seconds == 1 + 10 + 2 * 0.5
    assert bench.read(48, 4).seconds == 1 + 10 + 4 * 0.5 + 2 * 7
    assert bench.read(REFUSED - 2, 10).seconds == 1 + 10 + 2 * 0.5 + 100
    assert bench.read(20_000).seconds == 1000
    assert time.monotonic() - begun < 1
    clock = DriveClock(bench.reader, datetime(2026, 3, 2, 9, 0, tzinfo=UTC))  # type: ignore[arg-type]
    assert clock.steady_seconds() == 3 + 3 + 12 + 27 + 112 + 1000
    assert clock.now() == datetime(2026, 3, 2, 9, 19, 17, tzinfo=UTC)


def test_real_time_passes_if_asked_for(tmp_path: Path) -> None:
    bench = opened(tmp_path, real_time=True, command_seconds=0.2, seek_seconds=0.0)
    begun = time.monotonic()
    bench.read(0)
    assert time.monotonic() - begun >= 0.2


def test_a_ragged_last_sector_is_given(tmp_path: Path) -> None:
    image = tmp_path / "ragged.img"
    image.write_bytes(b"a" * 512 + b"b" * 100)
    drive = UnsteadyDrive(UnsteadyDescription(image))
    drive.ask(Span(0, 612))
    assert bytes(drive.answer().data) == image.read_bytes()
    drive.ask(Span(512, 612))
    assert bytes(drive.answer().data) == b"b" * 100


def test_an_image_without_a_sector_is_too_small(tmp_path: Path) -> None:
    (tmp_path / "a.img").write_bytes(bytes(100))
    with pytest.raises(SourceTooSmall, match="100 bytes"):
        UnsteadyDrive(UnsteadyDescription(tmp_path / "a.img"))


def test_wear_outlives_the_process_that_caused_it(tmp_path: Path) -> None:
    state = tmp_path / "wear.json"
    outcomes = []
    for _ in range(4):
        bench = opened(tmp_path, state_file=state)
        outcomes.append(bench.read(WEAK).outcome)  # never closed: as good as killed
    assert outcomes == [Outcome.REFUSED, Outcome.REFUSED, Outcome.GIVEN, Outcome.GIVEN]
    assert [one.name for one in tmp_path.glob("wear*")] == ["wear.json"]


def test_a_vanished_drive_stays_vanished_for_the_next_process(tmp_path: Path) -> None:
    state = tmp_path / "wear.json"
    first = opened(tmp_path, state_file=state, vanish_after_reads=2)
    assert [first.read(0).outcome for _ in range(3)][-1] is Outcome.VANISHED
    second = opened(tmp_path, state_file=state, vanish_after_reads=2)
    assert not second.reader.returned()
    assert second.read(0).outcome is Outcome.VANISHED
    second.reader.power_cycle()  # type: ignore[attr-defined]
    third = opened(tmp_path, state_file=state, vanish_after_reads=2)
    assert third.reader.returned()
    assert third.read(0).outcome is Outcome.GIVEN


def test_closing_keeps_the_counts(tmp_path: Path) -> None:
    state = tmp_path / "wear.json"
    with UnsteadyDrive(description_of(tmp_path, state_file=state)) as drive:
        Bench(drive, b"", 512).read(0)
    assert json.loads(state.read_text())["worn"]["reads_since_power"] == 1


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"description": "x", "worn": {}}'])
def test_a_state_file_that_does_not_fit_is_refused(tmp_path: Path, content: str) -> None:
    state = tmp_path / "wear.json"
    state.write_text(content)
    with pytest.raises(UsageError, match="cannot be used") as found:
        UnsteadyDrive(description_of(tmp_path, state_file=state))
    assert "Delete it" in found.value.next_step


def test_the_state_of_another_description_is_refused(tmp_path: Path) -> None:
    state = tmp_path / "wear.json"
    opened(tmp_path, state_file=state).reader.close()
    with pytest.raises(UsageError, match="another description"):
        UnsteadyDrive(description_of(tmp_path, state_file=state, refused=((1, 1),)))


def test_an_image_that_shrinks_while_it_is_read_has_vanished(tmp_path: Path) -> None:
    bench = opened(tmp_path)
    with (tmp_path / "drive.img").open("r+b") as file:
        file.truncate(512 * 100)
    assert bench.read(200).outcome is Outcome.VANISHED


def test_a_drive_that_comes_back_is_there_when_it_is_looked_for(tmp_path: Path) -> None:
    bench = opened(tmp_path, vanish_after_reads=1, comes_back=True)
    outcomes = []
    for _ in range(3):
        outcomes.append(bench.read(0).outcome)
        assert bench.reader.returned()
    assert outcomes == [Outcome.GIVEN, Outcome.VANISHED, Outcome.GIVEN]
