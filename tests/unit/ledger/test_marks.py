"""What was made of a ledger tells a backup of it, written on, from the ledger itself."""

from __future__ import annotations

import shutil
from pathlib import Path

from mendbay.case.records import Event, Intake
from mendbay.ledger.database import Ledger
from mendbay.wiring import open_bench
from support.full_case import full_home

AT = "2026-05-04T08:00:00Z"


def noted(ledger: Ledger, case: int, *texts: str) -> str:
    for text in texts:
        ledger.note_event(case, Event(AT, "said", text, {}))
    return ledger.mark()


def test_a_ledger_went_through_what_it_was_and_through_no_other(tmp_path: Path) -> None:
    with Ledger(tmp_path / "one") as ledger:
        marks = [ledger.mark()]
        for _ in range(2):
            ledger.open_case(Intake(AT, "Quillmere Pottery"))
        marks += [noted(ledger, 1, "a"), noted(ledger, 2, "b")]
    shutil.copy(tmp_path / "one", tmp_path / "two")
    with Ledger(tmp_path / "one") as ledger, Ledger(tmp_path / "two") as backup:
        later = noted(ledger, 1, "c")
        assert not backup.went_through(later)
        other = noted(backup, 1, "other words")
        assert not ledger.went_through(other)
        assert not backup.went_through(later), "it has an event of that number, but another"
        for mark in marks:
            assert ledger.went_through(mark)
            assert backup.went_through(mark)
        for none in ("", "[1]", "{}", '[["cases", 1, 1, "x"]]', '[["events", 1, 1, "x"]]', "[[1]]"):
            assert not ledger.went_through(none)


def test_forgetting_a_case_makes_no_other_ledger_of_it(tmp_path: Path) -> None:
    with Ledger(tmp_path / "one") as ledger:
        for _ in range(2):
            ledger.open_case(Intake(AT, "Quillmere Pottery"))
        noted(ledger, 1, "a")
        mark = noted(ledger, 2, "b")
        ledger.forget_case(2, AT, "Kim", ())
        assert ledger.went_through(mark)
    with Ledger(tmp_path / "two") as ledger:
        for _ in range(2):
            ledger.open_case(Intake(AT, "Quillmere Pottery"))
        noted(ledger, 1, "other")
        noted(ledger, 2, "b")
        ledger.forget_case(2, AT, "Kim", ())
        assert not ledger.went_through(mark), "what is of the other case was not noted in it"


def test_what_was_worked_out_is_not_of_a_backup_that_was_put_in_place(tmp_path: Path) -> None:
    """With nothing of Mendbay running."""
    home = full_home(tmp_path / "home")
    shutil.copy(home / "ledger.sqlite3", tmp_path / "backup")
    with open_bench(home) as bench:
        bench.ledger.note_event(1, Event(AT, "said", "after the backup", {}))
        bench.remembered.add({"1:x": "of the later one"}, 1)
        assert bench.remembered.recall() == {"1:x": "of the later one"}
    with open_bench(home) as bench:
        assert bench.remembered.some(["1:x"])
    shutil.copy(tmp_path / "backup", home / "ledger.sqlite3")
    with open_bench(home) as bench:
        bench.ledger.note_event(1, Event(AT, "said", "of the same number", {}))
        assert bench.remembered.recall() == {}
