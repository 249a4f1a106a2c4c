"""A drive that vanished, on a real terminal: the question about its power, and Ctrl-C for an answer."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from mendbay.core.span import SpanSet
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import make_small_scenario
from mendbay.wiring import open_bench
from support.boxes import small_base
from support.terminal import CTRL_C, OnTerminal

QUESTION = "shall reading go on? [y/n]: "
SOON = 5.0
"""Seconds in which a program that was stopped must have ended, on a busy machine."""
READS = 12
"""The drive drops off the bus after so many."""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery")
    return tmp_path / "home"


@pytest.fixture
def drive(tmp_path: Path) -> str:
    """A drive of 32 MiB that drops off the bus."""
    (tmp_path / "drive.img").write_bytes(bytes(range(256)) * 131_072)
    description = tmp_path / "drive.toml"
    description.write_text(
        f'image = "drive.img"\nserial = "S1"\nvanish_after_reads = {READS}\nrefused = [[9, 1]]\n'
    )
    return f"unsteady:{description}"


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    """A mirror in step; the drive of bay 2 drops off the bus once its descriptions are read."""
    folder = tmp_path_factory.mktemp("box")
    made = make_small_scenario(folder / "drives", 1, base=small_base(folder / "base"))
    for bay, one in enumerate(made.drives):
        one.unlink()
        write_drive(one, made.images[bay], Faults(SpanSet()), seed=bay, serial=f"S{bay}")
    text = made.drives[1].read_text()
    made.drives[1].write_text(f"vanish_after_reads = {READS}\n{text}")
    return made


def story(home: Path) -> list[str]:
    with open_bench(home) as bench:
        return [one.text for one in bench.ledger.events(1) if one.kind == "imaging"]


def custody(home: Path) -> list[str]:
    with open_bench(home) as bench:
        return [f"{one.item}: {one.what}" for one in bench.ledger.custody(1)]


def summed_up(terminal: OnTerminal, bay: str) -> bool:
    """Whether it stands on the terminal how much of a bay's drive was read."""
    return any(one.startswith(f"Bay {bay}: ") and " read, " in one for one in terminal.lines())


def kept_bytes(home: Path, bay: str) -> int:
    with open_bench(home) as bench:
        store = bench.images.reopen(bench.ledger.case(1), bay, writable=False)
        try:
            return store.coverage().read.total_bytes
        finally:
            store.close()


def test_ctrl_c_at_the_question_ends_the_reading_at_once_with_all_kept(home: Path, drive: str) -> None:
    terminal = OnTerminal(home, ["drive", "read", "1", "1", drive])
    terminal.until(QUESTION)
    began = time.monotonic()
    terminal.type(CTRL_C)
    assert terminal.ended(SOON) == 130
    assert time.monotonic() - began < SOON
    assert "read under way" not in terminal.said, "none is"
    assert "Traceback" not in terminal.said
    kept = kept_bytes(home, "1")
    assert kept
    assert summed_up(terminal, "1")
    assert any(one.startswith("Drive of bay 1 read: ") and "stopped by hand" in one for one in story(home))


def test_ctrl_c_at_the_question_of_one_of_two_drives_ends_both(home: Path, box: Scenario) -> None:
    sources = [f"{bay}=unsteady:{one}" for bay, one in zip("12", box.drives, strict=True)]
    terminal = OnTerminal(home, ["pair", "read", "1", *sources, "--both-whole"])
    terminal.until(QUESTION)
    terminal.type(CTRL_C)
    assert terminal.ended(SOON) == 130
    assert "Fatal" not in terminal.said
    assert kept_bytes(home, "1")
    assert kept_bytes(home, "2")
    for bay in "12":
        assert summed_up(terminal, bay)
        assert any(one.startswith(f"Drive of bay {bay} read: ") for one in story(home))
    assert not [one for one in story(home) if one.startswith("Drive of bay 1") and "bay 2" in one]


def test_only_a_clear_yes_is_a_yes_and_a_drive_that_stays_silent_is_told(home: Path, drive: str) -> None:
    terminal = OnTerminal(home, ["drive", "read", "1", "1", drive])
    terminal.until(QUESTION)
    terminal.type("\r")
    assert "still" not in terminal.until(QUESTION), "Enter alone says nothing about the power"
    terminal.type("y\r")
    assert "The drive in bay 1 still does not answer." in terminal.until(QUESTION)
    terminal.type("n\r")
    assert terminal.ended() == 14
    assert summed_up(terminal, "1")
    found = story(home)
    assert "The drive in bay 1 no longer answered." in found
    assert "The power of the drive in bay 1 was cut and restored." in found
    assert "The drive in bay 1 still did not answer." in found
    assert any(one.startswith("Drive of bay 1 read: ") and "no longer answers" in one for one in found)
    assert len([one for one in custody(home) if one.startswith("drive of bay 1: power cut")]) == 1


def test_the_terminal_hanging_up_counts_as_no_answer(home: Path, drive: str) -> None:
    terminal = OnTerminal(home, ["drive", "read", "1", "1", drive])
    terminal.until(QUESTION)
    terminal.type("\x04")
    assert terminal.ended() == 14


@pytest.mark.parametrize("columns", [80, 60])
def test_no_line_of_a_reading_is_broken_within_a_word(home: Path, drive: str, columns: int) -> None:
    terminal = OnTerminal(home, ["drive", "read", "1", "1", drive], columns)
    terminal.until(QUESTION)
    terminal.type("n\r")
    assert terminal.ended() == 14
    names = ("image: ", "/", "SHA-256")
    long = [one for one in terminal.lines() if len(one) > columns and not one.strip().startswith(names)]
    assert not long


def test_an_error_does_not_stand_behind_the_progress(home: Path, drive: str) -> None:
    terminal = OnTerminal(home, ["drive", "read", "1", "1", drive])
    terminal.until(QUESTION)
    terminal.type("n\r")
    terminal.ended()
    assert [
        one for one in terminal.lines() if one.startswith("mendbay: The drive in bay 1 no longer answers")
    ]
