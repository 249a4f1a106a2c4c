"""Commands of `mendbay case` about money: `quote`, `quotes`, `accept`, `bill`, `pay`, `unpay`, `payments`."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from mendbay.case.bill import Bill
from mendbay.case.quote import Column, Quote
from mendbay.case.quote_body import bill_body, quote_body
from mendbay.core.errors import DestinationError, UsageError
from mendbay.core.money import Money
from mendbay.faces import money_words, wording
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import Account, account_of, look_at_bill, make_bill, most_of, require_no_sign
from mendbay.jobs.bill_case import pay as pay_job
from mendbay.jobs.bill_case import unpay as unpay_job
from mendbay.jobs.bill_record import AgainstRecord, held_against
from mendbay.jobs.money_notes import How, Payment, payments_taken_back
from mendbay.jobs.money_papers import column_words, note_words, nothing_words, quantity_words
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.quote_case import By, KeptQuote, decide, make_quote, quotes_of
from mendbay.jobs.quote_lines import Wish
from mendbay.wiring import open_bench, write_new_file

SAID_BY, PAID_HOW = [str(one).replace(" ", "-") for one in By], [str(one) for one in How]
SHOWN = (Column.LOW, Column.LIKELY, Column.HIGH)
AMOUNT = 12
"""Width of a column of amounts."""
WORDS = 80 - len(SHOWN) * AMOUNT

pdf_option = click.option(
    "--pdf", type=click.Path(path_type=Path), metavar="FILE", help="Put a copy of the paper there too."
)


@click.command(name="quote")
@click.argument("case", type=int)
@click.option(
    "--line", "lines", multiple=True, metavar="ID[=QUANTITY]", help="Something of the price list; repeat it."
)
@click.option("--media", "media_gb", type=int, default=0, metavar="GB", help="How much is to be handed back.")
@click.option("--ship", is_flag=True, help="It is sent back, not fetched.")
@click.option("--no-odds", is_flag=True, help="Only what is picked: leave out what may be broken.")
@pdf_option
@click.pass_obj
def quote(
    screen: Screen,
    case: int,
    lines: tuple[str, ...],
    media_gb: int,
    ship: bool,
    no_odds: bool,
    pdf: Path | None,
) -> None:
    """Say what CASE may cost: the work that may be needed, by what triage believes, and what you pick.

    Work that is on record as done is in it as sure; of a board that came alone only work on boards is. The
    bill will not be higher than what it says at most. `bench prices` lists what can be picked.
    """
    _require_new(pdf)
    picked = tuple((name, quantity) for name, _, quantity in (one.partition("=") for one in lines))
    with open_bench(screen.home, tell=screen.tell) as bench:
        made, kept = make_quote(bench, case, Wish(picked, media_gb, ship, not no_odds))
        where = _copied(bench, case, kept, pdf, f"Quote {made.number}")
    called = wording.called_as()
    after = [f"Paper: {where}", f"Next: {called} case accept {case} {made.number} --by phone"]
    screen.answer(
        {"quote": quote_body(made), "paper": where}, "\n".join([_quote_text(case, made), "", *after])
    )


@click.command(name="quotes")
@click.argument("case", type=int)
@click.pass_obj
def quotes(screen: Screen, case: int) -> None:
    """List the quotes of CASE and what the customer said to them."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = quotes_of(bench, case)
    rows = [
        (
            str(one.quote.number),
            one.quote.day,
            one.quote.valid_until,
            one.quote.totals[Column.LIKELY].gross.shown,
            one.quote.totals[Column.HIGH].gross.shown,
            money_words.state_words(one),
        )
        for one in found
    ]
    head = ("no.", "made", "valid until", "likely", "at most", "state")
    nothing = f"Case {case} has no quote yet.\nNext: {wording.called_as()} case quote {case}"
    text = table(rows, head, right=(0, 3, 4)) if rows else nothing
    screen.answer([_kept_json(one) for one in found], text)


@click.command(name="accept")
@click.argument("case", type=int)
@click.argument("number", type=int, metavar="QUOTE")
@click.option("--by", type=click.Choice(SAID_BY), required=True, help="How the customer said so.")
@click.option("--decline", is_flag=True, help="The customer said no.")
@click.option("--day", default="", metavar="YYYY-MM-DD", help="When; today if left out.")
@click.option(
    "--although-superseded",
    default="",
    metavar="REASON",
    help="Accept it though a later quote was made; custody keeps the reason.",
)
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Accept it though it holds what the customer refused; custody keeps the reason.",
)
@click.pass_obj
def accept(
    screen: Screen,
    case: int,
    number: int,
    by: str,
    decline: bool,
    day: str,
    although_superseded: str,
    although_refused: str,
) -> None:
    """Put down the customer's word on a QUOTE of CASE.

    One quote counts at a time: accepting another takes its place. One that a later quote superseded is
    accepted with a reason only.
    """
    said = By(by.replace("-", " "))
    with open_bench(screen.home, tell=screen.tell) as bench:
        before = next((one.quote.number for one in quotes_of(bench, case) if one.accepted), number)
        found = decide(
            bench,
            case,
            number,
            not decline,
            said,
            day,
            although=although_superseded,
            although_refused=although_refused,
        )
        account = account_of(bench, case)
    if decline:
        text = "\n".join([f"Quote {number} is declined.", *_after_no(case, number, account)])
    else:
        text = wrapped(money_words.accepted_words(number, found, before))
        text += f"\nNext: {wording.called_as()} case bill {case} --done KEY, when the job is done"
    screen.answer(_kept_json(found), text)


def _after_no(case: int, number: int, account: Account) -> list[str]:
    """What holds after the customer declined a quote, with what can be typed next."""
    called, held = wording.called_as(), account.held_against
    told = money_words.after_no_words(number, account)
    if account.quote is not None:
        return [wrapped(one) for one in told]
    if held is not None and held.number != number:
        return [*told, f"Next: {called} case quotes {case}"]
    due = [f"{one.removesuffix('.')}: {called} case bill {case}" for one in told]
    return [f"Next: {called} case quote {case}", *due]


@click.command(name="bill")
@click.argument("case", type=int)
@click.option(
    "--done", multiple=True, metavar="KEY[=AMOUNT]", help="A line of the quote that was done; repeat it."
)
@click.option(
    "--not-done", multiple=True, metavar="KEY", help="A line that was not done after all; repeat it."
)
@click.option("--nothing", is_flag=True, help="No wanted file could be handed back.")
@click.option("--look", is_flag=True, help="Show it, and what is on record as done; write nothing down.")
@pdf_option
@click.pass_obj
def bill(
    screen: Screen,
    case: int,
    done: tuple[str, ...],
    not_done: tuple[str, ...],
    nothing: bool,
    look: bool,
    pdf: Path | None,
) -> None:
    """Make the bill of CASE: what was done of the quote that was accepted, never more than it said.

    Lines with a fixed price that depend on nothing are on it without a word, unless they were not done. Give
    an AMOUNT where the quote has a range, or where it came to less. A quote that was declined is billed for
    the examination.

    Work that is on record as done has to be on it, or be left out by --not-done.
    """
    _require_new(pdf)
    said: dict[str, str] = {}
    for key, _, amount in (one.partition("=") for one in done):
        if key in said:
            raise UsageError(f"--done {key[:60]} is given more than once.", "Give each line once.")
        said[key] = amount
    if look:
        _look_at_bill(screen, case, said, not nothing, not_done)
        return
    with open_bench(screen.home, tell=screen.tell) as bench:
        account, kept = make_bill(bench, case, said, not nothing, not_done)
        made = account.bill
        against = _against(bench, case, account)
        where = _copied(bench, case, kept, pdf, f"Bill {made.number}" if made else "The bill")
    lines = [*_bill_lines(account), *_left_out(account, not_done), *_against_lines(against)]
    lines += ["", f"Paper: {where}"]
    if account.due is not None and account.due.minor > 0:
        lines.append(f"Next: {wording.called_as()} case pay {case} {account.due.digits} --how transfer")
    facts = {**_account_json(case, account), "on_record": _against_json(against), "paper": where}
    screen.answer(facts, "\n".join(lines))


def _look_at_bill(
    screen: Screen, case: int, said: dict[str, str], given: bool, not_done: tuple[str, ...]
) -> None:
    """Shows the bill that would be made of the same, and what is on record as done."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        before = account_of(bench, case)
        bill = look_at_bill(bench, case, said, given, not_done)
        account = replace(
            before, bill=bill, due=None if before.paid is None else bill.total.gross - before.paid
        )
        against = _against(bench, case, account)
    lines = [
        "Nothing is made yet: so the bill would be.",
        *_bill_lines(account),
        *_left_out(account, not_done),
    ]
    lines += [*_against_lines(against), *_done_lines(against)]
    facts = {**_account_json(case, account), "on_record": _against_json(against), "paper": None}
    screen.answer(facts, "\n".join(lines))


def _against(bench: Bench, case: int, account: Account) -> AgainstRecord:
    """The bill of an account, held against what is on record; of a quote that was declined nothing is."""
    quote = account.to_bill
    if quote is None or account.declined:
        return AgainstRecord((), (), ())
    return held_against(bench, case, quote, account.bill)


def _against_lines(found: AgainstRecord) -> list[str]:
    told = money_words.against_words(found)
    return ["", *(wrapped(one) for one in told)] if told else []


def _done_lines(found: AgainstRecord) -> list[str]:
    """What is on record as done, with the key that bills it."""
    rows = [
        wrapped(f"{one.lines[0] if one.lines else one.key}: {one.text}", "  ")
        + ("" if one.lines else "\n    on no line of the quote: a new one can hold it")
        for one in found.shown
    ]
    return (
        ["", "On record as done (--done KEY=AMOUNT bills it, --not-done KEY leaves it off):", *rows]
        if rows
        else []
    )


def _against_json(found: AgainstRecord) -> dict[str, object]:
    return {
        "done": [
            {"key": one.key, "words": one.words, "rests_on": one.rests_on, "lines": list(one.lines)}
            for one in found.shown
        ],
        "unbilled": [one.key for one in found.unbilled],
        "unshown": [key for key, _ in found.unshown],
    }


class _UnsignedAmount(click.Command):
    """A command with an amount, which tells what to write instead of one with a sign."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        for one in args:
            if re.fullmatch(r"-[0-9][0-9.,]*[^0-9]*", one):
                require_no_sign(one)
        return super().parse_args(ctx, args)


@click.command(name="pay", cls=_UnsignedAmount)
@click.argument("case", type=int)
@click.argument("amount")
@click.option("--how", type=click.Choice(PAID_HOW), required=True, help="How it changed hands.")
@click.option("--back", is_flag=True, help="It was returned to the customer.")
@click.option("--day", default="", metavar="YYYY-MM-DD", help="When; today if left out.")
@click.option("--although-more", default="", metavar="REASON", help="Take more than can be due, and say why.")
@pdf_option
@click.pass_obj
def pay(
    screen: Screen,
    case: int,
    amount: str,
    how: str,
    back: bool,
    day: str,
    although_more: str,
    pdf: Path | None,
) -> None:
    """Put down that AMOUNT came in for CASE, and make the receipt.

    Before a quote is accepted it is a deposit. More than can be due needs a reason.
    """
    _require_new(pdf)
    with open_bench(screen.home, tell=screen.tell) as bench:
        payment, account, kept = pay_job(
            bench, case, amount, How(how), day, back=back, although_more=although_more
        )
        where = _copied(bench, case, kept, pdf, f"Payment {payment.number}")
    verb = "returned" if back else "received"
    money = -payment.amount if back else payment.amount
    lines = [f"Payment {payment.number}: {money.shown} {verb} {payment.how.words}, {payment.day}."]
    lines += [*_standing(case, account), f"Receipt: {where}"]
    facts = {"payment": _payment_json(payment), **_account_json(case, account), "paper": where}
    screen.answer(facts, "\n".join(lines))


@click.command(name="unpay")
@click.argument("case", type=int)
@click.argument("number", type=int, metavar="PAYMENT")
@click.argument("reason")
@click.pass_obj
def unpay(screen: Screen, case: int, number: int, reason: str) -> None:
    """Take back a PAYMENT of CASE that was put down by mistake, with a REASON; it stays on record."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        account = unpay_job(bench, case, number, reason)
    lines = [f"Payment {number} counts no longer.", *_standing(case, account)]
    screen.answer(_account_json(case, account), "\n".join(lines))


@click.command(name="payments")
@click.argument("case", type=int)
@click.pass_obj
def payments(screen: Screen, case: int) -> None:
    """List what was paid for CASE, and what is still due."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        account, gone = account_of(bench, case), payments_taken_back(bench, case)
    rows = [(str(one.number), one.day, str(one.how), one.amount.shown) for one in account.payments]
    lines = [table(rows, ("no.", "day", "how", "amount"), right=(0, 3)), ""] if rows else []
    for one in gone:
        words = f"Taken back: payment {one.payment.number} of {one.payment.amount.shown}, {one.payment.day}; "
        lines.append(wrapped(f"{words}{one.at}, {one.who}: {one.reason}", "", "  "))
    made = _account_json(case, account)
    made["taken_back"] = [
        {**_payment_json(one.payment), "taken_back_at": one.at, "by": one.who, "reason": one.reason}
        for one in gone
    ]
    screen.answer(made, "\n".join([*lines, *_standing(case, account)]))


def _require_new(pdf: Path | None) -> None:
    """Refuses a copy that cannot be written, before anything is put down."""
    if pdf is None:
        return
    try:
        there, folder = pdf.exists() or pdf.is_symlink(), pdf.parent.is_dir()
    except OSError as trouble:
        raise UsageError(f"{pdf} cannot be written: {trouble.strerror}.", "Choose another name.") from trouble
    if there:
        raise UsageError(f"{pdf} already exists.", "Choose another name.")
    if not folder:
        raise UsageError(f"There is no folder {pdf.parent}.", "Make it, or choose another.")


def _copied(bench: Bench, case: int, kept: KeptFile, pdf: Path | None, what: str) -> str:
    """Where the paper is: the copy that was asked for, or its place in the case's folder."""
    record = bench.ledger.case(case)
    own = bench.images.folder(record) / kept.path
    if pdf is None:
        return str(own)
    try:
        write_new_file(pdf, bench.files.take(record, kept))
    except DestinationError as trouble:
        raise DestinationError(
            f"{what} of case {case} is recorded; only the copy failed: {trouble.what}",
            f"Do not repeat the command. The case's own copy is {own}",
        ) from trouble
    return str(pdf)


# ---------------------------------------------------------------------- text


def _quote_text(case: int, made: Quote) -> str:
    lines = [
        f"Quote {made.number} of case {case}, {made.day}, valid until {made.valid_until}; in {made.currency}",
        "",
        *_columns("", ("low", "likely", "at most")),
        "-" * 80,
    ]
    for one in made.lines:
        quantity = quantity_words(one)
        words = f"{one.words}, {quantity}" if quantity else one.words
        lines += _columns(words, [column_words(one.amounts[column]) for column in SHOWN])
        note = note_words(one, made)
        lines.append(wrapped(f"{one.key}; {note}" if note else one.key, "  "))
    lines += ["-" * 80, *_total_lines(made)]
    nothing = made.totals[Column.NOTHING].gross
    if any(made.totals[column].gross != nothing for column in SHOWN):  # of an enquiry it is all one
        lines += ["", wrapped(f"{nothing_words(made)}: {nothing.shown} at most.")]
    return "\n".join([*lines, *(wrapped(one) for one in made.remarks)])


def _total_lines(made: Quote) -> list[str]:
    totals = [made.totals[column] for column in SHOWN]
    gross = _columns("To pay", [one.gross.shown_digits for one in totals])
    rates = sorted({tax.rate for one in totals for tax in one.taxes})
    taxes: list[str] = []
    for rate in rates:
        each = [next((tax.tax for tax in one.taxes if tax.rate == rate), None) for one in totals]
        name = f"{made.tax_name} {rate.normalize():f} %"
        words = f"of it {name}" if made.included else name
        taxes += _columns(words, ["–" if tax is None else column_words(tax) for tax in each])
    if made.included:
        return [*gross, *taxes]
    return [*_columns("Net", [one.net.shown_digits for one in totals]), *taxes, *gross]


def _columns(words: str, amounts: Sequence[str]) -> list[str]:
    """Words, over several lines if need be, with amounts beside the last."""
    rows = textwrap.wrap(words, WORDS - 1) or [""]
    return [*rows[:-1], rows[-1].ljust(WORDS) + "".join(one.rjust(AMOUNT) for one in amounts)]


def _bill_lines(account: Account) -> list[str]:
    if account.bill is None:
        return []
    made: Bill = account.bill
    instead = f", in place of bill {made.replaces}" if made.replaces else ""
    head = f"Bill {made.number} after quote {made.quote}, {made.day}{instead}"
    lines = [f"{head}; in {made.total.gross.currency}", ""]
    width = 80 - AMOUNT
    for one in made.lines:
        amount = "free" if one.free else one.amount.shown_digits
        rows = textwrap.wrap(one.words, width - 1)
        lines += [*rows[:-1], rows[-1].ljust(width) + amount.rjust(AMOUNT)]
    lines += ["-" * 80, "In all".ljust(width) + made.total.gross.shown_digits.rjust(AMOUNT)]
    return [*lines, *money_words.due_words(account)]


def _left_out(account: Account, not_done: Sequence[str]) -> list[str]:
    """What the quote counts on and the bill does not hold."""
    lines = [wrapped(one, "  ") for one in money_words.left_out_words(account, not_done)]
    return (
        ["", "Picked for the quote and not on the bill (--done KEY=AMOUNT puts it there):", *lines]
        if lines
        else []
    )


def _standing(case: int, account: Account) -> list[str]:
    """What was paid and is due."""
    called = wording.called_as()
    if account.quote is None:
        if account.bill is not None:
            return money_words.due_words(account)
        none = f"No quote of case {case} is accepted."
        due = account.held_against.in_any_case if account.held_against and account.declined else None
        if due:
            none += f" {due.shown} are due in any case: {called} case bill {case}."
        none = wrapped(none)
        if account.paid and account.held_against and not account.declined:
            number = account.held_against.number
            accept = f"Next: {called} case accept {case} {number} --by phone, once the customer does"
            return [*money_words.deposit_words(account), accept]
        if account.paid:
            back = f"Next: {called} case pay {case} {account.paid.digits} --back --how transfer"
            return [none, *money_words.deposit_words(account), f"{back}, if it is returned"]
        return [none, f"Next: {called} case quotes {case}"]
    no_bill = money_words.no_bill_words(account)
    if no_bill:
        return [wrapped(no_bill)]
    return money_words.due_words(account)


# ---------------------------------------------------------------------- JSON


def _kept_json(one: KeptQuote) -> dict[str, object]:
    word = None
    if one.word is not None:
        said = one.word
        word = {"accepted": said.accepted, "by": str(said.by), "day": said.day, "who": said.who}
    return {"quote": quote_body(one.quote), "state": one.state, "word": word}


def _payment_json(one: Payment) -> dict[str, object]:
    return {
        "number": one.number,
        "amount": one.amount.minor,
        "how": str(one.how),
        "day": one.day,
        "who": one.who,
    }


def _account_json(case: int, account: Account) -> dict[str, object]:
    def minor(amount: Money | None) -> int | None:
        return None if amount is None else amount.minor

    return {
        "case": case,
        "currency": account.paid.currency if account.paid is not None else None,
        "accepted_quote": account.quote.number if account.quote else None,
        "at_most": minor(most_of(account)),
        "bill": bill_body(account.bill) if account.bill else None,
        "payments": [_payment_json(one) for one in account.payments],
        "paid": minor(account.paid),
        "due": minor(account.due),
    }


COMMANDS: tuple[click.Command, ...] = (quote, quotes, accept, bill, pay, unpay, payments)
