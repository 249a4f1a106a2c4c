"""`drive facts` as a technician types it."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.answers import Run, answer, refused, text_of
from support.kept_pages import drive_pages


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_facts_have_their_documented_shape_and_reach_triage(run: Run, tmp_path: Path) -> None:
    pages = drive_pages(tmp_path / "pages", {5: 7, 9: 1200, 197: 3, 199: 0})
    found = answer(run, "drive", "facts", pages, "--case", 1, "--bay", 1, "--label", "2TB")
    assert found["drive"]["records"] == "counting"
    assert found["drive"]["size"] == [
        {"verdict": "as the standard has it", "words": found["drive"]["size"][0]["words"]}
    ]
    assert found["drive"]["limits"]["stop"] == 65
    assert found["seen"] is None
    known = answer(run, "triage", "show", "1")["known"]
    assert {(one["sign"], one["known"]) for one in known} >= {("smart", "counting"), ("detected", "right")}


def test_facts_for_people(run: Run, tmp_path: Path) -> None:
    pages = drive_pages(tmp_path / "pages", {5: 7, 197: 3}, celsius=61)
    shown = text_of(run, "drive", "facts", pages, "--counters")
    assert "It calls itself AL20-HX4, serial number AH4K-20719C, firmware 1.07." in shown
    assert "It is hot: 61" in shown
    assert "pending sectors" in shown
    assert "Next: " not in shown
    assert "Next: " in text_of(run, "drive", "facts", pages, "--case", 1, "--bay", 2)


def test_what_says_nothing_is_no_error_but_not_all(run: Run, tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(4096))
    found = answer(run, "drive", "facts", image, codes=(3,))
    assert (found["how"], found["drive"]) == ("not passed on", None)
    assert "says nothing of itself" in text_of(run, "drive", "facts", image, code=3)


def test_what_cannot_be_asked_is_refused_with_a_next_step(run: Run, tmp_path: Path) -> None:
    assert "does not exist" in refused(run, 10, "drive", "facts", tmp_path / "absent")
    assert "no folder" in refused(run, 10, "drive", "facts", f"pages:{tmp_path}/absent")
    pages = drive_pages(tmp_path / "pages")
    assert "both --case and --bay" in refused(run, 2, "drive", "facts", pages, "--case", 1)
    assert "is no capacity" in refused(run, 2, "drive", "facts", pages, "--label", "big")
    refused(run, 41, "drive", "facts", pages, "--case", 1, "--bay", 7)


def test_counters_say_what_they_count_first_and_their_bytes_only_when_asked(run: Run, tmp_path: Path) -> None:
    pages = drive_pages(tmp_path / "pages", {5: 7, 197: 3})
    shown = text_of(run, "drive", "facts", pages, "--counters")
    head = next(line for line in shown.splitlines() if line.startswith("what it counts"))
    assert head.split()[-1] == "number"
    pending = next(line for line in shown.splitlines() if line.startswith("pending sectors"))
    assert pending.split()[2] == "3"
    assert pending.split()[-1] == "197"
    with_bytes = text_of(run, "drive", "facts", pages, "--raw")
    again = next(line for line in with_bytes.splitlines() if line.startswith("pending sectors"))
    assert again.startswith(pending)
    assert len(again.split()) == len(pending.split()) + 1


def test_what_one_page_told_is_not_called_untold_for_another(run: Run, tmp_path: Path) -> None:
    pages = drive_pages(tmp_path / "pages", {5: 7, 194: 28})
    (tmp_path / "pages" / "sct-status.bin").unlink()
    found = answer(run, "drive", "facts", pages)
    assert found["drive"]["celsius"] == 28
    assert "temperature" not in {one["what"] for one in found["not_said"]}
