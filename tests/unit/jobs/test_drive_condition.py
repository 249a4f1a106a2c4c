"""What a drive is like to read: said once, kept, or taken from triage."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.imaging.hazard import HAZARDS, Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_condition import condition_of, said_condition
from mendbay.jobs.events import Tell
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt, opened, read_drive
from mendbay.jobs.triage_case import answer
from mendbay.triage.belief import Asked


@pytest.fixture
def drive(tmp_path: Path) -> str:
    image = tmp_path / "drive.img"
    image.write_bytes(os.urandom(1 << 16))
    return str(image)


def test_what_was_said_counts_until_something_else_is_said(
    bench: Bench, drive: str, said: list[str], hear: Tell
) -> None:
    listening = replace(bench, tell=hear)
    with opened(listening, 1, DriveAt("1", drive)) as one:
        assert one.hazard == HAZARDS[Condition.REFUSES], "nobody said anything"
    with opened(listening, 1, DriveAt("1", drive, condition=Condition.CLICKS)) as one:
        assert one.hazard == HAZARDS[Condition.CLICKS]
    assert not any("say what it is like" in text for text in said), "what was said now is not told back"
    with opened(listening, 1, DriveAt("1", drive)) as one:
        assert one.hazard == HAZARDS[Condition.CLICKS]
    assert [text for text in said if "say what it is like" in text] == [
        "The drive in bay 1 is read as one that clicks, as was said of it before. If it is otherwise, say "
        "what it is like: now, or at the next reading."
    ]
    assert condition_of(bench, 1, "2") is None, "the other drive is another"
    before = len(bench.ledger.events(1))
    assert condition_of(bench, 1, "1", Condition.CLICKS) is Condition.CLICKS
    assert len(bench.ledger.events(1)) == before, "said again is no news"
    assert condition_of(bench, 1, "1", Condition.HEALTHY) is Condition.HEALTHY
    assert said_condition(bench, 1, "1") is Condition.HEALTHY


def test_a_drive_that_triage_keeps_without_power_counts_as_one_that_clicks(
    bench: Bench, drive: str, said: list[str], hear: Tell
) -> None:
    answer(bench, 1, Asked("sound", "1"), "grinding")
    listening = replace(bench, tell=hear)
    although = Although(harmful="the last hope")
    read_drive(listening, 1, DriveAt("1", drive), although=although)
    assert any("one that clicks, because triage keeps it without power" in text for text in said)
    assert condition_of(bench, 1, "2") is None
    assert said_condition(bench, 1, "1") is None, "nobody said it"
    with opened(bench, 1, DriveAt("1", drive, condition=Condition.REFUSES)) as one:
        assert one.hazard == HAZARDS[Condition.REFUSES], "who looks at it knows better"
    assert condition_of(bench, 1, "1") is Condition.REFUSES
