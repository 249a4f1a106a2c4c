"""The electrical sheet and the donors in the browser: cautions first, values judged, power only by a word."""

from __future__ import annotations

import re

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.electrical_form import Size
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_judge import expected_words
from mendbay.board.stock import Kind, StockItem, StockState
from mendbay.case.consents import Word
from mendbay.case.records import Bay
from mendbay.faces.web.app import book_of_all
from mendbay.faces.web.commands import linked
from mendbay.faces.web.desk import static_files
from mendbay.jobs.consents import give_word
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.measure_board import enter, tell_sheet
from mendbay.jobs.take_in import take_in
from mendbay.wiring import shop_files
from support.web_client import Web, text_of

BOARD = "/case/1/board"
HOSTILE = '"><script>alert(1)</script>\u202e'


@pytest.fixture
def shop(web: Web) -> Web:
    """Case 1 with a drive in bay 1 and one in bay 2; two boards and a whole drive in stock."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1", "AL20-HX4", "AH4K-20719C"), Bay(0, "2")])
        add_items(
            bench,
            shop_files(web.home),
            [
                StockItem(
                    0, Kind.BOARD, BoardDescription(board_number="TB-4471-200", revision="R3"), notes=HOSTILE
                ),
                StockItem(0, Kind.BOARD, BoardDescription(board_number="TB-4471-100", revision="R1")),
            ],
        )
    return web


def sheet_mark(web: Web) -> str:
    found = re.search(r'name="seen" value="(\w+)"', web.get(BOARD))
    assert found is not None
    return found[1]


def test_the_next_step_stands_first_with_its_cautions_and_takes_a_value(shop: Web) -> None:
    page = shop.get(f"{BOARD}?bay=1")
    assert "What do the meter&#39;s own leads have?" in page
    said = text_of(shop.done(f"{BOARD}/measure", {"bay": "1", "step": "leads", "value": "0.2"}))
    assert "What do the meter's own leads have? 0.2 Ω: within" in said
    assert "✓ within" in said
    with shop.bench() as bench:
        (entry,) = tell_sheet(bench, 1, "1").sheet.records
        assert (entry.who, bench.ledger.events(1)[-1].text) == (
            "Kim",
            "Bay 1, leads: 0.2\u2009Ω; within what is usual.",
        )
    assert "0.2" not in text_of(shop.get(f"{BOARD}?bay=2")), "each bay has its own sheet"


@pytest.mark.parametrize(
    ("step", "value"),
    [("leads", HOSTILE), ("leads", ""), ("no-such", "1"), ("supply-5v-board", "5"), ("look", "purple")],
)
def test_what_is_no_value_of_a_step_is_refused(shop: Web, step: str, value: str) -> None:
    answer = shop.post(f"{BOARD}/measure", {"bay": "1", "step": step, "value": value}, status=422)
    assert "<script>alert" not in answer.text
    with shop.bench() as bench:
        assert tell_sheet(bench, 1, "1").sheet.records == ()


def test_every_step_shows_its_cautions_before_its_form(shop: Web) -> None:
    for step in packaged_form().steps.values():
        page = shop.get(f"{BOARD}/step?bay=1&step={step.id}")
        if "/board/measure" in page and step.cautions:
            assert page.index("Before you do it") < page.index("/board/measure"), step.id
    shop.get(f"{BOARD}/step?bay=1&step=no-such", status=422)


def test_the_board_leads_to_what_the_shop_learned_of_families(shop: Web) -> None:
    assert 'href="/lessons/families"' in shop.get("/case/1/board/transfer")


def test_what_is_seen_is_chosen_in_a_group_without_a_frame(shop: Web) -> None:
    """A frame of its own has no room within: its buttons would stick to it, and its words lie across it."""
    step = next(one for one in packaged_form().steps.values() if one.choices)
    page = shop.get(f"{BOARD}/step?bay=1&step={step.id}")
    assert re.search(r'<div class="ask"><fieldset>\s*<legend>What is seen', page)
    styles = static_files()["triage.css"][0].decode()
    assert re.search(r"\.ask fieldset \{[^}]*border: 0;[^}]*padding: 0;", styles)


def test_two_who_fill_in_one_sheet_do_not_pass_each_other(shop: Web) -> None:
    mark = sheet_mark(shop)
    with shop.bench() as bench:
        enter(bench, 1, "1", "leads", "0.3")
    form = {"bay": "1", "step": "leads", "value": "0.1", "seen": mark}
    assert "changed by somebody else" in text_of(shop.post(f"{BOARD}/measure", form, status=409).text)
    shop.post(f"{BOARD}/skip", {"bay": "1", "step": "strap", "reason": "none", "seen": mark}, status=409)


def test_a_step_is_left_out_with_a_reason(shop: Web) -> None:
    shop.post(f"{BOARD}/skip", {"bay": "1", "step": "leads"}, status=422)
    said = text_of(shop.done(f"{BOARD}/skip", {"bay": "1", "step": "leads", "reason": HOSTILE}))
    assert "What do the meter's own leads have? Left out." in said
    assert "<script>alert" not in shop.get(f"{BOARD}/step?bay=1&step=leads")


def test_power_goes_past_a_short_only_by_a_word_that_custody_keeps(shop: Web) -> None:
    assert "board/override" not in shop.get(BOARD), "nothing is closed"
    word = {"bay": "1", "gate": "5v", "reason": "Measured again with another meter."}
    shop.post(f"{BOARD}/override", word, status=422)
    with shop.bench() as bench:
        short = next(
            one.id
            for one in packaged_form().steps.values()
            if any(gate.value == "5 V" for gate in one.guards) and one.expected and not one.after
        )
        enter(bench, 1, "1", short, "0.1")
    page = shop.get(BOARD)
    assert "5 V is barred" in text_of(page)
    form = re.search(r"<form[^>]*board/override.*?</form>", page, re.DOTALL)
    assert form is not None
    assert 'class="harm"' in form[0]
    assert "hx-confirm=" in form[0]
    shop.post(f"{BOARD}/override", {**word, "reason": ""}, status=422)
    said = text_of(shop.done(f"{BOARD}/override", word))
    assert "5 V is let through by a person's word" in said
    with shop.bench() as bench:
        last = bench.ledger.custody(1)[-1]
    assert (last.what, last.who) == ("power allowed in spite of a finding", "Kim")
    back = text_of(shop.done(f"{BOARD}/keep-off", {**word, "reason": "It was the wrong board."}))
    assert "5 V is barred" in back


def test_what_the_sheet_is_of_judges_everything_anew(shop: Web) -> None:
    mark = sheet_mark(shop)
    form = {"bay": "1", "size": "2.5", "drive": "no", "seen": mark}
    shop.post(f"{BOARD}/describe", form)
    shop.post(f"{BOARD}/describe", {**form, "size": "3.5"}, status=409)
    with shop.bench() as bench:
        sheet = tell_sheet(bench, 1, "1").sheet
    assert (sheet.size, sheet.drive_at_hand) == (Size.SMALL, False)


def test_what_is_usual_names_its_source() -> None:
    form = packaged_form()
    for step in form.steps.values():
        for size in Size:
            for one in expected_words(step, size):
                assert "None" not in one
                assert "expected  " not in one
    large = expected_words(form.steps["leads"], Size.LARGE)
    assert large == ("expected at most 0.5\u2009Ω (common practice, no source)",)


def test_donors_are_ranked_with_reasons_and_reserved(shop: Web) -> None:
    page = shop.get(f"{BOARD}/donors?bay=1&board_number=TB-4471-200&revision=R3")
    said = text_of(page)
    assert "Item 1: board TB-4471-200 R3" in said
    assert "rests on common practice alone" in said
    assert re.search(r"[+-]\d\.\d", said), "each attribute's part"
    assert "Must move." in said
    at = f"{BOARD}/donor?bay=1&item=1&board_number=TB-4471-200&revision=R3"
    assert "<script>alert" not in shop.get(at)
    mark = re.search(r'name="seen" value="(\w+)"', shop.get(at))
    assert mark is not None
    form = {"bay": "1", "item": "1", "seen": mark[1]}
    assert "reserved" in text_of(shop.done(f"{BOARD}/reserve", form))
    shop.post(f"{BOARD}/reserve", form, status=409)
    with shop.bench() as bench:
        assert (bench.shelf.item(1).state, bench.shelf.item(1).case) == (StockState.RESERVED, 1)
    shop.post(f"{BOARD}/reserve", {"bay": "1", "item": "99"}, status=404)


def test_how_a_swap_went_is_put_down_learned_from_and_taken_back(shop: Web) -> None:
    form = {"bay": "1", "item": "1", "outcome": "failed", "rom": "not-moved", "board_number": "TB-4471-200"}
    said = text_of(shop.done(f"{BOARD}/swap", form))
    assert "failed" in said
    assert "The ROM was not moved, though it must be" in said
    with shop.bench() as bench:
        assert bench.shelf.item(1).state is StockState.USED
        assert bench.ledger.custody(1)[-1].what == "board swap: did not work"
    shop.post(f"{BOARD}/swap-back", {"bay": "1", "item": "1"}, status=422)
    back = shop.done(f"{BOARD}/swap-back", {"bay": "1", "item": "1", "reason": "It was item 2."})
    assert "the item is free" in text_of(back)
    shop.post(f"{BOARD}/swap", {**form, "outcome": "perhaps"}, status=422)


def test_a_swap_that_was_said_anew_meanwhile_is_not_taken_back(shop: Web) -> None:
    at = f"{BOARD}/donor?bay=1&item=1"
    shop.post(f"{BOARD}/swap", {"bay": "1", "item": "1", "outcome": "failed"})
    mark = re.search(r'swap-back".*?name="seen" value="(\w+)"', shop.get(at), re.DOTALL)
    assert mark is not None
    form = {"bay": "1", "item": "1", "reason": "It was item 2."}
    shop.post(f"{BOARD}/swap-back", form)
    shop.post(f"{BOARD}/swap-back", {**form, "seen": mark[1]}, status=409)


def test_the_plugs_contacts_are_said_in_words(shop: Web) -> None:
    for step in ("rail-5v", "rail-12v", "rail-3v3", "supply-polarity", "pin-3"):
        said = text_of(shop.get(f"{BOARD}/step?bay=1&step={step}"))
        assert "counted from the side of the data plug" in said.lower(), step
        assert step not in said, "an id is for the terminal"


def test_a_swap_that_the_customer_refused_needs_a_reason(shop: Web) -> None:
    assert 'name="although"' not in shop.get(f"{BOARD}/donor?bay=1&item=1")
    with shop.bench() as bench:
        give_word(bench, 1, "parts", Word.NO)
    form = {"bay": "1", "item": "1", "outcome": "worked"}
    page = shop.get(f"{BOARD}/donor?bay=1&item=1")
    assert "The customer refused" in text_of(page)
    assert re.search(r'name="although"[^>]* required', page)
    shop.post(f"{BOARD}/swap", form, status=409)
    shop.post(f"{BOARD}/swap", {**form, "although": "They agreed on the telephone."})
    with shop.bench() as bench:
        assert any("although the customer refused" in one.what for one in bench.ledger.custody(1))
    assert 'name="although"' not in shop.get(f"{BOARD}/donor?bay=1&item=1"), "its outcome is only put right"


@pytest.mark.parametrize("page", ["", "/donors", "/rom", "/transfer", "/step?step=leads"])
def test_a_case_without_bays_and_a_bay_that_is_not_there(web: Web, page: str) -> None:
    with web.bench() as bench:
        take_in(bench, HOSTILE)
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    said = web.get(f"/case/1/board{page}")
    assert "No bay of case 1 is described yet" in said
    assert 'href="/case/1/take-in">say at take-in which bays there are' in said
    assert '<nav class="spine"' in said, "it is a page of the case"
    assert "<script>alert" not in said
    sign = "&" if "?" in page else "?"
    web.get(f"/case/2/board{page}{sign}bay=7", status=404)
    web.get(f"/case/3/board{page}", status=404)


def test_donors_of_a_drive_of_which_nothing_is_known_are_asked_for(shop: Web) -> None:
    said = text_of(shop.get(f"{BOARD}/donors?bay=2"))
    assert "Nothing is known of the drive in bay 2" in said
    assert "What you know of the patient" in said


@pytest.mark.parametrize(
    ("sentence", "url"),
    [
        ("mendbay rom plan 1 2 donor draws one up.", "/case/1/board/transfer?bay=2"),
        ("mendbay rom read 1 2 patient reads it", "/case/1/board/rom?bay=2"),
        ("mendbay board sheet 1 2", "/case/1/board?bay=2"),
        ("mendbay donor used 7 1 2 worked", "/case/1/board/donors?bay=2"),
        ("mendbay triage show 1 lists them.", "/case/1/triage"),
        ("mendbay case bay 1 1=MODEL/SERIAL does that.", "/case/1/take-in"),
    ],
)
def test_commands_of_the_board_lead_to_its_pages(sentence: str, url: str) -> None:
    made = str(linked(book_of_all())(sentence))
    assert f'href="{url}"' in made
    assert "lists" not in sentence or "</a> lists them." in made
    assert "MODEL" not in made


def test_on_paper_what_is_not_measured_yet_has_room_to_be_written_down(shop: Web) -> None:
    before = shop.get(f"{BOARD}?bay=1")
    assert 'class="stack by-hand"' in before
    rows = before.count('<tr class="to-fill">')
    assert rows > 3
    after = shop.done(f"{BOARD}/measure", {"bay": "1", "step": "leads", "value": "0.2"})
    assert after.count('<tr class="to-fill">') < rows + before.count("waiting")
    row = re.search(r'<tr([^>]*)>\s*<th scope="row"><a href="[^"]*step=leads"', after)
    assert row is not None
    assert row[1] == "", "what was measured has none"
