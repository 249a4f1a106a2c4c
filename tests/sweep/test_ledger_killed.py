"""Two processes write one ledger; now and then one is killed without warning."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from mendbay.ledger.database import Ledger
from support import ledger_writer
from support.ledger_writer import require_whole, take_in

TESTS = Path(ledger_writer.__file__).parents[1]


def writer(path: Path, name: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(TESTS)}
    script = [sys.executable, ledger_writer.__file__, str(path), name]
    return subprocess.Popen(script, cwd=TESTS, stdout=subprocess.PIPE, text=True, env=environment)


def kill(process: subprocess.Popen[str]) -> list[int]:
    """Ends it as a power switch would; returns the case numbers it had reported as committed."""
    process.send_signal(signal.SIGKILL)
    assert process.stdout is not None
    with process.stdout as lines:
        told = [int(line) for line in lines if line.endswith("\n")]
    assert process.wait() == -signal.SIGKILL
    return told


@pytest.mark.slow
def test_a_killed_writer_never_leaves_half_a_case_and_never_loses_a_reported_one(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    pick = random.Random(7)
    told: list[int] = []
    for turn in range(16):
        process = writer(path, f"turn {turn}")
        assert process.stdout is not None
        told.append(int(process.stdout.readline()))
        time.sleep(pick.uniform(0, 0.08))
        told += kill(process)
        with Ledger(path) as ledger:
            cases = require_whole(ledger)
            assert set(told) <= {case.number for case in cases}
            assert len(cases) - len(told) <= turn + 1, "at most the one in flight was not reported"


@pytest.mark.slow
def test_killed_while_the_file_is_being_made(tmp_path: Path) -> None:
    pick = random.Random(11)
    for turn in range(12):
        path = tmp_path / str(turn) / "ledger.sqlite3"
        process = writer(path, "first")
        give_up = time.monotonic() + 20
        while not path.exists() and time.monotonic() < give_up:
            time.sleep(0.0005)
        time.sleep(pick.uniform(0, 0.02))
        told = kill(process)
        with Ledger(path) as ledger:
            assert len(require_whole(ledger)) >= len(told)
            take_in(ledger, "afterwards")
            require_whole(ledger)


@pytest.mark.slow
def test_three_writers_at_once_and_one_is_killed(tmp_path: Path) -> None:
    """They begin together on a file that is not there yet, and every case number is given out once."""
    path = tmp_path / "ledger.sqlite3"
    processes = [writer(path, f"writer {number}") for number in range(3)]
    told: list[int] = []
    for process in processes:
        assert process.stdout is not None
        told.append(int(process.stdout.readline()))
    told += kill(processes[0])
    for process in processes[1:]:
        assert process.stdout is not None
        told += [int(process.stdout.readline()) for _ in range(3)]
        assert process.poll() is None, "the others go on"
    for process in processes[1:]:
        told += kill(process)
    assert len(told) == len(set(told)), "a number was given out twice"
    with Ledger(path) as ledger:
        cases = require_whole(ledger)
    assert set(told) <= {case.number for case in cases}
    assert {case.customer for case in cases} == {"writer 0", "writer 1", "writer 2"}
