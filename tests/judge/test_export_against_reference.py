"""The export of a case before outside judges: the reference checker of RFC 8493 (`bagit`, Library of
Congress), `sha256sum` (GNU coreutils), and the custody check in shell that docs/formats/custody.md prints.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import bagit
import pytest

from mendbay.jobs.export_case import Exported, export_case
from mendbay.wiring import open_bench, open_handback_folder
from support.full_case import full_home

CUSTODY = Path(__file__).parents[2] / "docs/formats/custody.md"


@pytest.fixture
def done(tmp_path: Path) -> Exported:
    with open_bench(full_home(tmp_path / "home")) as bench:
        return export_case(bench, 2, tmp_path / "out", open_handback_folder)


def test_the_reference_accepts_it_and_notices_a_changed_byte(done: Exported) -> None:
    bag = bagit.Bag(str(done.folder))
    assert bag.validate(processes=1)
    assert bag.info["External-Identifier"] == "0002-export"
    with (done.folder / "data/notes.jsonl").open("r+b") as file:
        file.write(b"[")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(done.folder)).validate()


def test_the_sums_hold_as_the_readme_says(done: Exported) -> None:
    command = ["sha256sum", "-c", "--quiet", "manifest-sha256.txt"]
    assert subprocess.run(command, cwd=done.folder, check=False).returncode == 0


def test_the_log_holds_by_the_documented_shell_and_ends_with_the_head(done: Exported) -> None:
    script = re.search(r"```sh\n(.*?)```", CUSTODY.read_text(), re.DOTALL)
    assert script is not None
    ran = subprocess.run(
        ["sh", "-c", script[1]], cwd=done.folder / "data", capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stdout.strip()) == (0, f"{done.entries}: {done.head}")
