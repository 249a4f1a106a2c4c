"""A disk that fails at any step of an upload: told as that, and nothing half kept."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from starlette.datastructures import UploadFile

from mendbay.core.errors import DestinationError, NoRoom
from mendbay.faces.web import reading_orders, upload_folder
from mendbay.faces.web.reading_orders import ReadingOrder
from mendbay.faces.web.uploads import Uploads, take_uploads

CALLS = 9
"""The folder, one in it, its place; two files and a note, each opened and written."""
STEPS = ("mkdir", "open", "write")


class FailingDisk:
    """The system's calls, of which the one of that number fails."""

    def __init__(self, fails: int, code: int) -> None:
        self._left, self._code = fails, code
        self.reached = False

    def __getattr__(self, name: str) -> Any:
        real: Callable[..., Any] = getattr(os, name)
        return self._counted(real) if name in STEPS else real

    def _counted(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            self._left -= 1
            if self._left < 0 and not self.reached:
                self.reached = True
                raise OSError(self._code, os.strerror(self._code))
            return real(*args, **more)

        return call


def os_remove(self: Uploads) -> None:
    """What is removed is not what is tried here."""
    shutil.rmtree(self.folder)


def send(home: Path) -> None:
    sent = [UploadFile(BytesIO(b"\xff\xd8\xff" + b"x" * 100), filename=f"{n}.jpg") for n in range(2)]
    taken = take_uploads(home, sent, 1 << 20)
    try:
        ReadingOrder(1, "1", "Kim", taken).taken().drop()
    finally:
        taken.remove()


@pytest.mark.parametrize(
    ("code", "told"),
    [
        (errno.ENOSPC, NoRoom),
        (errno.EDQUOT, NoRoom),
        (errno.EIO, DestinationError),
        (errno.EROFS, DestinationError),
    ],
)
def test_wherever_the_disk_fails_nothing_is_half_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, told: type[Exception]
) -> None:
    for fails in range(CALLS + 1):
        disk = FailingDisk(fails, code)
        with monkeypatch.context() as patched:
            patched.setattr(upload_folder, "os", disk)
            patched.setattr(reading_orders, "os", disk)
            patched.setattr(Uploads, "remove", os_remove)
            if fails < CALLS:
                with pytest.raises(told) as trouble:
                    send(tmp_path / "home")
                assert trouble.value.next_step
            else:
                send(tmp_path / "home")
                assert not disk.reached
        folder = tmp_path / "home" / "uploads"
        assert not folder.exists() or not list(folder.iterdir())
