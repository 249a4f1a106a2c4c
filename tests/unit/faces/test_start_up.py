"""A command loads what it uses: what takes long to import stays out of the commands that people wait for."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from mendbay.case.records import Intake
from mendbay.wiring import open_bench

HEAVY = ("numpy", "jinja2", "typst", "PIL", "openpyxl", "concurrent.futures", "mendbay.triage.worlds")
"""The arrays, the papers, the pictures, the spreadsheets, the threads, and the worlds of triage."""
LOADED = """
import json, sys
from mendbay.faces.cli.main import main
try:
    main()
except SystemExit as leaving:
    assert not leaving.code, leaving
print(json.dumps(sorted(sys.modules)))
"""


def loaded(*words: str) -> list[str]:
    command = [sys.executable, "-c", LOADED, *words]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return [str(one) for one in json.loads(said.splitlines()[-1])]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_bench(tmp_path) as bench:
        bench.ledger.open_case(Intake(bench.now(), "Quillmere Pottery", box="two-bay box"))
    return tmp_path


@pytest.mark.parametrize("words", [("--help",), ("case", "--help"), ("case", "list"), ("case", "waiting")])
def test_a_quick_command_loads_nothing_heavy(home: Path, words: tuple[str, ...]) -> None:
    found = loaded("--home", str(home), *words)
    assert "click" in found
    assert [one for one in HEAVY if one in found] == []


def test_what_works_out_the_next_step_loads_the_worlds(home: Path) -> None:
    """So the names above are the right ones."""
    assert {"numpy", "mendbay.triage.worlds"} <= set(loaded("--home", str(home), "case", "today"))
