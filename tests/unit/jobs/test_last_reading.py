"""A drive that refused everything in the end: what the case makes of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.core.errors import DriveDied
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Tell
from mendbay.jobs.gather_signs import gathered_signs
from mendbay.jobs.last_reading import last_ending
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.set_aside import set_aside
from mendbay.triage.belief import Asked
from support.scripted_drive import numbered


@pytest.fixture
def dying(tmp_path: Path) -> DriveAt:
    """Gives its first sectors, then nothing."""
    (tmp_path / "drive.img").write_bytes(numbered(100_000))
    (tmp_path / "dying.toml").write_text(
        'image = "drive.img"\nserial = "S1"\nrefused = [[50000, 50000]]\ndies_after_refusals = 3\n'
        f'state_file = "{tmp_path}/wear.json"\n'
    )
    return DriveAt("1", f"unsteady:{tmp_path}/dying.toml")


def test_the_case_knows_of_it_until_it_is_read_otherwise(
    bench: Bench, dying: DriveAt, said: list[str], hear: Tell
) -> None:
    assert last_ending(bench, 1, "1") is None
    with pytest.raises(DriveDied):
        read_drive(bench, 1, dying)
    assert last_ending(bench, 1, "1") is Ending.DIED
    assert last_ending(bench, 1, "2") is None
    assert gathered_signs(bench, 1)[Asked("refusals", "1")].answer == "most"
    listening = replace(bench, tell=hear)
    with pytest.raises(DriveDied):
        read_drive(listening, 1, dying)
    assert any("ended because it refused everything" in text for text in said)
    set_aside(bench, 1, "1", "the drives were mixed up")
    assert last_ending(bench, 1, "1") is None, "that was another drive"


def test_a_reading_to_the_end_is_no_death(bench: Bench, tmp_path: Path, said: list[str], hear: Tell) -> None:
    (tmp_path / "drive.img").write_bytes(numbered(1_000))
    for _ in range(2):
        read_drive(replace(bench, tell=hear), 1, DriveAt("1", str(tmp_path / "drive.img")))
    assert last_ending(bench, 1, "1") is Ending.DONE
    assert not any("refused everything" in text for text in said)
