"""Things of a job that is done, which the customer is to fetch: by which day they were asked, and what
keeping them costs after it. Nothing is given away or destroyed because of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from mendbay.case.agenda import Wait, WaitsFor, days_since
from mendbay.case.items import Item
from mendbay.case.records import Case, CaseState
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_day
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.remembered import remembered
from mendbay.jobs.things_here import parted, things_here, things_words

if TYPE_CHECKING:
    from mendbay.case.price_list import Price
    from mendbay.core.money import Money

ABOUT = "fetching"
"""Subject of the notes on waiting that say by when a customer was asked to fetch their things."""
FETCH_WORDS = "to fetch "
"""Before the things that a customer is waited for to fetch."""
DONE = (CaseState.CLOSED, CaseState.HANDED_BACK)
LAW = (
    "Nothing of theirs is given away or destroyed without their word on record; how long things are kept "
    "that nobody fetches, and what may be asked for it, is for the law where you are."
)


@dataclass(frozen=True, slots=True)
class Fetching:
    """How it stands with what a customer is to fetch.

    Args:
        things: of the customer that are here.
        until: the last day by which they were asked to fetch them; empty if they were not.
        price: what keeping costs, by the price list; None if it has no such price.
        is_invented: that price is the one of our example; no customer is told it.
        days: since that day; 0 while it is not past, or none is set.
        times: full days or weeks since, by the unit of the price; 0 without one.
        costs: what keeping came to since; None without a price, or before one of them is full.
    """

    case: Case
    things: tuple[Item, ...]
    until: str
    price: Price | None
    is_invented: bool
    days: int
    times: int
    costs: Money | None

    @property
    def past(self) -> bool:
        """Whether the day is past and something is still here."""
        return bool(self.things) and self.days > 0


def ask_to_fetch(bench: Bench, number: int, until: str) -> Case:
    """Puts down by which day a customer was asked to fetch what is here of theirs; empty takes it back.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: it is still worked on, the copy for the customer is not checked yet, nothing of theirs is
            here, or a day that is none or past.
    """
    if until:
        require_day(until)
        if until < bench.now()[:10]:
            raise UsageError(f"{until} is past.", "Give a day to come.")
    with bench.ledger.together():
        case = remembered(bench, number)
        if until:
            _require_ready(bench, case)
        if asked_until(bench.notes.of(NoteKind.WAITING, number, "", ABOUT)) == until:
            return case
        body = json.dumps({"until": until})
        bench.notes.add(Note(number, "", NoteKind.WAITING, ABOUT, bench.now(), bench.who, body))
        said = f"Asked to fetch the things by {until}." if until else "No day is set any more for fetching."
        bench.note(number, "waiting", said)
    return case


def _require_ready(bench: Bench, case: Case) -> None:
    if case.state not in DONE:
        raise UsageError(
            f"Case {case.number} is still worked on: nothing of it is to be fetched yet.",
            f"mendbay case close {case.number} ends it.",
        )
    if not parted(things_here(bench, case.number))[0]:
        raise UsageError(
            f"Nothing of the customer's is here of case {case.number}.",
            f"mendbay case items {case.number} lists its things and where they are.",
        )
    if case.state is CaseState.HANDED_BACK:
        from mendbay.jobs.reached_customer import since_hand_back  # arrays: only where copies were made

        since = since_hand_back(bench, case.number)
        if since.made_on and not since.checked_on:
            raise UsageError(
                f"The copy for the customer of case {case.number} is not checked yet.",
                "mendbay handback check FOLDER checks it, on the customer's medium.",
            )


def asked_until(notes: Sequence[Note]) -> str:
    """The day that the last of these notes on fetching tells; empty for none.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    mine = [one for one in notes if (one.bay, one.subject) == ("", ABOUT)]
    if not mine:
        return ""
    until = body_of(mine[-1], mine[-1].kind).get("until")
    if not isinstance(until, str):
        raise unreadable(mine[-1], mine[-1].kind, TypeError("not what it should hold"))
    return until


def fetch_waits(bench: Bench, case: Case, notes: Sequence[Note]) -> tuple[Wait, ...]:
    """That a case waits for the customer to fetch their things; nothing once none is here.

    Args:
        notes: the case's on waiting.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    until = asked_until(notes) if case.state in DONE else ""
    here = parted(things_here(bench, case.number))[0] if until else ()
    if not here:
        return ()
    since = next(one.at for one in reversed(notes) if one.subject == ABOUT)
    return (Wait(WaitsFor.CUSTOMER, f"{FETCH_WORDS}{things_words(here)}", since, until),)


def is_fetch(one: Wait) -> bool:
    """Whether it is things that are waited for to be fetched."""
    return not one.told and one.what.startswith(FETCH_WORDS)


def tell_fetching(bench: Bench, number: int) -> Fetching:
    """How it stands with what a customer is to fetch, and what keeping it costs by the shop's price list.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        BadFormFile: the price list is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    from mendbay.case.price_list import KEEPING, KEPT_BY
    from mendbay.jobs.quote_lines import prices_in_force  # triage: only where it is told

    case = remembered(bench, number)
    here = parted(things_here(bench, number))[0] if case.state in DONE else ()
    until = asked_until(bench.notes.of(NoteKind.WAITING, number, "", ABOUT))
    prices = prices_in_force(bench)
    price, is_invented = prices.keeping, not prices.own or KEEPING in prices.invented
    days = max(0, days_since(until, bench.now()[:10])) if until else 0
    times = days // KEPT_BY[price.unit] if price else 0
    costs = price.low.times(Decimal(times)) if price and times and price.low and here else None
    return Fetching(case, here, until, price, price is not None and is_invented, days, times, costs)
