"""`bench lessons` as a technician types it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from mendbay.core.note import Note, NoteKind
from mendbay.wiring import open_bench
from support.answers import Run, answer, fits, refused


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def told(run: Run, tmp_path: Path) -> Run:
    """A shop of seven cases that ended: six drives, all but one well, and one that was declined."""
    with open_bench(tmp_path / "home") as bench:
        for at in range(7):
            if at:
                run("case", "open", "Quillmere Pottery", "--bay", "1=")
            ending = {"end": "declined" if at == 6 else "handed back", "data": "none" if at > 4 else "all"}
            body = {"found": [["adapter", ""]], "known": True, "sure": True, "remark": "", **ending}
            bench.notes.add(
                Note(at + 1, "", NoteKind.OUTCOME, "case", bench.now(), "A technician", json.dumps(body))
            )
            said = json.dumps({"answer": "dropped" if at < 5 else "surge"})
            bench.notes.add(Note(at + 1, "", NoteKind.SIGN, "history", bench.now(), "A technician", said))
    return run


def test_nothing_on_record_says_how_to_begin(run: Run) -> None:
    done = run("bench", "lessons")
    assert done.returncode == 0
    assert "Nothing is on record." in done.stdout
    assert "Next: mendbay" in done.stdout
    assert answer(run, "bench", "lessons")["tables"][0]["rows"] == []


def test_counts_and_intervals_are_told(told: Run) -> None:
    done = told("bench", "lessons")
    assert done.returncode == 0, done.stderr
    assert fits(done.stdout)
    said = done.stdout
    assert "    5 of 6    50 to 97 %    the mains adapter" in said
    symptoms = said[said.index("By what was seen") : said.index("By what was found")]
    assert symptoms.index("it fell or was knocked") < symptoms.index("Too few to say")
    assert symptoms.index("Too few to say") < symptoms.index("a surge")
    assert "Left out, as nothing was tried: 1 case." in symptoms
    found = answer(told, "bench", "lessons", "--by", "symptom")
    (table,) = found["tables"]
    assert [(one["what"], one["good"], one["counted"], one["enough"]) for one in table["rows"]] == [
        ("it fell or was knocked", 5, 5, True),
        ("a surge, a storm or a power cut", 0, 1, False),
    ]
    assert (table["counted"], table["left_out"]) == (6, 1)


def test_files_are_written_once_and_never_over_others(told: Run, tmp_path: Path) -> None:
    sheet, plots, paper = tmp_path / "rows.csv", tmp_path / "plots", tmp_path / "lessons.pdf"
    words = ("bench", "lessons", "--csv", sheet, "--plots", plots, "--pdf", paper)
    written = answer(told, *words)["written"]
    assert written == [str(sheet), *(str(plots / f"{one}.svg") for one in NAMES), str(paper)]
    with sheet.open(newline="") as file:
        assert {one["by"] for one in csv.DictReader(file)} == set(NAMES)
    assert (plots / "fault.svg").read_text().startswith("<svg")
    assert paper.read_bytes().startswith(b"%PDF")
    assert "already exists" in refused(told, 20, *words)
    sheet.unlink()
    paper.unlink()
    assert "already exists" in refused(told, 20, *words)
    assert not sheet.exists()


NAMES = ("family", "symptom", "fault", "kind", "ending")


def test_what_cannot_be_is_refused(told: Run) -> None:
    assert "is not a day" in refused(told, 2, "bench", "lessons", "--since", "monday")
    assert answer(told, "bench", "lessons", "--since", "2999-01-01")["cases"] == 0
