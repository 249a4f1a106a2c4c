"""Today, the list of cases, and one case at a glance."""

from __future__ import annotations

import re
import time
from dataclasses import replace

import pytest

from mendbay.case.price_list import packaged_prices
from mendbay.case.records import CaseState
from mendbay.faces.web.case_works import OUTCOMES, ShownWork
from mendbay.faces.web.drawing import shown_name
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.work_port import Outcome, Standing, WorkKind, WorkOrder, WorkState
from support.web_client import ORIGIN, Web, text_of


def opened(web: Web, customer: str = "A pottery studio", **said: str) -> int:
    """A case opened by the form; its number."""
    answer = web.post("/cases/open", {"customer": customer, **said})
    found = re.search(r"/case/(\d+)", answer.headers["location"])
    assert found
    return int(found[1])


def test_a_case_is_opened_with_all_that_is_said(web: Web) -> None:
    number = opened(
        web,
        contact="rings after eight",
        box="two-bay box",
        wanted="*.xlsx\r\n\r\n *.jpg ",
        notes="fell\nonce",
    )
    with web.bench() as bench:
        case = bench.ledger.case(number)
        custody = bench.ledger.custody(number)
    assert (case.customer, case.contact, case.box) == ("A pottery studio", "rings after eight", "two-bay box")
    assert case.wanted == ("*.xlsx", "*.jpg")
    assert case.notes == "fell\nonce"
    assert custody[0].who == "Kim"
    page = text_of(web.get(f"/case/{number}"))
    assert "two-bay box" in page
    assert "*.xlsx, *.jpg" in page


def test_the_name_said_in_this_browser_stands_in_custody(web: Web) -> None:
    web.client.post("/who", data={"who": "  Ina   Weber "}, headers={"origin": "http://127.0.0.1:8437"})
    page = text_of(web.get("/cases"))
    assert "Ina Weber" in page
    assert "is put down under" not in page
    number = opened(web)
    with web.bench() as bench:
        assert bench.ledger.custody(number)[0].who == "Ina Weber"


def test_while_nobody_is_named_it_is_said_whose_name_things_are_put_down_under(
    web: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "While nobody is named here, what is done is put down under Kim." in text_of(web.get("/cases"))
    monkeypatch.setenv("MENDBAY_WHO", "two\nlines")
    refused = web.client.get("/cases", headers={"accept": "text/html"})
    assert refused.status_code < 500
    assert "is put down under" not in text_of(refused.text)


def test_one_press_takes_a_case_over_and_every_page_tells_who_has_it(web: Web) -> None:
    number = opened(web)
    page = web.get(f"/case/{number}")
    assert "Nobody has said so." in text_of(page)
    assert "it is put down under Kim" in text_of(page)
    web.client.post("/who", data={"who": "<b>Ina</b>"}, headers={"origin": ORIGIN})
    shown = web.get(f"/case/{number}")
    with web.bench() as bench:
        tell_turn(bench, number)
    web.post(f"/case/{number}/take-over", {"seen": mark_of(shown, "take-over")})
    _today(web)  # until it is worked out
    for url in ("/", "/cases", f"/case/{number}", f"/case/{number}/money", "/cases?mine=yes"):
        told = web.get(url)
        assert "in hand: <b>Ina</b>" in text_of(told), url
        assert "<b>Ina</b>" not in told, url
    assert "I lay it down" in text_of(web.get(f"/case/{number}"))
    web.client.post("/who", data={"who": "Lee"}, headers={"origin": ORIGIN})
    assert "in hand: <b>Ina</b>" not in text_of(web.get("/cases?mine=yes"))
    refused = web.post(f"/case/{number}/take-over", {"seen": mark_of(shown, "take-over")}, status=409)
    assert "who has it in hand" in text_of(refused.text).lower()
    shown = web.get(f"/case/{number}")
    told = text_of(web.done(f"/case/{number}/take-over", {"seen": mark_of(shown, "take-over")}))
    assert "Lee has it in hand now; it was <b>Ina</b>." in told
    web.post(f"/case/{number}/lay-down", {})
    assert "Nobody has said so." in text_of(web.get(f"/case/{number}"))
    with web.bench() as bench:
        assert len([one for one in bench.ledger.events(number) if one.kind == "in hand"]) == 3


@pytest.mark.parametrize(
    ("page", "next_page"),
    [
        ("/cases?page=2", "/cases?page=2"),
        ("/cases/open", "/"),
        ("//elsewhere.example/", "/"),
        ("", "/"),
    ],
    ids=["a page", "where a form was refused", "elsewhere", "not said"],
)
def test_who_says_a_name_stays_on_the_page(web: Web, page: str, next_page: str) -> None:
    headers = {"origin": "http://127.0.0.1:8437", "referer": f"http://127.0.0.1:8437{page}" if page else ""}
    answer = web.client.post("/who", data={"who": "Ina"}, headers=headers, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, next_page)
    assert "At the bench: Ina." in text_of(web.get("/"))
    assert "At the bench" not in text_of(web.get("/")), "a notice is told once"
    nobody = web.client.post("/who", data={"who": " "}, headers=headers)
    assert "Nobody is named at the bench now." in text_of(nobody.text if nobody.is_success else web.get("/"))


def test_a_browser_keeps_no_list_of_what_was_typed_of_customers(web: Web) -> None:
    """It would outlive a case that is forgotten."""
    html = web.get("/cases")
    for name in ("customer", "contact"):
        (field,) = re.findall(rf'<input[^>]*name="{name}"[^>]*>', html)
        assert 'autocomplete="off"' in field


def test_pages_of_one_case_have_titles_of_their_own(web: Web) -> None:
    opened(web)
    web.post("/case/1/take-in/bays/add", {"bay": "1", "model": "AL20"}, status=303)
    pages = ("", "/triage", "/triage/subject", "/triage/question?sign=history")
    board = ("/board?bay=1", "/board/donors?bay=1", "/board/rom?bay=1", "/board/transfer?bay=1")
    more = ("/triage/fault?fault=file-system", "/board/step?bay=1&step=leads", "/files", "/drives", "/pair")
    titles = [
        re.findall(r"<title>([^<]*)</title>", web.get(f"/case/1{page}"))[0]
        for page in (*pages, *board, *more)
    ]
    assert len(set(titles)) == len(titles), titles
    assert '<a href="/cases">All cases</a></p>' in web.get("/nowhere", status=404)
    lost = re.findall(r"<title>([^<]*)</title>", web.get("/case/9", status=404))
    assert lost == ["Not found · Mendbay"]


def test_a_password_in_the_notes_is_refused_and_nothing_is_kept(web: Web) -> None:
    page = text_of(
        web.post("/cases/open", {"customer": "Ada", "notes": "password: hunter2"}, status=422).text
    )
    assert "password" in page
    with web.bench() as bench:
        assert bench.ledger.cases() == ()


def test_the_list_is_searched_narrowed_and_paged(web: Web) -> None:
    for at in range(30):
        opened(web, f"Customer {at:02}" if at else "Ærø Keramik")
    first = web.get("/cases")
    assert first.count("<tr>") == 26
    assert "30 cases" in text_of(first)
    second = web.get(re.search(r'href="(/cases\?[^"]*page=2)"', first.replace("&amp;", "&"))[1])  # type: ignore[index]
    assert "Ærø Keramik" in second
    found = text_of(web.get("/cases?words=ærø+keramik"))
    assert "1 of 30 cases" in found
    assert "Customer 07" not in found
    assert "No case fits" in text_of(web.get("/cases?words=nobody"))
    assert "0 of 30" in text_of(web.get("/cases?state=closed"))
    web.get("/cases?page=0", status=422)
    web.get("/cases?sort=size", status=422)
    web.get(f"/cases?words={'x' * 300}", status=422)


def test_a_case_waits_and_goes_on(web: Web) -> None:
    number = opened(web)
    page = web.done(f"/case/{number}/wait", {"who": "part", "what": "a donor board", "until": "2999-01-01"})
    assert "a donor board" in text_of(page)
    assert "expected by 2999-01-01" in text_of(web.get("/cases"))
    assert "a donor board" in _today(web)
    with web.bench() as bench:
        assert bench.ledger.case(number).state is CaseState.WAITING
    page = web.done(f"/case/{number}/go-on", {"remark": "it came"})
    assert "a donor board" not in text_of(page)
    with web.bench() as bench:
        assert bench.ledger.case(number).state is CaseState.OPEN


def test_a_day_that_is_past_is_refused(web: Web) -> None:
    number = opened(web)
    web.post(f"/case/{number}/due", {"day": "2001-01-01"}, status=422)
    web.post(f"/case/{number}/due", {"day": "soon"}, status=422)
    assert "needed by 2999-12-24" in text_of(web.done(f"/case/{number}/due", {"day": "2999-12-24"}))
    assert "There is no deadline" in text_of(web.done(f"/case/{number}/due", {"day": ""}))


def test_who_sends_an_old_form_is_told_and_overwrites_nothing(web: Web) -> None:
    number = opened(web)
    mark = mark_of(web.get(f"/case/{number}"), "due")
    web.post(f"/case/{number}/due", {"day": "2999-12-24", "seen": mark})
    page = text_of(web.post(f"/case/{number}/due", {"day": "2999-11-11", "seen": mark}, status=409).text)
    assert "changed by somebody else" in page
    with web.bench() as bench:
        assert bench.ledger.case(number).due_on == "2999-12-24"


def test_who_is_to_load_a_page_again_is_led_there(web: Web) -> None:
    web.done("/cases/open", {"customer": "A weaver"})
    mark = web.get("/case/1/hand-back").split('name="seen" value="')[1].split('"')[0]
    web.done("/case/1/hand-back/keep", {"until": "2999-02-02"})
    told = []
    for form in ({"until": "2999-01-01", "seen": mark}, {"until": "2001-01-01"}):
        headers = {"origin": ORIGIN, "referer": f"{ORIGIN}/case/1/money"}  # a page without that form
        told.append(web.client.post("/case/1/hand-back/keep", data=form, headers=headers).text)
    links = [re.findall('<a [^>]*href="/case/1/money"[^>]*>([^<]*)', one) for one in told]
    inside = told[0].split('<section class="trouble">')[1].split("</section>")[0]
    assert "Load this page again" in inside, "the part that comes into the page of the form"
    assert 'target="_blank"' in inside, "so that what was typed stays"
    assert "2999-01-01" in inside, "nor is it lost where no form has a place for it"
    assert "Load this page again" not in links[1], "what is wrong in a form is put right in it"


def test_opening_a_case_is_said_once(web: Web) -> None:
    page = web.get("/cases")
    assert "<summary>A new case</summary>" in page
    assert page.count(">Open a case<") == 1


def test_whose_turn_it_is_is_not_overwritten_unseen(web: Web) -> None:
    number = opened(web)
    free = mark_of(web.get(f"/case/{number}"), "wait")
    said = {"who": "part", "what": "a donor board"}
    web.post(f"/case/{number}/wait", {**said, "seen": free})
    told = web.post(f"/case/{number}/wait", {"who": "customer", "what": "a word", "seen": free}, status=409)
    assert "changed by somebody else" in text_of(told.text)
    waiting = mark_of(web.get(f"/case/{number}"), "go-on")
    web.post(f"/case/{number}/wait", {"who": "customer", "what": "a word"})
    web.post(f"/case/{number}/go-on", {"remark": "the board came", "seen": waiting}, status=409)
    with web.bench() as bench:
        assert bench.ledger.case(number).state is CaseState.WAITING


def test_nobody_is_sent_to_triage_before_anything_was_asked(web: Web) -> None:
    number = opened(web, box="two-bay box, does not start")
    page = _weighed(web, number)
    assert "Next Begin with take-in" in page
    jpeg = ("a.jpg", b"\xff\xd8\xff\xe0 a picture", "image/jpeg")
    web.post(f"/case/{number}/pictures/add", {"bay": ""}, files={"pictures": jpeg})
    page = _weighed(web, number)
    assert "Next Begin with take-in" in page, "a picture answers nothing"
    assert "no answer of take-in is known" in page
    assert "Begin with take-in" in _today(web)
    web.post(f"/case/{number}/take-in/tell", {"question": "kind", "picked": "two-bay-box"})
    page = _weighed(web, number)
    assert "Begin with take-in" not in page
    assert "Next Put down which drives came in" in page
    web.post(f"/case/{number}/take-in/bays/add", {"bay": "1"})
    page = _weighed(web, number)
    assert re.search(r"Next \S.* takes \d+ min Still open: Take-in, under way\. .*questions are open", page)


def test_a_case_that_waits_tells_what_is_open_beside(web: Web) -> None:
    number = opened(web)
    web.post(f"/case/{number}/wait", {"who": "customer", "what": "a word on the price"})
    page = text_of(web.get(f"/case/{number}"))
    assert "Next The case waits for the customer: a word on the price" in page
    assert "Still open: Take-in, under way." in page or "Still open: Triage, not started." in page
    assert "If it takes too long: Ask the customer" in page


def test_every_step_says_how_it_stands(web: Web) -> None:
    number = opened(web)
    spine = re.search(r'<ol id="spine".*?</ol>', web.get(f"/case/{number}/money"), re.DOTALL)
    assert spine
    for step in re.findall("<li>.*?</li>", spine[0], re.DOTALL):
        name = re.search(r'step-name">([^<]+)<', step)
        assert name
        assert len(text_of(step)) > len(name[1]) + 3, name[1]
    assert "Pictures none yet" in text_of(spine[0])


def test_steps_and_next_have_a_light_address(web: Web) -> None:
    number = opened(web)
    page = web.get(f"/case/{number}/money")
    assert f'hx-get="/case/{number}/card?at=money"' in page
    light = web.get(f"/case/{number}/card?at=triage")
    assert len(light) < len(page) / 2
    assert 'id="spine"' in light
    assert 'id="next"' in light
    assert re.search(r'href="/case/1/triage" aria-current="step"', light)
    assert "<h1" not in light
    web.get("/case/99/card", status=404)


def test_long_jobs_are_told_in_words(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    number = opened(web)
    order = WorkOrder("1", WorkKind.READ_PAIR, number, "Kim", "2026-11-29T05:00:00Z", {})
    said = f"The image is not what was kept: {'5d' * 32} is {'7e' * 64}. Read it anew."
    state = WorkState(standing=Standing.ENDED, outcome=Outcome.INCOMPLETE, said=(said,))
    work = ShownWork(order, state, OUTCOMES[Outcome.INCOMPLETE], False, None, "")
    monkeypatch.setattr("mendbay.faces.web.views.case.shown_works", lambda visit, kinds, most: (work,))
    shown = web.get(f"/case/{number}")
    assert f'<a href="/case/{number}/drives">Reading the drives together</a>' in shown
    page = text_of(shown)
    assert "The image is not what was kept: 5d5d5d5d… is 7e7e7e7e…." in page
    assert "Read it anew" not in page
    assert "Reading the drives together , 2026-11-29 05:00: done, but not everything could be had." in page


def test_a_job_that_ended_tells_what_came_of_it_and_no_caution(
    web: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = opened(web)
    order = WorkOrder("1", WorkKind.READ_CHIP, number, "Kim", "2026-11-29T05:00:00Z", {})
    said = ("It begins.", "CAUTION, A clip the wrong way round: it puts the supply on the wrong pin.")
    state = WorkState(standing=Standing.RUNS, said=said)
    works = [ShownWork(order, state, "under way", True, None, "")]
    monkeypatch.setattr("mendbay.faces.web.views.case.shown_works", lambda visit, kinds, most: works)
    assert "under way. It begins." in text_of(web.get(f"/case/{number}"))
    ended = replace(state, standing=Standing.ENDED, outcome=Outcome.DONE, result_words=("Kept: 2 reads.",))
    works[:] = [ShownWork(order, ended, "done", False, None, "")]
    page = text_of(web.get(f"/case/{number}"))
    assert "done. Kept: 2 reads." in page
    assert "CAUTION" not in page


def _weighed(web: Web, number: int) -> str:
    until = time.monotonic() + 60
    while "is being worked out" in (page := text_of(web.get(f"/case/{number}"))):
        assert time.monotonic() < until
        time.sleep(0.1)
    return page


def mark_of(page: str, form: str) -> str:
    """The mark that a form of a case's page carries."""
    found = re.search(rf'action="/case/[0-9]+/{form}".*?name="seen" value="([0-9a-f]+)"', page, re.DOTALL)
    assert found
    return found[1]


def test_what_to_do_next_comes_by_itself(web: Web) -> None:
    number = opened(web, box="two-bay box, does not start")
    web.post(f"/case/{number}/take-in/tell", {"question": "kind", "picked": "two-bay-box"})
    web.post(f"/case/{number}/take-in/bays/add", {"bay": "1"})
    assert "is being worked out" in text_of(web.get(f"/case/{number}"))
    page = _weighed(web, number)
    assert re.search(r"Next \S.*(saves|helps) .*about [\d.\s]+ EUR.*; takes \d+ min", page)
    assert "A pottery studio" in _today(web)
    assert re.search(r"about [\d.\s]+ EUR.*; takes \d+ min", _today(web))
    assert "an hour of bench time" not in _today(web)
    with web.bench() as bench:
        text = packaged_prices().replace('currency = "EUR"', 'currency = "CHF"')
        bench.shop_files.keep("settings", "prices", text)
    assert " CHF" in text_of(web.get(f"/case/{number}"))


def _today(web: Web) -> str:
    until = time.monotonic() + 60
    while "being gathered" in (page := text_of(web.get("/"))) or "not worked out yet" in page:
        assert time.monotonic() < until
        time.sleep(0.1)
    return page


def test_today_of_an_empty_shop_says_how_to_begin(web: Web) -> None:
    assert "Open a case" in _today(web)


@pytest.mark.parametrize("url", ["/case/0", "/case/99999999999999999999", "/case/2"])
def test_a_case_that_is_not_there_is_told(web: Web, url: str) -> None:
    opened(web)
    web.get(url, status=404)


def test_a_forgotten_case_is_gone(web: Web) -> None:
    number = opened(web)
    with web.bench() as bench:
        bench.ledger.forget_case(number, bench.now(), "Kim", ())
    web.get(f"/case/{number}", status=410)
    assert "A pottery studio" not in web.get("/cases")


def test_each_sheet_on_paper_says_which_case_it_is_of(web: Web) -> None:
    number = opened(web)
    assert f'href="/case/{number}/print.css"' in web.get(f"/case/{number}")
    assert f'"Case {number}"' in web.get(f"/case/{number}/print.css")


def test_blanks_that_keep_figures_together_are_no_escapes() -> None:
    assert (
        shown_name("1\N{THIN SPACE}000\N{NO-BREAK SPACE}bytes") == "1\N{THIN SPACE}000\N{NO-BREAK SPACE}bytes"
    )
    assert shown_name("\\xe2\\x80\\x89") == "\\x5cxe2\\x5cx80\\x5cx89"
    assert shown_name(b"a\xff\n") == "a\\xff\\x0a"


def test_every_hint_is_read_out_with_its_field_and_cautions_are_told_apart(web: Web) -> None:
    opened(web)
    for bay in ("1", "2"):
        web.post("/case/1/take-in/bays/add", {"bay": bay, "model": "AL20"})
    pages = ("/drives", "/drives?bay=1", "/hand-back", "/closing/erase", "/board/rom?bay=1")
    hints = 0
    for page in (*(f"/case/1{one}" for one in pages), "/lessons/families"):
        html = web.get(page)
        for hint in re.findall(r'id="([^"]+-hint)"', html):
            hints += 1
            assert re.search(rf'aria-describedby="[^"]*\b{re.escape(hint)}\b', html), (page, hint)
        labels = re.findall(r'<section class="caution" aria-label="([^"]*)"', html)
        assert len(set(labels)) == len(labels), (page, labels)
    assert hints > 5
