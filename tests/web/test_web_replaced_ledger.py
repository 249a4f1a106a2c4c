"""A server that runs sees another ledger in the place of its own."""

from __future__ import annotations

import shutil
import sqlite3
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from urllib.parse import urlencode

import pytest

from mendbay.wiring import open_bench
from support.web_client import Web, text_of
from support.web_server import served


def _copied_over(backup: Path, path: Path) -> None:
    shutil.copyfile(backup, path)


def _moved_over(backup: Path, path: Path) -> None:
    fresh = backup.with_name("fresh")
    shutil.copyfile(backup, fresh)
    fresh.replace(path)


def _backup(home: Path) -> Path:
    copy = home.parent / "backup"
    with closing(sqlite3.connect(home / "ledger.sqlite3")) as here, closing(sqlite3.connect(copy)) as there:
        here.backup(there)
    return copy


def _at_rest(home: Path) -> None:
    """Waits until the server has taken in what was written."""
    until = time.monotonic() + 20
    while (home / "ledger.sqlite3-wal").stat().st_size:
        assert time.monotonic() < until
        time.sleep(0.05)


@pytest.mark.parametrize("put", [_copied_over, _moved_over])
def test_a_backup_put_in_place_is_shown_and_changed_from_then_on(
    tmp_path: Path, put: Callable[[Path, Path], None]
) -> None:
    home = tmp_path / "home"

    def page(server: str, path: str) -> str:
        with urllib.request.urlopen(server + path, timeout=60) as answer:
            return text_of(answer.read().decode())

    def open_case(server: str, customer: str) -> None:
        form = urlencode({"customer": customer}).encode()
        asked = urllib.request.Request(f"{server}/cases/open", form, {"origin": server})
        with urllib.request.urlopen(asked, timeout=60) as answer:
            assert answer.status == 200

    with served(home, env={"MENDBAY_WHO": "Kim"}) as server:
        url = server.url.rstrip("/")
        open_case(url, "Quillmere Pottery")
        backup = _backup(home)
        open_case(url, "Later Joinery")
        assert "Later Joinery" in page(url, "/cases")
        put(backup, home / "ledger.sqlite3")
        shown = page(url, "/cases")
        assert "Quillmere Pottery" in shown
        assert "Later Joinery" not in shown
        open_case(url, "Afterwards")
        assert "Afterwards" in page(url, "/cases")
    with open_bench(home) as bench:
        bench.ledger.check()
        assert [one.customer for one in bench.ledger.cases()] == ["Quillmere Pottery", "Afterwards"]


def test_a_ledger_that_is_put_away_is_told(web: Web) -> None:
    web.post("/cases/open", {"customer": "Quillmere Pottery"})
    ledger = web.home / "ledger.sqlite3"
    _at_rest(web.home)
    ledger.rename(ledger.with_name("away"))
    assert "is not there" in text_of(web.get("/cases", status=503))
    assert not ledger.exists()
    ledger.with_name("away").rename(ledger)
    assert "Quillmere Pottery" in text_of(web.get("/cases"))
