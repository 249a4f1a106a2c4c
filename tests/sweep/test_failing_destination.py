"""The Nth call to the destination's medium fails, once and for good, for every N.

Whatever fails, nothing half-written bears a file's name, the folder is a bag only when it is whole, the
error is one of ours, and the same job, run again on a mended medium, completes with every byte right.
"""

from __future__ import annotations

import errno
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.errors import DestinationError, NoRoom
from mendbay.outlets import destination, handback_journal, safe_folder
from mendbay.outlets.bag_check import check_bag
from support.failing import FailingOs
from support.handback_run import CONTENT, Unverified, copy_all, expected_bytes

WRITING = ("pwrite", "fsync", "rename", "mkdir", "ftruncate", "unlink", "rmdir", "utime")
ANY = (*WRITING, "open", "read", "pread", "stat", "scandir", "fstat", "fstatvfs", "listdir")


class PowerCut(BaseException):
    """Stops the job where it stands, as a power cut does: no clean-up reaches the medium after it."""


def broken(monkeypatch: pytest.MonkeyPatch, failing: Any) -> None:
    for module in (destination, handback_journal, safe_folder):
        monkeypatch.setattr(module, "os", failing)


def count_calls(folder: Path, names: tuple[str, ...]) -> int:
    with pytest.MonkeyPatch.context() as patch:
        counter = FailingOs(names, 1 << 60, OSError, False)
        broken(patch, counter)
        copy_all(folder)
    return counter.calls


def nothing_false_is_claimed(folder: Path) -> None:
    """Everything that bears a file's name is that file; what the journal says is there is there; the
    folder declares itself a bag only if it is a valid one."""
    for path in CONTENT:
        place = folder / path
        assert not place.exists() or place.read_bytes() == expected_bytes(path), f"{path} is half-written"
    journal = folder / "handback.progress"
    if journal.exists():
        for line in journal.read_bytes().split(b"\n")[1:-1]:
            copy = json.loads(line).get("copy")
            if copy:
                assert hashlib.sha256((folder / copy["path"]).read_bytes()).hexdigest() == copy["sha256"]
    if (folder / "bagit.txt").exists():
        assert check_bag(folder).faults == ()


def fails(folder: Path, trouble: Callable[[], BaseException]) -> bool:
    """Whether the job failed, in one of our own ways."""
    told = NoRoom if trouble().args[:1] == (errno.ENOSPC,) else (DestinationError, PowerCut, Unverified)
    try:
        copy_all(folder)
    except told:
        return True
    return False


def sweep(
    tmp_path: Path, names: tuple[str, ...], trouble: Callable[[], BaseException], for_good: bool
) -> int:
    total = count_calls(tmp_path / "count", names)
    failed = 0
    for at in range(1, total + 1):
        folder = tmp_path / f"bag{at}"
        with pytest.MonkeyPatch.context() as patch:
            broken(patch, FailingOs(names, at, trouble, for_good))
            failed += fails(folder, trouble)
        if folder.exists():
            nothing_false_is_claimed(folder)
        payload, _ = copy_all(folder)
        assert {one.path for one in payload} == set(CONTENT)
        nothing_false_is_claimed(folder)
        assert check_bag(folder).faults == ()
    assert failed > total // 2, "hardly anything failed: the sweep does not reach the medium"
    return total


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
def test_a_medium_that_fills_up(tmp_path: Path, for_good: bool) -> None:
    sweep(
        tmp_path, ("pwrite", "fsync", "mkdir", "rename"), lambda: OSError(errno.ENOSPC, "no room"), for_good
    )


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
def test_a_medium_that_fails(tmp_path: Path, for_good: bool) -> None:
    assert sweep(tmp_path, ANY, lambda: OSError(errno.EIO, "input/output error"), for_good) > 100


def test_a_power_cut_at_any_moment(tmp_path: Path) -> None:
    assert sweep(tmp_path, WRITING, PowerCut, True) > 40
