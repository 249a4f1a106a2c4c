"""What stands in place of a file of a work is passed over, and nothing of it stays open."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from mendbay.core.errors import LedgerError
from mendbay.jobs.work_port import Ask, WorkKind, WorkOrder, WorkRequest
from mendbay.outlets import work_requests
from mendbay.outlets.work_desk import open_desk
from mendbay.outlets.work_folder import STATE, TOLD, WorkFolder
from mendbay.outlets.work_json import NotOurs
from mendbay.wiring import works

NAME = "20261129T015356.248Z-bad84f5a10dc"


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


@pytest.mark.parametrize("filled", [False, True])
def test_a_folder_in_place_of_a_request_is_passed_over(tmp_path: Path, filled: bool) -> None:
    (tmp_path / "000001").mkdir()
    if filled:
        (tmp_path / "000001" / "x").write_text("x")
    os.mkfifo(tmp_path / "000002")
    (tmp_path / "000003").symlink_to("/etc/hostname")
    folder = os.open(tmp_path, os.O_RDONLY)
    try:
        work_requests.place(folder, WorkRequest(Ask.REST))
        before = open_files()
        assert [one.ask for one in work_requests.take(folder)] == [Ask.REST]
        for _ in range(50):
            assert work_requests.take(folder) == []
        assert open_files() == before
    finally:
        os.close(folder)
    assert [one.name for one in tmp_path.iterdir()] == (["000001"] if filled else [])


@pytest.mark.parametrize("how", ["folder", "pipe"])
def test_what_is_no_file_is_told_and_not_left_open(tmp_path: Path, how: str) -> None:
    (tmp_path / NAME).mkdir()
    place = tmp_path / NAME / STATE
    place.mkdir() if how == "folder" else os.mkfifo(place)
    with WorkFolder(tmp_path, NAME) as folder:
        before = open_files()
        for _ in range(50):
            with pytest.raises(NotOurs):
                folder.document(STATE)
        assert open_files() == before


def test_of_a_line_that_found_no_room_nothing_is_left_to_spoil_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / NAME).mkdir()
    write = os.write
    with WorkFolder(tmp_path, NAME) as folder:
        folder.append(TOLD, {"text": "one"})
        with monkeypatch.context() as full:
            full.setattr(os, "write", lambda fd, data: write(fd, data[:5]))
            with pytest.raises(OSError, match="No space"):
                folder.append(TOLD, {"text": "two"})
        folder.append(TOLD, {"text": "three"})
    lines = (tmp_path / NAME / TOLD).read_text().splitlines()
    assert [json.loads(one)["text"] for one in lines] == ["one", "three"]


def test_a_folder_in_place_of_the_lock_is_told_to_whoever_would_do_the_work(tmp_path: Path) -> None:
    shelf = works(tmp_path)
    order = WorkOrder(shelf.new_id(), WorkKind.CATALOGUE, 1, "Ina", "2026-11-29T01:00:00Z", {})
    shelf.begin(order)
    shelf.let_go(order.id)
    lock = tmp_path / "works" / order.id / "lock"
    lock.unlink()
    lock.mkdir()
    with pytest.raises(LedgerError) as told, open_desk(tmp_path, order.id, None):
        pass
    assert "Order it again" in told.value.next_step
