"""A folder for cases that is named and not there is made, and that is told: its name may be a slip."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from mendbay.jobs.events import Event, Said
from mendbay.wiring import open_bench
from support.answers import Run


def one_line(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(
    "words", [("case", "list"), ("case", "show", "1"), ("case", "open", "Quillmere Pottery")]
)
def test_it_is_told_once(without_case: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    said = f"The folder {tmp_path / 'home'} was not there: it is made, and has no case in it."
    assert one_line(without_case(*words).stderr).startswith(said)
    assert "was not there" not in without_case("case", "list").stderr


def test_an_answer_for_programs_stays_one_document(without_case: Run) -> None:
    done = without_case("--json", "case", "list")
    assert (json.loads(done.stdout), done.stderr) == ([], "")


def test_the_default_of_this_machine_is_made_without_a_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Event] = []
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("MENDBAY_HOME", raising=False)
    with open_bench(tell=told.append):
        assert not told
    with open_bench(tmp_path / "named" / "deep", tell=told.append):
        (said,) = told
        assert isinstance(said, Said)
    with open_bench(tmp_path / "named" / "deep", tell=told.append):
        assert len(told) == 1


def test_a_folder_for_the_demo_that_cannot_be_made_is_told(without_case: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    done = without_case("demo", "--simulated", "--folder", tmp_path / "file" / "demo")
    assert done.returncode == 2
    assert "demo cannot be made: Not a directory." in one_line(done.stderr)
    assert "Choose another: mendbay demo FOLDER" in one_line(done.stderr)


def test_the_folder_for_the_demo_is_given_without_an_option_too(without_case: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    done = without_case("demo", "--simulated", tmp_path / "file" / "demo")
    assert "demo cannot be made: Not a directory." in one_line(done.stderr)
    twice = without_case("demo", tmp_path / "here", "--folder", tmp_path / "there")
    assert (twice.returncode, "given twice" in twice.stderr) == (2, True)
    assert "[FOLDER]" in without_case("demo", "--help").stdout
