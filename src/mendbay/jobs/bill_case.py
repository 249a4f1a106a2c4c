"""The bill of a case and what was paid: payments are held against the bill of the quote that was accepted."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.case.bill import Bill, bill_of
from mendbay.case.quote import Column, Quote
from mendbay.case.quote_body import bill_body
from mendbay.core.errors import UsageError
from mendbay.core.money import Money
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_day
from mendbay.jobs.bench import Bench
from mendbay.jobs.money_notes import How, Payment, bills_of, note_of_quote, payments_of
from mendbay.jobs.money_papers import bill_facts, payment_facts
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.quote_case import quotes_of
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw


@dataclass(frozen=True, slots=True)
class Account:
    """What a case owes.

    Args:
        quote: the one that was accepted; None if none was.
        bill: held against it; None while there is none.
        payments: the oldest first.
        paid: all of them together; None without a currency.
        due: what is still to be paid, below 0 what is to be returned; None while there is no bill.
    """

    quote: Quote | None
    bill: Bill | None
    payments: tuple[Payment, ...]
    paid: Money | None
    due: Money | None


def account_of(bench: Bench, case: int) -> Account:
    """Quote, bill and payments of a case.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    quote = next((one.quote for one in quotes_of(bench, case) if one.accepted), None)
    payments = payments_of(bench, case)
    bills = () if quote is None else bills_of(bench, case, quote.number)
    bill = bills[-1] if bills else None
    currency = quote.currency if quote else payments[0].amount.currency if payments else ""
    paid = (
        Money.sum((one.amount for one in payments if one.amount.currency == currency), currency)
        if currency
        else None
    )
    due = bill.total.gross - paid if bill is not None and paid is not None else None
    return Account(quote, bill, payments, paid, due)


def due_of(bench: Bench, case: int) -> Money | None:
    """What a case still has to pay, below 0 what is to be returned to the customer; None while there is no
    bill. Of a case without a quote no note is read.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if not bench.notes.last_number(case, NoteKind.QUOTE):
        return None
    return account_of(bench, case).due


def make_bill(
    bench: Bench, case: int, done: Mapping[str, str], given: bool = True
) -> tuple[Account, KeptFile]:
    """Makes the bill of what was done, and keeps it; a later one takes the place of an earlier.

    Args:
        done: keys of the lines of the accepted quote that were needed, each with what it came to as typed;
            empty where that is fixed.
        given: whether files are handed back.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no quote was accepted, or the bill is not one that it allows.
    """
    record = bench.ledger.case(case)
    with bench.ledger.together():
        quote = _accepted(bench, case)
        amounts = {key: Money.parse(typed, quote.currency) if typed else None for key, typed in done.items()}
        number = 1 + max((one.number for one in bills_of(bench, case)), default=0)
        bill = bill_of(quote, amounts, given, bench.now()[:10], number)
        before = account_of(bench, case)
        facts = bill_facts(bench, record, quote, bill, [one.amount for one in before.payments])
        kept = bench.files.keep(record, f"papers/bill-{number}.pdf", bench.stationery.pdf("bill", facts))
        note_of_quote(bench, case, quote.number, {"what": "bill", **bill_body(bill), "paper": kept.path})
        instead = f", in place of bill {bill.replaces}" if bill.replaces else ""
        what = f"bill {number} made of quote {quote.number}{instead}"
        bench.note(case, "bill", f"{what[:1].upper()}{what[1:]}: {bill.total.gross.text}.")
        bench.custody(case, what, kept.path)
    return account_of(bench, case), kept


def pay(
    bench: Bench, case: int, amount: str, how: How, day: str = "", *, back: bool = False
) -> tuple[Payment, Account, KeptFile]:
    """Puts down money that came in, or went back, and makes the receipt.

    Args:
        amount: as typed; in the currency of the quote if it names none.
        day: `YYYY-MM-DD`; empty for today.
        back: it was returned to the customer, of what came in; no quote need be accepted any more.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no quote was accepted, no amount or one in another currency, a day before the case was
            opened or to come, or more goes back than came.
    """
    record, today = bench.ledger.case(case), bench.now()[:10]
    said = day or today
    require_day(said)
    with bench.ledger.together():
        before = account_of(bench, case)
        currency = (
            _accepted(bench, case).currency if not back or before.paid is None else before.paid.currency
        )
        money = Money.parse(amount, currency)
        _require_payable(money, before, currency, back)
        _require_day_within(said, record.opened_at[:10], today)
        numbers = (int(one.subject) for one in bench.notes.of(NoteKind.PAYMENT, case))
        payment = Payment(1 + max(numbers, default=0), -money if back else money, how, said, bench.who)
        body = {
            "what": "payment",
            "amount": payment.amount.minor,
            "currency": currency,
            "how": str(how),
            "day": said,
        }
        subject = str(payment.number)
        bench.notes.add(Note(case, "", NoteKind.PAYMENT, subject, bench.now(), bench.who, json.dumps(body)))
        account = account_of(bench, case)
        facts = payment_facts(bench, record, payment, account.paid, account.due)
        path = f"papers/payment-{payment.number}.pdf"
        kept = bench.files.keep(record, path, bench.stationery.pdf("payment", facts))
        what = f"payment {subject} {'returned' if back else 'received'} {how.words}"
        bench.note(case, "payment", f"{what[:1].upper()}{what[1:]}: {money.text}.")
        bench.custody(case, what, kept.path)
    return payment, account, kept


def unpay(bench: Bench, case: int, number: int, reason: str) -> Account:
    """Takes back what was put down as a payment by mistake.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such payment, or no reason is given.
    """
    require_reason(reason)
    with bench.ledger.together():
        bench.ledger.case(case)
        notes = standing_notes(bench, NoteKind.PAYMENT, case, "", str(number))
        if not notes:
            raise UsageError(
                f"Case {case} has no payment {number}.", f"mendbay case payments {case} lists them."
            )
        withdraw(bench, map(subject_of, notes), case, "", reason)
        bench.note(case, "payment", f"Withdrawn: payment {number}. {reason}")
        bench.custody(case, f"record of payment {number} withdrawn", f"payment {number}")
    return account_of(bench, case)


def most_of(account: Account) -> Money | None:
    """What the case may come to at most; None while no quote is accepted."""
    return None if account.quote is None else account.quote.totals[Column.HIGH].gross


def _accepted(bench: Bench, case: int) -> Quote:
    quote = next((one.quote for one in quotes_of(bench, case) if one.accepted), None)
    if quote is None:
        raise UsageError(
            f"No quote of case {case} is accepted.",
            f"mendbay case quotes {case} lists them, mendbay case accept {case} NUMBER accepts one.",
        )
    return quote


def _require_payable(money: Money, account: Account, currency: str, back: bool) -> None:
    if money.currency != currency:
        raise UsageError(
            f"This case is paid in {currency}, and the payment is in {money.currency}.",
            f"Put down what it was worth in {currency}.",
        )
    if not money:
        raise UsageError("A payment of nothing is none.", "Write the amount, as in 38.00.")
    came = account.paid or Money.none(currency)
    if back and money > came:
        raise UsageError(f"{money.text} cannot go back: {came.text} came in.", "Check the amount.")


def _require_day_within(day: str, opened: str, today: str) -> None:
    if day > today:
        raise UsageError(f"{day} has not come yet.", "Put a payment down when it has come.")
    if day < opened:
        raise UsageError(
            f"The case was opened on {opened}, and the payment is of {day}.", "Check --day, or leave it out."
        )
