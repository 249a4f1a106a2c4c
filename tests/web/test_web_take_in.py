"""The pages of take-in."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest

from mendbay.case.authority import Whose
from mendbay.case.consents import How, Word
from mendbay.case.records import Bay
from mendbay.faces.web.desk import static_files
from mendbay.jobs.authority import authority_of
from mendbay.jobs.consents import consents_of, give_word
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import fill_form, tell
from mendbay.jobs.take_in_page import page_for
from support.web_client import Web, text_of

PDF = b"%PDF-1.7\nnothing"


@pytest.fixture
def one(web: Web) -> Web:
    """Case 1, about a box with two bays."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1", "AL-1", "S1"), Bay(0, "2")])
        tell(bench, 1, "kind", "two-bay-box")
    return web


def mark_before(page: str, then: str) -> str:
    """The mark of the form in which something stands."""
    form = next(one for one in re.findall(r"<form.*?</form>", page, re.DOTALL) if then in unescape(one))
    found = re.search(r'name="seen" value="([0-9a-f]+)"', form)
    assert found
    return found[1]


def test_what_is_missing_stands_first(one: Web) -> None:
    page = text_of(one.get("/case/1/take-in"))
    assert re.search(r"To be asked: \d+ essential questions of \d+", page)
    assert page.index("What matters most") < page.index("Can wait") < page.index("Answered")
    assert page.index("Answered") < page.index("a two-bay box")


def test_a_paper_is_not_made_in_the_name_of_nobody_without_a_word(
    one: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("MENDBAY_WHO", raising=False)
    monkeypatch.setenv("LOGNAME", "root")
    for page in ("/case/1/take-in", "/case/1/things"):
        assert "Nobody is named at the bench" in text_of(one.get(page))
    one.client.cookies.set("mendbay_who", "Kim")
    for page in ("/case/1/take-in", "/case/1/things"):
        assert "Nobody is named at the bench" not in text_of(one.get(page))


def test_the_receipt_of_what_came_in_is_made_at_the_counter(one: Web) -> None:
    with one.bench() as bench:
        tell(bench, 1, "bays", "both")
    html = one.get("/case/1/take-in")
    assert 'action="/case/1/hand-back/receipt"' in html
    assert "The last one was made" not in text_of(html)
    said = text_of(one.done("/case/1/hand-back/receipt", {"agreed": "Call before noon."}))
    assert "The receipt of 3 things is made, under “Receipt” below" in said
    html = one.get("/case/1/take-in")
    assert "The last one was made" in text_of(html)
    assert 'href="/case/1/hand-back/receipt.pdf" download' in html
    one.done("/cases/open", {"customer": "A weaver"})
    assert "No thing has a number yet" in text_of(one.get("/case/2/take-in"))
    said = text_of(one.done("/case/2/hand-back/receipt", {}))
    assert "The receipt is made" in said
    assert "0 things" not in said
    with one.bench() as bench:
        tell(bench, 2, "kind", "picture-enquiry")
    assert "/hand-back/receipt" not in one.get("/case/2/take-in"), "nothing came in"


def test_the_receipt_stands_above_what_can_wait_and_stays_at_take_in(one: Web) -> None:
    page = text_of(one.get("/case/1/take-in"))
    assert page.index("Can wait") < page.index("Receipt of what came in"), "the essentials come before it"
    with one.bench() as bench:
        while missing := fill_form(bench, 1).missing:
            tell(bench, 1, missing[0].question.id, "not known", missing[0].bay)
    page = one.get("/case/1/take-in")
    assert page.index("Receipt of what came in") < page.index("Can wait")
    assert '<input type="hidden" name="page" value="take-in">' in page
    made = one.post("/case/1/hand-back/receipt", {"agreed": "", "page": "take-in"}, status=303)
    assert made.headers["location"].startswith("/case/1/take-in?")
    page = one.get(made.headers["location"])
    heading = re.search(r'<p id="kept"[^>]*>(.*?)</p>\s*<h2 id="receipt"[^>]* autofocus', page, re.DOTALL)
    assert heading
    assert "The receipt of 2 things is made: print it" in heading[1]


def test_what_is_asked_and_its_answer_stand_side_by_side_where_there_is_room(one: Web) -> None:
    page = one.get("/case/1/take-in")
    questions = page.split('<li class="question"')[1:]
    assert questions
    for each in questions:
        asking, _, answering = each.partition('<div class="answering">')
        assert '<div class="asking">' in asking
        assert "<h3" in asking
        assert "<form" not in asking
        assert "<form" in answering
    assert re.search(r"min-width: \d+rem\) \{ \.question \{", static_files()["take_in.css"][0].decode())


def test_an_answer_is_kept_and_changed_and_taken_back(one: Web) -> None:
    page = one.done("/case/1/take-in/tell", {"question": "sound", "bay": "1", "picked": "clicks"})
    assert "STOP" in page
    with one.bench() as bench:
        assert {e.key: e.values for e in fill_form(bench, 1).entries}["sound", "1"] == ("clicks",)
    one.done("/case/1/take-in/tell", {"question": "matters", "written": "the accounts"})
    one.done("/case/1/take-in/untell", {"question": "sound", "bay": "1", "reason": "the wrong bay"})
    with one.bench() as bench:
        answers = {e.key: e for e in fill_form(bench, 1).entries}
        assert not answers["sound", "1"].answered
        assert answers["matters", ""].values == ("the accounts",)


def test_after_an_answer_the_page_goes_on_at_the_next_question(one: Web) -> None:
    form = {"question": "matters", "written": "The accounts."}
    there = one.post("/case/1/take-in/tell", form).headers["location"]
    assert there.endswith("#go-on")
    page = one.get(there.partition("#")[0])
    (focus,) = re.findall(r'<h3 id="go-on" tabindex="-1" autofocus aria-describedby="kept">(.*?)</h3>', page)
    before = page[: page.index('id="go-on"')]
    assert 'id="kept" class="notice" role="status"' in before
    assert page.count('class="notice"') == 1
    assert "accounts.." not in page
    with one.bench() as bench:
        entries = fill_form(bench, 1).entries
    after = [e for e in entries[[e.key[0] for e in entries].index("matters") :] if not e.answered]
    assert next(e.words for e in after if e.question.essential) in text_of(focus)
    assert "autofocus" not in one.get("/case/1/take-in?at=nothing")


def test_what_was_kept_is_told_without_its_question(one: Web) -> None:
    """Which stands with the answer below, and would be read twice."""
    page = one.done("/case/1/take-in/tell", {"question": "kind", "picked": "two-bay-box"})
    assert "Kept: a two-bay box." in text_of(page)
    assert page.count("What is it about?</span>") == 1
    assert "What is it about? a two-bay box." not in text_of(page)
    page = one.done("/case/1/take-in/tell", {"question": "sound", "bay": "1", "picked": "clicks"})
    assert "Kept of bay 1: it clicks again and again." in text_of(page)
    page = one.done("/case/1/take-in/tell", {"question": "due", "picked": "not known"})
    assert "Kept as not known: By when is it needed?" in text_of(page)


def test_what_is_put_in_stays_until_its_own_question_has_another_answer(one: Web) -> None:
    def places() -> dict[str, str]:
        found = re.findall(r'id="(q-[^"]*)-([0-9a-f]+)" hx-preserve="true"', one.get("/case/1/take-in"))
        assert len(dict(found)) == len(found) > 10
        return dict(found)

    before = places()
    assert {"q-matters-1", "q-story-1", "q-condition-1", "q-power-on-1", "q-authority-1"} <= before.keys()
    one.done("/case/1/take-in/tell", {"question": "matters", "written": "the accounts"})
    after = places()
    assert {one for one in before if before[one] != after[one]} == {"q-matters-1"}
    one.done("/cases/open", {"customer": "A weaver"})
    assert not set(re.findall(r'id="(q-[^"]*)" hx-p', one.get("/case/2/take-in"))) & {
        f"{place}-{mark}" for place, mark in after.items()
    }


def test_several_and_no_answer_to_be_had(one: Web) -> None:
    one.done("/case/1/take-in/tell", {"question": "condition", "picked": ["seal-broken", "rattles"]})
    one.done("/case/1/take-in/tell", {"question": "due", "picked": "not known", "written": ""})
    with one.bench() as bench:
        answers = {e.key: e for e in fill_form(bench, 1).entries}
        assert len(answers["condition", ""].values) == 2
        assert answers["due", ""].answered
        assert answers["due", ""].values == ()


@pytest.mark.parametrize(
    "form",
    [
        {"question": "no-such", "written": "x"},
        {"question": "sound", "picked": "clicks"},
        {"question": "sound", "bay": "7", "picked": "clicks"},
        {"question": "kind", "picked": "a-ship"},
        {"question": "due", "written": "tomorrow"},
        {"question": "matters", "written": ""},
        {"written": "x"},
        {"question": "matters", "written": "x", "other": "y"},
    ],
)
def test_no_such_answer_changes_nothing(one: Web, form: dict[str, str]) -> None:
    with one.bench() as bench:
        before = bench.ledger.custody(1), len(bench.ledger.events(1))
    one.post("/case/1/take-in/tell", form, status=422)
    with one.bench() as bench:
        assert (bench.ledger.custody(1), len(bench.ledger.events(1))) == before


def test_anothers_answer_is_not_overwritten(one: Web) -> None:
    page = one.get("/case/1/take-in")
    mark = mark_before(page, 'name="question" value="matters"')
    with one.bench() as bench:
        tell(bench, 1, "matters", "the pictures")
    form = {"question": "matters", "written": "the accounts", "seen": mark}
    told = one.post("/case/1/take-in/tell", form, status=409).text
    assert "changed by somebody else" in told
    with one.bench() as bench:
        assert {e.key: e.values for e in fill_form(bench, 1).entries}["matters", ""] == ("the pictures",)


def test_a_word_is_given_with_how_and_by_whom(one: Web) -> None:
    page = text_of(one.get("/case/1/take-in"))
    assert "Read this to the customer May we give the drive power" in page
    form = {"consent": "power-on", "word": "no", "how": "phone", "by": "customer"}
    said = one.done("/case/1/take-in/consent", form)
    assert "What is plugged in by hand nothing sees" in text_of(said)
    with one.bench() as bench:
        given = consents_of(bench, 1)["power-on"]
        assert (given.word, given.how, given.who) == (Word.NO, How.PHONE, "Kim")
    one.post("/case/1/take-in/consent", {**form, "by": "other"}, status=422)
    one.post("/case/1/take-in/consent", {"consent": "no-such", "word": "yes"}, status=422)


def test_anothers_word_is_not_overwritten(one: Web) -> None:
    mark = mark_before(one.get("/case/1/take-in"), 'name="consent" value="power-on"')
    with one.bench() as bench:
        give_word(bench, 1, "power-on", Word.NO)
    form = {"consent": "power-on", "word": "yes", "seen": mark}
    one.post("/case/1/take-in/consent", form, status=409)
    with one.bench() as bench:
        assert consents_of(bench, 1)["power-on"].word is Word.NO


def test_whose_data_it_is_with_a_copy_of_the_paper(one: Web) -> None:
    files = {"document": ("../../Ada's will.pdf", PDF, "application/pdf")}
    one.done("/case/1/take-in/authority", {"whose": "executor"}, files=files)
    with one.bench() as bench:
        found = authority_of(bench, 1)
        assert found is not None
        assert (found.whose, found.seen) == (Whose.ESTATE, True)
        assert "will" not in found.document
    assert not list((one.home / "uploads").iterdir())


def test_whose_data_it_is_from_a_page_that_was_shown_before_the_case_became_an_enquiry(one: Web) -> None:
    with one.bench() as bench:
        tell(bench, 1, "kind", "picture-enquiry")
    page = text_of(one.done("/case/1/take-in/authority", {"whose": "executor"}))
    assert "Put down:" in page
    with one.bench() as bench:
        assert authority_of(bench, 1) is not None


def test_a_paper_that_is_none_is_refused_by_its_own_name(one: Web) -> None:
    files = {"document": ("letter.txt", b"plain words", "text/plain")}
    told = one.post("/case/1/take-in/authority", {"whose": "employer"}, status=422, files=files).text
    assert "letter.txt is none of the files" in text_of(told)
    assert str(one.home) not in told
    with one.bench() as bench:
        assert authority_of(bench, 1) is None
    assert not list((one.home / "uploads").iterdir())


def test_bays_are_added_put_right_and_taken_back(one: Web) -> None:
    told = one.done("/case/1/take-in/bays/add", {"bay": "spare", "model": "AL-9", "serial": "S9"})
    assert "The drive of bay spare is put down: AL-9, serial number S9." in text_of(told)
    one.done("/case/1/take-in/bays/amend", {"bay": "1", "model": "AL-1", "serial": "S1B"})
    with one.bench() as bench:
        assert bench.ledger.bay(1, "1").serial == "S1B"
        assert any("serial S1 -> S1B" in str(entry) for entry in bench.ledger.custody(1))
    one.done("/case/1/take-in/bays/remove", {"bay": "spare", "reason": "it stayed at home"})
    with one.bench() as bench:
        assert {bay.bay for bay in bench.ledger.bays(1)} == {"1", "2"}
    one.post("/case/1/take-in/bays/amend", {"bay": "9", "model": "x"}, status=404)


def test_a_serial_number_noted_of_two_drives_is_told_on_both_cases(one: Web) -> None:
    one.done("/case/1/take-in/bays/amend", {"bay": "1", "model": "AL-1", "serial": "SX77"})
    with one.bench() as bench:
        number = take_in(bench, "Delta").number
    assert "mistyped" not in one.get("/case/1/take-in")
    one.done(f"/case/{number}/take-in/bays/add", {"bay": "2", "model": "AL-1", "serial": "sx-77"})
    for case, other in ((1, number), (number, 1)):
        for page in (f"/case/{case}/take-in", f"/case/{case}"):
            html = one.get(page)
            assert f"of case {other} too: one of them is mistyped" in text_of(html)
            assert f'href="/case/{other}/take-in' in html


def test_a_bay_that_is_there_is_a_slip_and_no_fault_of_the_ledger(one: Web) -> None:
    told = text_of(one.post("/case/1/take-in/bays/add", {"bay": "1"}, status=422).text)
    assert "Case 1 already has a bay 1." in told
    one.post("/case/1/take-in/bays/add", {"bay": "1", "model": "AL-9"}, status=422)
    one.done("/case/1/take-in/bays/add", {"bay": "2", "model": "AL-9"})
    with one.bench() as bench:
        assert [each.model for each in bench.ledger.bays(1)] == ["AL-1", "AL-9"]


def test_a_label_put_right_by_another_stands(one: Web) -> None:
    mark = mark_before(one.get("/case/1/take-in"), 'value="AL-1"')
    one.done("/case/1/take-in/bays/amend", {"bay": "1", "model": "AL-2", "serial": "S1"})
    form = {"bay": "1", "model": "AL-3", "serial": "S1", "seen": mark}
    one.post("/case/1/take-in/bays/amend", form, status=409)
    with one.bench() as bench:
        assert bench.ledger.bay(1, "1").model == "AL-2"


def test_the_page_of_its_own_and_its_file(one: Web, tmp_path: Path) -> None:
    answer = one.client.get("/case/1/take-in/page.html")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert "Quillmere" not in answer.text
    with one.bench() as bench:
        assert page_for(bench, 1).questions
    told = {
        "format": "take-in answers",
        "version": 1,
        "case": 1,
        "answers": [
            {"question": "matters", "bay": None, "answer": "the accounts"},
            {"question": "sound", "bay": "2", "answer": "no-such-sound"},
        ],
    }
    files = {"answers": ("answers.json", json.dumps(told).encode(), "application/json")}
    page = text_of(one.done("/case/1/take-in/answers", {"how": "writing"}, files=files))
    assert "Entered What matters most" in page
    assert re.search(r"Bay 2: [^:]*sound[^:]*\?:", page)
    assert text_of(one.get("/case/1/take-in/answers")).count("What matters most")


@pytest.mark.parametrize("data", [b"{}", b"\xff\xfe", b"[" * 4000, b"x" * 2_000_001])
def test_a_file_that_is_none_enters_nothing(one: Web, data: bytes) -> None:
    files = {"answers": ("answers.json", data, "application/json")}
    one.post("/case/1/take-in/answers", {}, status=422, files=files)
    one.get("/case/1/take-in/answers", status=422)


def test_hostile_names_are_only_words(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "<b>Ada</b>", bays=[Bay(0, "1", "<img src=x>", "S")])
        tell(bench, 1, "matters", "<script>alert(1)</script>")
    page = web.get("/case/1/take-in")
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert "<b>Ada" not in page


def test_no_such_case(web: Web) -> None:
    web.get("/case/7/take-in", status=404)
    web.post("/case/7/take-in/tell", {"question": "matters", "written": "x"}, status=404)


def test_a_loose_board_is_put_down_at_take_in(web: Web) -> None:
    web.done("/cases/open", {"customer": "A weaver"})
    assert "Say first what it is about" in text_of(web.get("/case/1/take-in"))
    with web.bench() as bench:
        tell(bench, 1, "kind", "board-swap")
    page = text_of(web.get("/case/1/take-in"))
    assert "Say first" not in page
    assert "No board is put down yet." in page
    assert "Add this drive" not in page
    web.done("/case/1/take-in/bays/add", {"bay": "1", "model": "", "serial": ""})
    page = text_of(web.get("/case/1/take-in"))
    assert "Put another board down" in page
    assert "No board is put down yet" not in page
