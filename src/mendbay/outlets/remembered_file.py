"""What was worked out once, in a file that may be thrown away at any time."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Protocol

from mendbay.core.errors import LedgerError
from mendbay.jobs.remembered_port import Remembered

LIMIT_BYTES = 1 << 20
"""Of one result; a longer one is not ours, and is not read."""
BUSY_SECONDS = 1.0
"""How long another process that writes is waited for; what is not remembered then is worked out again."""

TABLE = (
    "CREATE TABLE IF NOT EXISTS results (key TEXT PRIMARY KEY, result TEXT NOT NULL) STRICT, WITHOUT ROWID"
)
ALL = "SELECT key, result FROM results WHERE length(result) <= ?"
SOME = "SELECT key, result FROM results WHERE length(result) <= ? AND key IN (SELECT value FROM json_each(?))"
PUT = (
    "INSERT INTO results (key, result) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET result = excluded.result"
)
EMPTY = "DELETE FROM results"
ORIGIN_TABLE = (
    "CREATE TABLE IF NOT EXISTS origin (one INTEGER PRIMARY KEY CHECK (one = 1), mark TEXT NOT NULL) STRICT"
)
ORIGIN = "SELECT mark FROM origin"
PUT_ORIGIN = (
    "INSERT INTO origin (one, mark) VALUES (1, ?) ON CONFLICT (one) DO UPDATE SET mark = excluded.mark"
)
OF_CASE = "DELETE FROM results WHERE key >= ? AND key < ?"
NOBODYS = "DELETE FROM results WHERE length(key) = 64 AND key NOT GLOB '*[^0-9a-f]*'"
"""What an earlier form remembered, without the case it is of."""
FORGETTING_SECONDS = 10.0


class MadeOf(Protocol):
    """What results are made of: a ledger, which can be replaced by a backup of it at any time."""

    def mark(self) -> str:
        """Stands for all that is in it now."""
        ...

    def went_through(self, mark: str) -> bool:
        """Whether it was once as a mark says, and only what was done since is new in it."""
        ...


class RememberedFile(Remembered):
    """Results as rows of an SQLite file, so that one is found without reading all; whatever is wrong with the
    file reads as nothing remembered, and it is made anew with the next result.

    Args:
        path: of the file; its folder must be there.
        made_of: what results are made of. Those of another are nothing remembered, whoever put it in its
            place and whether anything of Mendbay ran then; None to take them as they are.
        earlier: the file of an earlier form, removed when this one is first written.
    """

    def __init__(self, path: Path, earlier: Path | None = None, made_of: MadeOf | None = None) -> None:
        self._path = path
        self._earlier = earlier
        self._made_of = made_of
        self._begun: str | None = None
        """How it stood when it was first asked here: what is worked out here is made of that or later."""

    def recall(self) -> Mapping[str, Any]:
        return self._read(ALL, (LIMIT_BYTES,))

    def some(self, keys: Iterable[str]) -> Mapping[str, Any]:
        return self._read(SOME, (LIMIT_BYTES, json.dumps(list(keys))))

    def keep(self, results: Mapping[str, Any]) -> None:
        self._write(results, EMPTY)

    def add(self, results: Mapping[str, Any], case: int = 0) -> None:
        self._write(results, *([_of(case)] if case else []))

    def forget(self, case: int) -> None:
        """As the port says; where that cannot be done the whole file goes."""
        if self._earlier is not None:
            self._earlier.unlink(missing_ok=True)
        if not self._path.is_file():
            return
        try:
            with closing(self._open()) as file:
                file.execute(f"PRAGMA busy_timeout={round(1000 * FORGETTING_SECONDS)}")
                file.execute(TABLE)
                gone = sum(file.execute(*one).rowcount for one in (_of(case), (NOBODYS,)))
                if gone:
                    file.execute("VACUUM")
                    file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except (sqlite3.Error, OSError):
            self._remove()

    def _read(self, sql: str, values: tuple[object, ...]) -> dict[str, Any]:
        try:
            self._begin()
            if not self._path.is_file():
                return {}
            with closing(self._open()) as file:
                if not self._is_ours(file):
                    return {}
                rows = file.execute(sql, values).fetchall()
        except (sqlite3.Error, OSError, LedgerError):
            return {}
        return {key: found for key, text in rows if (found := _loaded(text)) is not None}

    def _begin(self) -> None:
        if self._begun is None and self._made_of is not None:
            self._begun = self._made_of.mark()

    def _is_ours(self, file: sqlite3.Connection) -> bool:
        """Whether what the file holds is made of what lies there now. One that does not say is of before."""
        if self._made_of is None:
            return True
        try:
            found = file.execute(ORIGIN).fetchone()
        except sqlite3.OperationalError:
            return False
        return found is not None and self._made_of.went_through(str(found[0]))

    def _write(self, results: Mapping[str, Any], *first: str | tuple[str, tuple[str, str]]) -> None:
        rows = [(key, json.dumps(one, ensure_ascii=False)) for key, one in results.items()]

        def write(file: sqlite3.Connection) -> None:
            file.execute("BEGIN IMMEDIATE")
            for one in (TABLE, ORIGIN_TABLE, *first):
                file.execute(*((one,) if isinstance(one, str) else one))
            if self._made_of is not None and self._begun is not None:
                if not self._is_ours(file):
                    file.execute(EMPTY)
                if not self._made_of.went_through(self._begun):  # replaced while this was worked out
                    rows.clear()
                file.execute(PUT_ORIGIN, (self._made_of.mark(),))
            file.executemany(PUT, rows)
            file.execute("COMMIT")

        with suppress(sqlite3.Error, OSError, LedgerError):
            self._begin()
            self._with_sound_file(write)
            if self._earlier is not None:
                self._earlier.unlink(missing_ok=True)

    def _with_sound_file(self, write: Callable[[sqlite3.Connection], None]) -> None:
        """Writes; a file that is no database, or a damaged one, is removed first."""
        try:
            with closing(self._open()) as file:
                write(file)
        except sqlite3.OperationalError:
            raise  # another process writes, or there is no room
        except sqlite3.DatabaseError:
            self._remove()
            with closing(self._open()) as file:
                write(file)

    def _remove(self) -> None:
        for end in ("", "-wal", "-shm"):
            self._path.with_name(f"{self._path.name}{end}").unlink(missing_ok=True)

    def _open(self) -> sqlite3.Connection:
        """The file, made readable by its owner alone. It need not survive a loss of power."""
        os.close(os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600))
        file = sqlite3.connect(self._path, timeout=BUSY_SECONDS, isolation_level=None)
        try:
            for pragma in (
                "trusted_schema=OFF",
                "secure_delete=ON",
                "cell_size_check=ON",
                "journal_mode=WAL",
                "synchronous=NORMAL",
            ):
                file.execute(f"PRAGMA {pragma}")
        except sqlite3.Error:
            file.close()
            raise
        return file


def _of(case: int) -> tuple[str, tuple[str, str]]:
    """Removes what is of a case: its keys begin with its number and a colon, behind which ASCII has `;`."""
    return OF_CASE, (f"{case}:", f"{case};")


def _loaded(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None
