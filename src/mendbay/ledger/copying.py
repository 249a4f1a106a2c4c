"""A copy of the ledger as of one moment, made by SQLite's own backup while others write."""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import closing
from pathlib import Path

from mendbay.core.errors import LedgerError, NoRoom
from mendbay.ledger.store import Store

ONE_FILE = "PRAGMA journal_mode=DELETE"


def copy_store(store: Store, path: Path) -> None:
    """Writes the ledger, as it is at one moment, into a new file of its own, without a log beside it.

    Others read and write meanwhile: what they commit is in the next copy.

    Args:
        path: must not exist; made for its owner alone.

    Raises:
        NoRoom: the disk of the copy is full; the file may be there in part.
        LedgerError: the ledger cannot be read, or the copy not written; the file may be there in part.
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600))
        with closing(sqlite3.connect(path, isolation_level=None)) as copy:
            copy.execute("PRAGMA synchronous=FULL")
            store.back_up(copy)
            # in one file, so that it can be looked at on a medium that cannot be written to
            copy.execute(ONE_FILE)
    except OSError as trouble:
        if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
            raise _full(path) from trouble
        raise _unwritten(path, trouble.strerror or str(trouble)) from trouble
    except sqlite3.Error as trouble:
        if getattr(trouble, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL:
            raise _full(path) from trouble
        raise _unwritten(path, str(trouble)) from trouble


def _full(path: Path) -> NoRoom:
    return NoRoom(
        f"The disk of {path} became full.", "Free some room there, then run the same command again."
    )


def _unwritten(path: Path, said: str) -> LedgerError:
    return LedgerError(
        f"The ledger cannot be copied to {path}: {said}.",
        "Check the room and the rights there, then run the command again; the shop is as it was.",
    )
