"""Two servers and a command on one home: each sees what the others did, and nobody overwrites anybody."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench
from support.web_client import Web, text_of, web_on


def test_they_share_a_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    home = tmp_path / "home"
    with web_on(home) as one, web_on(home) as other:
        one.post("/cases/open", {"customer": "Quillmere Pottery"})
        assert "Quillmere Pottery" in text_of(other.get("/cases"))
        shown = re.search(
            r'action="/case/1/due".*?name="seen" value="(\w+)"', other.get("/case/1"), re.DOTALL
        )
        one.post("/case/1/due", {"day": "2999-01-01"})
        assert "2999" in text_of(other.get("/case/1"))
        if shown is not None:
            stale = other.post("/case/1/due", {"day": "2999-02-02", "seen": shown[1]}, status=409)
            assert "changed by somebody else" in text_of(stale.text)


def test_all_three_write_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    home = tmp_path / "home"
    failed: list[BaseException] = []

    def by_page(web: Web, name: str) -> None:
        try:
            for number in range(4):
                web.post("/cases/open", {"customer": f"{name} {number}"})
        except BaseException as trouble:
            failed.append(trouble)

    with web_on(home) as one, web_on(home) as other:
        threads = [
            threading.Thread(target=by_page, args=said) for said in ((one, "First"), (other, "Second"))
        ]
        for thread in threads:
            thread.start()
        for number in range(4):
            with open_bench(home) as bench:
                take_in(bench, f"Command {number}")
        for thread in threads:
            thread.join(120)
        assert not failed
        for web in (one, other):
            page = text_of(web.get("/cases"))
            assert all(f"{name} {n}" in page for name in ("First", "Second", "Command") for n in range(4))
    with open_bench(home) as bench:
        bench.ledger.check()
        assert sorted(one.number for one in bench.ledger.cases()) == list(range(1, 13))
