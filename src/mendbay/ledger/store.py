"""The file under the ledger: opening it safely, moving it forward, and transactions that hold.

Every fault SQLite reports becomes a `LedgerError` with the next step, in one place (`translated`).
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from mendbay.core.errors import LedgerError, NoSuchCase
from mendbay.ledger import queries
from mendbay.ledger.migration import Migration, newest, pending, statements

APPLICATION_ID = 0x4D424C47
"""`PRAGMA application_id`: the letters MBLG, so that another program's database is never taken for ours."""

OLDEST_SQLITE = (3, 37, 0)
"""STRICT tables came with it."""

LEAST_ROOM_BYTES = 64 << 10
"""SQLite needs half of it to open a ledger at all, for the shared memory beside its log."""

_OF_THE_DISK = (
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
)

EMPTY_LOG = "PRAGMA wal_checkpoint(TRUNCATE)"
"""Its first answer is 1 where somebody was in the way."""

_replaced: Counter[str] = Counter()

Value = str | int
Row = tuple[Any, ...]


class Store:
    """One connection to a ledger file. Not to be shared between threads; open one for each.

    Args:
        path: of the SQLite file; made, with its folder, if it does not exist (readable by its owner only).
        busy_seconds: how long to wait for another process that is writing.
        connection: the class of the connection, for tests that let statements fail.
        any_thread: whoever uses it sees to it that no two threads do at once.

    Raises:
        LedgerError: the file cannot be opened, is not a ledger, is damaged, or comes from a newer Mendbay.
    """

    def __init__(
        self,
        path: Path,
        busy_seconds: float = 10.0,
        connection: type[sqlite3.Connection] = sqlite3.Connection,
        *,
        any_thread: bool = False,
    ) -> None:
        self.path = path
        self._busy_seconds = busy_seconds
        self._depth = 0
        self._changes_before = 0
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            oldest = ".".join(str(part) for part in OLDEST_SQLITE)
            raise LedgerError(
                f"This machine's SQLite is {sqlite3.sqlite_version}; the ledger needs {oldest}.",
                "Use a Python built with a newer SQLite.",
            )
        self._make_file()
        self.opened = self.identity[1:3]
        """What the file system knew the file by: its device and number."""
        with self.translated():
            self._connection = sqlite3.connect(
                path,
                timeout=busy_seconds,
                isolation_level=None,
                factory=connection,
                check_same_thread=not any_thread,
            )
        try:
            with self.translated():
                self._set_up()
                self._move_forward()
        except BaseException:
            self._connection.close()
            raise

    @property
    def has_written(self) -> bool:
        """Whether the open transaction changed any row, also if that part of it was taken back; False
        without one."""
        return self._depth > 0 and self._connection.total_changes != self._changes_before

    @property
    def identity(self) -> tuple[str, int, int, int]:
        """The file, however often it is opened: its path, what the file system knows it by, and how often
        another was put in its place while this process ran."""
        named = str(self.path.absolute())
        try:
            found = self.path.stat()
        except OSError:
            return named, 0, id(self), 0
        return named, found.st_dev, found.st_ino, _replaced[named]

    def close(self) -> None:
        """Gives the file up. What was committed is on the disk already."""
        with self.translated():
            self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: what is written inside becomes durable together at the end, or not at all.

        The write lock is taken at the start, so what is read inside cannot change before it is acted on.
        Inside another transaction it becomes a part of it that can fail alone.

        Raises:
            LedgerError: SQLite could not do it; nothing of it was kept.
        """
        begin, end = "BEGIN IMMEDIATE", "COMMIT"
        undo: tuple[str, ...] = ("ROLLBACK",)
        if self._depth:
            self._require_transaction()  # a savepoint alone would begin, and keep, one of its own
            mark = f"step_{self._depth}"
            begin, end, undo = (
                f"SAVEPOINT {mark}",
                f"RELEASE {mark}",
                (f"ROLLBACK TO {mark}", f"RELEASE {mark}"),
            )
        self._depth += 1
        try:
            with self.translated():
                self._connection.execute(begin)
                if self._depth == 1:
                    self._changes_before = self._connection.total_changes
                yield
                self._connection.execute(end)
        except BaseException:
            self._undo(undo)
            raise
        finally:
            self._depth -= 1

    def write(self, sql: str, values: Sequence[Value] = ()) -> int:
        """Runs one statement inside the open transaction.

        Returns:
            The row id of an INSERT.
        """
        self._require_transaction()
        with self.translated():
            return self._connection.execute(sql, values).lastrowid or 0

    def scrub(self) -> None:
        """Rebuilds the file from what is in it now and empties its log. `secure_delete` overwrites what is
        removed, but rows that were moved between pages before can have left copies in the gaps.

        Raises:
            LedgerError: another process is writing or reading; what was removed may still be in the files.
            ValueError: a transaction is open.
        """
        if self._depth:
            raise ValueError("a ledger cannot be scrubbed in the middle of a step")
        give_up = time.monotonic() + self._busy_seconds
        with self.translated():
            self._connection.execute("VACUUM")
            # SQLite waits for readers and writers, but not for another that is emptying the log
            while (busy := self._number(EMPTY_LOG)) and time.monotonic() < give_up:
                time.sleep(0.02)
        if busy:
            raise LedgerError(
                f"Another Mendbay reads the ledger {self.path}: its log may still hold what was removed.",
                "Let the other one finish, then run the command again.",
            )

    def fold_log(self) -> bool:
        """Moves what its log holds into the file and empties it, if nobody is in the way just now; whether
        that was done."""
        with self.translated():
            self._number("PRAGMA busy_timeout=0")
            try:
                return not self._number(EMPTY_LOG)
            finally:
                self._number(f"PRAGMA busy_timeout={round(1000 * self._busy_seconds)}")

    def back_up(self, into: sqlite3.Connection) -> None:
        """Copies all of it, as it is at one moment, into another database.

        Raises:
            LedgerError: this one cannot be read.
            sqlite3.Error: the copying went wrong, in the one or the other.
        """
        with self.translated():
            self._connection.execute("BEGIN")  # one moment, however long it takes
            self._connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        try:
            self._connection.backup(into)
        finally:
            self._connection.rollback()

    def rows(self, sql: str, values: Sequence[Value] = ()) -> list[Row]:
        """All rows a SELECT gives."""
        with self.translated():
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Turns what SQLite reports into what a person can act on."""
        try:
            yield
        except sqlite3.Error as trouble:
            raise LedgerError(*self._words_for(trouble)) from trouble

    def _require_transaction(self) -> None:
        if not self._connection.in_transaction:
            raise LedgerError(
                f"The ledger {self.path} gave up the step in the middle; nothing of it was kept.",
                "Run the command again.",
            )

    def _undo(self, steps: Sequence[str]) -> None:
        """Takes an unfinished transaction back. SQLite may have done so already, for lack of room say."""
        for step in steps:
            if not self._connection.in_transaction:
                return
            try:
                self._connection.execute(step)
            except sqlite3.Error:
                self._abandon()
                return

    def _abandon(self) -> None:
        """A step that cannot be taken back alone takes the whole transaction with it."""
        try:
            if self._connection.in_transaction:
                self._connection.rollback()
        except sqlite3.Error:
            self._connection.close()  # closing without a commit leaves nothing of it

    def _make_file(self) -> None:
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            # never a file that is there: closing it would give up the locks that this process's other
            # connections hold on it (POSIX), and another process could take their log away
            os.close(os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            return
        except OSError as trouble:
            raise LedgerError(
                f"The ledger {self.path} cannot be opened for writing: {trouble.strerror}.",
                "Check that folder and its rights, or set MENDBAY_HOME to another.",
            ) from trouble

    def _set_up(self) -> None:
        self._connection.create_function("says", 2, _says, deterministic=True)
        self._refuse_strangers()
        for pragma in ("foreign_keys=ON", "trusted_schema=OFF", "cell_size_check=ON", "secure_delete=ON"):
            self._connection.execute(f"PRAGMA {pragma}")
        self._use_wal()
        self._connection.execute("PRAGMA synchronous=FULL")

    def _refuse_strangers(self) -> None:
        """Looks before anything is written: another program's database must stay as it is."""
        # In one statement, as another process may be making the ledger meanwhile.
        application, version, tables = self._connection.execute(
            "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_master)"
            " FROM pragma_application_id, pragma_user_version"
        ).fetchone()
        if application != APPLICATION_ID and (application, version, tables) != (0, 0, 0):
            raise LedgerError(
                f"{self.path} is a database, but not a Mendbay ledger.",
                "Move it away, or set MENDBAY_HOME to another folder.",
            )
        if version > newest():
            raise LedgerError(
                f"The ledger {self.path} was written by a newer Mendbay (step {version}; this one knows "
                f"{newest()}).",
                "Update Mendbay on this machine; nothing was changed.",
            )

    def _use_wal(self) -> None:
        """Switches to the write-ahead log, waiting for others: during the switch SQLite itself does not."""
        give_up = time.monotonic() + self._busy_seconds
        while True:
            try:
                mode = self._connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
            except sqlite3.OperationalError as trouble:
                if _primary(trouble) != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                    raise
                time.sleep(0.02)
                continue
            if mode != "wal":
                raise LedgerError(
                    f"The file system of {self.path} cannot hold a ledger (no shared memory for its log).",
                    "Put MENDBAY_HOME on a disk of this machine, not on a network share.",
                )
            return

    def _move_forward(self) -> None:
        for migration in pending(self._number("PRAGMA user_version")):
            with self.transaction():
                self._apply(migration)

    def _apply(self, migration: Migration) -> None:
        """One migration, unless another process has been faster."""
        if self._number("PRAGMA user_version") >= migration.number:
            return
        for statement in statements(migration.sql):
            self._connection.execute(statement)
        self._connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        self._connection.execute(f"PRAGMA user_version={migration.number}")

    def _number(self, sql: str) -> int:
        return int(self._connection.execute(sql).fetchone()[0])

    def _words_for(self, trouble: sqlite3.Error) -> tuple[str, str]:
        code = _primary(trouble)
        ledger = f"The ledger {self.path}"
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            harm = damaged(self.path, str(trouble))
            return harm.what, harm.next_step
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return (
                f"{ledger} has been in use by another Mendbay for more than {self._busy_seconds:g} s.",
                "Let the other one finish, then run the command again.",
            )
        if code in _OF_THE_DISK and (disk := _of_its_disk(self.path)) is not None:
            return f"{ledger} lies on a disk that {disk[0]}. Nothing of this step was kept.", disk[1]
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            return (
                f"{ledger} could not be written: {trouble}. Nothing of this step was kept.",
                "Free space on its disk or check the disk, then run the command again.",
            )
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return (
                f"{ledger} cannot be opened for writing: {trouble}.",
                "Check the rights of the file and its folder.",
            )
        return (
            f"{ledger} refused: {trouble}. Nothing of this step was kept.",
            "Report this with the message.",
        )


def _of_its_disk(path: Path) -> tuple[str, str] | None:
    """What is the matter with the disk of a ledger, and the next step; None if nothing can be told."""
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return None
    if disk.f_flag & os.ST_RDONLY:
        return "can only be read now", (
            "Look why the system lets nobody write to it, as it does with one that fails; MENDBAY_HOME names "
            "another place, to which the folder can be copied."
        )
    free = disk.f_bavail * disk.f_frsize
    if free < LEAST_ROOM_BYTES:
        return f"is full: {free} bytes free", (
            "Free space on it, then run the command again; what was kept before is not touched by this."
        )
    return None


def note_replaced(path: Path) -> None:
    """Another file was put in the place of a ledger: what was made of the one before is not of this one."""
    _replaced[str(path.absolute())] += 1


def damaged(path: Path, said: str) -> LedgerError:
    """What to tell when a ledger file is not as Mendbay wrote it."""
    return LedgerError(
        f"The ledger {path} is damaged: {said}.",
        "End whatever of Mendbay runs, keep the file and put the newest backup in its place; the case "
        "folders are not touched by this.",
    )


def no_such_case(store: Store, number: int) -> NoSuchCase:
    """What to tell of a number that no case of a ledger has. A ledger without any case is most likely the
    wrong one: naming another folder makes a new one."""
    if store.rows(queries.ANY_CASE):
        return NoSuchCase(f"There is no case {number}.", "mendbay case list shows the cases that there are.")
    return NoSuchCase(
        f"There is no case {number}: the ledger {store.path} has no case at all.",
        "Look whether --home or MENDBAY_HOME names the folder of your cases; mendbay case open begins a "
        "first one here.",
    )


def _says(text: str, words: str) -> bool:
    """For statements: whether every word, one on a line and folded, stands in a text."""
    said = text.casefold()
    return all(one in said for one in words.split("\n"))


def _primary(trouble: sqlite3.Error) -> int:
    """The primary result code; the extended ones keep it in the lowest byte. 0 without one."""
    return int(getattr(trouble, "sqlite_errorcode", 0) or 0) & 0xFF
