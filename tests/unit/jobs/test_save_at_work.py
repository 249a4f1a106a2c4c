"""The shop is saved while other processes read a drive and write its ledger."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from mendbay.ledger.database import Ledger
from support import saved_shops
from support.saved_shops import CASE, faults_of, make_shop, require_claims, save

TIMES = 5


@pytest.mark.slow
def test_every_copy_opens_checks_and_claims_only_what_it_holds(tmp_path: Path) -> None:
    home = tmp_path / "home"
    make_shop(home)
    worker = subprocess.Popen(
        [sys.executable, str(Path(saved_shops.__file__)), str(home)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": str(Path(saved_shops.__file__).parents[1])},
    )
    assert worker.stdout is not None
    entries = settled = 0
    try:
        assert worker.stdout.readline() == "1\n"
        for at in range(TIMES):
            folder = tmp_path / ("copy" if at % 2 else f"copy-{at}")
            done = save(home, folder)
            unsettled = [one for one in done.lacking if "changed each time" in one]
            assert done.lacking == tuple(unsettled)
            assert worker.poll() is None
            assert faults_of(folder, home) == []
            if not unsettled:
                assert require_claims(folder / "data" / CASE / "bay-1.img") > 0
                settled += 1
            with Ledger(folder / "data" / "ledger.sqlite3") as ledger:
                ledger.check()
                before, entries = entries, len(ledger.custody(1))
            assert entries > before, "others went on meanwhile"
            (folder / "bagit.txt").unlink()  # it was opened for writing here: no copy any more
    finally:
        worker.kill()
        worker.communicate()
    assert settled
