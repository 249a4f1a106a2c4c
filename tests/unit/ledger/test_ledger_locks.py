"""A ledger that is open in one process several times, as a server has it, and closed by another process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from mendbay.ledger.database import Ledger

CLOSED_BY_ANOTHER = """
import sys
from pathlib import Path
from mendbay.ledger.database import Ledger
with Ledger(Path(sys.argv[1])) as ledger:
    ledger.cases()
"""


def test_opening_it_again_keeps_the_locks_that_are_held(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    log = path.with_name(f"{path.name}-wal")
    with Ledger(path) as held:
        held.cases()
        with Ledger(path) as again:
            again.cases()
            subprocess.run([sys.executable, "-c", CLOSED_BY_ANOTHER, str(path)], check=True)
            assert log.exists()  # else the other one took it away as if nobody had the ledger open
        assert log.exists()
        held.cases()
