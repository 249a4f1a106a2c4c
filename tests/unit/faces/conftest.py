"""The command line as a technician uses it, on a case with two bays."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.answers import Run
from support.commands import Commands, commands


@pytest.fixture(scope="session")
def program() -> Iterator[Commands]:
    with commands() as server:
        yield server


@pytest.fixture
def without_case(tmp_path: Path, program: Commands) -> Run:
    """Runs mendbay with a home of its own that does not exist yet."""

    def runner(*words: object) -> subprocess.CompletedProcess[str]:
        return program.run(["--home", str(tmp_path / "home"), *map(str, words)])

    return runner


@pytest.fixture
def unnamed_bays(without_case: Run) -> Run:
    """Runs mendbay with a home of its own that holds a case whose bays are not named."""
    assert without_case("case", "open", "Quillmere Pottery").returncode == 0
    return without_case


@pytest.fixture(scope="session")
def opened(tmp_path_factory: pytest.TempPathFactory, program: Commands) -> Path:
    """A home with a case of two bays, for copies: a home is a folder, and holds no path to itself."""
    home = tmp_path_factory.mktemp("opened") / "home"
    words = ("case", "open", "Quillmere Pottery", "--bay", "1=", "--bay", "2=")
    assert program.run(["--home", str(home), *words]).returncode == 0
    return home


@pytest.fixture
def run(tmp_path: Path, without_case: Run, opened: Path) -> Run:
    """Runs mendbay with a home of its own that holds a case with two bays."""
    shutil.copytree(opened, tmp_path / "home")
    return without_case
