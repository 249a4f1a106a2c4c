"""The disk that holds the image fails at its Nth operation, once and for good, for every N."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import DestinationError, MendbayError, NoRoom
from mendbay.jobs import drive_reading
from mendbay.jobs.drive_reading import DriveReading
from mendbay.jobs.events import silent
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.image_place import is_begun
from support.scripted_drive import ScriptedDrive, numbered

DATA = numbered(1200)
BAD = {77, 78, 600}


def drive() -> ScriptedDrive:
    return ScriptedDrive(DATA, bad=set(BAD), largest_read_bytes=32 << 10)


def go_on(path: Path) -> None:
    made = ImageFile.reopen(path) if is_begun(path) else ImageFile.create(path, drive().identity)
    try:
        made.begin_run("adapter", "drive")
        DriveReading("1", drive(), made, SystemClock(), silent).run()
    finally:
        made.close()


class Failing:
    """Lets a system call fail at its Nth use, once or from then on."""

    def __init__(self, real: Callable[..., Any], fail_at: int, for_good: bool, number: int) -> None:
        self.real, self.fail_at, self.for_good, self.number = real, fail_at, for_good, number
        self.calls = 0
        self.failed = False

    def __call__(self, *arguments: Any) -> Any:
        self.calls += 1
        if self.calls == self.fail_at or (self.for_good and self.calls > self.fail_at):
            self.failed = True
            raise OSError(self.number, os.strerror(self.number))
        return self.real(*arguments)


@pytest.mark.slow
@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO], ids=["full", "faulty"])
@pytest.mark.parametrize("call", ["pwrite", "fdatasync", "fsync", "ftruncate"])
def test_nothing_is_claimed_or_lost_whatever_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, for_good: bool
) -> None:
    monkeypatch.setattr(drive_reading, "COMMIT_SECONDS", 0.0)
    whole = tmp_path / "whole.img"
    go_on(whole)
    expected = ImageFile.reopen(whole, writable=False)
    for fail_at in range(1, 400):
        path = tmp_path / f"{fail_at}.img"
        with monkeypatch.context() as broken:
            failing = Failing(getattr(os, call), fail_at, for_good, number)
            broken.setattr(os, call, failing)
            try:
                go_on(path)
            except NoRoom:
                assert number == errno.ENOSPC
            except DestinationError:
                assert number == errno.EIO
            else:
                assert not failing.failed, "a failure was swallowed"
                break
        _nothing_false_is_claimed(path)
        go_on(path)
        again = ImageFile.reopen(path, writable=False)
        assert path.read_bytes() == whole.read_bytes()
        assert again.coverage() == expected.coverage()
        again.close()
    else:
        pytest.fail("the run never got by without the failing call")
    assert fail_at > 1, f"{call} is never used"
    expected.close()


def _nothing_false_is_claimed(path: Path) -> None:
    if not path.exists():
        return
    try:
        left = ImageFile.reopen(path, writable=False)
    except MendbayError:
        assert path.stat().st_blocks == 0, "only an image that never began may be without a checkpoint"
        return
    for span in left.coverage().read:
        assert left.take(span) == DATA[span.start : span.stop]
    assert all(claim.is_held_by(left.take(claim.span)) is True for claim in left.claims())
    left.close()
