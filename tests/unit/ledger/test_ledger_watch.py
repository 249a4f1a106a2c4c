"""What runs for long sees every change of the ledger, and another file in its place."""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from mendbay.case.records import Intake
from mendbay.core.errors import LedgerError
from mendbay.ledger.database import Ledger
from mendbay.ledger.store import Store
from mendbay.ledger.watch import LedgerWatch, watch_of

AT = "2026-05-04T08:00:00Z"


def _copied_over(backup: Path, path: Path) -> None:
    shutil.copyfile(backup, path)


def _moved_over(backup: Path, path: Path) -> None:
    fresh = backup.with_name("fresh")
    shutil.copyfile(backup, fresh)
    fresh.replace(path)


WAYS = pytest.mark.parametrize("put", [_copied_over, _moved_over])


def _open(path: Path, customer: str) -> None:
    with Ledger(path) as ledger:
        ledger.open_case(Intake(AT, customer))


def _customers(path: Path) -> list[str]:
    with Ledger(path) as ledger:
        ledger.check()
        return [one.customer for one in ledger.cases()]


def _backup(path: Path) -> Path:
    copy = path.with_name("backup")
    with closing(sqlite3.connect(path)) as here, closing(sqlite3.connect(copy)) as there:
        here.backup(there)
    return copy


def _settled(watch: LedgerWatch) -> tuple[int, int]:
    """How it stands once nobody has written for a look."""
    watch.now()
    return watch.now()


@WAYS
def test_a_backup_in_its_place_is_the_ledger_from_then_on(
    tmp_path: Path, put: Callable[[Path, Path], None]
) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    _open(path, "Quillmere Pottery")
    _settled(watch)
    backup = _backup(path)
    for number in range(5):
        _open(path, f"Later {number}")
    before = _settled(watch)
    put(backup, path)
    after = watch.now()
    assert after[0] == before[0] + 1
    assert _customers(path) == ["Quillmere Pottery"]
    _open(path, "Afterwards")
    assert watch.now() > after
    assert _customers(path) == ["Quillmere Pottery", "Afterwards"]


@WAYS
def test_a_backup_put_there_right_after_a_write_is_not_mixed_with_it(
    tmp_path: Path, put: Callable[[Path, Path], None]
) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    _open(path, "Quillmere Pottery")
    backup = _backup(path)
    _open(path, "Later Joinery")
    before = watch.now()
    put(backup, path)
    assert watch.now()[0] == before[0] + 1
    assert _customers(path) == ["Quillmere Pottery"]


@WAYS
def test_what_was_made_of_the_one_before_is_not_of_it(
    tmp_path: Path, put: Callable[[Path, Path], None]
) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    _settled(watch)
    with Ledger(path) as ledger:
        before = ledger.notes.same_as()
    put(_backup(path), path)
    watch.now()
    with Ledger(path) as ledger:
        assert ledger.notes.same_as() != before


def test_own_changes_are_no_other_file(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    seen = []
    for number in range(4):
        _open(path, f"Customer {number}")
        seen += [watch.now(), watch.now(), watch.now()]
    with Ledger(path) as ledger:
        ledger.forget_case(1, AT, "Kim", ())
        ledger.scrub()
    seen += [watch.now(), watch.now()]
    assert {opened for opened, _ in seen} == {1}
    assert len(set(seen)) == 5
    assert watch.forgotten() == {1}


def test_the_log_is_emptied_with_the_first_look_unless_somebody_reads(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    _settled(watch)
    log = path.with_name("ledger.sqlite3-wal")
    _open(path, "Quillmere Pottery")
    assert log.stat().st_size
    watch.now()
    assert not log.stat().st_size
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        _open(path, "Later Joinery")
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM cases").fetchone() == (2,)
        watch.now()
        assert log.stat().st_size
    watch.now()
    assert not log.stat().st_size


def test_a_ledger_put_away_is_told_and_not_made_anew(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = LedgerWatch(path)
    _open(path, "Quillmere Pottery")
    _settled(watch)
    away = path.with_name("away")
    path.rename(away)
    for _ in range(2):
        with pytest.raises(LedgerError) as caught:
            watch.now()
        assert "Put it back" in caught.value.next_step
        assert not path.exists()
    path.touch()  # the first that a copy makes
    with pytest.raises(LedgerError):
        watch.now()
    assert not path.stat().st_size
    away.replace(path)
    assert watch.now()[0] == 2
    assert _customers(path) == ["Quillmere Pottery"]


def test_scrubbing_waits_for_whoever_empties_the_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "ledger.sqlite3"
    tries: list[str] = []
    number = Store._number

    def one_in_the_way(self: Store, sql: str) -> int:
        found = number(self, sql)
        tries.append(sql)
        return 1 if sql.endswith("(TRUNCATE)") and len(tries) < 3 else found

    with Ledger(path) as ledger:
        monkeypatch.setattr(Store, "_number", one_in_the_way)
        ledger.scrub()
    assert len(tries) == 3


def test_there_is_one_of_a_process_for_any_thread(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    watch = watch_of(path)
    found: list[object] = []
    thread = threading.Thread(target=lambda: found.append(watch_of(path).now()))
    thread.start()
    thread.join(30)
    assert watch_of(path) is watch
    assert found == [watch.now()]
    held = {os.readlink(f"/proc/self/fd/{one}") for one in os.listdir("/proc/self/fd") if _is_open(one)}
    assert str(path) in held
    del watch
    held = {os.readlink(f"/proc/self/fd/{one}") for one in os.listdir("/proc/self/fd") if _is_open(one)}
    assert str(path) not in held


def _is_open(number: str) -> bool:
    return os.path.lexists(f"/proc/self/fd/{number}")
