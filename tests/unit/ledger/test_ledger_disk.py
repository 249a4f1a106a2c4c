"""A ledger on a disk that is full, or that can only be read: told as that, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from mendbay.case.records import Intake
from mendbay.core.errors import LedgerError
from mendbay.ledger.database import Ledger
from mendbay.ledger.watch import LedgerWatch
from support.loops import mounted, needs_loops, run

pytestmark = needs_loops
AT = "2026-05-04T08:00:00Z"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small one with a ledger of one case."""
    with mounted(Path("tmpfs"), tmp_path / "disk", "-t", "tmpfs", "-o", "size=2m") as point:
        with Ledger(point / "ledger.sqlite3") as ledger:
            ledger.open_case(Intake(AT, "Quillmere Pottery"))
        yield point


@contextmanager
def filled(disk: Path) -> Iterator[None]:
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while file.write(b"x" * 4096):
                pass
        except OSError:
            pass
    try:
        yield
    finally:
        filler.unlink()


@contextmanager
def for_reading(disk: Path) -> Iterator[None]:
    run("mount", "-o", "remount,ro", disk)
    try:
        yield
    finally:
        run("mount", "-o", "remount,rw", disk)


def customers(disk: Path) -> list[str]:
    with Ledger(disk / "ledger.sqlite3") as ledger:
        ledger.check()
        return [one.customer for one in ledger.cases()]


def test_a_full_disk_is_told_and_the_ledger_is_as_it_was(disk: Path) -> None:
    with filled(disk):
        with pytest.raises(LedgerError, match="a disk that is full: 0 bytes free") as caught:
            customers(disk)
        assert "Free space" in caught.value.next_step
    assert customers(disk) == ["Quillmere Pottery"]


def test_what_is_open_goes_on_showing_while_the_disk_is_full(disk: Path) -> None:
    """As a server that runs."""
    path = disk / "ledger.sqlite3"
    with closing(LedgerWatch(path)) as watch:
        watch.now()
        with filled(disk):
            assert customers(disk) == ["Quillmere Pottery"]
            with Ledger(path) as ledger:
                for number in range(3):
                    with pytest.raises(LedgerError, match="a disk that is full"):
                        ledger.open_case(Intake(AT, f"Later {number}", notes="n" * 9_000))
                assert len(ledger.cases()) == 1
            watch.now()
        with Ledger(path) as ledger:
            ledger.open_case(Intake(AT, "Afterwards"))
        watch.now()
    assert customers(disk) == ["Quillmere Pottery", "Afterwards"]


def test_a_disk_that_can_only_be_read_is_told(disk: Path) -> None:
    with for_reading(disk):
        with pytest.raises(LedgerError, match="can only be read now") as caught:
            customers(disk)
        assert "MENDBAY_HOME" in caught.value.next_step
    assert customers(disk) == ["Quillmere Pottery"]
