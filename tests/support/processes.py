"""What this process holds open, and its children, for tests that look for leaks."""

from __future__ import annotations

import gc
import os
from pathlib import Path


def open_descriptors() -> int:
    """How many descriptors this process has open, what earlier tests dropped not counted."""
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


def is_running(process: int | str) -> bool:
    """Whether there is such a process; one that has ended counts as gone before anybody has reaped it, since
    not every machine's first process reaps orphans."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def children() -> set[int]:
    """The process ids of the children of this process, zombies included."""
    found = set()
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                parent = (folder / "stat").read_text().rpartition(")")[2].split()[1]
            except OSError:
                continue
            if parent == str(os.getpid()):
                found.add(int(folder.name))
    return found
