"""Triage in the browser: one tap answers, the odds move and say how, and nothing is overwritten unseen."""

from __future__ import annotations

import re
from typing import Any

import pytest

from mendbay.board.electrical_form import Gate
from mendbay.case.consents import Word
from mendbay.case.records import Bay, CaseKind, CaseState
from mendbay.faces.web.desk import static_files
from mendbay.faces.web.odds import MARKS, odds_bar, place_of
from mendbay.faces.web.views import triage as views_triage
from mendbay.faces.web.weigher import Weigher
from mendbay.jobs import triage_case
from mendbay.jobs.consents import give_word
from mendbay.jobs.hand_repairs import CameOf, repairs_made
from mendbay.jobs.measure_board import enter, override
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import note_answer, tell_triage
from mendbay.triage.belief import Asked
from mendbay.triage.table_file import packaged_tables
from support.web_client import Web, ledger_is_held, text_of

TRIAGE = "/case/1/triage"
HOSTILE = '"><script>alert(1)</script>\u202e'
CLICKS = {"sign": "sound", "bay": "1", "answer": "clicks"}


@pytest.fixture
def shop(web: Web) -> Web:
    """Case 1: a box with two drives."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
    return web


def odds_of(web: Web, case: int = 1) -> dict[tuple[str, str], float]:
    with web.bench() as bench:
        return {(one.fault, one.bay): chance for one, chance in tell_triage(bench, case).belief.ranked()}


def mark_of(page: str, sign: str, bay: str = "") -> str:
    """The mark of the form that answers a sign."""
    for form in re.findall(r"<form.*?</form>", page, re.DOTALL):
        if f'name="sign" value="{sign}"' in form and f'name="bay" value="{bay}"' in form:
            found = re.search(r'name="seen" value="(\w+)"', form)
            assert found is not None
            return found[1]
    raise AssertionError(sign)


def test_one_tap_answers_and_the_odds_say_how_they_moved(shop: Web) -> None:
    before = odds_of(shop)
    page = shop.get(TRIAGE)
    assert page.index("What is seen") < page.index("<h2>The odds<")
    assert "STOP" not in page
    after = shop.done(f"{TRIAGE}/answer", {**CLICKS, "seen": mark_of(page, "sound", "1")})
    now = odds_of(shop)
    assert now["heads", "1"] > before["heads", "1"]
    said = text_of(after)
    was, is_ = (f"{100 * one['heads', '1']:.0f} %" for one in (before, now))
    assert f"{is_} (was {was})" in said
    assert after.index("STOP: give the drive of bay 1 no power.") < after.index("<h2>The odds<")
    assert "Last told: bay 1: What does the drive sound like in the box? It clicks again and again." in said
    with shop.bench() as bench:
        told = bench.ledger.events(1)[-1]
        assert (told.kind, told.text.startswith("Bay 1: What does the drive sound like")) == ("triage", True)
        assert tell_triage(bench, 1).known[Asked("sound", "1")].origin.startswith("Kim, ")


def test_an_answer_is_changed_and_taken_back_with_a_reason(shop: Web) -> None:
    shop.post(f"{TRIAGE}/answer", CLICKS)
    at = f"{TRIAGE}/question?sign=sound&bay=1"
    assert "it clicks again and again" in text_of(shop.get(at))
    shop.post(f"{TRIAGE}/answer", {**CLICKS, "answer": "normal"})
    assert "it spins as drives do" in text_of(shop.get(at))
    shop.post(f"{TRIAGE}/take-back", {"sign": "sound", "bay": "1"}, status=422)
    page = shop.done(f"{TRIAGE}/take-back", {"sign": "sound", "bay": "1", "reason": "It was bay 2."})
    assert "Taken back: the answer to “bay 1: What does the drive sound like" in text_of(page)
    with shop.bench() as bench:
        assert Asked("sound", "1") not in tell_triage(bench, 1).known
    shop.post(f"{TRIAGE}/take-back", {"sign": "sound", "bay": "1", "reason": "again"}, status=422)


def test_who_answers_what_somebody_else_just_answered_is_told(shop: Web) -> None:
    mark = mark_of(shop.get(TRIAGE), "sound", "1")
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("sound", "1"), "normal")
    said = text_of(shop.post(f"{TRIAGE}/answer", {**CLICKS, "seen": mark}, status=409).text)
    assert "changed by somebody else" in said
    with shop.bench() as bench:
        assert tell_triage(bench, 1).known[Asked("sound", "1")].answer == "normal"


@pytest.mark.parametrize(
    "wrong",
    [
        {"sign": "sound", "bay": "1", "answer": "sings"},
        {"sign": "sound", "bay": "", "answer": "clicks"},
        {"sign": "sound", "bay": "9", "answer": "clicks"},
        {"sign": "no-such", "answer": "yes"},
        {"sign": HOSTILE, "answer": "yes"},
        {"answer": "yes"},
    ],
)
def test_what_cannot_be_answered_is_refused_and_nothing_is_noted(shop: Web, wrong: dict[str, str]) -> None:
    with shop.bench() as bench:
        before = len(bench.ledger.events(1))
    answer = shop.post(f"{TRIAGE}/answer", wrong, status=422)
    assert "<script>alert" not in answer.text
    with shop.bench() as bench:
        assert len(bench.ledger.events(1)) == before


def test_another_browsers_answers_are_in_the_live_part(shop: Web) -> None:
    page = shop.get(TRIAGE)
    live = page[page.index('id="triage"') :]
    assert 'data-live="ledger"' in live[:400]
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("smell"), "burnt")
    again = shop.get(TRIAGE)
    assert "it smells burnt" in again[again.index('id="triage"') :]


def test_a_step_shows_its_cautions_before_anything_else_and_takes_its_answer(shop: Web) -> None:
    page = shop.get(f"{TRIAGE}/step?step=listen-alone&bay=2")
    said = text_of(page)
    assert said.index("Before you do it") < said.index("What it takes") < said.index("What it answers")
    assert said.index("Ask the customer first") < said.index("What it takes")
    mark = mark_of(page, "sound-alone", "2")
    form = {"sign": "sound-alone", "bay": "2", "answer": "normal", "seen": mark}
    assert "Answered." in text_of(shop.done(f"{TRIAGE}/answer", form))
    shop.get(f"{TRIAGE}/step?step=listen-alone&bay=2", status=422)
    shop.get(f"{TRIAGE}/step?step=listen-alone", status=422)
    shop.get(f"{TRIAGE}/step?step=no-such", status=404)


def test_a_refused_step_is_not_offered_and_says_who_refused_it(shop: Web) -> None:
    with shop.bench() as bench:
        give_word(bench, 1, "power-on", Word.NO)
    said = text_of(shop.get(TRIAGE))
    assert "Not offered, as the customer refused it: giving power to a failing drive." in said
    assert "REFUSED: the customer does not agree" in text_of(shop.get(f"{TRIAGE}?all=yes"))


def test_a_repair_that_did_not_help_is_noted_and_taken_back(shop: Web) -> None:
    page = shop.get(f"{TRIAGE}/step?step=new-adapter")
    form = re.search(r'action="[^"]*/tried".*?</form>', page, re.DOTALL)
    assert form is not None
    mark = re.search(r'name="seen" value="(\w+)"', form[0])
    assert mark is not None
    sent = {"step": "new-adapter", "bay": ""}
    said = text_of(shop.done(f"{TRIAGE}/tried", {**sent, "seen": mark[1]}))
    assert "Tried, and it did not help" in said
    shop.post(f"{TRIAGE}/tried", {**sent, "seen": mark[1]}, status=409)
    assert "Take back that it was done" in shop.get(f"{TRIAGE}/repair?step=new-adapter")
    shop.post(f"{TRIAGE}/untried", sent, status=422)
    said = text_of(shop.done(f"{TRIAGE}/untried", {**sent, "reason": "It was another case."}))
    assert "It was another case." not in said
    assert "Tried, and it did not help" not in said
    shop.get(f"{TRIAGE}/repair?step=new-adapter", status=404)
    shop.post(f"{TRIAGE}/tried", {"step": "listen-alone", "bay": "1"}, status=422)


def test_a_repair_by_hand_is_put_down_then_tried_then_taken_back(shop: Web) -> None:
    off = "The <b>shorted</b> suppressor taken off"

    def send(of: dict[str, str], come: str) -> str:
        query = "?step=mend-supply&bay=1" if "step" in of else ""
        page = shop.get(f"{TRIAGE}/made{query}")
        mark = re.search(r'action="[^"]*/tried".*?name="seen" value="(\w+)"', page, re.DOTALL)
        assert mark is not None
        return shop.done(f"{TRIAGE}/tried", {**of, "came": come, "done": off, "seen": mark[1]})

    page = shop.get(f"{TRIAGE}/made")
    assert 'value="mend-supply:1"' in page
    assert '<option value="">choose</option>' in page, "no kind is taken for granted"
    assert '<option value="">choose</option>' not in shop.get(f"{TRIAGE}/made?step=mend-supply&bay=1")
    page = send({"of": "mend-supply:1"}, "not-tried")
    assert "&lt;b&gt;shorted&lt;/b&gt;" in page
    assert "Done, and not tried yet" in text_of(page)
    with shop.bench() as bench:
        assert [one.came_of for one in repairs_made(bench, 1)] == [CameOf.NOT_TRIED]
    said = text_of(send({"step": "mend-supply", "bay": "1"}, "ready"))
    assert "Done, and it helped" in said
    assert "not tried yet" not in said
    with shop.bench() as bench:
        assert [(one.bay, one.came_of, one.done) for one in repairs_made(bench, 1)] == [
            ("1", CameOf.READY, off)
        ]
    sent = {"step": "mend-supply", "bay": "1", "reason": "It was not ready after all."}
    shop.done(f"{TRIAGE}/untried", sent)
    with shop.bench() as bench:
        assert [one.came_of for one in repairs_made(bench, 1)] == [CameOf.NOT_TRIED]
    for nothing in ("no-such:1", ""):
        shop.post(f"{TRIAGE}/tried", {"of": nothing}, status=422)


def test_why_and_what_if_are_told_on_demand(shop: Web) -> None:
    shop.post(f"{TRIAGE}/answer", CLICKS)
    why = text_of(shop.get(f"{TRIAGE}/fault?fault=heads&bay=1"))
    assert re.search(r"for it: bay 1: What does the drive sound like[^.]*It clicks again and again\.", why)
    assert "sound (bay 1)" not in why, "that is how it is typed at a terminal"
    shop.get(f"{TRIAGE}/fault?fault=heads", status=422)
    then = text_of(shop.get(f"{TRIAGE}/question?sign=smell"))
    assert "What each answer would mean" in then
    assert "it smells burnt" in then
    assert "The scale is logarithmic" in then
    assert "is the answer with a chance of" in then


def test_what_came_in_and_its_worth_are_said(shop: Web) -> None:
    page = shop.get(f"{TRIAGE}/subject")
    mark = re.search(r'name="seen" value="(\w+)"', page)
    assert mark is not None
    form = {"came": "drive", "worth": "250", "bays": "2", "seen": mark[1]}
    said = text_of(shop.done(f"{TRIAGE}/subject", form))
    assert "A drive alone; its data is taken to be worth 250 EUR." in said
    shop.post(f"{TRIAGE}/subject", {**form, "worth": "9"}, status=409)
    shop.post(f"{TRIAGE}/subject", {"worth": "0"}, status=422)
    shop.post(f"{TRIAGE}/subject", {}, status=422)
    with shop.bench() as bench:
        assert tell_triage(bench, 1).stakes.data == 250
        assert tell_triage(bench, 1).subject.bays == ("2",)


def test_of_more_than_two_bays_it_is_asked_which(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2"), Bay(0, "3")])
    answer = web.client.get(TRIAGE, follow_redirects=False)
    assert answer.headers["location"] == f"{TRIAGE}/subject"
    assert "bays 1 and 3" in web.get(f"{TRIAGE}/subject")
    assert "Bay 3" in web.done(f"{TRIAGE}/subject", {"bays": "1,3"})


def test_nobody_waits_for_the_ledger_while_triage_weighs(shop: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    real, held = triage_case.offers_within, []

    def weigh(*given: Any) -> object:
        held.append(ledger_is_held(shop.home))
        return real(*given)

    triage_case._steps.cache_clear()
    monkeypatch.setattr(triage_case, "offers_within", weigh)
    tried, reason = {"step": "new-adapter"}, {"reason": "a slip"}
    shop.post(f"{TRIAGE}/answer", CLICKS)
    shop.post(f"{TRIAGE}/take-back", {"sign": CLICKS["sign"], "bay": CLICKS["bay"], **reason})
    shop.post(f"{TRIAGE}/tried", tried)
    shop.post(f"{TRIAGE}/untried", {**tried, **reason})
    assert held
    assert not any(held)


def test_a_bay_may_be_called_all_and_be_judged_alone(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "all")])
    web.post(f"{TRIAGE}/subject", {"bays": "all"})
    with web.bench() as bench:
        assert tell_triage(bench, 1).subject.bays == ("all",)
    choices = re.findall(r'<option value="([^"]*)"', web.get(f"{TRIAGE}/subject"))
    assert {"*", "1", "all", "1,all"} <= set(choices)
    web.post(f"{TRIAGE}/subject", {"bays": "*"})
    with web.bench() as bench:
        assert tell_triage(bench, 1).subject.bays == ("1", "all")


def test_the_page_of_an_enquiry_and_of_a_case_without_bays(web: Web) -> None:
    with web.bench() as bench:
        bench.ledger.amend_case(take_in(bench, "Quillmere Pottery").number, kind=CaseKind.ENQUIRY)
        take_in(bench, HOSTILE)
    assert "Pictures alone" in text_of(web.get(TRIAGE))
    page = web.get("/case/2/triage")
    assert "assumed, as no bay is described yet" in text_of(page)
    assert "<script>alert" not in page
    said = text_of(web.post("/case/2/triage/answer", CLICKS, status=422).text)
    assert "No bay of case 2 is described yet" in said
    web.get("/case/9/triage", status=404)


@pytest.mark.parametrize(
    ("chance", "place"), [(0.5, 50.0), (0.0, 0.0), (1.0, 100.0), (0.001, 0.0), (0.999, 100.0)]
)
def test_a_chance_stands_where_its_odds_are(chance: float, place: float) -> None:
    assert place_of(chance) == pytest.approx(place, abs=0.1)


def test_a_bar_says_in_words_what_it_shows() -> None:
    bar = str(odds_bar(0.41, 0.12))
    assert 'aria-label="41 %, was 12 %"' in bar
    assert "style=" not in bar
    assert place_of(0.2) < place_of(0.3) < place_of(0.9)


def test_the_style_of_triage_is_served(shop: Web) -> None:
    link = re.search(r'href="(/static/[^"]*/pages.css)"', shop.get(TRIAGE))
    assert link is not None
    assert ".odds" in shop.get(link[1])


@pytest.mark.parametrize(
    ("job", "address", "form", "before"),
    [
        ("enter_answer", "answer", CLICKS, []),
        (
            "withdraw_answer",
            "take-back",
            {"sign": "sound", "bay": "1", "reason": "It was bay 2."},
            ["answer"],
        ),
        ("enter_tried", "tried", {"step": "new-adapter"}, []),
        ("withdraw_tried", "untried", {"step": "new-adapter", "reason": "No."}, ["tried"]),
    ],
)
def test_nobody_comes_between_the_look_and_the_change(
    shop: Web,
    monkeypatch: pytest.MonkeyPatch,
    job: str,
    address: str,
    form: dict[str, str],
    before: list[str],
) -> None:
    forms = {"answer": CLICKS, "tried": {"step": "new-adapter"}}
    for one in before:
        shop.post(f"{TRIAGE}/{one}", forms[one])
    held, real = [], getattr(views_triage, job)

    def change(*words: object) -> object:
        held.append(ledger_is_held(shop.home))
        return real(*words)

    monkeypatch.setattr(views_triage, job, change)
    shop.post(f"{TRIAGE}/{address}", form)
    assert held == [True]


def test_an_answer_tells_without_script_how_the_odds_moved(shop: Web) -> None:
    said = text_of(shop.done(f"{TRIAGE}/answer", CLICKS))
    assert re.search(r"Answered\. .* Bay 1: [^.]*: was \d+ %, now \d+ %\.", said)


def test_costs_and_worth_name_the_currency_and_steps_their_words(shop: Web) -> None:
    shop.post(f"{TRIAGE}/tried", {"step": "new-adapter"})
    page = text_of(shop.get(f"{TRIAGE}?all=yes"))
    assert re.search(r"whole job \d+ EUR, this step \d+ EUR", page)
    assert "worth 3000 EUR" in page
    assert "The scale is logarithmic" in page
    assert "new-adapter" not in page


def test_the_bars_of_the_odds_stand_where_their_scale_says() -> None:
    css = static_files()["triage.css"][0].decode()
    for at, one in enumerate(MARKS):
        if 0 < at < len(MARKS) - 1:
            assert f".at-{at} {{ left: {place_of(one):g}%; }}" in css
    assert (place_of(MARKS[0]), place_of(MARKS[-1])) == (0, 100)


def test_what_may_stay_open_is_marked_as_everywhere(shop: Web) -> None:
    page = text_of(shop.get(f"{TRIAGE}/subject"))
    assert "Bays to judge (optional)" in page
    assert "may stay open" not in page


def test_what_is_printed_keeps_the_answers_it_rests_on(shop: Web) -> None:
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("sound", "1"), "clicks")
    page = shop.get(TRIAGE)
    assert page.index("<h2>What to do next<") < page.index("<h2>The odds<")
    around = re.search(r'<div class="([\w-]+)">\s*<h2>What is seen', page)
    assert around is not None
    sheets = re.findall(r'href="(/static/[^"]*\.css)"', page)
    assert sheets
    printed = re.findall(
        r"@media print \{(?:[^{}]|\{(?:[^{}]|\{[^{}]*\})*\})*\}",
        "\n".join(shop.get(sheet) for sheet in sheets),
    )
    hidden = " ".join(one for each in printed for one in re.findall(r"([^{}]*)\{[^{}]*display: none", each))
    assert ".on-screen" in hidden
    assert not re.search(rf"\.{around[1]}\b", hidden), "another page's style must not hide it"
    assert re.search(r'<p class="way on-screen"><a [^>]*>\d+ steps more', page)


def test_nothing_known_is_told_as_that_and_stops_nothing(shop: Web) -> None:
    said = text_of(shop.get(TRIAGE))
    assert "Nothing is known yet: look, and ask what it sounded like, before anything gets power." in said
    assert "STOP" not in said
    shop.post(f"{TRIAGE}/answer", CLICKS)
    said = text_of(shop.get(TRIAGE))
    assert "STOP: give the drive of bay 1 no power." in said
    assert "likely (it clicks again and again). Every second" in said
    assert "Nothing is known yet" not in said


def test_a_step_leads_to_where_it_is_done_and_says_against_what_it_saves(shop: Web) -> None:
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("detected", "1"), "no")
        offers = {one.step.id for one in tell_triage(bench, 1).offers if one.bay == "1"}
    assert "measure-supply" in offers
    page = shop.get(f"{TRIAGE}/step?step=measure-supply&bay=1")
    assert 'href="/case/1/board?bay=1">To the electrical sheet</a>' in page
    assert "against going on without it" in text_of(page)
    for step in sorted(offers & views_triage.DONE_AT.keys()):
        there = re.search(r'href="([^"]+)">To the ', shop.get(f"{TRIAGE}/step?step={step}&bay=1"))
        assert there is not None, step
        shop.get(there[1])
    assert views_triage.DONE_AT.keys() <= packaged_tables().steps.keys()


def test_a_step_of_bays_that_nobody_described_leads_there_all_the_same(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "Oakhanger Bakery")
    page = web.get(f"{TRIAGE}/step?step=measure-supply&bay=1")
    assert 'href="/case/1/board">To the electrical sheet</a>' in page


def test_of_a_closed_case_no_step_is_worked_out_unasked(shop: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    with shop.bench() as bench:
        bench.ledger.amend_case(1, state=CaseState.CLOSED)
    triage_case._steps.cache_clear()
    with monkeypatch.context() as patch:
        patch.setattr(triage_case, "offers_within", lambda *given: pytest.fail("it takes long"))
        page = shop.get(TRIAGE)
    assert "The case is closed: nothing is to be done next." in text_of(page)
    assert "The odds" in text_of(page)
    assert 'class="late">STOP' not in page
    assert f'href="{TRIAGE}?all=yes#steps"' in page
    assert "whole job" in text_of(shop.get(f"{TRIAGE}?all=yes"))


def test_what_a_boards_sheet_keeps_closed_stands_first_with_the_way_to_the_sheet(shop: Web) -> None:
    with shop.bench() as bench:
        enter(bench, 1, "1", "leads", "0.3")
        enter(bench, 1, "1", "suppressor-12v", "0.4")
    page = shop.get(TRIAGE)
    said = text_of(page)
    assert said.count("STOP: give the drive of bay 1 no power.") == 1
    assert "12 V is barred by the electrical sheet of its board" in said
    assert page.index("STOP: give") < page.index(
        'href="/case/1/board?bay=1">To the electrical sheet of bay 1'
    )
    assert page.index("To the electrical sheet of bay 1") < page.index("What is seen, heard and told")
    with shop.bench() as bench:
        override(bench, 1, "1", Gate.TWELVE, "the suppressor was taken off")
    assert "STOP" not in text_of(shop.get(TRIAGE))


def test_on_paper_open_questions_have_boxes_and_answered_ones_none(shop: Web) -> None:
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("sound", "1"), "clicks")
    forms = re.findall(r'<form [^>]*class="([^"]*)"', shop.get(TRIAGE))
    assert forms.count("ask by-hand") > 10
    assert "ask" not in forms
    known, open_ = (shop.get(f"{TRIAGE}/question?sign=sound&bay={bay}") for bay in ("1", "2"))
    assert ('class="ask"' in known, 'class="ask by-hand"' in open_) == (True, True)
    style = shop.get(re.findall(r'href="(/static/[^"]*\.css)"', known)[0])
    shown = style.partition("@media print")[2]
    assert re.search(r"form\.by-hand \{ display: block !important;", shown)
    assert ".by-hand" not in style.partition("@media print")[0], "in print alone"


def test_the_first_look_weighs_a_case_once_and_its_card_says_what_to_do_next(
    shop: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    weighed: list[object] = []
    offers = triage_case.offers_within
    triage_case._steps.cache_clear()
    monkeypatch.setattr(triage_case, "offers_within", lambda *of: weighed.append(of) or offers(*of))
    monkeypatch.setattr(Weigher, "ask", lambda *of: pytest.fail("the page has weighed it itself"))
    with shop.bench() as bench:
        note_answer(bench, 1, Asked("lights"), "none")
    for page in ("", "/question?sign=smell", "/fault?fault=adapter", "/step?step=smell"):
        assert "being worked out" not in text_of(shop.get(f"{TRIAGE}{page}"))
    assert len(weighed) == 1


def test_a_burn_that_take_in_saw_is_told_where_it_is_asked_which_board_it_is(shop: Web) -> None:
    with shop.bench() as bench:
        tell(bench, 1, "condition", "burnt")
    page = text_of(shop.get(TRIAGE))
    assert page.count("A burn, or the smell of one, is on record of the box: see whether it is") == 2
    assert (
        "What can be seen of its condition? nothing to be seen besides a burn or its smell; take-in" in page
    )
    shop.post(f"{TRIAGE}/answer", {"sign": "burn", "bay": "1", "answer": "none"})
    assert text_of(shop.get(TRIAGE)).count("is on record of the box") == 1


def test_a_question_of_a_bay_is_called_by_its_bay_where_its_heading_is_not_heard(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    with web.bench() as bench:
        for bay in "12":
            bench.ledger.add_bay(Bay(1, bay))
    for url in ("/case/1/triage", "/case/1/take-in"):
        page = web.get(url)
        names = re.findall(r"<legend[^>]*>(.*?)</legend>", page, re.DOTALL)
        names += re.findall(r'class="picks" role="group" aria-label="([^"]*)">\s*<button class="pick', page)
        heard = [text_of(one) for one in names]
        assert len(heard) == len(set(heard)), url
        assert any(one.startswith("Bay 2: ") for one in heard), url
