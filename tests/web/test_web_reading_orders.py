"""Whether pictures wait is never denied for want of something to look with: what does not wait may go."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from mendbay.faces.web.reading_orders import is_waiting


@pytest.mark.parametrize(
    ("code", "waits"), [(errno.EMFILE, True), (errno.ENOMEM, True), (errno.ENOENT, False)]
)
def test_pictures_that_cannot_be_looked_at_are_not_taken_for_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, waits: bool
) -> None:
    folder = os.open(tmp_path, os.O_RDONLY)

    def fails(*asked: object, **more: object) -> int:
        raise OSError(code, os.strerror(code))

    try:
        with monkeypatch.context() as patched:
            patched.setattr(os, "open", fails)
            assert is_waiting(folder) is waits
        assert not is_waiting(folder)
    finally:
        os.close(folder)
