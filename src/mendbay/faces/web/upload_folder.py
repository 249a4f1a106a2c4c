"""The folder in the shop's home in which what browsers send lies for as long as it is needed.

Everything in it is reached from the folder itself and no link is followed: a link in its place would have
what was sent written somewhere else.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from mendbay.core.errors import DestinationError, MendbayError, NoRoom
from mendbay.jobs.work_options_office import SENT
from mendbay.wiring import make_home

NAME = SENT
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


@contextmanager
def room_told() -> Iterator[None]:
    """Within it, a disk that takes no more is told as that.

    Raises:
        NoRoom: it is full.
        DestinationError: it cannot be written to.
    """
    try:
        yield
    except OSError as trouble:
        if trouble.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise NoRoom(
                "There is no room on this machine for what was sent: nothing of it is kept.",
                "Free some space where the shop's cases and this machine's temporary files are, then send it "
                "again.",
            ) from trouble
        raise DestinationError(
            f"What was sent cannot be written down on this machine ({trouble.strerror}): nothing of it is "
            "kept.",
            "Check the disk of the shop's cases and the rights of its folders, then send it again.",
        ) from trouble


@contextmanager
def opened(home: Path) -> Iterator[int]:
    """The folder, made if it is missing, as a descriptor.

    Raises:
        DestinationError: something else has its name, or it cannot be made.
        NoRoom: there is no room for it.
    """
    with room_told():
        make_home(home)
        with suppress(FileExistsError):
            (home / NAME).mkdir(mode=0o700)
        try:
            folder = os.open(home / NAME, _FOLDER)
        except OSError as trouble:
            if trouble.errno not in (errno.ELOOP, errno.ENOTDIR):
                raise
            raise DestinationError(
                f"What lies at `{NAME}` in the shop's folder is not a folder but a link or a file: nothing "
                "is written there.",
                "Move it away, then send it again.",
            ) from trouble
    try:
        yield folder
    finally:
        os.close(folder)


def new_folder(top: int) -> str:
    """A fresh folder in it, for its owner alone; its name is told."""
    name = secrets.token_hex(12)
    os.mkdir(name, 0o700, dir_fd=top)
    return name


@contextmanager
def inside(top: int, name: str) -> Iterator[int]:
    """One of its folders as a descriptor."""
    folder = os.open(name, _FOLDER, dir_fd=top)
    try:
        yield folder
    finally:
        os.close(folder)


@contextmanager
def new_file(folder: int, name: str) -> Iterator[int]:
    """A file that is not there yet, to be written by `write_whole`."""
    file = os.open(name, _NEW, 0o600, dir_fd=folder)
    try:
        yield file
    finally:
        os.close(file)


def write_whole(file: int, data: bytes) -> None:
    """Writes all of it."""
    left = memoryview(data)
    while left:
        left = left[os.write(file, left) :]


def remove(home: Path, name: str) -> None:
    """Removes one of its folders, as far as that can be done now."""
    with suppress(OSError, MendbayError), opened(home) as top:
        shutil.rmtree(name, ignore_errors=True, dir_fd=top)
