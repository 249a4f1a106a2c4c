"""Asks the bench in the browser as a browser on the same machine would, without one."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

import httpx2
from starlette.testclient import TestClient

from mendbay.faces.web.app import application
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.jobs.bench import Bench
from mendbay.wiring import changes_of, open_bench

HOST = "127.0.0.1:8437"
ORIGIN = f"http://{HOST}"


@dataclass
class Web:
    """The bench of one home."""

    client: TestClient
    home: Path

    def get(self, url: str, *, status: int = 200, **more: Any) -> str:
        """The page at an address; asserts its status."""
        answer = self.client.get(url, follow_redirects=False, **more)
        assert answer.status_code == status, (answer.status_code, text_of(answer.text)[:600])
        return answer.text

    def post(
        self, url: str, form: Mapping[str, Any] | None = None, *, status: int = 303, files: Any = None
    ) -> httpx2.Response:
        """What a form sent there is answered; asserts its status."""
        answer = self.client.post(
            url, data=form or {}, files=files, headers={"origin": ORIGIN}, follow_redirects=False
        )
        assert answer.status_code == status, (answer.status_code, text_of(answer.text)[:600])
        return answer

    def done(self, url: str, form: Mapping[str, Any] | None = None, *, files: Any = None) -> str:
        """The page that a form leads to."""
        answer = self.post(url, form, files=files)
        return self.get(answer.headers["location"])

    @contextmanager
    def bench(self) -> Iterator[Bench]:
        """The same home, past the web."""
        with open_bench(self.home) as bench:
            yield bench


@contextmanager
def web_on(home: Path, rules: Rules | None = None) -> Iterator[Web]:
    """The bench over a home."""
    home.mkdir(exist_ok=True)
    desk = Desk(home, rules or Rules(frozenset({HOST})), Pulse(lambda: changes_of(home)))
    with TestClient(application(desk), base_url=ORIGIN, raise_server_exceptions=True) as client:
        yield Web(client, home)


def text_of(html: str) -> str:
    """What a page says, without its tags and with single blanks."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", bare)).split())


def ledger_is_held(home: Path) -> bool:
    """Whether somebody is in a step of the ledger that nobody else can write between."""
    with closing(sqlite3.connect(home / "ledger.sqlite3", timeout=0, isolation_level=None)) as ledger:
        try:
            ledger.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
        ledger.execute("ROLLBACK")
        return False
