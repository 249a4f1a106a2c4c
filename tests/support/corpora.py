"""Published images that are fetched when a test asks for them, never kept with the project."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[1] / "corpora"
KEPT = Path(__file__).parents[2] / ".tools" / "corpora"
NOT_TO_BE_HAD = 75
FETCH_SECONDS = 20
STANDS_SECONDS = 300
"""For how long a fetch that failed is not tried again, so that a network that hangs costs its time once."""


def corpus_or_skip(name: str) -> Path:
    """The folder with the files that `tests/corpora/fetch_NAME.sh` brings, or a skip that says why not.

    Raises:
        AssertionError: the script failed for another reason than that the files are not to be had.
    """
    folder, failed = KEPT / name, KEPT / f"{name}.failed"
    KEPT.mkdir(parents=True, exist_ok=True)
    with (KEPT / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # tests may run in several processes
        if failed.exists() and time.time() - failed.stat().st_mtime < STANDS_SECONDS:
            pytest.skip(failed.read_text())
        why = _fetch(SCRIPTS / f"fetch_{name}.sh", folder)
        if why:
            failed.write_text(f"the published {name} are not here, so they judged nothing: {why}")
            pytest.skip(failed.read_text())
        failed.unlink(missing_ok=True)
    return folder


def _fetch(script: Path, folder: Path) -> str:
    """Runs one script; empty, or why the files are not to be had."""
    with subprocess.Popen(
        [str(script), str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    ) as child:
        try:
            _, said = child.communicate(timeout=FETCH_SECONDS)
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGTERM)
            child.communicate()
            return f"{script.name} was not done in {FETCH_SECONDS} s"
    text = said.decode(errors="replace").strip()
    assert child.returncode in (0, NOT_TO_BE_HAD), f"{script.name}: {child.returncode} {text}"
    return text.splitlines()[-1] if child.returncode else ""
