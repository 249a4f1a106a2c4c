"""Changes that pages make to files and the ledger together, killed between any two of their steps."""

from __future__ import annotations

import gc
import hashlib
import json
import os
import shutil
import sqlite3
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from mendbay.faces.web.app import application
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.inlets.simulated_flash import SimulatedBus
from mendbay.wiring import changes_of
from support.kills import die
from support.web_client import HOST, ORIGIN, Web

STEPS = frozenset(
    f"os.{one}" for one in ("rename", "link", "remove", "rmdir", "mkdir", "truncate", "chmod", "symlink")
)
"""What the interpreter tells before it is done (audit events); a file opened for writing is one more."""
TABLES = ("cases", "bays", "images", "events", "custody", "notes", "stock", "forgotten")


@dataclass(frozen=True)
class Change:
    """What a form asks for.

    Args:
        before: what is asked for first and not killed, in the same process.
        page: that shows what it changed.
    """

    name: str
    url: str
    form: Mapping[str, Any] = field(default_factory=dict)
    files: Any = None
    before: Callable[[Web], str] | None = None
    page: str = "/"


class Steps:
    """Counts the steps of this process on files, the ledger and simulated chips, and dies before the Nth,
    counted from 0."""

    def __init__(self, dies_at: int | None) -> None:
        self.count = 0
        self._dies_at = dies_at
        self._on = False

    def begin(self) -> None:
        """From now on, until this process ends: an audit hook cannot be taken away."""
        sys.addaudithook(self._heard)
        sync, connect = os.fsync, sqlite3.connect
        step = self._step

        class Counted(sqlite3.Connection):
            def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
                writes = sql == "COMMIT"
                if writes:
                    step()
                found = super().execute(sql, *given)
                if writes:
                    step()
                return found

        def counted_sync(fd: int) -> None:
            step()
            sync(fd)

        def counted_connect(
            *given: Any, factory: Any = sqlite3.Connection, **named: Any
        ) -> sqlite3.Connection:
            return connect(*given, factory=Counted if factory is sqlite3.Connection else factory, **named)

        os.fsync = counted_sync
        sqlite3.connect = counted_connect  # type: ignore[assignment]
        exchange = SimulatedBus.exchange

        def counted_exchange(bus: SimulatedBus, out: bytes, read_count: int) -> bytes:
            step()
            return exchange(bus, out, read_count)

        SimulatedBus.exchange = counted_exchange  # type: ignore[method-assign]
        self._on = True

    def end(self) -> None:
        self._on = False

    def _step(self) -> None:
        if self._on:
            if self.count == self._dies_at:
                die()
            self.count += 1

    def _heard(self, event: str, given: tuple[Any, ...]) -> None:
        if event in STEPS or (event == "open" and _writes(*given)):
            self._step()


def _writes(path: object, mode: object, flags: object) -> bool:
    wanted = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR)
    return bool(wanted) and not str(path).startswith(("/proc/", "/dev/"))


def drawn(self: object, paper: str, facts: object) -> bytes:
    """In the place of a typeset paper, which is always the same: the typesetter's threads are not there in a
    process that was forked."""
    return b"%PDF-1.7\n" + paper.encode() * 1000 + b"\n%%EOF"


def _desk(home: Path) -> Desk:
    return Desk(home, Rules(frozenset({HOST})), Pulse(lambda: changes_of(home)))


def _asked(web: Web, change: Change) -> int:
    url = change.url if change.before is None else change.before(web)
    return _sent(web, change, url)


def _sent(web: Web, change: Change, url: str) -> int:
    answer = web.client.post(
        url, data=change.form, files=change.files, headers={"origin": ORIGIN}, follow_redirects=False
    )
    return answer.status_code


def warm(home: Path, change: Change) -> None:
    """Has this process load all that the change and its page need, so that the processes forked from it are
    quick. The home is used up; nothing of it stays open."""
    desk = _desk(home)
    web = Web(TestClient(application(desk), base_url=ORIGIN), home)
    web.client.get(change.page)
    _asked(web, change)
    web.client.get(change.page)
    desk.end()
    del desk, web
    gc.collect()


def do(home: Path, change: Change, told: Path, dies_at: int | None) -> None:
    """Asks a server for a change and has it die before that step; tells how many steps there were."""
    web = Web(TestClient(application(_desk(home)), base_url=ORIGIN), home)
    url = change.url if change.before is None else change.before(web)
    steps = Steps(dies_at)
    steps.begin()
    status = _sent(web, change, url)
    steps.end()
    told.write_text(json.dumps({"status": status, "steps": steps.count}))


def look_and_do_again(home: Path, change: Change, told: Path) -> None:
    """Starts a server anew, looks at what was changed, and asks for it again."""
    with TestClient(application(_desk(home)), base_url=ORIGIN) as client:
        web = Web(client, home)
        seen = client.get(change.page).status_code
        files, standing = files_of(home), standing_of(home)
        again = _asked(web, change)
        after = client.get(change.page).status_code
    facts = {"seen": seen, "files": files, "standing": standing, "again": again, "after": after}
    told.write_text(json.dumps(facts))


def standing_of(home: Path) -> dict[str, dict[str, int]]:
    """How many rows of each kind the ledger has."""
    kinds = {"events": "kind", "custody": "what", "notes": "kind", "cases": "state", "stock": "state"}
    with closing(sqlite3.connect(f"file:{home / 'ledger.sqlite3'}?mode=ro", uri=True)) as ledger:
        found = {
            table: ledger.execute(f"SELECT {kinds.get(table, 1)} FROM {table}").fetchall() for table in TABLES
        }
    return {table: dict(Counter(str(row[0]) for row in rows)) for table, rows in found.items()}


def files_of(home: Path) -> dict[str, str]:
    """The digests of the files of a home, but those of the ledger, what forms led to, and what was sent and
    is not needed any more: that goes by itself after a day, as another server may still be at it."""
    found = {str(one.relative_to(home)): one for one in home.rglob("*") if one.is_file()}
    others = ("ledger.sqlite3", "worked-out", "presses/", "uploads/")
    return {
        name: hashlib.sha256(one.read_bytes()).hexdigest()
        for name, one in found.items()
        if not name.startswith(others)
    }


def fresh(made: Path, home: Path) -> None:
    """The home as it was made, in the place of one that was used."""
    if home.exists():
        shutil.rmtree(home)
    shutil.copytree(made, home)
