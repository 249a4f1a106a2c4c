"""What was paid and is due, in the words of the bench, for every face."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from mendbay.case.quote import Column, When
from mendbay.jobs.bill_case import Account, most_of
from mendbay.jobs.money_papers import span_words

if TYPE_CHECKING:
    from mendbay.jobs.bill_record import AgainstRecord
    from mendbay.jobs.quote_case import KeptQuote

SURE = (When.ALWAYS, When.DONE)
"""When a line is due whatever comes."""


def state_words(one: KeptQuote) -> str:
    """The state of a quote, and how the customer's word on it came."""
    return f"{one.state} {one.word.by.words}" if one.word and not one.superseded else one.state


def due_words(account: Account) -> list[str]:
    """What was paid so far and what is still due of a bill; nothing while there is none."""
    if account.paid is None or account.due is None:
        return []
    paid = [f"Paid so far: {account.paid.shown}."] if account.paid else []
    if account.due.minor > 0:
        return [*paid, f"Still to be paid: {account.due.shown}."]
    if account.due.minor < 0:
        return [*paid, f"To be returned to the customer: {(-account.due).shown}."]
    return [*paid, "Nothing is due."]


def no_bill_words(account: Account) -> str:
    """What the bill of an accepted quote will be at most; empty where there is a bill, or no such quote."""
    most = most_of(account)
    if account.bill is not None or most is None:
        return ""
    paid = f"; paid so far: {account.paid.shown}" if account.paid else ""
    return f"There is no bill yet; it will be {most.shown} at most{paid}."


def deposit_words(account: Account) -> list[str]:
    """What was paid while no quote is accepted."""
    if not account.paid:
        return []
    paid = f"Paid so far: {account.paid.shown}."
    if account.held_against and not account.declined:
        return [f"A deposit for quote {account.held_against.number}. {paid}"]
    return [paid]


def standing_words(account: Account) -> list[str]:
    """What holds of the money now, as sentences."""
    if account.quote is not None:
        no_bill = no_bill_words(account)
        return [no_bill] if no_bill else due_words(account)
    if account.bill is not None:
        return due_words(account)
    told = ["No quote is accepted."]
    due = account.held_against.in_any_case if account.held_against and account.declined else None
    if due:
        told.append(f"{due.shown} are due in any case.")
    return [*told, *deposit_words(account)]


def accepted_words(number: int, found: KeptQuote, before: int) -> str:
    """That a quote is accepted now.

    Args:
        before: number of the quote that counted until then; the same if none did.
    """
    most = found.quote.totals[Column.HIGH].gross.shown
    instead = f" It takes the place of quote {before}." if before != number else ""
    return f"Quote {number} is accepted: the bill will be {most} at most.{instead}"


def after_no_words(number: int, account: Account) -> list[str]:
    """What holds once a customer declined a quote: another that is accepted or open, or what is due all the
    same; nothing where there is neither.

    Args:
        number: of the quote that was declined.
    """
    held = account.held_against
    if account.quote is not None:
        most = account.quote.totals[Column.HIGH].gross.shown
        return [f"Quote {account.quote.number} stays accepted: the bill will be {most} at most."]
    if held is not None and held.number != number:
        return [
            f"Quote {held.number} {'is declined too' if account.declined else 'still waits for an answer'}."
        ]
    due = held.in_any_case if held is not None else None
    return [f"For the examination {due.shown} are due."] if due else []


def left_out_words(account: Account, not_done: Sequence[str]) -> list[str]:
    """What the quote counts on and the bill does not hold, so that no work is forgotten.

    Args:
        not_done: keys of the lines that were said to be left out.
    """
    if account.quote is None or account.bill is None or account.bill.quote != account.quote.number:
        return []
    bill = account.bill
    billed = {*(one.key for one in bill.lines), *not_done}
    return [
        f"{one.key}: {span_words(one.least, one.most)}"
        for one in account.quote.lines
        if one.key not in billed and (one.when in SURE or (one.when is When.GIVEN and bill.given))
    ]


def against_words(found: AgainstRecord) -> list[str]:
    """What is done and on no line of a bill, and what of it nothing on record shows as done; nothing where
    both agree."""
    told = []
    if found.unbilled:
        told.append(f"On record as done and not on it: {'; '.join(one.text for one in found.unbilled)}.")
    if found.unshown:
        words = "; ".join(f"“{each}”" for _, each in found.unshown)
        told.append(f"On it, and nothing on record shows it as done: {words}.")
    return told
