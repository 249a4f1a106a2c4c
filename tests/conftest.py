"""What holds for every test: the processes that tests start compile the program once a run, not once each;
and nothing that was made for the tests lies about afterwards."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest
from hypothesis import settings

from support import scratch

COMPILED = pytest.StashKey[str]()

# On a busy machine one example may take long for no fault of its own.
settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")


def pytest_configure(config: pytest.Config) -> None:
    """Where no compiled files are to lie beside the sources, they lie in a folder of this run: else every
    process of Mendbay that a test starts would compile some hundred modules. Workers inherit it."""
    if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
        config.stash[COMPILED] = tempfile.mkdtemp(prefix="mendbay-tests-")
        os.environ["PYTHONPYCACHEPREFIX"] = config.stash[COMPILED]


def pytest_unconfigure(config: pytest.Config) -> None:
    scratch.clear()
    folder = config.stash.get(COMPILED, "")
    if folder:
        del os.environ["PYTHONPYCACHEPREFIX"]
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        shutil.rmtree(folder, ignore_errors=True)
