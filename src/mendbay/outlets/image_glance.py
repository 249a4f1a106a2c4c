"""An image seen from outside, without opening its checkpoint: the day's work does so for every case."""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from mendbay.jobs.ports import ImageGlance
from mendbay.outlets.checkpoint import checkpoint_path


def is_begun(path: Path) -> bool:
    """Whether there is an image at that path that can be gone on with: a run stopped while making one may
    leave an empty file, which `ImageFile.create` clears away."""
    return path.exists() and path.stat().st_size > 0


def glance_at(path: Path) -> ImageGlance | None:
    """An image seen from outside; None if there is none, or it cannot be looked at."""
    if not is_begun(path):
        return None
    log = checkpoint_path(path)
    changed = 0
    for one in (path, log, log.with_name(f"{log.name}-wal")):
        with suppress(OSError):
            changed = max(changed, one.stat().st_mtime_ns)
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return ImageGlance(False, changed)
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return ImageGlance(True, changed)
    except OSError:
        return ImageGlance(False, changed)
    finally:
        os.close(fd)  # gives the lock back
    return ImageGlance(False, changed)
