"""What a case keeps is never overwritten, never half there, and proven when it is used."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from pathlib import Path

import pytest

from mendbay.case.records import Case, CaseState
from mendbay.core.errors import DestinationError, NoRoom, SourceChanged, UsageError
from mendbay.outlets import case_files, safe_folder
from mendbay.outlets.case_files import CaseCabinet
from mendbay.outlets.safe_folder import SafeFolder

CASE = Case(1, "kiln", "2026-11-25T07:10:00Z", "Kiln", "", "", (), "", CaseState.OPEN)


@pytest.fixture
def cabinet(tmp_path: Path) -> CaseCabinet:
    return CaseCabinet(tmp_path / "cases")


def test_what_is_kept_can_be_taken_and_only_read(cabinet: CaseCabinet, tmp_path: Path) -> None:
    kept = cabinet.keep(CASE, "roms/bay-1/read-1.bin", b"dump")
    assert kept.sha256 == hashlib.sha256(b"dump").hexdigest()
    assert cabinet.take(CASE, kept) == b"dump"
    path = tmp_path / "cases/0001-kiln" / kept.path
    assert stat.S_IMODE(path.stat().st_mode) == 0o400
    assert os.listdir(path.parent) == ["read-1.bin"]


def test_other_bytes_of_the_same_name_get_a_number_and_the_same_bytes_do_not(cabinet: CaseCabinet) -> None:
    first = cabinet.keep(CASE, "photos/label.jpg", b"one")
    second = cabinet.keep(CASE, "photos/label.jpg", b"two")
    assert second.path == "photos/label-2.jpg"
    assert cabinet.keep(CASE, "photos/label.jpg", b"two") == second
    assert cabinet.keep(CASE, "photos/label.jpg", b"one") == first
    assert cabinet.take(CASE, first) == b"one"


def test_what_was_kept_is_found_by_its_bytes(cabinet: CaseCabinet, tmp_path: Path) -> None:
    kept = [cabinet.keep(CASE, "roms/paper.json", data) for data in (b"one", b"two", b"three")]
    (tmp_path / "cases/0001-kiln/roms/paper.json").unlink()
    assert cabinet.find(CASE, "roms/paper.json", b"two") == kept[1]
    assert cabinet.find(CASE, "roms/paper.json", b"three") == kept[2]
    with pytest.raises(SourceChanged, match=r"roms/paper\.json") as trouble:
        cabinet.find(CASE, "roms/paper.json", b"one")
    assert kept[0].sha256 in trouble.value.next_step
    with pytest.raises(SourceChanged):
        CaseCabinet(tmp_path / "nowhere").find(CASE, "roms/paper.json", b"one")
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("change", ["gone", "other", "longer", "link"])
def test_a_kept_file_that_changed_is_not_used(cabinet: CaseCabinet, tmp_path: Path, change: str) -> None:
    kept = cabinet.keep(CASE, "roms/read.bin", b"dump")
    path = tmp_path / "cases/0001-kiln/roms/read.bin"
    path.unlink()
    if change == "other":
        path.write_bytes(b"dumb")
    elif change == "longer":
        path.write_bytes(b"dump!")
    elif change == "link":
        (tmp_path / "elsewhere").write_bytes(b"dump")
        path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SourceChanged, match=r"read\.bin"):
        cabinet.take(CASE, kept)


def test_a_planted_link_is_not_followed(cabinet: CaseCabinet, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / "cases/0001-kiln").mkdir(parents=True)
    (tmp_path / "cases/0001-kiln/photos").symlink_to(outside)
    with pytest.raises(DestinationError):
        cabinet.keep(CASE, "photos/label.jpg", b"one")
    assert os.listdir(outside) == []
    (tmp_path / "cases/0001-kiln/photos").unlink()
    (tmp_path / "cases/0001-kiln/photos").mkdir()
    (tmp_path / "cases/0001-kiln/photos/label.jpg").symlink_to(outside / "made")
    assert cabinet.keep(CASE, "photos/label.jpg", b"one").path == "photos/label-2.jpg"
    assert os.listdir(outside) == []


@pytest.mark.parametrize(("path", "said"), [("", "not a file"), ("no such", "No such file")])
def test_only_files_are_fetched(cabinet: CaseCabinet, tmp_path: Path, path: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        cabinet.fetch(tmp_path / path, 100)


def test_a_pipe_does_not_hold_the_bench_up(cabinet: CaseCabinet, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UsageError, match="not a file"):
        cabinet.fetch(tmp_path / "pipe", 100)


def test_a_file_beyond_the_limit_is_refused_with_the_numbers(cabinet: CaseCabinet, tmp_path: Path) -> None:
    (tmp_path / "large").write_bytes(bytes(101))
    with pytest.raises(UsageError, match=r"101.bytes; at most 100.bytes"):
        cabinet.fetch(tmp_path / "large", 100)
    assert len(cabinet.fetch(tmp_path / "large", 101)) == 101


def test_a_full_disk_leaves_nothing_half_written(
    cabinet: CaseCabinet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(case_files.os, "fsync", full)
    with pytest.raises(NoRoom):
        cabinet.keep(CASE, "roms/read.bin", b"dump")
    assert os.listdir(tmp_path / "cases/0001-kiln/roms") == []


def test_a_folder_is_removed_with_all_that_is_in_it(cabinet: CaseCabinet, tmp_path: Path) -> None:
    cabinet.keep(CASE, "roms/bay-1/read-1.bin", b"dump")
    cabinet.keep(CASE, "a.txt", b"a")
    (tmp_path / "cases/0001-kiln/empty/deep").mkdir(parents=True)
    (tmp_path / "cases/0001-kiln-again").mkdir()
    held = [(one.path, one.size_bytes) for one in cabinet.held(CASE)]
    assert held == [("a.txt", 1), ("roms/bay-1/read-1.bin", 4)]
    assert b"".join(cabinet.read(CASE, "roms/bay-1/read-1.bin")) == b"dump"
    cabinet.clear(CASE)
    assert [one.name for one in (tmp_path / "cases").iterdir()] == ["0001-kiln-again"]
    assert cabinet.held(CASE) == ()
    cabinet.clear(CASE)
    with pytest.raises(SourceChanged):
        list(cabinet.read(CASE, "a.txt"))


def test_a_medium_mounted_in_the_folder_is_told_and_nothing_goes(
    cabinet: CaseCabinet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cabinet.keep(CASE, "drive/theirs.txt", b"a customer's file")
    cabinet.keep(CASE, "a.txt", b"a")
    inside = (tmp_path / "cases/0001-kiln/drive").stat().st_ino
    real = os.fstat

    def mounted(fd: int) -> os.stat_result:
        seen = real(fd)
        return os.stat_result([*seen[:2], seen.st_dev + 1, *seen[3:]]) if seen.st_ino == inside else seen

    monkeypatch.setattr(safe_folder.os, "fstat", mounted)
    with pytest.raises(DestinationError, match="another medium is mounted"):
        cabinet.clear(CASE)
    assert len(cabinet.held(CASE)) == 2


@pytest.mark.parametrize("code", [errno.EOPNOTSUPP, 0])
def test_it_is_kept_alike_where_no_file_can_be_without_a_name(
    cabinet: CaseCabinet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    """0: there are such files, but nothing to name them by."""

    def refused(*given: object) -> int:
        raise OSError(code, "") if code else FileNotFoundError

    monkeypatch.setattr(SafeFolder, "create_unnamed" if code else "give_name", refused)
    kept = cabinet.keep(CASE, "roms/read.bin", b"dump")
    assert cabinet.take(CASE, kept) == b"dump"
    assert cabinet.keep(CASE, "roms/read.bin", b"other").path == "roms/read-2.bin"
    folder = tmp_path / "cases/0001-kiln/roms"
    assert sorted(os.listdir(folder)) == ["read-2.bin", "read.bin"]
    assert {stat.S_IMODE(one.stat().st_mode) for one in folder.iterdir()} == {0o400}


def test_what_a_killed_process_left_half_written_goes_with_the_next_file(
    cabinet: CaseCabinet, tmp_path: Path
) -> None:
    cabinet.keep(CASE, "roms/read.bin", b"dump")
    folder = tmp_path / "cases/0001-kiln/roms"
    gone = os.fork()
    if not gone:
        os._exit(0)
    os.waitpid(gone, 0)
    for name in (f"x.bin.{gone}.new", f"x.bin.{os.getpid()}.new", "x.new", "1.new", ".0.new"):
        (folder / name).write_bytes(b"half")
    cabinet.keep(CASE, "roms/more.bin", b"dump")
    assert sorted(os.listdir(folder)) == sorted(
        [f"x.bin.{os.getpid()}.new", "x.new", "1.new", ".0.new", "read.bin", "more.bin"]
    )
