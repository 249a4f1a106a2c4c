"""Quotes, the customer's word, bill and payments of a case, through the browser."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import pytest
from pypdf import PdfReader

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Purpose
from mendbay.case.consents import Word, packaged_risks
from mendbay.case.records import Bay, CaseKind, Image
from mendbay.faces.web.views import money
from mendbay.jobs import money_papers, quote_lines
from mendbay.jobs.bill_case import account_of, more_than_due, pay
from mendbay.jobs.case_papers import papers_made
from mendbay.jobs.consents import give_word
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.money_notes import How
from mendbay.jobs.quote_case import By, decide, make_quote, quotes_of
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.record_swaps import record_swap
from mendbay.outlets.stationery import PrintedStationery
from support.web_client import ORIGIN, Web, ledger_is_held, text_of

HOSTILE = '<img src=x onerror="alert(1)">'


@pytest.fixture
def case(web: Web) -> str:
    """The pages of a case of a customer whose name is hostile."""
    web.post("/cases/open", {"customer": HOSTILE})
    return "/case/1"


def seen_of(page: str, action: str) -> str:
    """The mark of the form that leads there."""
    found = re.search(rf'action="{re.escape(action)}".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert found, action
    return found[1]


def input_of(page: str, name: str) -> list[str]:
    """The inputs of that name."""
    return re.findall(rf'<input[^>]*name="{name}"[^>]*>', page)


def test_a_case_without_money_shows_what_can_be_done(web: Web, case: str) -> None:
    page = web.get(f"{case}/money")
    assert (
        "Donor board fitted, ROM moved to it: 140.00 with a part that is reserved, else 170.00 to 230.00"
        in page
    )
    assert "There is no quote yet." in page
    assert "No quote is accepted." in text_of(page)
    assert HOSTILE not in page
    assert "&lt;img" in page


def test_a_quote_is_made_and_its_paper_is_an_attachment(web: Web, case: str) -> None:
    page = web.done(f"{case}/money/quote", {"line_1": "hour", "quantity_1": "2", "no_odds": "yes"})
    assert "Quote 1 is made: 181.00 EUR at most." in text_of(page)
    with web.bench() as bench:
        (kept,) = quotes_of(bench, 1)
    assert [one.key for one in kept.quote.lines] == ["diagnosis", "hour:1"]
    answer = web.client.get(f"{case}/papers/quote-1.pdf")
    assert answer.content.startswith(b"%PDF")
    assert answer.headers["content-disposition"].startswith("attachment;")


def test_a_quantity_without_a_line_is_refused(web: Web, case: str) -> None:
    refused = web.post(f"{case}/money/quote", {"quantity_1": "2"}, status=422)
    assert "line that is not chosen" in refused.text
    with web.bench() as bench:
        assert quotes_of(bench, 1) == ()


def test_nobody_waits_for_a_quote_that_is_being_made(
    web: Web, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = []

    def told(real: Callable[..., object]) -> Callable[..., object]:
        def work(*given: object) -> object:
            held.append(ledger_is_held(web.home))
            return real(*given)

        return work

    monkeypatch.setattr(quote_lines, "columns_of", told(quote_lines.columns_of))
    monkeypatch.setattr(money_papers, "quote_facts", told(money_papers.quote_facts))
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    assert held == [False, False]


@pytest.mark.parametrize("is_shown", [True, False])
def test_a_quote_that_another_makes_meanwhile(
    web: Web, case: str, is_shown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    mark = seen_of(web.get(f"{case}/money"), f"{case}/money/quote")
    real, wish = quote_lines.columns_of, Wish(lines=(("hour", "1"),), odds=False)

    def overtaken(*given: Any) -> object:
        monkeypatch.setattr(quote_lines, "columns_of", real)
        with web.bench() as other:
            make_quote(other, 1, wish)
        return real(*given)

    monkeypatch.setattr(quote_lines, "columns_of", overtaken)
    form = {"line_1": "hour", "quantity_1": "2", "no_odds": "yes", "seen": mark if is_shown else ""}
    web.post(f"{case}/money/quote", form, status=409 if is_shown else 303)
    with web.bench() as bench:
        kept = [one.quote for one in quotes_of(bench, 1)]
        papers = sorted(one.name for one in papers_made(bench, 1))
    assert [one.number for one in kept] == [1] if is_shown else [1, 2]
    assert papers == [f"quote-{one.number}.pdf" for one in kept]


@pytest.mark.parametrize("name", ["..%2Fledger.sqlite3", "receipt.pdf", "quote-2.pdf", "%2e%2e"])
def test_only_papers_that_custody_tells_of_are_given_out(web: Web, case: str, name: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    answer = web.client.get(f"{case}/papers/{name}")
    assert answer.status_code in (404, 422)
    assert b"SQLite" not in answer.content


def test_the_customers_word_is_put_down(web: Web, case: str) -> None:
    made = web.done(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    seen = seen_of(made, f"{case}/money/quote/1/word")
    page = web.done(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone", "seen": seen})
    assert "Quote 1 is accepted: the bill will be 113.00 EUR at most." in text_of(page)
    with web.bench() as bench:
        (kept,) = quotes_of(bench, 1)
        assert kept.accepted
        assert kept.word is not None
        assert kept.word.who == "Kim"


def test_a_word_on_what_changed_meanwhile_is_refused(web: Web, case: str) -> None:
    made = web.done(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    seen = seen_of(made, f"{case}/money/quote/1/word")
    web.post(f"{case}/money/quote", {"line_1": "hour", "quantity_1": "3", "no_odds": "yes"})
    refused = web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone", "seen": seen}, status=409)
    assert "changed by somebody else" in refused.text
    with web.bench() as bench:
        assert not any(one.accepted for one in quotes_of(bench, 1))


def test_a_superseded_quote_needs_a_reason(web: Web, case: str) -> None:
    for _ in range(2):
        web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    refused = web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone"}, status=422)
    assert "superseded" in refused.text
    why = {"word": "yes", "by": "phone", "although_superseded": "they kept to the first"}
    web.post(f"{case}/money/quote/1/word", why)
    with web.bench() as bench:
        assert [one.accepted for one in quotes_of(bench, 1)] == [True, False]


def test_bill_and_payments(web: Web, case: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "quantity_1": "2", "no_odds": "yes"})
    accepted = web.done(f"{case}/money/quote/1/word", {"word": "yes", "by": "writing"})
    seen = seen_of(accepted, f"{case}/money/bill")
    billed = web.done(f"{case}/money/bill", {"done_2": "done", "amount_2": "100.00", "seen": seen})
    assert "Bill 1 is made: 145.00 EUR." in text_of(billed)
    stale = web.post(f"{case}/money/bill", {"seen": seen}, status=409)
    assert "changed by somebody else" in stale.text
    paid = web.done(f"{case}/money/payment", {"amount": "45", "how": "cash"})
    assert "Still to be paid: 100.00 EUR." in text_of(paid)
    web.post(f"{case}/money/payment", {"amount": "1000", "how": "cash"}, status=422)
    web.post(f"{case}/money/payment", {"amount": "-5", "how": "cash"}, status=422)
    with web.bench() as bench:
        account = account_of(bench, 1)
        assert account.due is not None
        assert (account.due.text, len(account.payments)) == ("100.00 EUR", 1)
    web.post(f"{case}/money/payment/1/back", {}, status=422)
    back = web.done(f"{case}/money/payment/1/back", {"reason": "another case's money"})
    assert "Payment 1 counts no longer." in text_of(back)
    with web.bench() as bench:
        assert account_of(bench, 1).payments == ()
    page = text_of(web.get(f"{case}/money"))
    assert "Taken back: payment 1 of 45.00 EUR" in page
    assert "another case's money. Its receipt counts no longer" in page
    assert page.count("Payment 1 was taken back: this paper counts no longer.") == 1
    assert "Nothing was paid yet." not in page


def test_the_money_of_a_case_is_told_at_a_glance(web: Web, case: str) -> None:
    assert "<dt>Money</dt>" not in web.get(case)
    web.post(f"{case}/money/quote", {"line_1": "hour", "quantity_1": "2", "no_odds": "yes"})
    web.done(f"{case}/money/quote/1/word", {"word": "yes", "by": "writing"})
    page = text_of(web.get(case))
    assert "181.00 EUR at most; accepted" in page
    web.done(f"{case}/money/payment", {"amount": "45", "how": "cash"})
    assert "45.00 EUR" in text_of(web.get(case)).partition("Money")[2]


def test_what_a_bill_will_come_to_is_shown_before_it_is_made(web: Web, case: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "quantity_1": "2", "no_odds": "yes"})
    web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone"})
    assert "With nothing said above, the bill comes to" in text_of(web.get(f"{case}/money"))
    page = web.get(f"{case}/money?done_2=done&amount_2=100.00")
    assert "when you last looked, the bill comes to 145.00 EUR" in text_of(page)
    assert 'value="100.00"' in page
    without = text_of(web.get(f"{case}/money?done_2=not+done"))
    assert "Not on it:" in without
    assert "no bill can be made" in text_of(web.get(f"{case}/money?done_2=done&amount_2=99999.00"))
    with web.bench() as bench:
        assert account_of(bench, 1).bill is None, "nothing is made by looking"


def test_why_although_they_refused_is_asked_only_where_they_did(web: Web, case: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "swap-board", "no_odds": "yes"})
    fields = {"/money": 'name="although_refused"', "": 'name="although_refused"'}
    assert [page for page, name in fields.items() if name in web.get(case + page)] == []
    with web.bench() as bench:
        for one in packaged_risks():
            give_word(bench, 1, one, Word.NO)
    assert [page for page, name in fields.items() if name in web.get(case + page)] == list(fields)
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    asked = input_of(web.get(f"{case}/money"), "although_refused")
    assert len(asked) == 1, "nothing of the second quote was refused"
    assert "required" in asked[0]
    waits = web.get(case)
    assert "required" in input_of(waits, "although_refused")[0]
    assert '<option value="part"' not in waits
    assert '<input type="hidden" name="who" value="part">' in waits


def test_why_an_earlier_quote_is_asked_as_needed_and_declining_it_needs_no_reason(
    web: Web, case: str
) -> None:
    for _ in range(2):
        web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    page = web.get(f"{case}/money")
    (asked,) = input_of(page, "although_superseded")
    assert "required" in asked
    assert "Quote 2 was made after it." in text_of(page)
    forms = re.findall(r'<form[^>]*action="/case/1/money/quote/1/word".*?</form>', page, re.DOTALL)
    assert [re.findall(r'name="word" value="(\w+)"', one) for one in forms] == [["no"], ["yes"]]
    assert ["although_superseded" in one for one in forms] == [False, True]
    web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone", "although_superseded": "they did"})
    web.post(f"{case}/money/quote/2/word", {"word": "no", "by": "phone"})
    assert input_of(web.get(f"{case}/money"), "although_superseded") == [], "the last is no earlier one"


def test_a_medium_for_nothing_is_refused(web: Web, case: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "media_gb": "0", "no_odds": "yes"}, status=422)


def test_lines_that_the_form_of_a_bill_cannot_name_are_told(
    web: Web, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(money, "MOST_LINES", 2)
    with web.bench() as bench:
        make_quote(bench, 1, Wish(lines=(("hour", "1"), ("hour", "2"), ("courier", "")), odds=False))
        decide(bench, 1, 1, True, By.PHONE)
    page = text_of(web.get(f"{case}/money"))
    assert "2 more lines of the quote cannot be named here" in page


def test_a_bill_without_an_accepted_quote_is_refused(web: Web, case: str) -> None:
    refused = web.post(f"{case}/money/bill", {}, status=422)
    assert "is accepted" in refused.text


def test_no_case_no_money(web: Web) -> None:
    web.get("/case/9/money", status=404)


def test_a_line_more_is_asked_for_without_losing_the_first(web: Web, case: str) -> None:
    page = web.get(f"{case}/money")
    assert page.count('name="line_') == 1
    more = web.client.get(
        f"{case}/money", params={"line_1": "hour", "quantity_1": "2", "ship": "yes", "media_gb": ""}
    ).text
    assert more.count('name="line_') == 2
    assert '<option value="hour" selected>' in more
    assert 'name="quantity_1" value="2"' in more
    assert re.search(r'name="ship"[^>]*checked', more)
    full = {f"line_{at}": "hour" for at in range(1, 21)}
    most = web.client.get(f"{case}/money", params=full).text
    assert most.count('name="line_') == 20
    assert "Another line" not in most
    web.get(f"{case}/money?line_21=hour", status=422)


def test_two_at_the_money_of_a_case_do_not_undo_each_other(web: Web, case: str) -> None:
    money = f"{case}/money"
    page = web.get(money)
    quote = seen_of(page, f"{money}/quote")
    made = web.done(f"{money}/quote", {"line_1": "hour", "no_odds": "yes", "seen": quote})
    web.post(f"{money}/quote", {"line_1": "hour", "no_odds": "yes", "seen": quote}, status=409)
    pay = seen_of(made, f"{money}/payment")
    paid = web.done(f"{money}/payment", {"amount": "20", "how": "cash", "seen": pay})
    web.post(f"{money}/payment", {"amount": "20", "how": "cash", "seen": pay}, status=409)
    back = seen_of(paid, f"{money}/payment/1/back")
    web.post(f"{money}/payment", {"amount": "5", "how": "cash"})
    web.post(f"{money}/payment/1/back", {"reason": "a slip", "seen": back}, status=409)
    with web.bench() as bench:
        assert [one.number for one in account_of(bench, 1).payments] == [1, 2]
        assert len(quotes_of(bench, 1)) == 1


PAPERS: dict[str, dict[str, str]] = {"bill": {}, "payment": {"amount": "45", "how": "cash"}}


@pytest.mark.parametrize("paper", PAPERS)
def test_nobody_waits_for_the_paper_of_a_bill_or_payment(
    web: Web, case: str, paper: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone"})
    held, real = [], PrintedStationery.pdf

    def drawn(*given: Any) -> bytes:
        held.append(ledger_is_held(web.home))
        return real(*given)

    monkeypatch.setattr(PrintedStationery, "pdf", drawn)
    web.post(f"{case}/money/{paper}", PAPERS[paper])
    assert held == [False]
    with web.bench() as bench:
        assert f"{paper}-1.pdf" in [one.name for one in papers_made(bench, 1)]


@pytest.mark.parametrize("is_shown", [True, False])
@pytest.mark.parametrize("paper", PAPERS)
def test_money_that_another_notes_while_a_paper_is_drawn(
    web: Web, case: str, paper: str, is_shown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    page = web.done(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone"})
    mark, real = seen_of(page, f"{case}/money/{paper}"), PrintedStationery.pdf

    def overtaken(*given: Any) -> bytes:
        monkeypatch.setattr(PrintedStationery, "pdf", real)
        with web.bench() as other:
            pay(other, 1, "7.77", How.CASH)
        return real(*given)

    monkeypatch.setattr(PrintedStationery, "pdf", overtaken)
    form = {**PAPERS[paper], "seen": mark if is_shown else ""}
    web.post(f"{case}/money/{paper}", form, status=409 if is_shown else 303)
    with web.bench() as bench:
        papers = sorted(one.name for one in papers_made(bench, 1))
        account = account_of(bench, 1)
    name = {"bill": "bill-1.pdf", "payment": "payment-2.pdf"}[paper]
    assert (name in papers) is not is_shown
    if is_shown:
        assert [one.amount.text for one in account.payments] == ["7.77 EUR"]
        return
    said = PdfReader(io.BytesIO(web.client.get(f"{case}/papers/{name}").content)).pages[0].extract_text()
    assert ("7.77" if paper == "bill" else "52.77") in said, "the paper tells of what came meanwhile"


def test_why_it_is_more_than_can_be_due_is_asked_where_it_is(web: Web, case: str) -> None:
    web.post(f"{case}/money/quote", {"line_1": "hour", "no_odds": "yes"})
    web.post(f"{case}/money/quote/1/word", {"word": "yes", "by": "phone"})
    page, path = web.get(f"{case}/money"), f"{case}/money/payment"
    assert "although_more" not in page
    typed = {"amount": "900", "how": "card", "day": "", "seen": seen_of(page, path)}
    asked = web.client.post(path, data=typed, headers={"origin": ORIGIN}, follow_redirects=False)
    assert asked.status_code == 200
    assert "Nothing is noted yet. 900.00 EUR is more than can be due" in text_of(asked.text)
    assert ('value="900"' in asked.text, '<option value="card" selected>' in asked.text) == (True, True)
    assert len(input_of(asked.text, "although_more")) == 1
    assert '<section class="stop" aria-label="Nothing is noted yet" tabindex="-1" autofocus>' in asked.text
    with web.bench() as bench:
        assert account_of(bench, 1).payments == ()
    web.get(path, status=303)
    again = web.client.post(
        path, data=typed | {"seen": ""}, headers={"origin": ORIGIN}, follow_redirects=False
    )
    assert again.status_code == 422, "a program that sends no mark of a page is not asked"
    web.post(path, typed | {"amount": "much"}, status=422)
    web.done(path, typed | {"seen": seen_of(asked.text, path), "although_more": "a gift to the shop"})
    stale = web.client.post(path, data=typed, headers={"origin": ORIGIN}, follow_redirects=False)
    assert stale.status_code == 409
    with web.bench() as bench:
        assert [one.amount.text for one in account_of(bench, 1).payments] == ["900.00 EUR"]
        assert more_than_due(bench, 1, "100", back=True) == ""


def test_a_bill_proposes_what_is_on_record_as_done(web: Web, case: str) -> None:
    with web.bench() as bench:
        bench.ledger.add_bay(Bay(1, "1"))
        make_quote(bench, 1, Wish(lines=(("swap-board", ""), ("mend-supply", "")), odds=False))
        decide(bench, 1, 1, True, By.PHONE)
        bench.ledger.note_image(Image(1, "1", "bay-1.img", "port", bench.now(), read_bytes=4096))
        (item,) = add_items(bench, bench.shop_files, [StockItem(0, Kind.BOARD, BoardDescription("TB-4471"))])
        unknown = tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.BOARD_SWAP])
        record_swap(bench, item.number, 1, "1", Agreement(Purpose.BOARD_SWAP, unknown), worked=True)
    page = web.get(f"{case}/money")
    said = text_of(page)
    assert "On record as done: the board of item 1 worked" in said
    chosen = re.findall(r'<select[^>]*name="(done_\d)".*?</select>', page, re.DOTALL)
    proposed = [
        one
        for one in chosen
        if re.search(rf'name="{one}"(?:(?!</select>).)*value="done" selected', page, re.DOTALL)
    ]
    assert proposed == ["done_2"]
    assert "on no line of quote 1: “One drive read gently, in short sessions (bay 1)” (its image" in said
    looked = text_of(web.get(f"{case}/money?done_2=done&amount_2=200&done_3=done&amount_3=61"))
    assert "On it, and nothing on record shows it as done: “Supply of the drive's board mended”." in looked
    refused = web.post(f"{case}/money/bill", {"done_2": "done", "amount_2": "200"}, status=422)
    assert "On record as done and not on the bill: “One drive read gently" in text_of(refused.text)
    with web.bench() as bench:
        assert account_of(bench, 1).bill is None
    form = {"done_2": "done", "amount_2": "200", "left_off": "yes"}
    assert "Bill 1 is made: 245.00 EUR." in text_of(web.done(f"{case}/money/bill", form))


def test_for_a_board_alone_no_work_on_a_drive_can_be_picked(web: Web, case: str) -> None:
    with web.bench() as bench:
        bench.ledger.amend_case(1, kind=CaseKind.BOARD_SWAP)
    page = web.get(f"{case}/money")
    assert 'value="swap-board"' in page
    assert ('value="read-both"' in page, 'value="stop-and-send"' in page) == (False, False)
    refused = web.post(f"{case}/money/quote", {"line_1": "mend-supply", "quantity_1": "zwei"}, status=422)
    assert "'zwei' is no quantity of “Supply of the drive's board mended”." in text_of(refused.text)
