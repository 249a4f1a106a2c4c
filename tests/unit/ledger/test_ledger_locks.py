"""A ledger that is open in one process several times, as a server has it, and closed by another process."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

from mendbay.core.errors import MendbayError
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


def test_several_threads_may_begin_one_ledger(tmp_path: Path) -> None:
    """Each finds it empty or made, never half of both."""
    troubles: list[str] = []
    for at in range(40):
        path, start = tmp_path / f"{at}.sqlite3", threading.Barrier(3)

        def begin(path: Path = path, start: threading.Barrier = start) -> None:
            start.wait()
            try:
                with Ledger(path) as ledger:
                    ledger.cases()
            except MendbayError as trouble:
                troubles.append(trouble.what)

        threads = [threading.Thread(target=begin) for _ in range(3)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
    assert troubles == []
