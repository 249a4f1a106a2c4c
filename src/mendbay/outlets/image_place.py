"""Where an image lies: whether one is there, who holds it, and what goes wrong with the disk below."""

from __future__ import annotations

import errno
import fcntl
import os
import time
from contextlib import suppress
from pathlib import Path

from mendbay.core.errors import DestinationError, ImageBusy, MendbayError, NoRoom
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


GLANCE_SECONDS = 0.05
"""A glance holds the lock far shorter; a process that writes holds it far longer (own choice)."""


def take_lock(fd: int, path: Path) -> None:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    except OSError:
        time.sleep(GLANCE_SECONDS)  # it may only be glanced at
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        raise ImageBusy(
            f"Another Mendbay process is writing to {path}.", "Let it finish or stop it, then try again."
        ) from trouble


def sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def write_error(path: Path, trouble: OSError) -> MendbayError:
    if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
        room = os.statvfs(path.parent)
        return NoRoom(
            f"The disk that holds {path} is full: {room.f_bavail * room.f_frsize} bytes free.",
            "Make room there, then run the same command again; it goes on from the last checkpoint.",
        )
    return DestinationError(
        f"{path} cannot be written to: {trouble.strerror}.",
        "Check the disk and the rights on that folder, then run the same command again.",
    )
