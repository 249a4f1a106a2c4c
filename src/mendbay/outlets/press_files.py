"""What forms led to, a small file for each press in a folder of the home.

A file is named by the case and the digest of what was sent, which cannot be read from it, and is locked while
its change is under way: the lock ends with its process, however that ends. Its first line is written, and on
the disk, before the change begins; a second says what it led to. So a file with one line that nobody locks is
of a server that ended meanwhile.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from mendbay.core.errors import LedgerError
from mendbay.jobs.presses_port import KEPT_SECONDS, MOST, NOTHING_HELD, Held, Led, Presses
from mendbay.outlets.own_folders import make_own

LIMIT_BYTES = 1 << 16
"""Of one file; what is longer was not written here."""
BEGUN = b"begun\n"
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDWR | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


class MadeOf(Protocol):
    """What changes are made in: a ledger, which can be replaced by a backup of it at any time."""

    def mark(self) -> str:
        """Stands for all that is in it now."""
        ...

    def went_through(self, mark: str) -> bool:
        """Whether it was once as a mark says, and only what was done since is new in it."""
        ...


class PressFiles(Presses):
    """The files of a folder, which is made with the first press.

    Args:
        folder: its own; the one above it must be there.
        made_of: a press that was done in another ledger was not done in this one.
        clock: seconds, as files are dated by. Set back, it keeps presses for longer, never too many.
    """

    def __init__(self, folder: Path, made_of: MadeOf, clock: Callable[[], float] = time.time) -> None:
        self._folder = folder
        self._made_of = made_of
        self._clock = clock

    @contextmanager
    def hold(self, case: int | None, digest: str) -> Iterator[Held]:
        try:
            make_own(self._folder)
            at = os.open(self._folder, _FOLDER)
        except OSError:  # no room, say: the change is more than the memory of it
            yield NOTHING_HELD
            return
        try:
            self._tidy(at)
            name = f"{case or 0:04d}-{digest}"
            try:
                held: _File | None = self._opened(at, name)
            except OSError:
                held = None
            if held is None:
                yield NOTHING_HELD
                return
            try:
                yield held
            finally:
                held.end()
        finally:
            os.close(at)

    def forget(self, case: int | None) -> None:
        with suppress(OSError), _opened_folder(self._folder) as at:
            for name in os.listdir(at):
                if case is None or name.startswith(f"{case:04d}-"):
                    _remove(at, name)

    def tidy(self) -> None:
        with suppress(OSError), _opened_folder(self._folder) as at:
            self._tidy(at)

    def _tidy(self, at: int) -> None:
        with suppress(OSError), os.scandir(at) as entries:
            dated = sorted((one.stat(follow_symlinks=False).st_mtime, one.name) for one in entries)
            old = self._clock() - KEPT_SECONDS
            for number, (written, name) in enumerate(dated):
                if written <= old or number < len(dated) - MOST:
                    _remove(at, name)

    def _opened(self, at: int, name: str) -> _File:
        """The file of a press, locked and begun. Who waited for another may find it removed meanwhile.

        Raises:
            OSError: as the system gives it.
        """
        while True:
            fd = os.open(name, _FILE | os.O_CREAT, 0o600, dir_fd=at)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX)
                if _is_named(at, name, fd):
                    return _File(at, name, fd, self._made_of)
            except BaseException:
                os.close(fd)
                raise
            os.close(fd)


class _File:
    """The file of one press, open and locked."""

    def __init__(self, at: int, name: str, fd: int, made_of: MadeOf) -> None:
        self._at, self._name, self._fd, self._made_of = at, name, fd, made_of
        data = os.pread(fd, LIMIT_BYTES, 0)
        said = _said(data)
        self.led = said[0] if said is not None and self._is_of_this(said[1]) else None
        self.is_doubtful = bool(data) and said is None
        self._is_kept = self.led is not None or self.is_doubtful
        if not self._is_kept:
            os.ftruncate(fd, 0)
            _write(fd, BEGUN)
            os.fsync(fd)
            os.fsync(at)

    def _is_of_this(self, mark: str) -> bool:
        """Whether it was done in the ledger that lies there now."""
        try:
            return self._made_of.went_through(mark)
        except LedgerError:  # which the next page tells
            return True

    def keep(self, led: Led) -> None:
        self._is_kept = True
        with suppress(OSError, LedgerError):
            said = {"url": led.url, "clears": led.clears, "mark": self._made_of.mark()}
            _write(self._fd, json.dumps(said).encode() + b"\n")

    def end(self) -> None:
        if not self._is_kept:
            with suppress(OSError):
                os.unlink(self._name, dir_fd=self._at)
        os.close(self._fd)


def _said(data: bytes) -> tuple[Led, str] | None:
    """What a press led to and the mark of the ledger then; None where that was not put down whole."""
    begun, end, rest = data.partition(BEGUN)
    if begun or not end or not rest.endswith(b"\n"):
        return None
    try:
        found = json.loads(rest)
        led = Led(found["url"], found["clears"] is True)
        is_ours = isinstance(led.url, str) and led.url.startswith("/") and not led.url.startswith("//")
        return (led, str(found["mark"])) if is_ours else None
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


def _write(fd: int, data: bytes) -> None:
    if os.write(fd, data) != len(data):
        raise OSError("written in part")


@contextmanager
def _opened_folder(folder: Path) -> Iterator[int]:
    at = os.open(folder, _FOLDER)
    try:
        yield at
    finally:
        os.close(at)


def _is_named(at: int, name: str, fd: int) -> bool:
    try:
        here, there = os.stat(name, dir_fd=at, follow_symlinks=False), os.fstat(fd)
    except FileNotFoundError:
        return False
    return (here.st_dev, here.st_ino) == (there.st_dev, there.st_ino)


def _remove(at: int, name: str) -> None:
    """Removes the file of a press that nobody is at."""
    with suppress(OSError):
        fd = os.open(name, _FILE, dir_fd=at)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _is_named(at, name, fd):
                os.unlink(name, dir_fd=at)
        finally:
            os.close(fd)
