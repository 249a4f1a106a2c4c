"""News of changes reach every page, also when they come while it is made."""

from __future__ import annotations

import asyncio
import gc
import re
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from mendbay.faces.web import app, live
from mendbay.faces.web.answers import Page
from mendbay.faces.web.app import application
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.faces.web.visit import Visit
from mendbay.jobs.take_in import take_in
from mendbay.wiring import changes_of
from support.web_client import HOST, Web


def _until(holds: Callable[[], bool]) -> None:
    until = time.monotonic() + 20
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_a_page_is_marked_with_the_news_before_it_was_made(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    """What changes after a page looked, and before it is drawn, is news to it: else it would show what was,
    for as long as nothing else changes."""
    marks: list[str] = []
    page = app._Application._made

    def changed_meanwhile(self: app._Application, request: object, visit: Visit, answer: Page) -> object:
        pulse = self._desk.pulse
        if isinstance(answer, Page):
            marks.append(pulse.mark)
            with web.bench() as bench:
                take_in(bench, "Quillmere Pottery")
            _until(lambda: pulse.mark != marks[-1])
        return page(self, request, visit, answer)  # type: ignore[arg-type]

    web.get("/cases")
    monkeypatch.setattr(app._Application, "_made", changed_meanwhile)
    shown = re.search(r'data-mark="([^"]*)"', web.get("/cases"))
    assert shown is not None
    assert shown[1] == marks[0]


def test_what_was_told_before_the_first_look_is_not_counted_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that was made before the first look has a mark that no later news may have again."""
    monkeypatch.setattr(live, "LOOK_SECONDS", 0.01)
    seen, looks = [0], threading.Event()

    def make() -> dict[str, Callable[[], object]]:
        looks.wait(20)
        return {"ledger": lambda: seen[0]}

    pulse = Pulse(make)
    pulse.start()
    try:
        pulse.tell("ledger")
        shown = [pulse.mark]
        looks.set()
        _until(lambda: pulse.mark != shown[-1])
        shown.append(pulse.mark)
        seen[0] += 1
        _until(lambda: pulse.mark != shown[-1])
        assert pulse.mark not in shown
    finally:
        pulse.end()


@dataclass
class Days:
    """A clock that is set by hand, as people and time servers do."""

    at: datetime = datetime(2026, 11, 29, 12, tzinfo=UTC)

    def now(self) -> datetime:
        return self.at

    def steady_seconds(self) -> float:
        return 0.0


def test_a_new_day_is_news_and_a_clock_that_is_set_within_one_is_none(tmp_path: Path) -> None:
    """A page that is left open over night would tell what was due yesterday."""
    clock = Days()
    look = changes_of(tmp_path, clock)["ledger"]
    seen = [look()]
    for hours in (-2, 3, 1):  # set back, a summer time, an hour of sleep
        clock.at += timedelta(hours=hours)
        assert look() == seen[0]
    for days in (1, 30, -31):
        clock.at += timedelta(days=days)
        seen.append(look())
    assert len(set(seen)) == 3
    assert seen[-1] == seen[0]


def test_what_was_gathered_yesterday_is_gathered_anew(tmp_path: Path) -> None:
    clock, times = Days(), list[int]()
    desk = Desk(tmp_path, Rules(frozenset({HOST})), Pulse(dict), clock=clock)

    def gather() -> tuple[int, str]:
        times.append(1)
        return len(times), ""

    def gathered() -> int:
        found = desk.gathered("day", gather)
        return 0 if found is None or found.is_old else found.found

    _until(lambda: gathered() == 1)
    assert gathered() == 1
    clock.at += timedelta(days=1)
    _until(lambda: gathered() == 2)
    desk.end()


def test_a_part_that_is_asked_for_again_takes_no_notice_from_the_page_that_it_is_meant_for(web: Web) -> None:
    """Another page of the same browser may ask between a form's answer and the page that it leads to."""
    web.post("/cases/open", {"customer": "Quillmere Pottery"})
    part = web.client.get("/cases", headers={"hx-request": "true"})
    assert "Case 1 is open." not in part.text
    assert "set-cookie" not in part.headers
    sent_by_htmx = {"hx-request": "true", "hx-boosted": "true"}
    assert "Case 1 is open." in web.client.get("/case/1/take-in", headers=sent_by_htmx).text
    assert "Case 1 is open." not in web.get("/case/1/take-in")


def test_of_browsers_that_went_away_nothing_is_held(tmp_path: Path) -> None:
    pulse = Pulse(lambda: {"ledger": lambda: 1})
    desk = Desk(tmp_path, Rules(frozenset({HOST})), pulse)
    app = application(desk)
    held: list[int] = []

    async def ask() -> None:
        gone, begun = asyncio.Event(), asyncio.Event()

        async def receive() -> dict[str, object]:
            await gone.wait()
            return {"type": "http.disconnect"}

        async def send(message: Mapping[str, object]) -> None:
            if message["type"] == "http.response.body":
                begun.set()

        scope = {
            "type": "http",
            "http_version": "1.1",
            "scheme": "http",
            "method": "GET",
            "path": "/live",
            "raw_path": b"/live",
            "query_string": b"",
            "root_path": "",
            "headers": [(b"host", HOST.encode())],
            "server": ("127.0.0.1", 8437),
            "client": ("127.0.0.1", 9),
        }
        asking = asyncio.create_task(app(scope, receive, send))  # type: ignore[arg-type]
        await asyncio.wait_for(begun.wait(), 60)
        held.append(len(pulse._waiting))
        gone.set()
        await asyncio.wait_for(asking, 60)

    async def burst() -> None:
        await asyncio.gather(*(ask() for _ in range(30)))
        gc.collect()
        await asyncio.sleep(0)
        held.append(len(pulse._waiting))

    asyncio.run(burst())
    assert max(held) > 1
    assert held[-1] == 0
