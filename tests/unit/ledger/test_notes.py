from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.case.records import Intake
from mendbay.core.errors import LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.ledger.database import Ledger

AT = "2026-11-25T07:10:00Z"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """With case 1."""
    with Ledger(tmp_path / "ledger.sqlite3") as made:
        made.open_case(Intake(AT, "Kiln"))
        yield made


def note(subject: str = "1 label.jpg", case: int = 1, bay: str = "1", body: str = "{}") -> Note:
    return Note(case, bay, NoteKind.PICTURE, subject, AT, "Ada", body)


def test_notes_are_found_by_what_they_are_about(ledger: Ledger) -> None:
    notes = ledger.notes
    first = notes.add(note())
    other_bay = notes.add(note(bay="2"))
    again = notes.add(note(body='{"better": true}'))
    shops = notes.add(replace(note("model", case=0, bay=""), kind=NoteKind.CORRECTION))
    assert [one.number for one in (first, other_bay, again, shops)] == [1, 2, 3, 4]
    assert notes.of(NoteKind.PICTURE) == (first, other_bay, again)
    assert notes.of(NoteKind.PICTURE, 1, "1") == (first, again)
    assert notes.of(NoteKind.PICTURE, 1, "1", "2 board.jpg") == ()
    assert notes.of(NoteKind.CORRECTION) == (shops,)
    assert notes.of(NoteKind.PICTURE, 0) == ()
    assert notes.of(NoteKind.CORRECTION, 0) == (shops,)
    assert notes.all_of(1) == (first, other_bay, again)


def test_every_kind_can_be_kept(ledger: Ledger) -> None:
    for kind in NoteKind:
        ledger.notes.add(replace(note(), kind=kind))
    assert {one.kind for one in ledger.notes.all_of(1)} == set(NoteKind)


def test_a_note_of_a_case_that_is_not_there_is_refused(ledger: Ledger) -> None:
    with pytest.raises(NoSuchCase):
        ledger.notes.add(note(case=2))
    assert ledger.notes.of(NoteKind.PICTURE) == ()
    for number in (0, 2, -1, 2**70):
        with pytest.raises(NoSuchCase):
            ledger.notes.all_of(number)


def test_a_note_belongs_to_the_step_it_was_written_in(ledger: Ledger) -> None:
    def stopped() -> None:
        with ledger.together():
            ledger.notes.add(note())
            raise UsageError("stopped", "go on")

    with pytest.raises(UsageError):
        stopped()
    assert ledger.notes.of(NoteKind.PICTURE) == ()


def test_a_row_that_makes_no_note_is_told_as_damage(ledger: Ledger, tmp_path: Path) -> None:
    ledger.notes.add(note())
    stray = sqlite3.connect(tmp_path / "ledger.sqlite3")
    stray.execute("INSERT INTO notes SELECT 2, case_number, bay, kind, char(7), at, who, body FROM notes")
    stray.commit()
    stray.close()
    with pytest.raises(LedgerError, match="damaged"):
        ledger.notes.all_of(1)


@pytest.mark.parametrize(
    "sql",
    ["UPDATE notes SET body = 'x'", "DELETE FROM notes", "INSERT OR REPLACE INTO notes SELECT * FROM notes"],
)
def test_no_stray_statement_changes_a_note(ledger: Ledger, tmp_path: Path, sql: str) -> None:
    ledger.notes.add(note())
    stray = sqlite3.connect(tmp_path / "ledger.sqlite3")
    with pytest.raises(sqlite3.IntegrityError):
        stray.execute(sql)
    stray.close()


def test_the_last_number_of_a_case_of_a_kind_and_of_all(ledger: Ledger) -> None:
    notes = ledger.notes
    assert (notes.last_number(), notes.last_number(1), notes.last_number(kind=NoteKind.PICTURE)) == (0, 0, 0)
    notes.add(note())
    notes.add(replace(note("model", case=0, bay=""), kind=NoteKind.CORRECTION))
    assert (notes.last_number(), notes.last_number(1), notes.last_number(7)) == (2, 1, 0)
    assert notes.last_number(kind=NoteKind.CORRECTION) == 2
    assert notes.last_number(1, NoteKind.CORRECTION) == 0
