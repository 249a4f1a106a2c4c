"""A journal line is there or not there after any mishap, and two transfers never share one."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.case.records import Case, CaseState
from mendbay.core.errors import DestinationError
from mendbay.outlets import transfer_journals
from mendbay.outlets.transfer_journals import JournalFiles

CASE = Case(1, "kiln", "2026-11-25T07:10:00Z", "Kiln", "", "", (), "", CaseState.OPEN)


def path_of(folder: Path) -> Path:
    return folder / "0001-kiln/roms/transfer-abc123.journal"


def test_lines_come_back_in_order_from_another_opening(tmp_path: Path) -> None:
    journals = JournalFiles(tmp_path)
    with journals.open(CASE, "abc123") as journal:
        assert list(journal.lines()) == []
        journal.append("one")
        journal.append("two")
        assert list(journal.lines()) == ["one", "two"]
    with journals.open(CASE, "abc123") as journal:
        assert list(journal.lines()) == ["one", "two"]
    with journals.open(CASE, "def") as other:
        assert list(other.lines()) == []


def test_a_torn_line_stays_alone(tmp_path: Path) -> None:
    journals = JournalFiles(tmp_path)
    with journals.open(CASE, "abc123") as journal:
        journal.append("one")
    with path_of(tmp_path).open("ab") as file:
        file.write(b"tw\xff")
    with journals.open(CASE, "abc123") as journal:
        journal.append("three")
        assert list(journal.lines()) == ["one", "tw\ufffd", "three"]


def test_two_transfers_never_share_a_journal(tmp_path: Path) -> None:
    journals = JournalFiles(tmp_path)
    with (
        journals.open(CASE, "abc123"),
        pytest.raises(DestinationError, match="another window"),
        journals.open(CASE, "abc123"),
    ):
        pass
    with journals.open(CASE, "abc123"):
        pass


def test_a_line_that_is_not_durable_is_not_reported_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(fd: int) -> None:
        raise OSError(5, "Input/output error")

    with JournalFiles(tmp_path).open(CASE, "abc123") as journal:
        monkeypatch.setattr(transfer_journals.os, "fdatasync", fails)
        with pytest.raises(DestinationError, match="Input/output"):
            journal.append("one")


def test_a_planted_link_is_not_written_through(tmp_path: Path) -> None:
    path_of(tmp_path).parent.mkdir(parents=True)
    path_of(tmp_path).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(DestinationError), JournalFiles(tmp_path).open(CASE, "abc123"):
        pass
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("job", ["", "../x", "a/b", "a" * 200])
def test_a_job_is_no_path(tmp_path: Path, job: str) -> None:
    with pytest.raises(ValueError, match="name of a job"), JournalFiles(tmp_path).open(CASE, job):
        pass
