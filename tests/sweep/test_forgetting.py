"""Forgetting when its Nth statement of the ledger, or its Nth call on the case's folder, fails, for every N.

Whatever fails, the case is either whole in the ledger or forgotten, it is never forgotten while files of it
are left, and the same command finishes.
"""

from __future__ import annotations

import errno
import shutil
import sqlite3
from functools import partial
from pathlib import Path

import pytest

from mendbay import wiring
from mendbay.core.errors import MendbayError
from mendbay.ledger.database import Ledger
from mendbay.outlets import safe_folder
from mendbay.wiring import open_bench
from support.failing import FailingConnection, FailingOs
from support.full_case import SECRETS, forget, full_home, held_below

CALLS = ("unlink", "rmdir", "open", "scandir", "fsync", "fstat")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return full_home(tmp_path / "full")


def require_finished(home: Path, tried: Path) -> None:
    """What must hold after a fault, and after the same command once more."""
    with open_bench(tried) as bench:
        if bench.ledger.forgotten(2) is None:
            before = len(bench.ledger.custody(2))
            assert before > 0
            assert bench.ledger.case(2).customer == "Quillmere Pottery"
            assert len(bench.notes.all_of(2)) > 20
        else:
            assert list((tried / "cases").iterdir()) == []
        forget(bench, 2, "asked by its owner")
        bench.ledger.check()  # type: ignore[attr-defined]
    held = held_below(tried)
    assert [one for one in SECRETS if one.encode() in held] == []


@pytest.mark.slow
@pytest.mark.parametrize("after", [False, True], ids=["fails", "answer lost"])
def test_every_statement_can_fail(home: Path, monkeypatch: pytest.MonkeyPatch, after: bool) -> None:
    number, faults = 0, 0
    while True:
        number += 1
        tried = home.with_name(f"tried-{number}")
        shutil.copytree(home, tried)
        FailingConnection.plan(0)
        with monkeypatch.context() as patch:
            patch.setattr(wiring, "Ledger", partial(Ledger, connection=FailingConnection))
            with open_bench(tried) as bench:
                FailingConnection.plan(number, after=after)
                try:
                    forget(bench, 2, "asked by its owner")
                except MendbayError:
                    faults += 1
                finished = FailingConnection.count < number
                FailingConnection.plan(0)
        if finished:
            break
        require_finished(home, tried)
        shutil.rmtree(tried)
    assert faults == number - 1
    assert faults > 40, "the sweep has something to sweep"


@pytest.mark.slow
@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
def test_every_call_on_the_folder_can_fail(
    home: Path, monkeypatch: pytest.MonkeyPatch, for_good: bool
) -> None:
    number, faults = 0, 0
    while True:
        number += 1
        tried = home.with_name(f"tried-{number}")
        shutil.copytree(home, tried)
        failing = FailingOs(CALLS, number, lambda: OSError(errno.EIO, "made by the test"), for_good)
        with monkeypatch.context() as patch, open_bench(tried) as bench:
            patch.setattr(safe_folder, "os", failing)
            try:
                forget(bench, 2, "asked by its owner")
            except MendbayError:
                faults += 1
        if failing.calls < number:
            break
        require_finished(home, tried)
        shutil.rmtree(tried)
    assert faults > 20, "the sweep has something to sweep"


def test_the_connection_that_fails_is_the_ledgers(tmp_path: Path) -> None:
    """The sweep would say nothing if the fault never reached the ledger."""
    FailingConnection.plan(1)
    with pytest.raises(MendbayError):
        Ledger(tmp_path / "ledger.sqlite3", connection=FailingConnection)
    FailingConnection.plan(0)
    assert issubclass(FailingConnection, sqlite3.Connection)
