"""What is kept of money: the notes on quotes, on the customer's word, on bills and on payments."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeVar

from mendbay.case.bill import Bill
from mendbay.case.quote_body import bill_from
from mendbay.core.errors import LedgerError
from mendbay.core.money import Money
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.withdraw import reason_of, standing_notes, subject_of


class How(StrEnum):
    """How money changed hands."""

    CASH = "cash"
    CARD = "card"
    TRANSFER = "transfer"

    @property
    def words(self) -> str:
        return {How.CASH: "in cash", How.CARD: "by card", How.TRANSFER: "by transfer"}[self]


@dataclass(frozen=True, slots=True)
class Payment:
    """
    Args:
        number: within the case, from 1.
        amount: what came in; below 0 what went back to the customer.
    """

    number: int
    amount: Money
    how: How
    day: str
    who: str


Read = TypeVar("Read")


def body_of(note: Note) -> dict[str, Any]:
    """What a note of money says.

    Raises:
        LedgerError: it is not one that Mendbay wrote.
    """

    def read() -> dict[str, Any]:
        body = json.loads(note.body)
        if not isinstance(body["what"], str) or not note.subject.isdecimal():
            raise ValueError("not what it should hold")
        return dict(body)

    return read_body(note, read)


def read_body(note: Note, read: Callable[[], Read]) -> Read:
    """What `read` makes of a note.

    Raises:
        LedgerError: it is not one that Mendbay wrote.
    """
    try:
        return read()
    except (ValueError, KeyError, TypeError, ArithmeticError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} on {note.kind} {note.subject[:20]} cannot be read: "
            f"{trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def note_of_quote(bench: Bench, case: int, number: int, body: dict[str, Any]) -> None:
    """Notes something of a quote: itself, the customer's word on it, or its bill."""
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(case, "", NoteKind.QUOTE, str(number), bench.now(), bench.who, text))


def bills_of(bench: Bench, case: int, quote: int | None = None) -> tuple[Bill, ...]:
    """The bills made in a case, or of one of its quotes, the oldest first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    subject = None if quote is None else str(quote)
    made = [(note, body_of(note)) for note in standing_notes(bench, NoteKind.QUOTE, case, "", subject)]
    return tuple(
        read_body(note, lambda body=body: bill_from(body))  # type: ignore[misc]
        for note, body in made
        if body["what"] == "bill"
    )


def unpaid_bill(bench: Bench, case: int) -> tuple[Bill, Money] | None:
    """The newest bill of a case and what of it is still to be paid; None if it is paid or there is none. All
    that came in counts, since each bill takes the place of the one before.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    bills = bills_of(bench, case)
    if not bills:
        return None
    newest = max(bills, key=lambda one: one.number)
    currency = newest.total.gross.currency
    came = (one.amount for one in payments_of(bench, case) if one.amount.currency == currency)
    due = newest.total.gross - Money.sum(came, currency)
    return (newest, due) if due.minor > 0 else None


def payments_of(bench: Bench, case: int) -> tuple[Payment, ...]:
    """What was paid for a case, the oldest first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(_payment(note) for note in standing_notes(bench, NoteKind.PAYMENT, case))


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A payment that was put down by mistake: it counts no longer, and its paper shows money that nobody
    has.

    Args:
        at, who: when it was taken back, and by whom.
        reason: why.
    """

    payment: Payment
    at: str
    who: str
    reason: str


def payments_taken_back(bench: Bench, case: int) -> tuple[TakenBack, ...]:
    """The payments of a case that were taken back, the oldest first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    gone = {one.subject: one for one in bench.notes.of(NoteKind.WITHDRAWAL, case, "")}
    found = []
    for note in bench.notes.of(NoteKind.PAYMENT, case):
        if last := gone.get(subject_of(note)):
            found.append(TakenBack(_payment(note), last.at, last.who, reason_of(last)))
    return tuple(found)


def _payment(note: Note) -> Payment:
    body = body_of(note)

    def read() -> Payment:
        amount = Money(body["amount"], body["currency"])
        return Payment(int(note.subject), amount, How(body["how"]), str(body["day"]), note.who)

    return read_body(note, read)
