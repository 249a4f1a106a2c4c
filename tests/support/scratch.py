"""Folders that one process of the tests keeps for longer than a test, and that go with it.

`conftest.py` has them cleared: a worker that is told to end does not run what was registered for its exit."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

_MADE: list[Path] = []


def scratch(purpose: str) -> Path:
    """A new empty folder that stays until this process has run its tests."""
    made = Path(tempfile.mkdtemp(prefix=f"mendbay-{purpose}-"))
    _MADE.append(made)
    return made


def clear() -> None:
    """Removes every folder that was given out."""
    while _MADE:
        shutil.rmtree(_MADE.pop(), ignore_errors=True)
