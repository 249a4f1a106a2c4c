"""Folders of the shop's home: for their owner alone, as they hold what customers brought and said."""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path

OTHERS = stat.S_IRWXO


def make_own(*folders: Path) -> None:
    """Makes those that are not there, for their owner alone (mode 0700); one that is there stays as it is.

    Args:
        folders: each is in the one before it; folders above the first are made as any others are.

    Raises:
        OSError: one cannot be made, or something else has its name.
    """
    for folder in folders:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def close_to_others(*folders: Path) -> tuple[Path, ...]:
    """Takes from everybody but the owner what others may do with folders that an earlier Mendbay made.

    Mode 0750, which lets a group in and nobody else, is a person's own choice and stays, as does what a link
    leads to. Closing a folder closes what is in it, so nothing below is touched: the times of copies tell
    whether they were changed.

    Returns:
        Those that were closed.
    """
    closed = []
    for folder in folders:
        with suppress(OSError):  # not there, or another's
            found = folder.lstat()
            if stat.S_ISDIR(found.st_mode) and found.st_mode & OTHERS:
                os.chmod(folder, 0o700)
                closed.append(folder)
    return tuple(closed)
