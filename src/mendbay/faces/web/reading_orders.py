"""Pictures that arrived and wait to be read carry a note of where they belong, so that a server that was
killed takes them up again when it is started.

The note lies beside them as long as they wait, and whoever has them read holds a lock on it: of two servers
of one home only one reads them.
"""

from __future__ import annotations

import errno
import fcntl
import json
import logging
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from mendbay.core.errors import MendbayError
from mendbay.faces.web import upload_folder
from mendbay.faces.web.uploads import Upload, Uploads
from mendbay.wiring import home_folder

NAME = "to-read.json"
MOST_BYTES = 1 << 16
TRIES = 3
"""How often pictures are begun before they are given up: one that brought the server down would do so at
every start."""

_log = logging.getLogger("mendbay.web")


@dataclass(frozen=True, slots=True)
class ReadingOrder:
    """What a note says.

    Args:
        who: sent them; empty for the account the server runs under.
        tries: how often they were begun, with this time.
        lock: of the note, held while this server has them read.
    """

    case: int
    bay: str
    who: str
    uploads: Uploads
    tries: int = 1
    lock: int = -1

    def taken(self) -> ReadingOrder:
        """The same, written down and locked.

        Raises:
            NoRoom, DestinationError: it cannot be written down.
        """
        body = {
            "case": self.case,
            "bay": self.bay,
            "who": self.who,
            "tries": self.tries,
            "files": [[one.path.name, one.named] for one in self.uploads.files],
        }
        folder = self.uploads.folder
        with upload_folder.room_told():
            new = folder / f"{NAME}.new"
            new.unlink(missing_ok=True)
            file = os.open(new, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                upload_folder.write_whole(file, json.dumps(body).encode())
                new.replace(folder / NAME)
            except BaseException:
                os.close(file)
                raise
        self.let_go()
        return replace(self, lock=file)

    def let_go(self) -> None:
        """Gives the lock back; the note stays."""
        if self.lock >= 0:
            with suppress(OSError):
                os.close(self.lock)

    def drop(self) -> None:
        """Removes the note: somebody else has them read now, or nobody is to."""
        with suppress(OSError):
            (self.uploads.folder / NAME).unlink(missing_ok=True)
        self.let_go()


def left_behind(
    home: Path | None, given_up: Callable[[ReadingOrder], None] = lambda order: None
) -> list[ReadingOrder]:
    """What waits and nobody has read, the oldest first, each taken; what cannot be told is left alone.

    Args:
        given_up: told what was begun too often; its pictures are removed.
    """
    found: list[tuple[float, ReadingOrder]] = []
    with suppress(OSError, MendbayError), upload_folder.opened(home_folder(home)) as top:
        for name in os.listdir(top):
            with (
                suppress(OSError, MendbayError, ValueError, KeyError, TypeError),
                upload_folder.inside(top, name) as folder,
            ):
                order = _read(folder, home_folder(home) / upload_folder.NAME / name)
                if order is None:
                    continue
                if order.tries > TRIES:
                    _log.error("pictures of case %s are given up after %s tries", order.case, TRIES)
                    given_up(order)
                    order.uploads.remove()
                    order.let_go()
                    continue
                found.append((os.stat(folder).st_mtime, order.taken()))
    return [one for _, one in sorted(found, key=lambda each: each[0])]


def is_waiting(folder: int) -> bool:
    """Whether pictures in a folder wait, by a note that somebody holds; also where this machine has nothing
    left to open it with, as what does not wait may be removed."""
    try:
        file = os.open(NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
    except OSError as trouble:
        return trouble.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM)
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(file)
    return False


def _read(folder: int, path: Path) -> ReadingOrder | None:
    """The note of a folder, locked; None if another has it."""
    file = os.open(NAME, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)
    try:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(file)
            return None
        if not _is_named(folder, file):  # another took it, and wrote a note of its own, before it was locked
            os.close(file)
            return None
        body: dict[str, Any] = json.loads(os.read(file, MOST_BYTES))
        files = tuple(Upload(path / _plain(name), str(named)) for name, named in body["files"])
        case, tries = int(body["case"]), int(body["tries"]) + 1
        return ReadingOrder(case, str(body["bay"]), str(body["who"]), Uploads(path, files), tries, file)
    except BaseException:
        with suppress(OSError):
            os.close(file)
        raise


def _is_named(folder: int, file: int) -> bool:
    """Whether an open file still is the note of a folder."""
    there, here = os.stat(NAME, dir_fd=folder, follow_symlinks=False), os.fstat(file)
    return (there.st_dev, there.st_ino) == (here.st_dev, here.st_ino)


def _plain(name: object) -> str:
    if not isinstance(name, str) or name != Path(name).name or name in ("", ".", ".."):
        raise ValueError("no name of a file")
    return name
