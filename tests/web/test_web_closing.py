"""Closing, keeping, erasing, exporting and forgetting a case, through the browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from mendbay.case.records import CaseState
from mendbay.jobs.learn_triage import outcomes
from support.web_client import Web, text_of

CLOSED = {"broken": "nothing", "end": "given back", "data": "none"}


@pytest.fixture
def case(web: Web) -> str:
    web.post("/cases/open", {"customer": "Fern <i>& Fire"})
    return "/case/1/closing"


def seen_of(page: str, action: str) -> str:
    found = re.search(rf'action="{re.escape(action)}".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert found, action
    return found[1]


def test_a_case_is_closed_with_what_was_found(web: Web, case: str) -> None:
    page = web.get(case)
    assert "Nothing yet." in page
    said = {
        "broken": "found",
        "found": ["adapter", "fan"],
        "likely": "yes",
        "end": "repaired",
        "data": "all",
        "seen": seen_of(page, f"{case}/close"),
    }
    closed = web.done(f"{case}/close", said)
    assert "Case 1 is closed: repaired; data: all; broken: adapter, fan, likely." in text_of(closed)
    with web.bench() as bench:
        found = outcomes(bench)[1]
        assert [one.text for one in found.found] == ["adapter", "fan"]
        assert bench.ledger.case(1).state is CaseState.CLOSED
    again = web.post(f"{case}/close", {**CLOSED, "seen": said["seen"]}, status=409)
    assert "changed by somebody else" in again.text


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"broken": "found", "end": "repaired", "data": "all"}, "A case is closed with what was broken"),
        ({**CLOSED, "found": ["adapter"]}, "are ticked"),
        ({**CLOSED, "end": "handed back"}, "No hand-back of case 1 is on record"),
        ({"broken": "found", "found": ["<b>"], "end": "repaired", "data": "all"}, "cannot be a fault"),
        ({**CLOSED, "remark": "It was Fern who dropped it"}, "Fern"),
    ],
)
def test_what_cannot_be_the_end_closes_nothing(
    web: Web, case: str, said: dict[str, object], words: str
) -> None:
    refused = web.post(f"{case}/close", said, status=422)
    assert words in text_of(refused.text)
    with web.bench() as bench:
        assert bench.ledger.case(1).state is not CaseState.CLOSED


def test_it_is_opened_again_with_a_reason(web: Web, case: str) -> None:
    web.post(f"{case}/reopen", {"reason": "too early"}, status=422)
    web.post(f"{case}/close", CLOSED)
    web.post(f"{case}/reopen", {}, status=422)
    web.post(f"{case}/reopen", {"reason": "too early"})
    with web.bench() as bench:
        assert bench.ledger.case(1).state is CaseState.OPEN
        assert outcomes(bench) == {}


def test_the_day_of_keeping(web: Web, case: str) -> None:
    page = web.get(case)
    seen = seen_of(page, f"{case}/keep")
    web.post(f"{case}/keep", {"day": "2999-01-31", "seen": seen})
    with web.bench() as bench:
        assert bench.ledger.case(1).keep_until == "2999-01-31"
    web.post(f"{case}/keep", {"day": "2998-01-31", "seen": seen}, status=409)
    web.post(f"{case}/keep", {"day": "2001-01-01"}, status=422)
    web.post(f"{case}/keep", {"day": "2999-01-01", "days": "3"}, status=422)


def test_nothing_held_is_nothing_to_erase(web: Web, case: str) -> None:
    assert "It holds none." in web.get(f"{case}/erase")
    refused = web.post(
        f"{case}/erase/plan",
        {"sorts": ["images"], "reason": "asked for", "unproven": "none made"},
        status=409,
    )
    assert "nothing of case 1" in refused.text


def test_papers_are_erased_by_a_plan_that_was_shown(web: Web, case: str) -> None:
    web.post("/case/1/letters/paper")
    said = {"sorts": ["papers"], "reason": "asked for", "unproven": "no files were read"}
    shown = web.done(f"{case}/erase/plan", said)
    assert "Nothing is erased yet." in shown
    assert "papers/letter-" in shown
    seen = seen_of(shown, f"{case}/erase/plan/1/now")
    refused = web.post(f"{case}/erase/plan/1/now", {"typed": "2", "seen": seen}, status=422)
    assert "Nothing was erased: the case&#39;s number was not typed." in refused.text
    web.post(f"{case}/erase/plan/1/now", {"typed": "1", "seen": "0" * 24}, status=409)
    with web.bench() as bench:
        record = bench.ledger.case(1)
        assert any(one.path.startswith("papers/") for one in bench.files.held(record))
    done = web.done(f"{case}/erase/plan/1/now", {"typed": "1", "seen": seen})
    assert "overwritten, read back and equal" in text_of(done)
    with web.bench() as bench:
        assert not any(one.path.startswith("papers/") for one in bench.files.held(record))
        assert any("copies erased" in one.what for one in bench.ledger.custody(1))
    certificate = web.client.get(f"{case}/erasure/1")
    assert certificate.content.startswith(b"%PDF")
    assert "attachment" in certificate.headers["content-disposition"]
    web.get(f"{case}/erase/plan/1", status=422)


def test_no_such_plan(web: Web, case: str) -> None:
    told = web.get(f"{case}/erase/plan/7", status=422)
    assert '<a href="/case/1/closing/erase">' in told
    web.get(f"{case}/erasure/7", status=422)


def test_export_goes_into_a_new_folder_each_time(web: Web, case: str) -> None:
    for number in (1, 2):
        page = web.done(f"{case}/export", {"for_customer": "yes"})
        folder = web.home / "exports" / f"case-0001-{number}"
        assert str(folder) in text_of(page)
        assert (folder / "bagit.txt").is_file()


def test_forgetting_needs_a_closed_case_and_its_number(web: Web, case: str) -> None:
    open_page = text_of(web.get(f"{case}/forget"))
    assert "Not now: Case 1 is open" in open_page
    web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "1"}, status=422)
    web.post(f"{case}/close", CLOSED)
    web.post("/case/1/letters/message", {"which": "status"})
    web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "0001"}, status=422)
    web.post(f"{case}/forget/now", {"reason": "asked by Fern", "typed": "1"}, status=422)
    with web.bench() as bench:
        assert bench.ledger.forgotten(1) is None
    answer = web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "1"})
    assert answer.headers["location"] == "/cases"
    with web.bench() as bench:
        assert bench.ledger.forgotten(1) is not None
    assert not _holds(web.home, b"Fern")
    web.get("/case/1/letters?made=status", status=410)


def _holds(home: Path, word: bytes) -> bool:
    return any(word in one.read_bytes() for one in home.rglob("*") if one.is_file())
