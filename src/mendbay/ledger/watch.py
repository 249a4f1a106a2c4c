"""Whether the ledger has changed, or another file was put in its place, for a process that runs for long."""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from pathlib import Path
from weakref import WeakValueDictionary

from mendbay.core.errors import LedgerError
from mendbay.ledger import queries
from mendbay.ledger.marks import mark_of, went_through
from mendbay.ledger.store import Store, note_replaced

Known = tuple[int, int, int, int, int]
"""What the file system knows a file by: its device and number, its size, and when it was last written and
changed."""

_watches: WeakValueDictionary[Path, LedgerWatch] = WeakValueDictionary()
_lock = threading.Lock()


class LedgerWatch:
    """One connection that looks. Any thread may ask it.

    SQLite trusts that a file it has open is written by SQLite alone, and reads what lies in the log beside it
    as newer than the file: a backup put in the place of a ledger that is open would be hidden by the log of
    the one before, and overwritten by it. So the log is emptied into the file with the first look after
    something was written, as soon as nobody is in the way, and then the file may not change without the
    ledger's own count of changes: if it does, or has become another file, it was replaced, and is opened
    anew.

    That holds for this process. Another that has the file open goes on with the one before, and what was
    written by another in the instant before the backup was put there may still be in the log: so end them all
    first.

    Args:
        path: of the ledger's file; made if it does not exist.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.RLock()
        self._store: Store | None = None
        self._opened = 0
        self._version = -1
        self._at_rest: Known | None = None
        """How the file was known once its log was empty; None while that is not so."""

    def now(self) -> tuple[int, int]:
        """Differs once the ledger has changed, whoever changed it. The first number differs only once another
        file was put in its place.

        Raises:
            LedgerError: it cannot be opened, or is not there just now.
        """
        with self._lock:
            store = self._opened_store()
            version = _version_of(store)
            self._come_to_rest(store, version)
            return self._opened, version

    def forgotten(self) -> frozenset[int]:
        """The numbers of the cases that were forgotten.

        Raises:
            LedgerError: the ledger cannot be read.
        """
        with self._lock:
            return frozenset(row[0] for row in self._opened_store().rows(queries.ALL_FORGOTTEN))

    def mark(self) -> str:
        """Stands for all that was noted up to now.

        Raises:
            LedgerError: the ledger cannot be read.
        """
        with self._lock:
            return mark_of(self._opened_store())

    def went_through(self, mark: str) -> bool:
        """Whether the ledger that lies there was once as a mark says; one that is none says nothing of it.

        Raises:
            LedgerError: the ledger cannot be read.
        """
        with self._lock:
            return went_through(self._opened_store(), mark)

    def close(self) -> None:
        """Lets the file go; the next question opens it again."""
        with self._lock:
            store, self._store, self._at_rest = self._store, None, None
            if store is not None:
                store.close()

    def __del__(self) -> None:
        with suppress(Exception):  # of one that was never made whole, or at the end of the process
            self.close()

    def _opened_store(self) -> Store:
        if self._store is not None and self._was_replaced(self._store):
            note_replaced(self._path)
            self.close()
        if self._store is None:
            if self._opened and _size(self._path) == 0:  # never made anew: a backup is about to be put there
                raise LedgerError(
                    f"The ledger {self._path} is not there.", "Put it back, or the newest backup of it."
                )
            self._store = Store(self._path, any_thread=True)
            self._opened += 1
            self._version = -1
        return self._store

    def _was_replaced(self, store: Store) -> bool:
        known = _known(self._path)
        if known is None or known[:2] != store.opened:
            return True
        return self._at_rest not in (None, known) and _version_of(store) == self._version

    def _come_to_rest(self, store: Store, version: int) -> None:
        """Empties the log if somebody has written, and keeps how the file is known from then on."""
        if version != self._version:
            self._version, self._at_rest = version, None
        if self._at_rest is None:
            with suppress(LedgerError):  # no room, say: tried again with the next look
                log = self._path.with_name(f"{self._path.name}-wal")
                if _size(log) == 0 or store.fold_log():
                    self._at_rest = _known(self._path)


def watch_of(path: Path) -> LedgerWatch:
    """The one of this process for that ledger; it ends with the last who keeps it. There is but one, as
    SQLite lets go of what it remembers of a replaced file only when the last connection is closed."""
    with _lock:
        found = _watches.get(path.absolute())
        if found is None:
            found = _watches[path.absolute()] = LedgerWatch(path)
        return found


def _version_of(store: Store) -> int:
    return int(store.rows("PRAGMA data_version")[0][0])


def _known(path: Path) -> Known | None:
    """None where no file is."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _size(path: Path) -> int:
    """0 where no file is."""
    known = _known(path)
    return 0 if known is None else known[2]
