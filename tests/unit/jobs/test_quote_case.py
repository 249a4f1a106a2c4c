"""Quotes, the customer's word, bills and payments of a case, and what is kept of them."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from pypdf import PdfReader

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem, StockState
from mendbay.case.answer_day import answer_by
from mendbay.case.consents import How as SaidHow
from mendbay.case.consents import Word
from mendbay.case.price_list import packaged_prices
from mendbay.case.quote import Column, Ending, Line, Possible, Quote, When, left_out_words
from mendbay.case.records import Image
from mendbay.core.errors import BadFormFile, LedgerError, NoSuchCase, UsageError
from mendbay.core.money import Money
from mendbay.core.note import Note, NoteKind
from mendbay.faces.agenda_words import wait_words
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import account_of, make_bill, pay, unpay
from mendbay.jobs.consents import give_word
from mendbay.jobs.keep_stock import add_items, reserve
from mendbay.jobs.money_notes import How
from mendbay.jobs.money_papers import note_words
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.quote_case import By, decide, make_quote, quote_of, quotes_of
from mendbay.jobs.quote_lines import Wish, prices_in_force
from mendbay.jobs.quote_parts import with_parts
from mendbay.jobs.triage_case import answer
from mendbay.jobs.waiting import set_due
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked
from support.erasures import Standing

BY_HAND = Wish(lines=(("swap-board", ""), ("hour", "0.5")), media_gb=10, odds=False)


def eur(minor: int) -> Money:
    return Money(minor, "EUR")


def part(minor: int, currency: str = "EUR") -> StockItem:
    described = BoardDescription(board_number="TB-4471", revision="R3", model="AL20-HX4")
    return StockItem(0, Kind.BOARD, described, cost_minor=minor, currency=currency)


def paper_text(bench: Bench, kept: KeptFile) -> str:
    pages = PdfReader(io.BytesIO(bench.files.take(bench.ledger.case(1), kept))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_a_quote_from_the_odds_says_what_may_be_needed(bench: Bench) -> None:
    answer(bench, 1, Asked("lights"), "none")
    quote, kept = make_quote(bench, 1, Wish())
    adapter = quote.line("new-adapter")
    assert adapter is not None
    assert (adapter.when, adapter.chance > 0.5) == (When.NEEDED, True)
    assert (adapter.least, adapter.most) == (eur(2500), eur(4500))
    assert bench.files.take(bench.ledger.case(1), kept).startswith(b"%PDF")
    assert quote_of(bench, 1, 1).quote.totals == quote.totals
    assert quote.remarks == ("The prices are those of an example: they are invented.",)


def test_a_quote_says_why_at_most_lacks_work_that_likely_has(bench: Bench) -> None:
    answer(bench, 1, Asked("sound", "1"), "clicks")
    made, _ = make_quote(bench, 1, Wish())
    gone = [
        one.words
        for one in made.lines
        if one.when is When.NEEDED and one.amounts[Column.LIKELY] and not one.amounts[Column.HIGH]
    ]
    told = [one for one in made.remarks if "in the column likely and not in at most" in one]
    assert bool(gone) == bool(told)
    assert all(f"“{words}”" in told[0] for words in gone)

    def line(words: str, likely: int, high: int) -> Line:
        return replace(
            made.lines[0],
            words=words,
            when=When.NEEDED,
            amounts={**made.lines[0].amounts, Column.LIKELY: eur(likely), Column.HIGH: eur(high)},
        )

    gently, lab, both = line("gently", 160, 0), line("laboratory", 0, 900), line("both", 5, 5)
    said = left_out_words([gently, lab, both])
    assert said.startswith("“gently”: in the column likely and not in at most")
    assert said.endswith("the one of at most has “laboratory” instead.")
    assert left_out_words([gently]).endswith("goes without.")
    assert left_out_words([lab, both]) == ""


def test_an_answer_is_asked_for_before_the_day_on_which_the_job_is_needed(bench: Bench) -> None:
    by_hand = Wish(lines=(("hour", ""),), odds=False)
    today = date.fromisoformat(bench.now()[:10])
    needed, middle = ((today + timedelta(days)).isoformat() for days in (6, 3))
    bench.ledger.amend_case(1, due_on=needed)
    made, kept = make_quote(bench, 1, by_hand)
    (told,) = [one for one in made.remarks if "we ask for the answer" in one]
    assert f"needed by {needed}: we ask for the answer by {middle}" in told
    assert middle in paper_text(bench, kept)
    assert [one.until for one in tell_turn(bench, 1).case.waits] == [middle]
    for due in ("", "2020-01-01", "2999-01-01"):
        bench.ledger.amend_case(1, due_on=due)
        made, _ = make_quote(bench, 1, by_hand)
        assert not any("we ask for the answer" in one for one in made.remarks)
        assert [one.until for one in tell_turn(bench, 1).case.waits][:1] == [made.valid_until]


@pytest.mark.parametrize(
    ("days", "said"),
    [(0, "no day is set any more"), (4, "now: a quote made so would ask by"), (20, "a quote made so")],
)
def test_what_its_paper_asks_by_stays_when_the_due_day_is_changed(bench: Bench, days: int, said: str) -> None:
    today = date.fromisoformat(bench.now()[:10])
    needed, middle = ((today + timedelta(each)).isoformat() for each in (12, 6))
    bench.ledger.amend_case(1, due_on=needed)
    make_quote(bench, 1, Wish(lines=(("hour", ""),), odds=False))
    assert [one.differs for one in tell_turn(bench, 1).case.waits] == [""]
    set_due(bench, 1, (today + timedelta(days)).isoformat() if days else "")
    (wait,) = tell_turn(bench, 1).case.waits
    assert wait.until == middle, "the customer holds the paper"
    assert said in wait.differs
    assert f"expected by {middle}, as its paper says; " in wait_words(wait, bench.now()[:10])


@pytest.mark.parametrize(
    ("due", "asked"),
    [
        ("2026-11-29", "2026-11-29"),
        ("2026-11-30", "2026-11-29"),
        ("2026-12-05", "2026-12-02"),
        ("2026-11-28", "2026-12-29"),
        ("2027-06-01", "2026-12-29"),
    ],
)
def test_the_day_of_the_answer_lies_in_the_middle_of_what_time_there_is(due: str, asked: str) -> None:
    assert answer_by("2026-11-29", "2026-12-29", due) == asked


def test_a_quote_made_after_a_reading_says_so(bench: Bench) -> None:
    bench.ledger.note_image(
        Image(1, "1", "bay-1.img", "port", bench.now(), read_bytes=4096, unread_bytes=512)
    )
    quote, _ = make_quote(bench, 1, Wish())
    (told,) = [one for one in quote.remarks if "read in part" in one]
    assert "The drive of bay 1 is read in part (88.9" in told
    assert "is charged once" in told
    picked, _ = make_quote(bench, 1, BY_HAND)
    assert not any("read in part" in one for one in picked.remarks)


def test_a_reading_that_no_line_is_for_is_not_forgotten(bench: Bench) -> None:
    bench.ledger.note_image(
        Image(1, "1", "bay-1.img", "port", bench.now(), read_bytes=4096, unread_bytes=512)
    )
    for one in ("power-on", "long-reading"):
        give_word(bench, 1, one, Word.NO)
    quote, _ = make_quote(bench, 1, Wish())
    assert not any(one.key in ("read-both", "read-gently:1") for one in quote.lines)
    assert any("no line is for it: pick “" in one for one in quote.remarks)


def test_once_files_are_copied_a_quote_does_not_say_that_they_left_the_shop(bench: Bench) -> None:
    bench.note(1, "hand-back", "77 files.", {"whole": 77})
    quote, _ = make_quote(bench, 1, Wish())
    assert any("The files were copied out on" in one for one in quote.remarks)
    assert not any("handed back" in one for one in quote.remarks)


def test_lines_picked_by_hand_are_exact_but_for_their_parts(bench: Bench) -> None:
    quote, _ = make_quote(bench, 1, BY_HAND)
    totals = {str(column): total.gross.minor for column, total in quote.totals.items()}
    work = 4500 + 17000 + 3400 + 1200
    assert totals == {"low": work, "likely": work + 3000, "high": work + 6000, "nothing": 4500}


def test_work_that_is_picked_stands_once_and_not_as_a_chance_too(bench: Bench) -> None:
    odds, _ = make_quote(bench, 1, Wish())
    assert "read-both" in [one.key for one in odds.lines]
    both, _ = make_quote(bench, 1, Wish(lines=(("read-both", ""),)))
    assert [one.key for one in both.lines if one.key.startswith("read-both")] == ["read-both:picked-1"]
    assert {one.key for one in both.lines if "picked" not in one.key} >= {
        one.key for one in odds.lines if one.key != "read-both" and any(one.amounts.values())
    }


def test_a_drive_is_paid_for_once_however_it_is_read(bench: Bench) -> None:
    """A reading of both takes the place of those of one drive, picked or merely likely."""
    odds, _ = make_quote(bench, 1, Wish())
    for picked, more in (
        ((("read-gently", "2"),), 0),
        ((("read-gently", ""), ("read-gently", "")), 0),
        ((("read-both", ""), ("read-gently", "2")), 0),
        ((("read-gently", "3"),), 16000),
    ):
        quote, _ = make_quote(bench, 1, Wish(lines=picked))
        for column in (Column.LOW, Column.LIKELY, Column.HIGH):
            assert quote.totals[column].gross.minor == odds.totals[column].gross.minor + more
        assert any("reading of both" in one or "both drives are read" in one for one in quote.remarks)
    decide(bench, 1, 2, True, By.PHONE, although="the customer chose it")
    bill, _ = make_bill(bench, 1, {"read-both": None})
    assert bill.bill is not None
    assert [one.key for one in bill.bill.lines] == ["diagnosis", "read-both"]


@pytest.mark.parametrize("odds", [True, False])
@pytest.mark.parametrize("lines", [(("read-both", "2"),), (("read-both", ""), ("read-both", "1"))])
def test_a_reading_of_both_stands_once_whatever_quantity_is_typed(
    bench: Bench, lines: tuple[tuple[str, str], ...], odds: bool
) -> None:
    """Two drives are two of nothing: the one line is of both."""
    once, _ = make_quote(bench, 1, Wish(lines=(("read-both", ""),), odds=odds))
    quote, _ = make_quote(bench, 1, Wish(lines=lines, odds=odds))
    assert quote.totals == once.totals
    assert [one.quantity for one in quote.lines if one.key.startswith("read-both")] == [1]
    assert any("stands once, and not" in one for one in quote.remarks)
    assert not any("stands once, and not" in one for one in once.remarks)


def test_once_one_drive_is_read_both_and_singles_picked_are_of_two_drives(bench: Bench) -> None:
    bench.ledger.note_image(Image(1, "1", "bay-1.img", "port", bench.now(), read_bytes=4096))
    once, _ = make_quote(bench, 1, Wish(lines=(("read-both", ""),)))
    for lines in ((("read-both", "2"),), (("read-both", ""), ("read-gently", "2"))):
        quote, _ = make_quote(bench, 1, Wish(lines=lines))
        assert quote.totals == once.totals
        assert sum(one.quantity for one in quote.lines if one.key.startswith("read-gently")) == 2


def two_bays_need_boards(bench: Bench) -> None:
    for bay in ("1", "2"):
        answer(bench, 1, Asked("sound", bay), "silent")
        answer(bench, 1, Asked("supply-measured", bay), "sound")
        answer(bench, 1, Asked("driver-measured", bay), "amiss")


def swaps(quote: Quote) -> list[tuple[int, int]]:
    return sorted(
        (one.least.minor, one.most.minor) for one in quote.lines if one.key.startswith("swap-board")
    )


def test_each_part_reserved_takes_the_place_of_one_allowance(bench: Bench, shop: ShopFolder) -> None:
    items = add_items(bench, shop, [part(2350), part(2350)])
    two_bays_need_boards(bench)
    found = [make_quote(bench, 1, Wish())[0]]
    for item in items:
        reserve(bench, item.number, 1)
        found.append(make_quote(bench, 1, Wish())[0])
    bare, full = (14000, 14000), (17000, 23000)
    assert [swaps(one) for one in found] == [[full, full], [bare, full], [bare, bare]]
    for item in items:
        line = found[-1].line(f"stock:{item.number}")
        assert line is not None
        assert (line.when, line.chance > 0.1) == (When.NEEDED, True)
        assert (line.least.minor, line.words) == (2703, f"Part {item.number}: TB-4471 R3")  # 2702.5
    chances = sorted(one.chance for one in found[-1].lines if one.key.startswith("swap-board"))
    assert chances == sorted(one.chance for one in found[-1].lines if one.key.startswith("stock"))


def test_a_part_for_picked_work_takes_the_place_of_its_allowance(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [part(4000)])
    reserve(bench, item.number, 1)
    one, _ = make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
    assert {total.gross.minor for total in one.totals.values()} == {4500, 4500 + 14000 + 4600}
    assert "Donor board fitted, ROM moved to it, without the part" in [line.words for line in one.lines]
    two, _ = make_quote(bench, 1, Wish(lines=(("swap-board", "2"),), odds=False))
    assert two.totals[Column.HIGH].gross == eur(4500 + 14000 + 4600 + 23000)
    assert two.totals[Column.LOW].gross == eur(4500 + 14000 + 4600 + 17000)
    assert swaps(two) == [(14000, 14000), (17000, 23000)]


def test_a_part_that_no_work_takes_is_due_only_once_used(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [part(4000)])
    reserve(bench, item.number, 1)
    wish = Wish(lines=(("hour", "1"),), odds=False)
    quote, _ = make_quote(bench, 1, wish)
    assert quote.line(f"stock:{item.number}") is None
    assert f"Part {item.number} from the stock is not counted: no work here takes it." in quote.remarks
    bench.shelf.amend_item(replace(item, state=StockState.USED, case=1))
    quote, _ = make_quote(bench, 1, wish)
    line = quote.line(f"stock:{item.number}")
    assert line is not None
    assert (line.when, line.most) == (When.ALWAYS, eur(4600))


def test_a_used_part_goes_with_the_bay_of_its_swap(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [part(4000)])
    bench.shelf.amend_item(replace(item, state=StockState.USED, case=1))
    prices = prices_in_force(bench)
    keys = ("swap-board:1", "swap-board:2")
    works = [
        Possible(one, one, prices.work["swap-board"], Decimal(1), When.NEEDED, frozenset({one}))
        for one in keys
    ]
    endings = [Ending(0.75, frozenset(keys[:1]), True), Ending(0.25, frozenset(keys), True)]
    free, _ = with_parts(bench, 1, prices, works, endings)
    assert [one.needed_by for one in free if one.key.startswith("stock")] == [frozenset(keys[:1])], "likelier"
    bench.notes.add(Note(1, "2", NoteKind.SWAP, str(item.number), bench.now(), bench.who, "{}"))
    known, _ = with_parts(bench, 1, prices, works, endings)
    assert [one.needed_by for one in known if one.key.startswith("stock")] == [frozenset(keys[1:])]
    assert [one.price.high.minor for one in known] == [23000, 14000, 4600]
    gone, _ = with_parts(bench, 1, prices, works[:1], endings)
    assert [(one.price.high.minor, one.when) for one in gone] == [
        (23000, When.NEEDED),
        (4600, When.ALWAYS),
    ], "what was used in the other bay is due, and takes nothing from this one"


def test_what_the_customer_refused_is_not_sold(bench: Bench) -> None:
    two_bays_need_boards(bench)
    assert swaps(make_quote(bench, 1, Wish())[0])
    give_word(bench, 1, "board-swap", Word.NO)
    assert swaps(make_quote(bench, 1, Wish())[0]) == []
    with pytest.raises(UsageError, match="refused") as refused:
        make_quote(bench, 1, BY_HAND)
    assert "case consent 1 board-swap yes" in refused.value.next_step
    assert len(quotes_of(bench, 1)) == 2
    give_word(bench, 1, "board-swap", Word.YES)
    assert swaps(make_quote(bench, 1, BY_HAND)[0])


def test_a_part_in_another_currency_is_told_and_not_counted(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [part(2000, "JPY")])
    reserve(bench, item.number, 1)
    quote, _ = make_quote(bench, 1, BY_HAND)
    assert quote.line(f"stock:{item.number}") is None
    assert "not counted" in quote.remarks[0]


def test_the_word_that_counts_is_the_last_one(bench: Bench) -> None:
    for _ in range(3):
        make_quote(bench, 1, BY_HAND)
    assert [one.state for one in quotes_of(bench, 1)] == ["superseded", "superseded", "open"]
    decide(bench, 1, 3, False, By.PHONE)
    decide(bench, 1, 1, True, By.PERSON, although="the cheaper one after all")
    assert [one.state for one in quotes_of(bench, 1)] == ["accepted", "superseded", "declined"]
    decide(bench, 1, 3, True, By.WRITING)
    assert [one.state for one in quotes_of(bench, 1)] == ["superseded", "superseded", "accepted"]
    said = [one.what for one in bench.ledger.custody(1)]
    assert "quote 1 accepted by the customer in person" in " ".join(said)
    with pytest.raises(UsageError, match="cannot be of 2999-01-01"):
        decide(bench, 1, 3, True, By.PHONE, "2999-01-01")
    with pytest.raises(UsageError, match="is not a day"):
        decide(bench, 1, 3, True, By.PHONE, "soon")


def test_a_superseded_quote_is_accepted_for_a_reason_alone(bench: Bench) -> None:
    for _ in range(4):
        make_quote(bench, 1, BY_HAND)
    before = bench.ledger.custody(1)
    for reason, said in (("", "quote 4 was made after it"), ("Quillmere wants it", "names the customer")):
        with pytest.raises(UsageError, match=said):
            decide(bench, 1, 1, True, By.PHONE, although=reason)
    assert bench.ledger.custody(1) == before
    assert [one.state for one in quotes_of(bench, 1)] == ["superseded"] * 3 + ["open"]
    decide(bench, 1, 1, True, By.PHONE, although="no sending after all")
    entry = bench.ledger.custody(1)[-1]
    assert "quote 1 accepted" in entry.what
    assert "although quote 4 was made after it" in entry.what
    assert entry.item == "quote 1; no sending after all"
    assert [one.state for one in quotes_of(bench, 1)] == ["accepted"] + ["superseded"] * 3
    decide(bench, 1, 4, False, By.PHONE)
    account = account_of(bench, 1)
    assert account.quote is not None
    assert (account.quote.number, account.declined) == (1, False)
    decide(bench, 1, 1, True, By.WRITING)
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    assert [one.state for one in quotes_of(bench, 1)][-1] == "open", "a word given again answers no other"
    decide(bench, 1, 1, False, By.PHONE)
    with pytest.raises(UsageError, match="quote 5 was made after it"):
        decide(bench, 1, 1, True, By.PHONE)


def test_a_quote_that_ran_out_is_not_accepted(bench: Bench) -> None:
    quote, _ = make_quote(bench, 1, BY_HAND)
    (note,) = bench.notes.of(NoteKind.QUOTE, 1)
    old = {**json.loads(note.body), "day": "2020-01-01", "valid_until": "2020-01-31"}
    bench.notes.add(Note(1, "", NoteKind.QUOTE, "1", bench.now(), bench.who, json.dumps(old)))
    with pytest.raises(UsageError, match="valid until 2020-01-31"):
        decide(bench, 1, quote.number, True, By.PHONE)
    decide(bench, 1, quote.number, True, By.PHONE, "2020-01-31")


def test_bill_and_payments_come_to_a_balance(bench: Bench) -> None:
    with pytest.raises(UsageError, match="No quote of case 1 is accepted"):
        make_bill(bench, 1, {})
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    pay(bench, 1, "100", How.CASH)
    assert account_of(bench, 1).due is None
    with pytest.raises(UsageError, match="was quoted with"):
        make_bill(bench, 1, {"swap-board:picked-1": ""})
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "180.00"})
    assert account.due == eur(4500 + 18000 + 3400 + 1200 - 10000)
    with pytest.raises(UsageError, match=r"at most 230\.00 EUR, not with 230\.01"):
        make_bill(bench, 1, {"swap-board:picked-1": "230.01"})
    with pytest.raises(UsageError, match="has no line 'gold'"):
        make_bill(bench, 1, {"gold": ""})
    account, _ = make_bill(bench, 1, {}, given=False)
    assert account.due == eur(4500 - 10000), "a later bill takes the place of an earlier"
    with pytest.raises(UsageError, match="came in"):
        pay(bench, 1, "100.01", How.CASH, back=True)
    _, account, _ = pay(bench, 1, "55", How.TRANSFER, back=True)
    assert account.due == eur(0)
    assert unpay(bench, 1, 2, "a slip").due == eur(-5500)
    payment, _, _ = pay(bench, 1, "5", How.CARD, although_more="towards the next job")
    assert payment.number == 3, "a number is never used twice"
    for amount, said in (
        ("5 JPY", "paid in EUR"),
        ("0", "none"),
        ("-5", "'-5' is below 0"),
        ("\u22125", "below 0"),
    ):
        with pytest.raises(UsageError, match=said):
            pay(bench, 1, amount, How.CASH)


def test_the_bill_holds_what_was_done(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)

    def billed(done: dict[str, str], *, given: bool = True, not_done: tuple[str, ...] = ()) -> dict[str, int]:
        account, _ = make_bill(bench, 1, done, given, not_done)
        assert account.bill is not None
        return {one.key: one.amount.minor for one in account.bill.lines}

    fixed = {"diagnosis": 4500, "hour:2": 3400, "medium": 1200}
    assert billed({}) == fixed, "what has a range was not done unless it is said"
    assert billed({}, not_done=("hour:2", "medium")) == {"diagnosis": 4500}
    assert billed({"swap-board:picked-1": "0", "hour:2": "0.00"}) == {"diagnosis": 4500, "medium": 1200}
    assert billed({"swap-board:picked-1": "0"}, given=False) == {"diagnosis": 4500, "hour:2": 0}
    assert billed({"swap-board:picked-1": "0.01", "hour:2": "10"}) == {
        **fixed,
        "swap-board:picked-1": 1,
        "hour:2": 1000,
    }, "less than quoted"
    for done, not_done, said in (
        ({"hour:2": "34.01"}, (), "at most 34.00 EUR"),
        ({"hour:2": ""}, ("hour:2",), "done and not done"),
        ({}, ("gold",), "no line 'gold'"),
    ):
        with pytest.raises(UsageError, match=said):
            make_bill(bench, 1, done, True, not_done)


def test_a_declined_quote_is_billed_for_the_examination(bench: Bench) -> None:
    _, kept = make_quote(bench, 1, BY_HAND)
    assert "If you decline this quote, only the examination is due: 45.00 EUR." in paper_text(bench, kept)
    decide(bench, 1, 1, False, By.PHONE)
    with pytest.raises(UsageError, match="was declined"):
        make_bill(bench, 1, {"hour:2": ""})
    account, paper = make_bill(bench, 1, {})
    assert account.bill is not None
    assert [one.key for one in account.bill.lines] == ["diagnosis"]
    assert (account.quote, account.due) == (None, eur(4500))
    assert "what is due in any case" in paper_text(bench, paper)
    make_quote(bench, 1, BY_HAND)
    assert account_of(bench, 1).due == eur(4500), "a later quote does not hide it"
    with pytest.raises(UsageError, match=r"Of bill 1, made of quote 1, 45\.00 EUR"):
        decide(bench, 1, 2, True, By.PHONE)
    _, account, _ = pay(bench, 1, "45", How.CASH)
    assert account.paid == eur(4500)
    decide(bench, 1, 2, True, By.PHONE)
    assert account_of(bench, 1).bill is None


def test_a_deposit_is_taken_before_the_customer_accepts(bench: Bench) -> None:
    with pytest.raises(UsageError, match="No quote of case 1"):
        pay(bench, 1, "50", How.CASH)
    quote, _ = make_quote(bench, 1, BY_HAND)
    _, account, kept = pay(bench, 1, "50", How.CASH)
    assert (account.quote, account.paid, account.due) == (None, eur(5000), None)
    assert "The bill follows" in paper_text(bench, kept)
    most = quote.totals[Column.HIGH].gross
    with pytest.raises(UsageError, match="more than can be due"):
        pay(bench, 1, (most - eur(4999)).text, How.CASH)
    _, account, _ = pay(bench, 1, (most - eur(5000)).text, How.CASH)
    assert account.paid == most
    later = replace(bench, clock=Standing("2999-01-01T00:00:00Z"))
    with pytest.raises(UsageError, match="No quote"):
        pay(later, 1, "1", How.CASH)


def test_more_than_can_be_due_needs_a_reason(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    with pytest.raises(
        UsageError, match=r"50555\.00 EUR is more than can be due: 321\.00 EUR in all"
    ) as said:
        pay(bench, 1, "50555", How.CARD)
    assert "--although-more REASON" in said.value.next_step
    make_bill(bench, 1, {})
    with pytest.raises(UsageError, match=r"91\.01 EUR is more than can be due: 91\.00 EUR"):
        pay(bench, 1, "91.01", How.CARD)
    with pytest.raises(UsageError, match="names the customer"):
        pay(bench, 1, "100", How.CARD, although_more="Quillmere Pottery had no change")
    _, account, _ = pay(bench, 1, "100", How.CARD, although_more="no change in the till")
    assert account.due == eur(-900)
    (note,) = bench.notes.of(NoteKind.PAYMENT, 1)
    assert json.loads(note.body)["although_more"] == "no change in the till"
    assert "although_more" not in json.dumps([one.what for one in bench.ledger.custody(1)])


def test_an_old_bill_that_is_unpaid_again_is_told(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    make_quote(bench, 1, BY_HAND)
    make_bill(bench, 1, {})
    pay(bench, 1, "91", How.CASH)
    decide(bench, 1, 2, True, By.PHONE)
    assert account_of(bench, 1).bill is None
    account = unpay(bench, 1, 1, "it bounced")
    assert account.bill is not None
    assert (account.bill.quote, account.due) == (1, eur(9100))
    account, _ = make_bill(bench, 1, {})
    assert account.bill is not None
    assert (account.bill.number, account.bill.replaces, account.bill.quote) == (2, 1, 2)


def test_words_of_how_it_was_said_are_those_of_consents(bench: Bench) -> None:
    assert {str(one) for one in By} == {str(one) for one in SaidHow}
    make_quote(bench, 1, BY_HAND)
    for once, now in (("letter", By.WRITING), ("person", By.PERSON)):
        body = {"what": "word", "accepted": True, "by": once, "day": bench.now()[:10]}
        bench.notes.add(Note(1, "", NoteKind.QUOTE, "1", bench.now(), bench.who, json.dumps(body)))
        word = quote_of(bench, 1, 1).word
        assert word is not None
        assert word.by is now


def test_an_unpaid_bill_is_not_hidden_by_another_word(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    make_quote(bench, 1, BY_HAND)
    assert account_of(bench, 1).due is None
    make_bill(bench, 1, {"swap-board:picked-1": "180.00"})
    assert account_of(bench, 1).due == eur(27100)
    for number, accepted in ((2, True), (1, False)):
        with pytest.raises(UsageError, match=r"Of bill 1, made of quote 1, 271\.00 EUR") as refused:
            decide(bench, 1, number, accepted, By.PHONE)
        assert "case pay 1 271.00" in refused.value.next_step
    decide(bench, 1, 1, True, By.WRITING)
    decide(bench, 1, 2, False, By.WRITING)
    assert account_of(bench, 1).due == eur(27100)
    pay(bench, 1, "271", How.CASH)
    decide(bench, 1, 2, True, By.PHONE)
    assert account_of(bench, 1).due is None


def test_a_deposit_goes_back_once_the_customer_declines(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    with pytest.raises(UsageError, match=r"0\.00 EUR came in"):
        pay(bench, 1, "5", How.CASH, back=True)
    decide(bench, 1, 1, True, By.PHONE)
    pay(bench, 1, "100", How.CASH)
    decide(bench, 1, 1, False, By.PHONE)
    with pytest.raises(UsageError, match=r"more than can be due: 45\.00 EUR in all, of which 100\.00"):
        pay(bench, 1, "5", How.CASH)
    for amount, said in (("100.01", "came in"), ("5 JPY", "paid in EUR")):
        with pytest.raises(UsageError, match=said):
            pay(bench, 1, amount, How.CASH, back=True)
    _, account, kept = pay(bench, 1, "100", How.TRANSFER, back=True)
    assert account.paid == eur(0)
    paper = paper_text(bench, kept)
    assert "Payment returned" in paper
    assert "The bill follows" not in paper
    assert "Paid in full" not in paper


def test_bills_are_numbered_and_say_what_they_replace(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    first, one = make_bill(bench, 1, {"swap-board:picked-1": "180.00"})
    second, two = make_bill(bench, 1, {"swap-board:picked-1": "170.00"})
    assert [(made.bill.number, made.bill.replaces) for made in (first, second) if made.bill] == [
        (1, None),
        (2, 1),
    ]
    assert "In place of" not in paper_text(bench, one)
    assert "In place of bill 1" in paper_text(bench, two)
    assert "Bill 2" in paper_text(bench, two)
    assert bench.ledger.custody(1)[-1].what == "bill 2 made of quote 1, in place of bill 1"


def test_a_payment_is_not_older_than_its_case(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    for day, said in (("1999-01-01", "was opened on"), ("2999-01-01", "has not come")):
        with pytest.raises(UsageError, match=said):
            pay(bench, 1, "5", How.CASH, day)
    assert account_of(bench, 1).payments == ()


def test_a_quote_in_another_currency_than_payments_is_not_accepted(bench: Bench, shop: ShopFolder) -> None:
    make_quote(bench, 1, BY_HAND)
    decide(bench, 1, 1, True, By.PHONE)
    pay(bench, 1, "10", How.CASH)
    shop.keep("settings", "prices", packaged_prices().replace('"EUR"', '"GBP"').replace("68.00", "61.00"))
    quote, _ = make_quote(bench, 1, BY_HAND)
    assert (quote.own_prices, quote.currency) == (True, "GBP")
    assert [one[:52] for one in quote.remarks] == ["Prices that are still those of an example, and inven"]
    with pytest.raises(UsageError, match="payment 1 was in EUR"):
        decide(bench, 1, 2, True, By.PHONE)


def test_work_without_a_price_is_never_free(bench: Bench, shop: ShopFolder) -> None:
    answer(bench, 1, Asked("lights"), "none")
    shop.keep("settings", "prices", packaged_prices().replace('"new-adapter"', '"ask-history"'))
    with pytest.raises(BadFormFile, match="no such work in triage"):
        make_quote(bench, 1, Wish())
    text = packaged_prices()
    start = text.index('[[work]]\nstep = "new-adapter"')
    shop.keep("settings", "prices", text[:start] + text[text.index("[[work]]", start + 1) :])
    with pytest.raises(UsageError, match="no price for the work 'new-adapter'"):
        make_quote(bench, 1, Wish())


@pytest.mark.parametrize("body", ["{}", "[]", "null", '{"what": "quote"}', '{"what": "quote", "number": "x"'])
def test_a_note_that_is_none_of_ours_is_told(bench: Bench, body: str) -> None:
    bench.notes.add(Note(1, "", NoteKind.QUOTE, "1", bench.now(), bench.who, body))
    with pytest.raises(LedgerError, match="cannot be read"):
        quotes_of(bench, 1)


def test_there_must_be_a_case(bench: Bench) -> None:
    for act in (lambda: make_quote(bench, 9, BY_HAND), lambda: account_of(bench, 9)):
        with pytest.raises(NoSuchCase):
            act()


def test_nothing_is_kept_of_a_quote_whose_paper_cannot_be_made(bench: Bench, shop: ShopFolder) -> None:
    shop.keep("papers", "quote", "{{ nothing_of_that_name }}")
    with pytest.raises(BadFormFile):
        make_quote(bench, 1, BY_HAND)
    assert quotes_of(bench, 1) == ()


def test_the_paper_says_of_its_columns_what_holds(bench: Bench) -> None:
    two_bays_need_boards(bench)
    said = paper_text(bench, make_quote(bench, 1, Wish(lines=(("hour", "2"), ("copying", "12.5"))))[1])
    for words in (
        "at most one in ten jobs like this to cost less than the first",
        "at least half to cost no more than the second",
        "at most one in ten to need more than the third, of which we ask you first",
        "2 hours",
        "12.5 GB",
        "costs nothing then",
    ):
        assert words in said
    same = paper_text(bench, make_quote(bench, 1, Wish(lines=(("hour", "1.5"),), odds=False))[1])
    assert "The bill will not be higher unless" in same
    assert "third column" not in same
    assert "1.5 hours" in same
    assert "free if nothing comes back" in same


def test_a_line_is_marked_free_where_its_stage_is(bench: Bench) -> None:
    quote, _ = make_quote(bench, 1, Wish(lines=(("hour", "1"), ("courier", "")), media_gb=10, odds=False))
    marked = {one.key: note_words(one, quote) for one in quote.lines}
    assert marked["diagnosis"] == marked["courier:2"] == ""
    assert marked["hour:1"] == ("free if nothing comes back" if quote.lines[1].stage in quote.free else "")
    assert marked["medium"].startswith("if files are handed back: 12.00")
    assert "free" not in marked["medium"]


def test_a_quote_of_which_nobody_said_anything_runs_out(bench: Bench) -> None:
    make_quote(bench, 1, BY_HAND)
    later = replace(bench, clock=Standing("2999-01-01T00:00:00Z"))
    assert [one.state for one in quotes_of(bench, 1)] == ["open"]
    assert [one.state for one in quotes_of(later, 1)] == ["run out"]
    decide(bench, 1, 1, True, By.PHONE)
    assert [one.state for one in quotes_of(later, 1)] == ["accepted"]
