"""The money of a case: quotes, the customer's word on them, the bill, and what was paid."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from mendbay.case.bill import can_be_billed, expected
from mendbay.case.quote import Column
from mendbay.core.errors import UsageError
from mendbay.faces import money_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, day, flag, line, number, read_fields
from mendbay.faces.web.visit import Visit
from mendbay.jobs.bill_case import (
    Account,
    account_of,
    can_be_due,
    look_at_bill,
    make_bill,
    more_than_due,
    pay,
    unpay,
)
from mendbay.jobs.case_papers import paper_bytes, papers_made
from mendbay.jobs.money_notes import How, payments_taken_back
from mendbay.jobs.money_papers import column_words, note_words, nothing_words, quantity_words, span_words
from mendbay.jobs.quote_case import By, KeptQuote, decide, make_quote, quotes_of, reasons_due
from mendbay.jobs.quote_lines import EXAMPLE_PRICES, LARGEST_GB, Wish, for_a_board, prices_in_force
from mendbay.jobs.work_on_record import on_record

if TYPE_CHECKING:
    from mendbay.case.bill import Bill
    from mendbay.case.price_list import PriceList
    from mendbay.case.quote import Line
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.bill_record import Shown

BOOK = Book()
COLUMNS = (Column.LOW, Column.LIKELY, Column.HIGH)
PICKED = 20
"""Lines of the price list that one form picks."""
MOST_LINES = 80
"""Lines of a quote that the form of a bill can name."""
NOTHING_SAID: Mapping[str, Any] = {"amount": "", "how": "", "day": "", "back": False}
"""A form of a payment to begin with."""
BILLED = {"done": "done", "not done": "not done"}
WISH = (
    *(
        one
        for at in range(1, PICKED + 1)
        for one in (line(f"line_{at}", f"Line {at}"), line(f"quantity_{at}", f"Quantity {at}"))
    ),
    number("media_gb", "Medium for so many GB", least=1, most=LARGEST_GB),
    flag("ship", "It is sent back, not fetched"),
    flag("no_odds", "Only what is picked: leave out what may be broken"),
)
"""What a quote is to hold."""
DONE = (
    flag("nothing", "No wanted file could be handed back"),
    flag("left_off", "Leave off the bill what is done and on no line of the quote"),
    *(
        one
        for at in range(1, MOST_LINES + 1)
        for one in (
            choice(f"done_{at}", f"Was line {at} done?", BILLED),
            line(f"amount_{at}", f"What line {at} came to"),
        )
    ),
)
"""What a bill is to hold."""


@BOOK.page(
    "/case/{case:int}/money",
    "money",
    "What the case may cost, was billed and paid; with a quote and a bill as far as they are said.",
    (*WISH, *DONE),
)
def money(visit: Visit) -> Answer:
    return _page(visit, visit.said)


@BOOK.page("/case/{case:int}/money/payment", "paying", "Leads back to the money of the case.")
def paying(visit: Visit) -> Answer:
    return visit.go("money")


def _page(
    visit: Visit, said: Mapping[str, Any], paying: Mapping[str, Any] = NOTHING_SAID, more: str = ""
) -> Answer:
    """
    Args:
        said: of quote and bill.
        paying: what was typed of a payment that needs a reason first.
        more: why it does, as a sentence.
    """
    number = visit.path["case"]
    picked = _picked(said)
    with visit.bench() as bench:
        card = card_of(visit, bench, number)
        kept, account = quotes_of(bench, number), account_of(bench, number)
        prices = prices_in_force(bench)
        picks = _picks(prices, on_record(bench, number).loose)
        papers, taken_back = papers_made(bench, number), payments_taken_back(bench, number)
        is_billing = any(said[one.name] for one in DONE)
        shown = _shown(bench, number, account)
        said = said if is_billing else {**said, **_proposed(account, shown)}
        to_bill = _to_bill(account, shown)
        to_come = _to_come(bench, number, account, said) if to_bill else {}
        quotes = [
            _quote_facts(one) | {"due": reasons_due(bench, number, one.quote.number)}
            for one in reversed(kept)
        ]
    facts = {
        "card": card,
        "quotes": quotes,
        "shown": next((one for one in quotes if one["counts"]), quotes[0] if quotes else None),
        "account": account,
        "standing": money_words.standing_words(account),
        "taken_back": taken_back,
        "to_bill": to_bill,
        "to_come": to_come,
        "is_billing": is_billing,
        "bill": _bill_facts(account),
        "can_be_due": most.shown if (most := can_be_due(account)) else "",
        "paying": paying,
        "more": more,
        "picks": picks,
        "own_prices": prices.own,
        "example": EXAMPLE_PRICES,
        "papers": [one for one in papers if one.name.startswith(("quote-", "bill-", "payment-"))],
        "quotes_mark": _quotes_mark(kept),
        "account_mark": _account_mark(account),
        "picked": picked,
        "at_most": PICKED,
        "rows": picked + [("", "")] * (len(picked) < PICKED),
        "wish": said,
        "is_picking": bool(picked or said["media_gb"] or said["ship"] or said["no_odds"]),
    }
    return Page("money.html", facts)


@BOOK.change(
    "/case/{case:int}/money/quote",
    "make-quote",
    "Makes a quote from what triage believes and what is picked; its paper is kept.",
    WISH,
)
def make(visit: Visit) -> Answer:
    said, number = visit.said, visit.path["case"]
    picked = _picked(said)
    for name, quantity in picked:
        if quantity and not name:
            raise UsageError(
                f"{quantity[:20]!r} is said of a line that is not chosen.",
                "Choose the line, or leave the quantity out.",
            )
    wish = Wish(tuple(picked), said["media_gb"] or 0, said["ship"], not said["no_odds"])
    with visit.bench() as bench:

        def require_unchanged() -> None:
            visit.require_unchanged("the quotes", *_quotes_mark(quotes_of(bench, number)))

        require_unchanged()  # before the work, and once more with what is kept
        made, _ = make_quote(bench, number, wish, require_unchanged)
    return visit.go(
        "money",
        f"Quote {made.number} is made: {made.totals[Column.HIGH].gross.shown} at most. Nothing was sent.",
    )


@BOOK.change(
    "/case/{case:int}/money/quote/{quote:int}/word",
    "quote-word",
    "Notes what the customer said to a quote.",
    [
        choice("word", "The customer", {"yes": "accepts it", "no": "declines it"}, required=True),
        choice("by", "Said", {str(one): one.words for one in By}, required=True),
        day("day", "Day, if not today"),
        line("although_superseded", "Why this one, though a later quote was made"),
        line("although_refused", "Why, though the customer refused what is in it"),
    ],
)
def word(visit: Visit) -> Answer:
    case, quote, said = visit.path["case"], visit.path["quote"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        kept = quotes_of(bench, case)
        visit.require_unchanged("the quotes", *_quotes_mark(kept))
        before = next((one.quote.number for one in kept if one.accepted), quote)
        found = decide(
            bench,
            case,
            quote,
            said["word"] == "yes",
            By(said["by"]),
            said["day"],
            although=said["although_superseded"],
            although_refused=said["although_refused"],
        )
        account = account_of(bench, case)
    if said["word"] == "yes":
        return visit.go("money", money_words.accepted_words(quote, found, before))
    told = [f"Quote {quote} is declined.", *money_words.after_no_words(quote, account)]
    return visit.go("money", " ".join(told))


@BOOK.change(
    "/case/{case:int}/money/bill",
    "make-bill",
    "Makes the bill of what was done of the quote that counts; its paper is kept.",
    DONE,
)
def bill(visit: Visit) -> Answer:
    number, said = visit.path["case"], visit.said
    with visit.bench() as bench:
        account = _unchanged(visit, bench)  # before the work, and once more with what is kept
        lines = account.held_against.lines if account.held_against else ()
        done, not_done = _done_of(lines, said)
        if said["left_off"]:
            not_done += [one.key for one in _shown(bench, number, account) if not one.lines]
        with _in_words(lines):
            after, _ = make_bill(
                bench, number, done, not said["nothing"], not_done, lambda: _unchanged(visit, bench)
            )
    made = after.bill
    told = f"Bill {made.number} is made: {made.total.gross.shown}." if made else "The bill is made."
    left = money_words.left_out_words(after, not_done)
    if left:
        told += f" Picked for the quote and not on the bill: {'; '.join(left)}."
    return visit.go("money", told)


@BOOK.change(
    "/case/{case:int}/money/payment",
    "pay",
    "Notes money that came in or went back; the receipt is kept.",
    [
        line("amount", "Amount, like 38.00", required=True),
        choice("how", "How", {str(one): one.words for one in How}, required=True),
        day("day", "Day, if not today"),
        flag("back", "It was returned to the customer"),
        line("although_more", "Why, if it is more than can be due"),
    ],
)
def payment(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench:
        _unchanged(visit, bench)  # before the work, and once more with what is kept
        more = "" if said["although_more"] else _more(visit, bench)
        if more:
            return _page(visit, read_fields((*WISH, *DONE), []), said, more)
        done, account, _ = pay(
            bench,
            case,
            said["amount"],
            How(said["how"]),
            said["day"],
            back=said["back"],
            although_more=said["although_more"],
            require=lambda: _unchanged(visit, bench),
        )
    amount = -done.amount if said["back"] else done.amount
    verb = "returned" if said["back"] else "received"
    told = [
        f"Payment {done.number}: {amount.shown} {verb} {done.how.words}.",
        *money_words.standing_words(account),
    ]
    return visit.go("money", " ".join(told))


def _more(visit: Visit, bench: Bench) -> str:
    """Why a payment needs a reason first, which its page asks for; what a program sends without the mark of a
    page is refused."""
    said = visit.said
    if not visit.seen:
        return ""
    return more_than_due(bench, visit.path["case"], said["amount"], said["day"], back=said["back"])


@BOOK.change(
    "/case/{case:int}/money/payment/{payment:int}/back",
    "unpay",
    "Takes back a payment that was noted by mistake; it stays on record.",
    [line("reason", "Why it was a mistake", required=True)],
)
def payment_back(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("the money of the case", *_account_mark(account_of(bench, case)))
        unpay(bench, case, visit.path["payment"], visit.said["reason"])
    return visit.go("money", f"Payment {visit.path['payment']} counts no longer.")


@BOOK.page("/case/{case:int}/papers/{paper}", "paper", "A paper that was made of the case, as PDF.")
def paper(visit: Visit) -> Answer:
    case, name = visit.path["case"], visit.path["paper"]
    with visit.bench() as bench:
        data = paper_bytes(bench, case, name)
    return Blob(data, "application/pdf", f"case-{case:04}-{name}")


def _unchanged(visit: Visit, bench: Bench) -> Account:
    """The money of the case, if it stands as the page showed it."""
    account = account_of(bench, visit.path["case"])
    visit.require_unchanged("the money of the case", *_account_mark(account))
    return account


def _picked(said: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The lines that are picked, each with how much of it; a quantity alone counts as one, to be refused."""
    every = [(said[f"line_{at}"], said[f"quantity_{at}"]) for at in range(1, PICKED + 1)]
    return [one for one in every if any(one)]


def _done_of(lines: Sequence[Line], said: Mapping[str, Any]) -> tuple[dict[str, str], list[str]]:
    """What was done of a quote, each line with what it came to as typed, and what was not."""
    done: dict[str, str] = {}
    not_done: list[str] = []
    for at, one in enumerate(lines[:MOST_LINES], 1):
        if said[f"done_{at}"] == "not done":
            not_done.append(one.key)
        elif said[f"done_{at}"] == "done" or said[f"amount_{at}"]:
            done[one.key] = said[f"amount_{at}"]
    return done, not_done


def _shown(bench: Bench, case: int, account: Account) -> Sequence[Shown]:
    """What is on record as done, beside the quote that a bill can be made of; of one that was declined
    nothing is."""
    from mendbay.jobs.bill_record import work_shown  # arrays: only where a bill can be made

    if account.to_bill is None or account.declined:
        return ()
    return work_shown(bench, case, account.to_bill)


def _proposed(account: Account, shown: Sequence[Shown]) -> dict[str, str]:
    """The lines that are on record as done, said to be so; but for what is on the bill by itself."""
    known = {key for one in shown for key in one.lines}
    lines = account.to_bill.lines[:MOST_LINES] if account.to_bill else ()
    return {
        f"done_{at}": "done"
        for at, one in enumerate(lines, 1)
        if one.key in known and not expected(one, True)
    }


def _to_come(bench: Bench, case: int, account: Account, said: Mapping[str, Any]) -> dict[str, Any]:
    """What a bill would come to as it is said, or why there would be none."""
    lines = account.held_against.lines if account.held_against else ()
    done, not_done = _done_of(lines, said)
    try:
        with _in_words(lines):
            made = look_at_bill(bench, case, done, not said["nothing"], not_done)
    except UsageError as trouble:
        return {"trouble": trouble.what}
    against = _against(bench, case, account, made)
    billed = {one.key for one in made.lines}
    return {
        "trouble": "",
        "total": made.total.gross.shown,
        "on": [
            f"{one.words}, free" if one.free else f"{one.words}, {one.amount.shown}" for one in made.lines
        ],
        "off": [one.words for one in lines if one.key not in billed],
        "against": against,
    }


def _against(bench: Bench, case: int, account: Account, made: Bill) -> list[str]:
    """Where a bill and what is on record as done differ, as sentences."""
    from mendbay.jobs.bill_record import held_against

    if account.to_bill is None or account.declined:
        return []
    return money_words.against_words(held_against(bench, case, account.to_bill, made))


@contextmanager
def _in_words(lines: Sequence[Line]) -> Iterator[None]:
    """Within it, troubles call the lines of a quote by their words."""
    try:
        yield
    except UsageError as trouble:
        for one in lines:
            named = re.compile(rf"(?<![\w:-]){re.escape(one.key)}(?![\w:-])")
            trouble.what = named.sub(f"“{one.words}”".replace("\\", r"\\"), trouble.what)
        raise


def _quote_facts(one: KeptQuote) -> dict[str, Any]:
    made = one.quote
    return {
        "number": made.number,
        "day": made.day,
        "until": made.valid_until,
        "likely": made.totals[Column.LIKELY].gross.shown,
        "most": made.totals[Column.HIGH].gross.shown,
        "nothing": f"{nothing_words(made)}: {made.totals[Column.NOTHING].gross.shown} at most.",
        "state": money_words.state_words(one),
        "counts": one.accepted,
        "past": one.past,
        "currency": made.currency,
        "own_prices": made.own_prices,
        "remarks": made.remarks,
        "lines": [
            {
                "words": one.words,
                "quantity": quantity_words(one),
                "note": note_words(one, made),
                "amounts": [column_words(one.amounts[column]) for column in COLUMNS],
            }
            for one in made.lines
        ],
        "totals": [made.totals[column].gross.shown_digits for column in COLUMNS],
    }


def _to_bill(account: Account, shown: Sequence[Shown]) -> dict[str, Any] | None:
    """The quote that a bill can be made of, with its lines; None if there is none."""
    quote = account.to_bill
    rests_on = {key: one.rests_on for one in shown for key in one.lines}
    if quote is None:
        return None
    return {
        "number": quote.number,
        "declined": account.declined,
        "currency": quote.currency,
        "more": max(0, len(quote.lines) - MOST_LINES),
        "proposes": bool(_proposed(account, shown)),
        "elsewhere": [one.text for one in shown if not one.lines],
        "lines": [
            {
                "at": at,
                "words": one.words,
                "quantity": quantity_words(one),
                "span": span_words(one.least, one.most),
                "by_itself": expected(one, True),
                "rests_on": rests_on.get(one.key, ""),
                "ranged": one.least != one.most,
            }
            for at, one in enumerate(quote.lines[:MOST_LINES], 1)
            if can_be_billed(one.key, account.declined)
        ],
    }


def _bill_facts(account: Account) -> dict[str, Any] | None:
    made = account.bill
    if made is None:
        return None
    return {
        "number": made.number,
        "quote": made.quote,
        "day": made.day,
        "replaces": made.replaces,
        "lines": [(one.words, "free" if one.free else one.amount.shown_digits) for one in made.lines],
        "total": made.total.gross.shown,
    }


def _picks(prices: PriceList, loose: bool) -> list[dict[str, str]]:
    """What can be picked; where a board alone is here what can be for one."""
    listed = [prices.hour, *prices.prices.values(), *prices.work.values()]
    listed = [one for one in listed if not loose or for_a_board(one, prices)]
    return [
        {
            "id": one.id,
            "words": f"{one.words or one.id}: "
            + (f"{one.work.shown_digits} with a part that is reserved, else " if one.from_stock else "")
            + span_words(one.low, one.high)
            + ("" if one.unit == "each" else f" for each {one.unit}"),
        }
        for one in listed
    ]


def _quotes_mark(kept: Sequence[KeptQuote]) -> list[str]:
    return [f"{one.quote.number} {one.state} {one.word}" for one in kept]


def _account_mark(account: Account) -> list[str]:
    quote = account.held_against.number if account.held_against else 0
    bill = account.bill.number if account.bill else 0
    paid = [one.number for one in account.payments]
    return [f"quote {quote} {account.declined}", f"bill {bill}", f"paid {account.paid} by {paid}"]
