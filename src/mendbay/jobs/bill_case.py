"""The bill of a case and what was paid: payments are held against the bill of the quote that was accepted."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

from mendbay.case.bill import Bill, bill_of
from mendbay.case.quote import Column, Quote
from mendbay.case.quote_body import bill_body
from mendbay.case.records import Case
from mendbay.core.errors import UsageError
from mendbay.core.money import Money
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_day
from mendbay.jobs.bench import Bench
from mendbay.jobs.money_notes import How, Payment, bills_of, note_of_quote, payments_of, unpaid_bill
from mendbay.jobs.money_papers import bill_facts, payment_facts
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.quote_case import KeptQuote, quotes_of
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

OPEN, DECLINED = "open", "declined"
"""States of a quote, as `KeptQuote` tells them."""


@dataclass(frozen=True, slots=True)
class Account:
    """What a case owes.

    Args:
        quote: the one that was accepted; None if none was.
        held_against: the quote that payments count towards: the accepted one, else the newest that is open or
            declined; None if there is none.
        declined: whether the customer declined that one.
        bill: the newest, if it is of that quote, or of another and not paid; None while there is none.
        payments: the oldest first.
        paid: all of them together; None without a currency.
        due: what is still to be paid, below 0 what is to be returned; None while there is no bill.
    """

    quote: Quote | None
    held_against: Quote | None
    declined: bool
    bill: Bill | None
    payments: tuple[Payment, ...]
    paid: Money | None
    due: Money | None

    @property
    def to_bill(self) -> Quote | None:
        """The quote that a bill can be made of: the accepted one, or the one that was declined; None if there
        is neither."""
        return self.held_against if self.declined else self.quote


def account_of(bench: Bench, case: int) -> Account:
    """Quote, bill and payments of a case.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    kept, payments = quotes_of(bench, case), payments_of(bench, case)
    counts = _counting(kept)
    held = counts.quote if counts else None
    bill = _bill_that_counts(bench, case, held)
    currency = _currency(counts, payments, bill)
    paid = (
        Money.sum((one.amount for one in payments if one.amount.currency == currency), currency)
        if currency
        else None
    )
    due = bill.total.gross - paid if bill is not None and paid is not None else None
    declined = counts is not None and counts.state == DECLINED
    return Account(held if counts and counts.accepted else None, held, declined, bill, payments, paid, due)


def _counting(kept: tuple[KeptQuote, ...]) -> KeptQuote | None:
    accepted = [one for one in kept if one.accepted]
    counts = accepted or [one for one in kept if one.state in (OPEN, DECLINED)]
    return counts[-1] if counts else None


def _bill_that_counts(bench: Bench, case: int, held: Quote | None) -> Bill | None:
    """The newest bill, unless it is of a quote that counts no longer and is paid."""
    bills = bills_of(bench, case)
    if not bills:
        return None
    newest = max(bills, key=lambda one: one.number)
    of_it = held is not None and newest.quote == held.number
    return newest if of_it or unpaid_bill(bench, case) else None


def _currency(counts: KeptQuote | None, payments: tuple[Payment, ...], bill: Bill | None) -> str:
    """That of the quote that was accepted, else of what was paid, of the bill, or of an open quote."""
    if counts is not None and counts.accepted:
        return counts.quote.currency
    if payments:
        return payments[0].amount.currency
    if bill is not None:
        return bill.total.gross.currency
    return counts.quote.currency if counts else ""


def look_at_bill(
    bench: Bench, case: int, done: Mapping[str, str], given: bool = True, not_done: Collection[str] = ()
) -> Bill:
    """The bill that `make_bill` would make of the same; nothing is made or noted. Raises as that does."""
    remembered(bench, case)
    return _bill_of(bench, case, account_of(bench, case), done, given, not_done)[1]


def _bill_of(
    bench: Bench,
    case: int,
    before: Account,
    done: Mapping[str, str],
    given: bool,
    not_done: Collection[str],
) -> tuple[Quote, Bill]:
    """The quote that a bill is made of, and the bill under its next number."""
    quote = _answered(case, before)
    not_done = _of_quote(bench, case, quote, not_done)
    given = given and not before.declined
    amounts = {key: Money.parse(typed, quote.currency) if typed else None for key, typed in done.items()}
    number = 1 + max((one.number for one in bills_of(bench, case)), default=0)
    day = bench.now()[:10]
    bill = bill_of(quote, amounts, given, day, number, not_done=not_done, declined=before.declined)
    return quote, bill


def _of_quote(bench: Bench, case: int, quote: Quote, not_done: Collection[str]) -> list[str]:
    """What is left out of a bill, without work that is done and on no line of its quote: it is on none
    anyhow."""
    if all(quote.line(one) for one in not_done):
        return list(not_done)
    from mendbay.jobs.bill_record import work_shown  # arrays: only where it is needed

    elsewhere = {one.key for one in work_shown(bench, case, quote) if not one.lines}
    return [one for one in not_done if one not in elsewhere]


def make_bill(
    bench: Bench,
    case: int,
    done: Mapping[str, str],
    given: bool = True,
    not_done: Collection[str] = (),
    require: Callable[[], object] = lambda: None,
) -> tuple[Account, KeptFile]:
    """Makes the bill of what was done, and keeps it; a later one takes the place of an earlier. Of a quote
    that was declined it holds what is due in any case. Its paper is drawn before the step of the ledger that
    keeps both, so that nobody else waits for it; one that lies in the case without its bill, as the step
    failed, is none.

    Args:
        done: keys of the lines of the quote that were done, each with what it came to as typed; empty where
            that is fixed.
        given: whether files are handed back.
        not_done: keys of the lines that are left out though they would be on it by themselves, or of work
            that is left out though it is on record as done.
        require: asked within that step; what it raises stands against the bill, and nothing is kept.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no quote was accepted or declined, the bill is not one that it allows, or work is on
            record as done that is neither on it nor said to be left out.
    """
    from mendbay.jobs.bill_record import held_against, require_decided  # arrays: only where a bill is made

    left_off: list[str] = []

    def found() -> tuple[Case, Quote, Bill, dict[str, Any]]:
        record, before = remembered(bench, case), account_of(bench, case)
        quote, bill = _bill_of(bench, case, before, done, given, not_done)
        against = None if before.declined else held_against(bench, case, quote, bill)
        if against is not None:
            require_decided(against, not_done)
            left_off[:] = [f"“{one.words}”" for one in against.unbilled]
        came = [one.amount for one in before.payments]
        facts = bill_facts(bench, record, quote, bill, came, declined=before.declined)
        return record, quote, bill, facts

    drawn = found()[-1]
    data = bench.stationery.pdf("bill", drawn)
    with bench.ledger.together():
        require()
        record, quote, bill, facts = found()
        if facts != drawn:  # changed while it was drawn: seldom, so drawn anew here
            data = bench.stationery.pdf("bill", facts)
        number = bill.number
        kept = bench.files.keep(record, f"papers/bill-{number}.pdf", data)
        note_of_quote(bench, case, quote.number, {"what": "bill", **bill_body(bill), "paper": kept.path})
        instead = f", in place of bill {bill.replaces}" if bill.replaces else ""
        what = f"bill {number} made of quote {quote.number}{instead}"
        off = f" Left off though on record as done: {'; '.join(left_off)}." if left_off else ""
        bench.note(case, "bill", f"{what[:1].upper()}{what[1:]}: {bill.total.gross.text}.{off}")
        bench.custody(case, what, kept.path)
    return account_of(bench, case), kept


def pay(
    bench: Bench,
    case: int,
    amount: str,
    how: How,
    day: str = "",
    *,
    back: bool = False,
    although_more: str = "",
    require: Callable[[], object] = lambda: None,
) -> tuple[Payment, Account, KeptFile]:
    """Puts down money that came in, or went back, and makes the receipt. Before a quote is accepted it is a
    deposit. The receipt is drawn before the step of the ledger that keeps both, as a bill's paper is.

    Args:
        amount: as typed, without a sign; in the currency of the quote if it names none.
        day: `YYYY-MM-DD`; empty for today.
        back: it was returned to the customer, of what came in; no quote need count any more.
        although_more: why it is taken though it is more than can be due; without the customer's name.
        require: as for `make_bill`.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no quote to hold it against, no amount or one in another currency, a day before
            the case was opened or to come, more than can be due without a reason, or more back than came.
    """
    require_no_sign(amount)
    said = day or bench.now()[:10]
    require_day(said)
    record, before, money, more = _money_of(bench, case, amount, said, back, although_more)
    payment = _payment_of(bench, case, money, how, said, back)
    drawn = payment_facts(bench, record, payment, *_after(before, payment))
    data = bench.stationery.pdf("payment", drawn)
    with bench.ledger.together():
        require()
        record, _, money, more = _money_of(bench, case, amount, said, back, although_more)
        payment = _payment_of(bench, case, money, how, said, back)
        subject = str(payment.number)
        body = {
            "what": "payment",
            "amount": payment.amount.minor,
            "currency": payment.amount.currency,
            "how": str(how),
            "day": said,
            **({"although_more": more} if more else {}),
        }
        bench.notes.add(Note(case, "", NoteKind.PAYMENT, subject, bench.now(), bench.who, json.dumps(body)))
        account = account_of(bench, case)
        facts = payment_facts(bench, record, payment, account.paid, account.due)
        if facts != drawn:  # changed while it was drawn, or it paid the bill of an earlier quote: seldom
            data = bench.stationery.pdf("payment", facts)
        kept = bench.files.keep(record, f"papers/payment-{payment.number}.pdf", data)
        what = f"payment {subject} {'returned' if back else 'received'} {how.words}"
        why = f" More than can be due: {more}" if more else ""
        bench.note(case, "payment", f"{what[:1].upper()}{what[1:]}: {money.text}.{why}")
        bench.custody(case, what, kept.path)
    return payment, account, kept


def more_than_due(bench: Bench, case: int, amount: str, day: str = "", *, back: bool = False) -> str:
    """That a payment is more than can be due, as a sentence, so that it needs a reason; empty where it needs
    none. Raises as `pay` does of all else."""
    require_no_sign(amount)
    said = day or bench.now()[:10]
    require_day(said)
    _, before, money, beyond = _payable(bench, case, amount, said, back)
    return _more_words(money, before) if beyond else ""


def _money_of(
    bench: Bench, case: int, amount: str, said: str, back: bool, although_more: str
) -> tuple[Case, Account, Money, str]:
    """Case and account as they stand, the money that was typed, and why it is taken if it is more than can be
    due; raises as `pay` does."""
    record, before, money, beyond = _payable(bench, case, amount, said, back)
    if beyond:
        _require_meant(record, money, before, although_more)
    return record, before, money, although_more.strip() if beyond else ""


def _payable(
    bench: Bench, case: int, amount: str, said: str, back: bool
) -> tuple[Case, Account, Money, bool]:
    """Case and account as they stand, the money that was typed, and whether it is more than can be due;
    raises as `pay` does of all else."""
    record, before = remembered(bench, case), account_of(bench, case)
    if before.paid is None or (before.held_against is None and before.bill is None and not back):
        raise _no_quote(case)
    money = Money.parse(amount, before.paid.currency)
    _require_payable(money, before, before.paid.currency, back)
    _require_day_within(said, record.opened_at[:10], bench.now()[:10])
    return record, before, money, not back and _beyond(money, before)


def _payment_of(bench: Bench, case: int, money: Money, how: How, said: str, back: bool) -> Payment:
    """The payment under its next number."""
    numbers = (int(one.subject) for one in bench.notes.of(NoteKind.PAYMENT, case))
    return Payment(1 + max(numbers, default=0), -money if back else money, how, said, bench.who)


def _after(before: Account, payment: Payment) -> tuple[Money | None, Money | None]:
    """What is paid in all and still due with a payment more, while its bill counts on."""
    paid = None if before.paid is None else before.paid + payment.amount
    return paid, None if before.due is None else before.due - payment.amount


def unpay(bench: Bench, case: int, number: int, reason: str) -> Account:
    """Takes back what was put down as a payment by mistake.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such payment, or no reason is given.
    """
    require_reason(reason)
    with bench.ledger.together():
        remembered(bench, case)
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


def can_be_due(account: Account) -> Money | None:
    """What the case may come to as it stands: the bill, else what the quote says at most, of one that was
    declined what is due in any case. None where there is neither."""
    held, bill = account.held_against, account.bill
    billed = [bill.total.gross] if bill else []
    if held is None or (bill and bill.quote == held.number):
        return billed[0] if billed else None
    if billed and billed[0].currency != held.currency:
        return billed[0]
    quoted = held.in_any_case if account.declined else held.totals[Column.HIGH].gross
    return max(*billed, quoted) if billed else quoted


def require_no_sign(amount: str) -> None:
    """
    Raises:
        UsageError: the amount is below 0.
    """
    if amount.strip().startswith(("-", "\u2212")):
        raise UsageError(
            f"The amount {amount.strip()[:40]!r} is below 0.",
            "Write it without a sign; --back says that it was returned to the customer.",
        )


def _answered(case: int, account: Account) -> Quote:
    """The quote that a bill can be made of: accepted, or declined."""
    if account.to_bill is None:
        raise _no_quote(case)
    return account.to_bill


def _no_quote(case: int) -> UsageError:
    return UsageError(
        f"No quote of case {case} is accepted.",
        f"mendbay case quotes {case} lists them, mendbay case accept {case} NUMBER --by phone accepts one.",
    )


def _beyond(money: Money, account: Account) -> bool:
    """Whether more is paid with it than can be due."""
    most = can_be_due(account)
    return most is not None and account.paid is not None and account.paid + money > most


def _require_meant(record: Case, money: Money, account: Account, reason: str) -> None:
    if not reason.strip():
        raise UsageError(
            _more_words(money, account), "Check the amount; --although-more REASON puts it down all the same."
        )
    require_reason(reason, "taken beyond what can be due")
    require_nameless(record, reason)


def _more_words(money: Money, account: Account) -> str:
    most, paid = can_be_due(account), account.paid
    so_far = f", of which {paid.text} came in" if paid else ""
    return f"{money.text} is more than can be due: {most.text if most else 'nothing'} in all{so_far}."


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
