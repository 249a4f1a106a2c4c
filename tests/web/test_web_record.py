"""The story of a case and its custody log, through the browser."""

from __future__ import annotations

from mendbay.jobs.check_custody import check_custody, exported_custody
from support.web_client import Web, text_of


def open_case(web: Web) -> str:
    web.post("/cases/open", {"customer": "Fern"})
    return "/case/1/record"


def test_the_story_is_told_with_the_newest_last(web: Web) -> None:
    there = open_case(web)
    with web.bench() as bench:
        for at in range(130):
            bench.note(1, "triage", f"Told thing {at}.")
        bench.note(1, "triage", "<script>alert(1)</script>\u202egnp.exe")
    page = web.get(there)
    assert "Told thing 129." in page
    assert "Told thing 20." not in page
    assert "&lt;script&gt;" in page
    assert "\u202e" not in page
    assert page.index("Told thing 128.") < page.index("Told thing 129.")
    older = web.get(f"{there}?until=32")
    assert "Told thing 20." in older
    assert "Told thing 129." not in older


def test_what_was_told_again_in_a_row_stands_once(web: Web) -> None:
    there = open_case(web)
    with web.bench() as bench:
        for _ in range(3):
            bench.note(1, "triage", "The same.")
    page = web.get(there)
    assert page.count("The same.") == 1
    assert "(3 times from" in text_of(page)


def test_custody_is_verified_and_held_against_a_receipt(web: Web) -> None:
    there = open_case(web)
    with web.bench() as bench:
        bench.custody(1, "moved", "item 1")
        check, _ = check_custody(bench, 1)
        assert check.head is not None
        head = check.head.text
    page = text_of(web.get(there))
    assert "The custody log holds: 2 entries" in page
    assert "Without a receipt's head nobody can tell" in page
    anchored = text_of(web.client.get(there, params={"receipt": head}).text)
    assert "The receipt's head stands in it" in anchored
    wrong = text_of(web.client.get(there, params={"receipt": head.replace(head[-4:], "0000")}).text)
    assert "NOT" in wrong or "not a head" in wrong


def test_the_exported_log_is_the_jobs_own_and_can_be_checked(web: Web) -> None:
    there = open_case(web)
    with web.bench() as bench:
        bench.custody(1, "moved", "item 1")
        expected = exported_custody(bench, 1)
    answer = web.client.get(f"{there}/custody")
    assert answer.content == expected
    assert "attachment" in answer.headers["content-disposition"]
    checked = web.post(f"{there}/check", files={"log": ("log.jsonl", expected)}, status=200)
    assert "The custody log holds: 2 entries" in text_of(checked.text)
    broken = expected.replace(b"moved", b"mowed")
    told = web.post(f"{there}/check", files={"log": ("<i>.jsonl", broken)}, status=200)
    assert "does NOT hold" in told.text
    assert "<i>.jsonl" not in told.text
    web.post(f"{there}/check", files={"log": ("log.jsonl", b"\x00\xff nothing")}, status=422)


def test_a_bad_receipt_is_told_as_that(web: Web) -> None:
    there = open_case(web)
    web.get(f"{there}?receipt=nonsense", status=422)
    web.get(f"{there}?until=abc", status=422)


def test_the_story_tells_what_was_broken_in_words(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    said = {"broken": "found", "found": ["box-board"], "end": "repaired", "data": "all"}
    web.post("/case/1/closing/close", said)
    story = text_of(web.get("/case/1/record")).partition("Custody The")[0]
    assert "Closed: repaired; data: all; broken: the box's own board" in story
