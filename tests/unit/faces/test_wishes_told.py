"""What is said of wishes that match nothing, are several in one or replaced; and of what was waived."""

from __future__ import annotations

import pytest

from mendbay.outlets.scenario.scenario import Scenario
from support.answers import Run, answer
from support.boxes import giving_box, small_base


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    return giving_box(tmp_path_factory.mktemp("box"), small_base(tmp_path_factory.mktemp("base")))


@pytest.fixture
def run(without_case: Run) -> Run:
    return without_case


def said(run: Run, code: int, *words: object) -> str:
    done = run(*words)
    assert done.returncode == code, done.stdout + done.stderr
    return " ".join((done.stdout + done.stderr).split())


def test_only_wanted_that_nothing_matches_ends_with_its_own_code(run: Run, box: Scenario) -> None:
    said(run, 0, "case", "open", "Quillmere Pottery")
    first = f"1=unsteady:{box.drives[0]}"
    told = said(run, 32, "pair", "read", 1, first, "--want", "*.docx", "--only-wanted")
    assert "No file on the volume matches '*.docx'." in told
    assert "Nothing is said to be wanted" in said(run, 2, "pair", "read", 1, first, "--only-wanted")
    told = said(run, 0, "pair", "read", 1, first, "--want", "*.docx", "--want", "02.txt", "--only-wanted")
    assert "No file matches '*.docx'." in told
    assert "No file matches '02.txt'" not in told
    assert "; what is wanted was tried." in told
    assert "the same command without --only-wanted goes on with it." in told


def test_an_empty_wish_is_refused_when_it_is_told_and_several_in_one_are_told(run: Run) -> None:
    assert "A pattern is empty." in said(run, 2, "case", "open", "One", "--want", "")
    told = said(run, 0, "case", "open", "One", "--want", "*.xlsx *.txt")
    assert "'*.xlsx *.txt' is ONE pattern, with blanks in it." in told
    told = said(run, 0, "case", "open", "Two", "--want", "last year.xlsx", "--want", "*.txt")
    assert "ONE pattern" not in told


def test_wishes_told_anew_say_what_they_replace(run: Run) -> None:
    said(run, 0, "case", "open", "One", "--want", "*.xlsx")
    assert "It takes the place of: *.xlsx" in said(run, 0, "case", "tell", 1, "wanted", "*.txt")
    assert "takes the place" not in said(run, 0, "case", "tell", 1, "wanted", "*.txt")
    said(run, 0, "case", "tell", 1, "wanted", "*.txt, photos/*")
    shown = answer(run, "case", "show", 1)
    assert shown["wanted"] == ["*.txt", "photos/*"]
    assert [one["wanted"] for one in shown["wanted_before"]] == [["*.xlsx"], ["*.txt"]]
    until = [one["until"] for one in shown["wanted_before"]]
    story = said(run, 0, "case", "show", 1)
    assert f"wanted first: *.txt, photos/* until {until[0]}: *.xlsx until {until[1]}: *.txt folder" in story
    assert "xlsx" not in " ".join(one["text"] for one in shown["events"]), "they are kept and may name people"
    assert 'commas between: "*.xlsx, photos/*"' in said(run, 0, "case", "tell", "--help")


def test_a_drive_read_alone_says_that_wishes_do_not_count_and_what_was_waived(
    run: Run, box: Scenario
) -> None:
    said(run, 0, "case", "open", "One", "--want", "*.txt")
    drive = f"unsteady:{box.drives[0]}"
    told = said(run, 0, "pair", "read", 1, f"1={drive}", "--waive-unallocated")
    assert "were left on purpose" in told
    told = said(run, 3, "drive", "read", 1, 1, drive)
    assert "what the case wants first (*.txt) does not count here" in told
    assert "pair read 1 1=unsteady:" in told
    assert "pair read without --waive-unallocated reads them" in told
