"""The command line as a technician uses it, on a case with two bays."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.answers import Run
from support.commands import Commands, commands


@pytest.fixture(scope="module")
def program() -> Iterator[Commands]:
    with commands() as server:
        yield server


@pytest.fixture
def run(tmp_path: Path, program: Commands) -> Run:
    """Runs mendbay with a home of its own that holds a case with two bays."""

    def runner(*words: object) -> subprocess.CompletedProcess[str]:
        return program.run(["--home", str(tmp_path / "home"), *map(str, words)])

    assert runner("case", "open", "Quillmere Pottery", "--bay", "1=", "--bay", "2=").returncode == 0
    return runner
