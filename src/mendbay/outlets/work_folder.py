"""The folder of one work, reached through its own descriptor: no link in it is followed."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import re
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

from mendbay.core.errors import UsageError
from mendbay.jobs.work_port import JSON
from mendbay.outlets.work_json import NotOurs

ORDER, STATE, TOLD, ASKED, LOCK, ERRORS = (
    "order.json",
    "state.json",
    "told.jsonl",
    "asked",
    "lock",
    "errors.txt",
)
LIMIT_BYTES = 16 << 20
"""Of an order or a state; what is larger was not written here."""
TOLD_BYTES = 64 << 20
_NAME = re.compile(r"[0-9]{8}T[0-9]{6}[.][0-9]{3}Z-[0-9a-f]{12}")
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


def is_short(trouble: OSError) -> bool:
    """Whether it says nothing of a file, but that this machine has nothing left to open one with."""
    return trouble.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM)


def is_name(work: str) -> bool:
    """Whether that can be the name of a work."""
    return _NAME.fullmatch(work) is not None


def require_name(work: str) -> None:
    """Refuses what cannot be the name of a work, before any path is made of it.

    Raises:
        UsageError: it cannot.
    """
    if not is_name(work):
        raise UsageError(f"{work[:60]!r} is no name of a work.", "Take the name from the list of works.")


class WorkFolder:
    """The folder of a work, open. Methods raise `OSError` as the system gives it.

    Args:
        root: the folder of all works.
        work: its name.

    Raises:
        UsageError: that cannot be the name of a work.
        OSError: it is not there, or no folder.
    """

    def __init__(self, root: Path, work: str) -> None:
        require_name(work)
        self._at = os.open(root / work, _FOLDER)

    @classmethod
    def at(cls, path: Path) -> WorkFolder:
        """A folder that is being made, under another name than its work's."""
        made = cls.__new__(cls)
        made._at = os.open(path, _FOLDER)
        return made

    def __enter__(self) -> WorkFolder:
        return self

    def __exit__(self, *trouble: object) -> None:
        self.close()

    def close(self) -> None:
        os.close(self._at)

    def document(self, name: str) -> Any:
        """What a JSON file holds.

        Raises:
            NotOurs: it is no JSON, no regular file, or too large.
            OSError: it is not there, or cannot be read.
        """
        data = self.data(name, LIMIT_BYTES)
        if len(data) > LIMIT_BYTES:
            raise NotOurs(f"{name} is too large")
        try:
            return json.loads(data)
        except (ValueError, RecursionError) as trouble:
            raise NotOurs(f"{name} is no JSON") from trouble

    def data(self, name: str, limit_bytes: int) -> bytes:
        """The bytes of a regular file, up to one more than the limit.

        Raises:
            NotOurs: it is no regular file.
        """
        with opened_file(self._at, name) as file:
            return file.read(limit_bytes + 1)

    def replace(self, name: str, facts: Mapping[str, JSON], *, lasting: bool = False) -> None:
        """Writes a JSON file in the place of another, in one step.

        Args:
            lasting: whether a power cut right after must not undo it.
        """
        fresh = f"{name}.new"
        with suppress(FileNotFoundError):
            os.unlink(fresh, dir_fd=self._at)
        with os.fdopen(os.open(fresh, _NEW, 0o600, dir_fd=self._at), "wb") as file:
            file.write(as_bytes(facts))
            file.flush()
            if lasting:
                os.fsync(file.fileno())
        os.rename(fresh, name, src_dir_fd=self._at, dst_dir_fd=self._at)
        if lasting:
            os.fsync(self._at)

    def append(self, name: str, facts: Mapping[str, JSON]) -> None:
        """Adds a line of JSON to a file that nobody else writes: the whole line, or nothing of it. Only a
        crash may tear it, at its end."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        fd = os.open(name, flags, 0o600, dir_fd=self._at)
        line = as_bytes(facts) + b"\n"
        try:
            before = os.fstat(fd).st_size
            if os.write(fd, line) < len(line):
                os.ftruncate(fd, before)  # else the next line would be joined to what found room of this one
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        finally:
            os.close(fd)

    def lock(self) -> int | None:
        """A descriptor that holds the work's lock; None where another holds it."""
        fd = os.open(LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600, dir_fd=self._at)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(fd)
            return None
        return fd

    def is_lock(self, fd: int) -> bool:
        """Whether a descriptor is one of the work's lock."""
        try:
            here, there = os.stat(LOCK, dir_fd=self._at, follow_symlinks=False), os.fstat(fd)
        except OSError:
            return False
        return (here.st_dev, here.st_ino) == (there.st_dev, there.st_ino)

    def is_locked(self) -> bool:
        """Whether somebody holds the lock. To look takes a lock that others may share, so that those who look
        at the same time do not take each other for the work.

        Raises:
            OSError: this process can open no file more, so that it cannot be told.
        """
        try:
            fd = os.open(LOCK, _READ, dir_fd=self._at)
        except OSError as trouble:
            if is_short(trouble):
                raise
            return False
        try:
            fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
        finally:
            os.close(fd)
        return False

    def mark_of_state(self) -> str:
        """A word that is another one whenever the state was replaced."""
        try:
            seen = os.stat(STATE, dir_fd=self._at, follow_symlinks=False)
        except OSError:
            return ""
        return f"{seen.st_ino} {seen.st_mtime_ns} {seen.st_size}"

    @contextmanager
    def inside(self, name: str) -> Iterator[int]:
        """A descriptor of a folder in it, while open."""
        fd = os.open(name, _FOLDER, dir_fd=self._at)
        try:
            yield fd
        finally:
            os.close(fd)


def opened_file(folder: int, name: str) -> BinaryIO:
    """A regular file of a folder, open for reading; no link is followed, and nothing stays open of what is
    none.

    Args:
        folder: its descriptor.

    Raises:
        NotOurs: it is no regular file.
        OSError: it is not there, or cannot be read.
    """
    fd = os.open(name, _READ, dir_fd=folder)
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise NotOurs(f"{name} is no file")
        return os.fdopen(fd, "rb")
    except BaseException:
        os.close(fd)
        raise


def as_bytes(facts: Mapping[str, JSON]) -> bytes:
    """Facts as one line of JSON; half a surrogate pair, as in a name that is no text, stays an escape."""
    return json.dumps(facts, ensure_ascii=True, separators=(",", ":"), allow_nan=False).encode()
