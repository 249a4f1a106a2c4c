"""What goes on by itself survives what nobody foresaw, and names of files what is no text."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from mendbay.faces.web import weigher
from mendbay.faces.web.app import _attachment


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


def test_a_name_that_is_no_text_is_still_a_header() -> None:
    made = _attachment('a"\r\nX: y\udcff')
    assert made.isascii()
    assert made.isprintable()
