"""Which files other processes of this machine have open, as far as this account may see (proc(5))."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

PROC = Path("/proc")
FileId = tuple[int, int]
"""Device and inode of a file."""


def open_elsewhere() -> Iterator[tuple[FileId, str]]:
    """Regular files that other processes have open, each with the number of the process. A process that ends
    meanwhile, or belongs to another account, gives none."""
    own = str(os.getpid())
    for process in PROC.iterdir():
        if not process.name.isdigit() or process.name == own:
            continue
        with suppress(OSError):
            for one in (process / "fd").iterdir():
                with suppress(OSError):
                    found = one.stat()
                    if stat.S_ISREG(found.st_mode):
                        yield (found.st_dev, found.st_ino), process.name
