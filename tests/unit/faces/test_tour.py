"""The README's ten-minute tour, typed as it stands there."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from support.boxes import tool_or_skip

ROOT = Path(__file__).parents[3]
ELSEWHERE = ("/dev/sdX", "elsewhere/")
"""What only a real bench has."""


def commands(heading: str = "## Ten-minute tour") -> list[str]:
    readme = (ROOT / "README.md").read_text()
    tour = readme.split(heading)[1].split("\n## ")[0]
    return [line[4:] for line in tour.splitlines() if line.startswith("    ")]


def typed_out(folder: Path, script: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """What a shell says to the script, in a folder, with `mendbay` on its path."""
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin:/sbin"
    return subprocess.run(
        ["sh", "-c", script],
        cwd=folder,
        env={**os.environ, "PATH": path, **environment},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


@pytest.mark.slow
def test_every_command_of_the_tour_works_as_printed(tmp_path: Path) -> None:
    tool_or_skip("mke2fs", "e2fsprogs")
    folder = tmp_path / "SOME_FOLDER"
    (folder / "photos").mkdir(parents=True)
    generator = 12345
    for number in range(300):  # enough that the refused sectors lie inside files
        generator = (generator * 1103515245 + 12345) % (1 << 31)
        (folder / "photos" / f"picture {number}.jpg").write_bytes(os.urandom(100_000 + generator % 50_000))
    typed = [line for line in commands() if not any(place in line for place in ELSEWHERE)]
    assert sum("mendbay " in line for line in typed) >= 12
    finished = "\ncode=$?; [ $code = 0 ] || [ $code = 3 ] || exit $code"
    script = "\n".join(
        line.replace("PATH/OF A FILE", "photos/picture 7.jpg")
        + (finished if line.startswith("mendbay") else " || exit 99")
        for line in typed
    )
    script += "\nmendbay --json files list 1 > listing.json || [ $? = 3 ]"
    done = typed_out(tmp_path, script)
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"Bay 1 and bay 2 are in step", done.stdout)
    assert re.search(r"bay 1 .*\n?.*refused", done.stdout, re.IGNORECASE)
    assert "is complete and unchanged" in done.stdout
    assert "The custody log holds" in done.stdout
    files = json.loads((tmp_path / "listing.json").read_text())["files"]
    assert any(one.get("other_half") for one in files), "the refused sectors lie inside files"
    whole = sum(one.get("verdict") == "whole" for one in files)
    assert whole > 280, "each half makes good what the other refused"


@pytest.mark.slow
def test_every_command_of_the_boards_tour_works_as_printed(tmp_path: Path) -> None:
    typed = commands("## The board, in ten minutes more")
    assert len(typed) >= 14
    asked = ("mendbay rom read", "mendbay rom write")
    checked = (
        " --supply-checked 1.8 --supply-checked 3.3 --marked-3v"  # what a person is asked at the keyboard
    )
    lines = ['mendbay case open "An earlier customer"']
    lines += [
        line + (checked if line.startswith(asked) else "") + (" --yes" if " rom write" in line else "")
        for line in typed
    ]
    finished = "\ncode=$?; [ $code = 0 ] || exit $code"
    done = typed_out(
        tmp_path, "\n".join(line + finished for line in lines), MENDBAY_HOME=str(tmp_path / "home")
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1. item 1 (D-014): board TB-4471-200 R3" in done.stdout
    assert "12 V is barred" in done.stdout
    assert "Written and proven" in done.stdout
    material = tmp_path / "material"
    assert (material / "donor-chip.bin").read_bytes() == (material / "patient-chip.bin").read_bytes()


def test_every_command_of_triage_works_as_printed(tmp_path: Path) -> None:
    typed = commands("## What is broken, and what to do next")
    assert len(typed) >= 7
    lines = ['mendbay case open "A customer" --bay 1= --bay 2=', *typed]
    done = typed_out(tmp_path, "set -e\n" + "\n".join(lines), MENDBAY_HOME=str(tmp_path / "home"))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "STOP: give the drive of bay 1 no power." in done.stdout
    assert "Next: mendbay triage tell 1 swapped ANSWER --bay 1" in done.stdout


@pytest.mark.slow
def test_every_command_of_the_case_works_as_printed(tmp_path: Path) -> None:
    typed = commands("## The case around it")
    assert len(typed) >= 20
    finished = "\ncode=$?; [ $code = 0 ] || [ $code = 3 ] || exit $code"
    lines = ['mendbay case open "A customer" --bay 1= --bay 2=', *typed]
    script = "\n".join(line + finished for line in lines)
    done = typed_out(tmp_path, script, MENDBAY_HOME=str(tmp_path / "home"))
    assert done.returncode == 0, done.stdout + done.stderr
    for name in ("item-labels.pdf", "receipt.pdf", "letter.pdf"):
        assert (tmp_path / name).read_bytes().startswith(b"%PDF"), name
    assert (tmp_path / "log.jsonl").stat().st_size > 0
    assert (tmp_path / "case-1" / "manifest-sha256.txt").exists()
    assert "Too few to say" in done.stdout, "one case teaches little, and that is said"


def test_a_shop_is_saved_and_put_back_as_told(tmp_path: Path) -> None:
    """Images lie in the case's folder, and the ledger names none of it by its place on this machine."""
    (tmp_path / "drive.img").write_bytes(os.urandom(1 << 16))
    before = (
        "export MENDBAY_HOME=$PWD/tour; mendbay case open 'A customer' --bay 1= && "
        "mendbay drive read 1 1 drive.img"
    )
    assert typed_out(tmp_path, before).returncode == 0
    typed = commands("## Save the shop, and put it back")
    assert typed[0].startswith("mendbay bench save ")
    script = " && ".join(["export MENDBAY_HOME=$PWD/tour", *typed, "mendbay drive verify 1 1"])
    done = typed_out(tmp_path, f"{script} && mendbay case custody 1 && mendbay case list")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "A customer" in done.stdout
    assert "CHANGED" not in done.stdout
    assert (tmp_path / "tour.aside-1" / "ledger.sqlite3").exists()
