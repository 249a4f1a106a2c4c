"""The ledger's file: its settings, its guards, its refusals."""

from __future__ import annotations

import os
import sqlite3
import stat
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from mendbay.case.records import Bay, CaseState, Event, Image, Intake
from mendbay.core.errors import CustodyBroken, LedgerError
from mendbay.ledger.database import Ledger
from mendbay.ledger.migration import all_migrations, newest, statements
from mendbay.ledger.store import APPLICATION_ID

AT = "2026-11-25T07:10:00Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with one of everything, closed."""
    path = tmp_path / "home" / "ledger.sqlite3"
    with Ledger(path) as ledger:
        fill(ledger)
    return path


def fill(ledger: Ledger) -> None:
    ledger.open_case(Intake(AT, "Kiln", wanted=("*.xlsx",)))
    ledger.add_bay(Bay(1, "1"))
    ledger.note_image(Image(1, "1", "bay-1.img", "direct", AT))
    for turn in range(3):
        ledger.note_event(1, Event(AT, "note", f"turn {turn}", {"turn": turn}))
        ledger.custody_append(1, AT, "Ada", f"step {turn}", "box")


def raw(path: Path) -> closing[sqlite3.Connection]:
    return closing(sqlite3.connect(path, isolation_level=None))


class TestSettings:
    def test_the_file_says_what_it_is(self, path: Path) -> None:
        with raw(path) as plain:
            assert plain.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
            assert plain.execute("PRAGMA user_version").fetchone() == (newest(),)
            assert plain.execute("PRAGMA journal_mode").fetchone() == ("wal",)
            tables = plain.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'").fetchall()
        assert {name for name, _ in tables} == {
            *("cases", "bays", "images", "events", "custody", "sqlite_sequence"),
            *("stock", "list_mappings", "notes", "forgotten"),
        }
        assert all("STRICT" in sql.rpartition(")")[2] for name, sql in tables if name != "sqlite_sequence")

    def test_each_connection_is_durable_and_checks_links(self, path: Path) -> None:
        with Ledger(path) as ledger:
            assert ledger._store.rows("PRAGMA synchronous") == [(2,)], "2 is FULL"
            assert ledger._store.rows("PRAGMA foreign_keys") == [(1,)]

    def test_only_its_owner_may_read_it(self, path: Path) -> None:
        with Ledger(path) as ledger:
            ledger.note_event(1, Event(AT, "note", ""))
            for file in path.parent.iterdir():
                assert stat.S_IMODE(file.stat().st_mode) == 0o600, file.name

    def test_opening_again_changes_nothing(self, path: Path) -> None:
        with Ledger(path) as ledger:
            before = (ledger.cases(), ledger.bays(1), ledger.images(1), ledger.events(1), ledger.custody(1))
        with Ledger(path) as ledger:
            ledger.check()
            assert before == (
                *(ledger.cases(), ledger.bays(1), ledger.images(1), ledger.events(1), ledger.custody(1)),
            )

    def test_the_document_names_every_column(self, path: Path) -> None:
        document = (Path(__file__).parents[3] / "docs" / "formats" / "ledger.md").read_text(encoding="utf-8")
        with raw(path) as plain:
            for table in ("cases", "bays", "images", "events", "custody", "stock", "notes", "forgotten"):
                part = document.split(f"**{table}**")[1].split("\n\n")[0]
                for column in plain.execute("SELECT name FROM pragma_table_info(?)", (table,)):
                    assert f"`{column[0]}`" in part, f"{table}.{column[0]}"


class TestAppendOnly:
    """Held by the file itself, against any program that opens it."""

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE events SET text = 'other'",
            "UPDATE events SET id = 9 WHERE id = 1",
            "DELETE FROM events",
            "DELETE FROM events WHERE id = 3",
            "INSERT OR REPLACE INTO events SELECT * FROM events WHERE id = 2",
            "REPLACE INTO events SELECT id, case_number, at, kind, 'other', facts FROM events WHERE id = 2",
            "UPDATE OR REPLACE events SET id = 1 WHERE id = 2",
            "UPDATE custody SET who = 'Eve'",
            "UPDATE custody SET hash = hash",
            "DELETE FROM custody",
            "DELETE FROM custody WHERE sequence = 3",
            "INSERT OR REPLACE INTO custody "
            "SELECT 1, sequence, at, 'Eve', what, item, previous, hash FROM custody WHERE sequence = 2",
            "INSERT INTO custody "
            "SELECT 1, sequence + 2, at, who, what, item, hash, hash FROM custody WHERE sequence = 3",
            "INSERT INTO custody "
            "SELECT 1, sequence + 1, at, who, what, item, previous, hash FROM custody WHERE sequence = 3",
            "DELETE FROM cases",
            "UPDATE cases SET number = 7",
            "UPDATE cases SET slug = 'other'",
            "UPDATE cases SET opened_at = '2020-01-01T00:00:00Z'",
        ],
    )
    def test_is_refused(self, path: Path, sql: str) -> None:
        with raw(path) as plain:
            before = list(plain.iterdump())
            with pytest.raises(sqlite3.IntegrityError, match=r"never|follows the last|keeps its number"):
                plain.execute(sql)
            assert list(plain.iterdump()) == before

    def test_appending_still_works_from_outside(self, path: Path) -> None:
        """The guard lets the one right entry through, so the refusals above are not for another reason."""
        with raw(path) as plain:
            plain.execute(
                "INSERT INTO custody SELECT 1, sequence + 1, at, who, what, item, hash, ? "
                "FROM custody WHERE sequence = 3",
                ("f" * 64,),
            )
            assert plain.execute("SELECT count(*) FROM custody").fetchone() == (4,)


class TestColumnsHoldWhatTheyShould:
    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE cases SET state = 'lost'",
            "UPDATE cases SET wanted = '{}'",
            "UPDATE cases SET customer = ' '",
            "UPDATE cases SET notes = NULL",
            "UPDATE bays SET size_bytes = -1",
            "UPDATE bays SET size_bytes = 'big'",
            "UPDATE bays SET bay = '../x'",
            "UPDATE images SET sha256 = 'abc'",
            "UPDATE images SET read_bytes = 0.5",
            "INSERT INTO events SELECT 9, 1, 'today', kind, text, facts FROM events WHERE id = 1",
            "INSERT INTO events SELECT 9, 1, at, kind, text, '[]' FROM events WHERE id = 1",
        ],
    )
    def test_constraints(self, path: Path, sql: str) -> None:
        with raw(path) as plain, pytest.raises(sqlite3.IntegrityError):
            plain.execute(sql)

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE images SET bay = '9'",
            "DELETE FROM bays",
            "INSERT INTO events SELECT 9, 9, at, kind, text, facts FROM events WHERE id = 1",
        ],
    )
    def test_links(self, path: Path, sql: str) -> None:
        with raw(path) as plain:
            plain.execute("PRAGMA foreign_keys=ON")
            with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
                plain.execute(sql)


class TestRefusals:
    def test_a_newer_ledger_is_left_as_it_is(self, path: Path) -> None:
        with raw(path) as plain:
            plain.execute(f"PRAGMA user_version={newest() + 1}")
        before = path.read_bytes()
        with pytest.raises(LedgerError, match="newer Mendbay") as caught:
            Ledger(path)
        assert caught.value.next_step.startswith("Update Mendbay")
        assert path.read_bytes() == before

    def test_another_programs_database_is_left_as_it_is(self, tmp_path: Path) -> None:
        path = tmp_path / "other.db"
        with raw(path) as plain:
            plain.execute("CREATE TABLE things (a)")
        before = path.read_bytes()
        with pytest.raises(LedgerError, match="not a Mendbay ledger"):
            Ledger(path)
        assert path.read_bytes() == before
        assert [file.name for file in tmp_path.iterdir()] == ["other.db"]

    @pytest.mark.parametrize(
        "content", [b"Not a database, but long enough to have a header.\n" * 100, b"\0" * 4096]
    )
    def test_a_file_that_is_no_database(self, tmp_path: Path, content: bytes) -> None:
        path = tmp_path / "ledger.sqlite3"
        path.write_bytes(content)
        with pytest.raises(LedgerError, match="damaged") as caught:
            Ledger(path)
        assert "backup" in caught.value.next_step
        assert path.read_bytes() == content

    @pytest.mark.parametrize("keep", [100, 4096, 5000, 12_288, 0.5])
    def test_a_file_cut_short(self, path: Path, keep: float) -> None:
        size = path.stat().st_size
        os.truncate(path, int(size * keep) if keep < 1 else int(keep))
        with pytest.raises(LedgerError, match="damaged"), Ledger(path) as ledger:
            ledger.check()

    @pytest.mark.parametrize("page", range(1, 13))
    def test_a_scribbled_page_never_passes_the_check(self, path: Path, page: int) -> None:
        """Whatever raises, it is a LedgerError; nothing else may escape to the person."""
        data = bytearray(path.read_bytes())
        if page * 4096 >= len(data):
            pytest.fail("the ledger became smaller than this test thinks; lower the range")
        data[page * 4096 : page * 4096 + 4096] = b"\xa5" * 4096
        path.write_bytes(data)
        with pytest.raises(LedgerError), Ledger(path) as ledger:
            ledger.check()

    def test_a_missing_link_is_found_by_the_check(self, path: Path) -> None:
        with raw(path) as plain:
            plain.execute("UPDATE images SET bay = '9'")
        with Ledger(path) as ledger, pytest.raises(LedgerError, match="refers to nothing"):
            ledger.check()

    def test_a_row_that_makes_no_record(self, path: Path) -> None:
        with raw(path) as plain:
            plain.execute("PRAGMA ignore_check_constraints=ON")
            plain.execute("UPDATE cases SET state = 'lost'")
        with Ledger(path) as ledger, pytest.raises(LedgerError, match="damaged"):
            ledger.cases()

    @pytest.mark.parametrize("facts", ["[1]", '{"a": {"b": 1}}', '{"a": NaN}', "{"])
    def test_facts_that_make_no_record(self, path: Path, facts: str) -> None:
        with raw(path) as plain:
            plain.execute("DROP TRIGGER events_keep")
            plain.execute("PRAGMA ignore_check_constraints=ON")
            plain.execute("UPDATE events SET facts = ?", (facts,))
        with Ledger(path) as ledger, pytest.raises(LedgerError, match="damaged"):
            ledger.events(1)

    def test_a_folder_in_its_place(self, tmp_path: Path) -> None:
        with pytest.raises(LedgerError, match="cannot be opened"):
            Ledger(tmp_path)

    def test_a_file_where_its_folder_should_be(self, tmp_path: Path) -> None:
        (tmp_path / "home").write_text("")
        with pytest.raises(LedgerError, match="cannot be opened"):
            Ledger(tmp_path / "home" / "ledger.sqlite3")

    def test_another_writer_that_does_not_finish(self, path: Path) -> None:
        with raw(path) as plain, Ledger(path, busy_seconds=0.1) as ledger:
            plain.execute("BEGIN IMMEDIATE")
            assert ledger.case(1).customer == "Kiln", "reading goes on meanwhile"
            with pytest.raises(LedgerError, match="in use by another Mendbay") as caught:
                ledger.amend_case(1, state=CaseState.CLOSED)
            assert "again" in caught.value.next_step
            plain.execute("ROLLBACK")
            assert ledger.amend_case(1, state=CaseState.CLOSED).state is CaseState.CLOSED


class TestCustodyInTheFile:
    def test_tampering_past_the_triggers_is_found_by_the_check(self, path: Path) -> None:
        with raw(path) as plain:
            plain.execute("DROP TRIGGER custody_keep")
            plain.execute("UPDATE custody SET who = 'Eve' WHERE sequence = 2")
        with Ledger(path) as ledger:
            with pytest.raises(CustodyBroken, match="Entry 2: changed"):
                ledger.check()
            ledger.custody_append(1, AT, "Ada", "handed back", "box")

    def test_no_entry_is_chained_to_one_that_was_changed(self, path: Path) -> None:
        with raw(path) as plain:
            plain.execute("DROP TRIGGER custody_keep")
            plain.execute("UPDATE custody SET who = 'Eve' WHERE sequence = 3")
        with Ledger(path) as ledger:
            before = ledger.custody(1)
            with pytest.raises(CustodyBroken, match="Entry 3"):
                ledger.custody_append(1, AT, "Ada", "handed back", "box")
            assert ledger.custody(1) == before


class TestMigrations:
    def test_are_numbered_without_holes_and_named(self) -> None:
        assert [one.number for one in all_migrations()] == list(range(1, newest() + 1))
        assert all(one.name for one in all_migrations())

    def test_triggers_stay_whole(self) -> None:
        found = list(statements(all_migrations()[0].sql))
        assert sum(one.startswith("CREATE TABLE") for one in found) == 5
        assert all(one.endswith("END;") for one in found if one.startswith("CREATE TRIGGER"))

    def test_a_script_that_breaks_off_is_refused(self) -> None:
        with pytest.raises(ValueError, match="inside a statement"):
            list(statements("CREATE TABLE a (b);\nCREATE TABLE c (d"))

    def test_the_stock_of_an_older_ledger_stays_and_can_be_removed(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from mendbay.ledger import store

        path = path.with_name("older.sqlite3")
        with monkeypatch.context() as older:
            older.setattr(store, "newest", lambda: 2)
            older.setattr(store, "pending", lambda version: all_migrations()[version:2])
            Ledger(path).close()
        row = (
            "INSERT INTO stock (number, kind, own_id, board_number, revision, controller, motor_driver,"
            " rom_chip, family, model, firmware, site, made_on, heads_map, location, condition, currency,"
            " state, photos, notes) VALUES (?, 'board', ?, 'B-1', '', '', '', '', '', '', '', '', '', '',"
            " 'C', 'untested', '', 'free', '[]', '')"
        )
        with raw(path) as plain:
            plain.executemany(row, [(3, "X"), (7, "")])
            plain.commit()
            before = plain.execute("SELECT * FROM stock").fetchall()
        Ledger(path).close()
        with raw(path) as plain:
            assert plain.execute("SELECT * FROM stock").fetchall() == before
            plain.execute("UPDATE stock SET state = 'removed' WHERE number = 3")
            for refused in ("DELETE FROM stock", "UPDATE stock SET own_id = 'X'"):
                with pytest.raises(sqlite3.IntegrityError):
                    plain.execute(refused)
            assert plain.execute(row, (None, "Y")).lastrowid == 8

    def test_an_older_ledger_is_brought_forward_in_one_piece(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from mendbay.ledger import migration, store

        known = len(all_migrations())
        second = migration.Migration(
            known + 1, "more", "ALTER TABLE bays ADD COLUMN more TEXT NOT NULL DEFAULT '';"
        )
        broken = migration.Migration(known + 2, "broken", "CREATE TABLE fine (a) STRICT;")
        steps = (*all_migrations(), second, broken)
        monkeypatch.setattr(store, "newest", lambda: known + 2)
        monkeypatch.setattr(store, "pending", lambda version: steps[version:])
        with pytest.raises(LedgerError):  # a STRICT column without a type is refused
            Ledger(path)
        with raw(path) as plain:
            assert plain.execute("PRAGMA user_version").fetchone() == (known + 1,)
            assert plain.execute("SELECT more FROM bays").fetchall() == [("",)]
            assert plain.execute("SELECT count(*) FROM sqlite_master WHERE name = 'fine'").fetchone() == (0,)


def test_several_that_make_a_new_ledger_at_once_all_get_it(tmp_path: Path) -> None:
    for round_ in range(60):
        path = tmp_path / str(round_) / "ledger.sqlite3"
        with ThreadPoolExecutor(4) as threads:
            for one in [threads.submit(_open_and_close, path) for _ in range(4)]:
                one.result()


def _open_and_close(path: Path) -> None:
    Ledger(path, 30.0).close()
