"""Whether something of Mendbay, or anything else, uses a home just now."""

from __future__ import annotations

import fcntl
import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from mendbay.outlets.open_files import FileId, open_elsewhere


def use_of(home: Path) -> str:
    """Who uses files of a home, as the end of a sentence; empty if nobody does, as far as this account sees:
    files that other processes have open, and locks of works and images, which other accounts' processes show
    too."""
    files = dict(_files(home))
    for file, process in open_elsewhere():
        if file in files:
            return f"process {process} has {files[file]} open"
    for path in files.values():
        if (path.name == "lock" or path.suffix == ".img") and _is_locked(path):
            return f"{path} is locked"
    return ""


def _files(home: Path) -> Iterator[tuple[FileId, Path]]:
    for folder, _, names in os.walk(home):
        for name in names:
            path = Path(folder, name)
            with suppress(OSError):
                found = path.lstat()
                if stat.S_ISREG(found.st_mode):
                    yield (found.st_dev, found.st_ino), path


def _is_locked(path: Path) -> bool:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(fd)
    return False
