"""The ledger when its Nth statement, its Nth written byte or the end of its log fails, for every N."""

from __future__ import annotations

import resource
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from mendbay.case.records import Case
from mendbay.core.errors import LedgerError
from mendbay.ledger.database import Ledger
from support.failing import FailingConnection
from support.ledger_writer import go_on, require_whole, take_in


def work(path: Path, done: list[Case]) -> None:
    with Ledger(path, connection=FailingConnection) as ledger:
        done.append(take_in(ledger, "Kiln"))
        go_on(ledger, done[-1])


def statements_of_the_work(folder: Path) -> int:
    FailingConnection.plan(0)
    work(folder / "count.sqlite3", [])
    return FailingConnection.count


@pytest.mark.slow
@pytest.mark.parametrize(
    ("for_good", "after"),
    [(False, False), (True, False), (False, True)],
    ids=["once", "for good", "answer lost"],
)
def test_every_statement_can_fail(tmp_path: Path, for_good: bool, after: bool) -> None:
    total = statements_of_the_work(tmp_path)
    assert total > 70, "the sweep has something to sweep"
    for number in range(1, total + 1):
        path = tmp_path / f"{number}.sqlite3"
        done: list[Case] = []
        FailingConnection.plan(number, for_good=for_good, after=after)
        with pytest.raises(LedgerError) as caught:
            work(path, done)
        assert caught.value.next_step
        with Ledger(path) as ledger:
            kept = require_whole(ledger)
            assert list(kept[: len(done)]) == done
            assert len(kept) - len(done) <= (1 if after else 0)
            take_in(ledger, "after the fault")
            require_whole(ledger)


def test_the_same_connection_goes_on_after_a_fault(tmp_path: Path) -> None:
    """A step that failed can simply be done again."""
    FailingConnection.plan(0)
    with Ledger(tmp_path / "ledger.sqlite3", connection=FailingConnection) as ledger:
        take_in(ledger, "first")
        for after in (False, True):
            number, failed = 0, True
            while failed:
                number += 1
                FailingConnection.plan(0)
                before = len(ledger.cases())
                FailingConnection.plan(number, after=after)
                try:
                    take_in(ledger, "again")
                    failed = False
                except LedgerError:
                    FailingConnection.plan(0)
                    assert len(ledger.cases()) - before in ((0, 1) if after else (0,))
                    take_in(ledger, "done again")
                    require_whole(ledger)
            assert number > 10


def test_a_part_dealt_with_after_the_whole_step_was_lost_keeps_nothing(tmp_path: Path) -> None:
    """SQLite may take the whole transaction back by itself; what follows must not become a new one."""
    FailingConnection.plan(0)
    path = tmp_path / "ledger.sqlite3"
    with Ledger(path, connection=FailingConnection) as ledger:

        def step() -> None:
            with ledger.together():
                take_in(ledger, "first half")
                ledger._store._connection.execute("ROLLBACK")
                with pytest.raises(LedgerError, match="gave up the step"):
                    take_in(ledger, "second half")

        with pytest.raises(LedgerError):
            step()
        assert ledger.cases() == ()
        take_in(ledger, "whole")
        assert len(require_whole(ledger)) == 1


@contextmanager
def largest_file(limit: int) -> Iterator[None]:
    """No file of this process can grow beyond `limit` bytes; the kernel refuses the write (EFBIG)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_the_disk_takes_no_more_at_any_size(tmp_path: Path) -> None:
    """Real refusals of the kernel, at every kilobyte the files grow to."""
    failed = succeeded = 0
    for limit in range(0, 320 * 1024, 5 * 1024):
        path = tmp_path / str(limit) / "ledger.sqlite3"
        done: list[Case] = []
        FailingConnection.plan(0)
        try:
            with largest_file(limit):
                work(path, done)
            succeeded += 1
        except LedgerError:
            failed += 1
        with Ledger(path) as ledger:
            assert list(require_whole(ledger)) == done
    assert failed > 20
    assert succeeded > 0


def test_a_log_cut_at_any_place_leaves_a_whole_ledger(tmp_path: Path) -> None:
    """What a power cut leaves of the write-ahead log: any prefix of it. Committed steps vanish from the
    end only, each as a whole."""
    FailingConnection.plan(0)
    live = tmp_path / "live"
    with Ledger(live / "ledger.sqlite3") as ledger:
        for turn in range(6):
            go_on(ledger, take_in(ledger, f"customer {turn}"))
        shutil.copytree(live, tmp_path / "caught")
    caught = tmp_path / "caught"
    log = (caught / "ledger.sqlite3-wal").read_bytes()
    assert len(log) > 100_000, "nothing was moved out of the log before it was caught"
    seen = []
    for length in [*range(0, len(log), 2999), len(log)]:
        folder = tmp_path / f"cut-{length}"
        folder.mkdir()
        shutil.copy(caught / "ledger.sqlite3", folder)
        (folder / "ledger.sqlite3-wal").write_bytes(log[:length])
        with Ledger(folder / "ledger.sqlite3") as ledger:
            seen.append(len(require_whole(ledger)))
        shutil.rmtree(folder)
    assert seen == sorted(seen)
    assert set(seen) == set(range(7))
