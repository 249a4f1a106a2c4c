"""What this process holds open, and its children, for tests that look for leaks."""

from __future__ import annotations

import gc
import os
from pathlib import Path


def open_descriptors() -> int:
    """How many descriptors this process has open, what earlier tests dropped not counted."""
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


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
