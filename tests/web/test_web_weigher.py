"""What goes on by itself survives what nobody foresaw, and names of files what is no text."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from urllib.parse import unquote

import pytest
from starlette.testclient import TestClient

from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces.web import weigher
from mendbay.faces.web.app import _attachment, _kept_short, application
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.jobs.take_in import take_in
from support.web_client import HOST, ORIGIN, Web, text_of


def test_one_case_that_cannot_be_weighed_keeps_no_other_from_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = threading.Event()

    def weigh(bench: object, number: int) -> None:
        if number == 1:
            raise ValueError("nobody foresaw it")

    monkeypatch.setattr(weigher, "turn_of", weigh)
    monkeypatch.setattr(weigher, "PAUSE_SECONDS", 0.0)
    made = weigher.Weigher(tmp_path / "home", told.set)
    try:
        made.ask([1, 2])
        assert told.wait(20)
    finally:
        made.end()


@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        (UsageError("A fault of this case is in no table.", ""), "A fault of this case is in no table."),
        (ValueError("nobody foresaw it"), "Something unforeseen happened;"),
    ],
)
def test_a_case_that_cannot_be_weighed_is_not_said_to_be_under_way_for_ever(
    web: Web, monkeypatch: pytest.MonkeyPatch, trouble: Exception, said: str
) -> None:
    def weigh(bench: object, number: int) -> None:
        raise trouble

    monkeypatch.setattr(weigher, "turn_of", weigh)
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    until = time.monotonic() + 20
    while "being worked out" in (page := text_of(web.get("/case/1"))):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert f"cannot be worked out. {said}" in page


def test_what_all_cases_rest_on_is_read_before_anybody_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = threading.Event()
    monkeypatch.setattr(weigher, "learned", lambda cases: read.set())
    made = weigher.Weigher(tmp_path / "home", lambda: None)
    try:
        made.get_ready()
        assert read.wait(20)
    finally:
        made.end()


def test_after_a_fault_nothing_is_promised_of_what_was_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*given: object, **more: object) -> None:
        raise ZeroDivisionError("nobody foresaw it")

    desk = Desk(tmp_path, Rules(frozenset({HOST})), Pulse(dict))
    monkeypatch.setattr("mendbay.faces.web.visit.open_bench", broken)
    with TestClient(application(desk), base_url=ORIGIN, raise_server_exceptions=False) as client:
        answer = client.get("/cases")
    assert answer.status_code == 500
    said = text_of(answer.text)
    assert "Something unforeseen went wrong inside Mendbay. Next:" in said
    assert "nobody foresaw it" not in said


@pytest.mark.parametrize("letter", ["a", "é", "漢", "\N{HAMMER AND WRENCH}", "\N{RINGED PLANET}", "\udcff"])
def test_a_notice_of_any_letters_fits_a_cookie(letter: str) -> None:
    made = _kept_short(letter * 1000)
    assert 400 <= len(made) <= 3800
    assert unquote(made).startswith(letter if letter.isprintable() else "?")


def test_a_name_that_is_no_text_is_still_a_header() -> None:
    made = _attachment('a"\r\nX: y\udcff')
    assert made.isascii()
    assert made.isprintable()
