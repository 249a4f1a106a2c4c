"""What was forgotten is gone from the ledger's own files, byte for byte."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from mendbay.case.records import Bay, Event, Intake
from mendbay.core.errors import LedgerError
from mendbay.core.note import Note, NoteKind
from mendbay.ledger.database import Ledger

AT = "2026-11-25T07:10:00Z"
SECRETS = ("Quillmere Pottery", "K-0113-SECRET", "quill@mere.example", "kiln prayers")
FILES = ("ledger.sqlite3", "ledger.sqlite3-wal", "ledger.sqlite3-shm")


def found(home: Path) -> set[str]:
    """Which secrets stand anywhere in the ledger's files."""
    held = b"".join((home / name).read_bytes() for name in FILES if (home / name).exists())
    return {one for one in SECRETS if one.encode() in held}


def fill(ledger: Ledger, customer: str, serial: str, contact: str, wanted: str) -> int:
    """A case with hundreds of rows, so that pages were split and rows moved."""
    number = ledger.open_case(Intake(AT, customer, contact, "box", (wanted,), f"{customer} called")).number
    ledger.add_bay(Bay(number, "1", "AL20-HX4", serial, condition=f"{serial} is dented"))
    for turn in range(150):
        ledger.note_event(number, Event(AT, "note", f"{turn} {customer} {serial} " + "x" * (turn * 7 % 900)))
        ledger.custody_append(number, AT, "Ada", "looked at", f"{serial} {turn}")
        body = f'{{"text": "{customer} {wanted} {"y" * (turn * 11 % 1500)}"}}'
        ledger.notes.add(Note(number, "1", NoteKind.INTAKE, "story", AT, "Ada", body))
    ledger.amend_case(number, notes="shorter")
    return number


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite3", busy_seconds=0.2) as made:
        fill(made, "Another Customer", "Z-9", "other@example", "*.txt")
        fill(made, *SECRETS)
        fill(made, "Third Customer", "Z-7", "third@example", "*.txt")
        yield made


def test_nothing_of_it_is_left_in_any_file(tmp_path: Path, ledger: Ledger) -> None:
    assert found(tmp_path) == set(SECRETS), "the search finds what is there"
    ledger.forget_case(2, AT, "Ada", ())
    ledger.scrub()
    assert found(tmp_path) == set()
    ledger.check()
    assert [len(ledger.custody(case)) for case in (1, 2, 3)] == [150, 0, 150]
    assert [bay.bay for bay in ledger.bays(1)] == ["1"]


def test_a_reader_in_the_way_is_told_and_scrubbing_again_finishes(tmp_path: Path, ledger: Ledger) -> None:
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite3", isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM cases").fetchone()
        ledger.forget_case(2, AT, "Ada", ())
        with pytest.raises(LedgerError) as caught:
            ledger.scrub()
        assert "again" in caught.value.next_step
        assert found(tmp_path)
        reader.execute("COMMIT")
    ledger.scrub()
    assert found(tmp_path) == set()


def test_not_in_the_middle_of_a_step(ledger: Ledger) -> None:
    with pytest.raises(ValueError, match="middle"), ledger.together():
        ledger.scrub()


def test_rows_stay_in_the_order_they_were_added(ledger: Ledger) -> None:
    """SQLite may number rows anew on the way, which must not change their order."""
    for bay in ("z", "m", "a", "k"):
        ledger.add_bay(Bay(1, bay))
    before = ledger.bays(1)
    ledger.forget_case(2, AT, "Ada", ())
    ledger.scrub()
    assert ledger.bays(1) == before


def test_what_an_earlier_program_left_in_the_gaps_goes_too(tmp_path: Path) -> None:
    """A row that was changed without overwriting it leaves its earlier text where nothing points to."""
    path = tmp_path / "ledger.sqlite3"
    with Ledger(path) as ledger:
        fill(ledger, *SECRETS)
    with closing(sqlite3.connect(path)) as careless:
        careless.execute("PRAGMA secure_delete=OFF")
        careless.execute("UPDATE cases SET customer = 'Q', contact = '', wanted = '[]', notes = ''")
        careless.commit()
    with Ledger(path) as ledger:
        ledger.forget_case(1, AT, "Ada", ())
        assert found(tmp_path)
        ledger.scrub()
    assert found(tmp_path) == set()
