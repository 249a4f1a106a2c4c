"""What may be read and where a copy may go; the cases that need real devices are in tests/rig."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from mendbay.core.errors import (
    DestinationError,
    DestinationOnSource,
    NoRoom,
    SourceBusy,
    SourceError,
    SourceTooSmall,
)
from mendbay.core.quantity import count_text
from mendbay.inlets import device
from mendbay.inlets.device import guard_destination, look

NOBODY = 65534
"""The user without rights (Linux, Documentation/admin-guide/sysctl/fs.rst, overflowuid)."""
AsNobody = Callable[[], contextlib.AbstractContextManager[None]]


def test_a_file_is_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.img"
    path.write_bytes(bytes(5000))
    seen = look(path)
    assert (seen.kind, seen.name, seen.size_bytes, seen.sector_bytes) == ("file", str(path), 5000, 512)
    assert (seen.model, seen.serial, seen.physical_bytes) == ("", "", 0)
    assert look(path, 4096).sector_bytes == 4096


def test_a_link_is_followed_and_keeps_its_own_name(tmp_path: Path) -> None:
    (tmp_path / "a.img").write_bytes(bytes(512))
    link = tmp_path / "bay-1"
    link.symlink_to("a.img")
    assert look(link).name == str(link)


def test_what_is_not_there_says_so_and_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="does not exist") as found:
        look(tmp_path / "nothing")
    assert "list of drives at hand" in found.value.next_step
    (tmp_path / "dangling").symlink_to("nowhere")
    with pytest.raises(SourceError, match="does not exist"):
        look(tmp_path / "dangling")


def test_other_kinds_of_nodes_are_refused_by_name(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "socket"))
    cases = {
        tmp_path: "a folder",
        Path("/dev/null"): "a character device",
        tmp_path / "pipe": "a pipe",
        tmp_path / "socket": "a socket",
    }
    for path, kind in cases.items():
        with pytest.raises(SourceError, match=f"is {kind}, not a drive"):
            look(path)


def test_a_path_through_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").touch()
    with pytest.raises(SourceError, match="Not a directory"):
        look(tmp_path / "a" / "b")


@pytest.mark.parametrize(("size", "sector"), [(0, 512), (511, 512), (4095, 4096)])
def test_less_than_one_sector_is_too_small_with_both_numbers(tmp_path: Path, size: int, sector: int) -> None:
    path = tmp_path / "a.img"
    path.write_bytes(bytes(size))
    with pytest.raises(SourceTooSmall) as found:
        look(path, sector)
    assert f"holds {count_text(size)} bytes" in found.value.what
    assert f"{count_text(sector)} bytes" in found.value.what


@pytest.mark.parametrize(
    ("number", "kind", "said", "next_step"),
    [
        (errno.EACCES, SourceError, "no right to read", "Run as root"),
        (errno.EPERM, SourceError, "no right to read", "Run as root"),
        (errno.EBUSY, SourceBusy, "held by something else", "Stop what uses it"),
        (errno.ENOMEDIUM, SourceError, "no drive answers", "power and cable"),
        (errno.ENXIO, SourceError, "no drive answers", "power and cable"),
        (errno.EMFILE, SourceError, "Too many open files", "kernel's messages"),
    ],
)
def test_a_source_that_cannot_be_opened_says_why(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    kind: type[SourceError],
    said: str,
    next_step: str,
) -> None:
    path = tmp_path / "a.img"
    path.write_bytes(bytes(512))

    def refuse(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(kind, match=said) as found:
        look(path)
    assert type(found.value) is kind
    assert next_step in found.value.next_step


@pytest.fixture
def as_nobody() -> AsNobody:
    """Gives up root's rights for a while. Whoever runs the tests without them needs nothing of the kind."""

    @contextlib.contextmanager
    def dropped() -> Iterator[None]:
        if os.geteuid() != 0:
            yield
            return
        os.seteuid(NOBODY)
        try:
            yield
        finally:
            os.seteuid(0)

    return dropped


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user can reach, unlike `tmp_path`."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        path.chmod(0o755)
        yield path


def test_a_file_or_folder_without_rights_is_told_from_one_that_is_missing(
    open_folder: Path, as_nobody: AsNobody
) -> None:
    path = open_folder / "inner" / "a.img"
    path.parent.mkdir()
    path.write_bytes(bytes(512))
    path.chmod(0)
    with as_nobody(), pytest.raises(SourceError, match="no right to read it") as found:
        look(path)
    assert "`ls -l` shows it" in found.value.next_step
    path.parent.chmod(0)
    try:
        with as_nobody(), pytest.raises(SourceError, match="Permission denied") as found:
            look(path)
        assert "your rights on its folders" in found.value.next_step
    finally:
        path.parent.chmod(0o755)


def test_a_destination_without_rights_is_refused(open_folder: Path, as_nobody: AsNobody) -> None:
    source = open_folder / "a.img"
    source.write_bytes(bytes(512))
    source.chmod(0o644)
    destination = open_folder / "copies"
    destination.mkdir()
    destination.chmod(0o555)
    with as_nobody():
        for folder in (destination, destination / "not" / "yet"):
            with pytest.raises(DestinationError, match=f"{destination} cannot be written to"):
                guard_destination(source, folder, 1)


def test_a_destination_with_room_is_fine_even_before_it_exists(tmp_path: Path) -> None:
    source = tmp_path / "a.img"
    source.write_bytes(bytes(512))
    guard_destination(source, tmp_path, 1)
    guard_destination(source, tmp_path / "new" / "folder", 1, "copy.img")


def test_no_room_gives_both_numbers_and_the_difference(tmp_path: Path) -> None:
    source = tmp_path / "a.img"
    source.write_bytes(bytes(512))
    needed = 1 << 62
    with pytest.raises(NoRoom) as found:
        guard_destination(source, tmp_path, needed)
    free = int(found.value.what.split(" has ")[1].split(" bytes")[0].replace("\u2009", ""))
    room = os.statvfs(tmp_path)
    assert abs(free - room.f_bavail * room.f_frsize) < 1 << 30, "others write to this disk meanwhile"
    assert f"{count_text(needed)} are needed" in found.value.what
    assert f"Make {count_text(needed - free)} bytes of room" in found.value.next_step


@pytest.mark.parametrize("how", ["itself", "hard link", "symbolic link"])
def test_the_source_itself_is_no_destination_under_any_name(tmp_path: Path, how: str) -> None:
    source = tmp_path / "a.img"
    source.write_bytes(bytes(512))
    folder = tmp_path / "copies"
    folder.mkdir()
    if how == "itself":
        folder = tmp_path
    elif how == "hard link":
        (folder / "a.img").hardlink_to(source)
    else:
        (folder / "a.img").symlink_to(source)
    with pytest.raises(DestinationOnSource, match="is the source itself"):
        guard_destination(source, folder, 1, "a.img")
    guard_destination(source, folder, 1, "other.img")


def test_a_destination_that_is_or_lies_below_a_file_is_refused(tmp_path: Path) -> None:
    source = tmp_path / "a.img"
    source.write_bytes(bytes(512))
    for folder in (source, source / "below"):
        with pytest.raises(DestinationError, match="not a folder"):
            guard_destination(source, folder, 1)


def test_what_a_drive_says_of_itself_is_cut_and_cleaned() -> None:
    assert device._printable(b"  AL20-HX4 \x1b[31m\x00\n") == "AL20-HX4 [31m"
