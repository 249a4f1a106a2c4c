"""What a case waits for: what a person said of it, and what is on record without being told.

The list of cases rests on this: what reads quotes and bills is imported with the first case that has one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from mendbay.case.agenda import Wait, WaitsFor
from mendbay.case.answer_day import differs_words
from mendbay.case.records import Bay, Case, CaseState, Image
from mendbay.case.secret_text import require_no_secret
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_day, require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import PARTS, note_asked, refused_although, require_asked
from mendbay.jobs.fetch_things import fetch_waits
from mendbay.jobs.money_standing import SETTLED, MoneyBook, MoneyStanding, OpenQuote, money_standing
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.ports import ImageGlance
from mendbay.jobs.remembered import remembered, reopening

if TYPE_CHECKING:
    from mendbay.board.stock import StockItem


ABOUT = "case"
"""Subject of the notes on waiting."""
TELLABLE = (WaitsFor.CUSTOMER, WaitsFor.PART, WaitsFor.MACHINE)
WORDS = {
    WaitsFor.CUSTOMER: "the customer",
    WaitsFor.PART: "a part",
    WaitsFor.MACHINE: "a machine",
    WaitsFor.US: "us",
}
QUOTE_WORDS = "an answer to quote"
"""Before the number of a quote that is waited for."""
RUN_OUT_WORDS = ", which has run out"
"""After the number of one that is no longer valid."""
ORDERED = re.compile(r"(ordered|on order)\b", re.IGNORECASE)
"""How the location of a stock item begins that is not in hand yet."""
MANY = 100
"""Cases from which listing all folders is quicker than looking for each (own choice)."""
_DAY = re.compile(r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}\b")


@dataclass(frozen=True, slots=True)
class WholeShop:
    """What is read at once of all cases that are asked about, by case: what stands in the ledger of each,
    and what of its money is open. What a case has nothing of is left out.

    Args:
        waiting, subjects: notes on waiting, and on what triage is of, withdrawn ones too.
        folders: names of the folders of cases that are there; of a case without one there is no image. None
            if they were not listed.
        last_notes, last_events: numbers that grow with each.
    """

    reserved: Mapping[int, tuple[StockItem, ...]]
    bays: Mapping[int, tuple[Bay, ...]]
    images: Mapping[int, tuple[Image, ...]]
    waiting: Mapping[int, tuple[Note, ...]]
    money: Mapping[int, MoneyStanding]
    last_notes: Mapping[int, int]
    last_events: Mapping[int, int]
    subjects: Mapping[int, tuple[Note, ...]]
    folders: frozenset[str] | None

    def glance(self, bench: Bench, case: Case, bay: str) -> ImageGlance | None:
        """The image of a bay seen from outside; None if there is none."""
        if self.folders is not None and case.folder not in self.folders:
            return None
        return bench.images.glance(case, bay)


def whole_shop(bench: Bench, cases: Sequence[int] | None = None, book: MoneyBook | None = None) -> WholeShop:
    """What `waits_of` needs.

    Args:
        cases: numbers of those that are asked about; None for all.
        book: what is remembered of their money; without one it is read from their notes.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    if cases is None:
        cases = [one.number for one in bench.ledger.case_lines()]
    reserved: dict[int, tuple[StockItem, ...]] = {}
    for item in bench.shelf.reserved(cases[0] if len(cases) == 1 else 0):
        reserved[item.case] = (*reserved.get(item.case, ()), item)
    standing = book.of if book is not None else partial(money_standing, bench)
    return WholeShop(
        reserved,
        bench.ledger.bays_of_several(cases),
        bench.ledger.images_of_several(cases),
        bench.notes.of_several(NoteKind.WAITING, cases),
        {one: standing(one) for one in cases},
        bench.notes.last_numbers(cases),
        bench.ledger.last_events(cases),
        bench.notes.of_several(NoteKind.SUBJECT, cases),
        bench.images.folders() if len(cases) > MANY else None,
    )


def wait(
    bench: Bench,
    number: int,
    who: WaitsFor,
    what: str,
    until: str = "",
    *,
    although: str = "",
    asked: bool = False,
) -> Case:
    """Says what a case waits for from now on. The words stay with the note on waiting, from which letters
    take them: they may name the customer, so the story tells only whom or what it waits for.

    Args:
        what: in words; `until` the day it is expected, empty for none.
        although: why a part is ordered where the customer refused that parts are used up; custody keeps it.
        asked: the customer, who wants to be asked each time before that, was asked and said yes.

    Raises:
        NoSuchCase: there is no such case.
        HeldBack: they refused it and no reason is given, or want to be asked and were not; nothing is
            recorded.
        UsageError: it is done with, nothing is said, what is said seems to hold a password, or a day that is
            none.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
    """
    if who not in TELLABLE:
        raise UsageError("A case that waits for us does not wait.", f"mendbay case go-on {number} says so.")
    if not what.strip():
        raise UsageError("Nothing is said of what it waits for.", "Say it in a few words.")
    require_line(what, "reason")
    require_no_secret(what)
    if until:
        require_day(until)
        if until < bench.now()[:10]:
            raise UsageError(f"{until} is past.", "Give a day to come, or leave --until out.")
    with bench.ledger.together():
        _require_open(remembered(bench, number))
        needed = (PARTS,) if who is WaitsFor.PART else ()
        against = refused_although(bench, number, needed, although)
        titles = require_asked(bench, number, needed, asked)
        note_asked(bench, number, titles, ["a part that is waited for"], "waiting")
        if against:
            done = f"part waited for although the customer refused {against}"
            bench.custody(number, done, f"the whole case; {although.strip()}")
            bench.note(number, "waiting", f"{done[:1].upper()}{done[1:]}: {although.strip()}")
        _note(bench, number, {"for": str(who), "what": what.strip(), "until": until})
        by = f", expected by {until}" if until else ""
        bench.note(number, "waiting", f"Waits for {WORDS[who]}{by}.")
        return bench.ledger.amend_case(number, state=CaseState.WAITING)


@dataclass(frozen=True, slots=True)
class GoneOn:
    """What became of the word that a case goes on.

    Args:
        noted: something was told to wait for, or a remark was given; otherwise nothing was written.
        waits: what it waits for all the same.
    """

    case: Case
    noted: bool
    waits: tuple[Wait, ...]


def go_on(bench: Bench, number: int, remark: str = "", *, everything: bool = False) -> GoneOn:
    """Says that a case waits no longer for what was told.

    Args:
        remark: without the customer's name.
        everything: whatever is on record up to now, such as an open quote, is no reason to wait any more.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is done with, or the remark cannot be kept, names the customer or seems to hold a
            password.
    """
    require_line(remark, "remark")
    with bench.ledger.together():
        case = remembered(bench, number)
        require_nameless(case, remark)
        _require_open(case)
        waits = waits_of(bench, case, whole_shop(bench, [number]))
        if not (any(one.told for one in waits) or remark.strip() or everything):
            return GoneOn(case, False, waits)
        _note(bench, number, {"for": "", "what": remark.strip(), "until": "", "all": everything})
        said = f": {remark.strip()}" if remark.strip() else ""
        bench.note(number, "waiting", f"Goes on{said}.")
        now = bench.ledger.amend_case(number, state=CaseState.OPEN)
        return GoneOn(now, True, waits_of(bench, now, whole_shop(bench, [number])))


def set_due(bench: Bench, number: int, day: str) -> Case:
    """Sets the day by which the customer needs it; empty takes it away. Custody tells it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is no day, or past, or the case is closed.
    """
    if day:
        require_day(day)
    with bench.ledger.together():
        record = remembered(bench, number)
        require_due(bench, record, day)
        before = record.due_on
        amended = bench.ledger.amend_case(number, due_on=day)
        if before != day:
            said = f"{before or 'none'} -> {day or 'none'}"
            bench.custody(number, f"deadline changed: {said}", "the whole case")
            bench.note(number, "deadline", f"Deadline: {said}.")
    return amended


def require_due(bench: Bench, case: Case, day: str) -> None:
    """Refuses a day by which a case cannot be needed; empty is none.

    Raises:
        UsageError: it is past, or the case is closed.
    """
    _require_not_closed(case)
    if day and day < bench.now()[:10]:
        raise UsageError(f"{day} is past.", f"Give a day to come: mendbay case due {case.number} DAY")


def _require_not_closed(case: Case) -> None:
    if case.state is CaseState.CLOSED:
        raise UsageError(
            f"Case {case.number} is closed: nothing of it is due any more.",
            reopening(case),
        )


def waits_of(bench: Bench, case: Case, shop: WholeShop) -> tuple[Wait, ...]:
    """What a case waits for, the most telling first: a person's word, then what is on record. Empty while it
    is our turn; once the files are handed back, or the case is closed, only a bill is waited for, and things
    that the customer was asked to fetch.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    if case.state in (CaseState.CLOSED, CaseState.HANDED_BACK):
        payment = tuple(wait for _, wait in _payment(_money(case, shop)))
        notes = shop.waiting.get(case.number, ())
        return (*payment, *fetch_waits(bench, case, notes)) if notes else payment
    about = [one for one in shop.waiting.get(case.number, ()) if (one.bay, one.subject) == ("", ABOUT)]
    last = about[-1:]
    told: list[Wait] = []
    gone_on = 0
    for note in about:
        body = body_of(note, note.kind)
        told = [_told(note, body)] if body.get("for") else []
        if not body.get("for") and body.get("all", True):  # before it could be said, it meant everything
            gone_on = note.number
    if not told and case.state is CaseState.WAITING:
        told.append(Wait(WaitsFor.CUSTOMER, "not said what for", case.opened_at, told=True))
    busy, open_ones = _machines(bench, case, shop), _unanswered(bench, case, _money(case, shop), gone_on)
    return (*told, *busy, *open_ones, *_parts(case, shop, last, gone_on))


def _told(note: Note, body: Mapping[str, Any]) -> Wait:
    try:
        return Wait(WaitsFor(body["for"]), str(body["what"]), note.at, str(body["until"]), told=True)
    except (KeyError, ValueError) as trouble:
        raise unreadable(note, note.kind, trouble) from trouble


def _money(case: Case, shop: WholeShop) -> MoneyStanding:
    return shop.money.get(case.number, SETTLED)


def _machines(bench: Bench, case: Case, shop: WholeShop) -> list[Wait]:
    """All drives that are being read as one: only what is told first is seen everywhere."""
    busy: dict[str, str] = {}
    for bay in shop.bays.get(case.number, ()):
        seen = shop.glance(bench, case, bay.bay)
        if seen is not None and seen.busy:
            begun = [one.started_at for one in shop.images.get(case.number, ()) if one.bay == bay.bay]
            busy[bay.bay] = begun[-1] if begun else bench.now()
    if not busy:
        return []
    bays = f"bay{'s' if len(busy) > 1 else ''} {' and '.join(busy)}"
    return [Wait(WaitsFor.MACHINE, f"the reading of {bays} to end", min(busy.values()))]


def _unanswered(bench: Bench, case: Case, money: MoneyStanding, gone_on: int) -> list[Wait]:
    """What the customer owes a word or money, since the last word that the case goes on."""
    open_ones = (*_quotes(case, money, bench.now()[:10]), *_payment(money))
    return [wait for number, wait in open_ones if number > gone_on]


def _quotes(case: Case, money: MoneyStanding, today: str) -> list[tuple[int, Wait]]:
    """The quotes that the customer has not answered, with the numbers of their notes. One that is valid is
    waited for until the day by which its paper asks for an answer, also where the day by which the job is
    needed was changed since."""
    found = []
    for one in money.quotes:
        run_out = one.valid_until < today
        until = one.valid_until if run_out else one.asked_by
        made_on = one.made_at[:10]
        differs = "" if run_out else differs_words(until, made_on, one.valid_until, case.due_on)
        what = _quote_words(one, today)
        found.append((one.note, Wait(WaitsFor.CUSTOMER, what, one.made_at, until, differs=differs)))
    return found


def _quote_words(one: OpenQuote, today: str) -> str:
    return f"{QUOTE_WORDS} {one.number}{RUN_OUT_WORDS if one.valid_until < today else ''}"


def _payment(money: MoneyStanding) -> list[tuple[int, Wait]]:
    """What is still to be paid of a bill, with the number of the bill's note."""
    if not money.bill_note:
        return []
    return [(money.bill_note, Wait(WaitsFor.CUSTOMER, f"the payment of {money.due}", money.billed_at))]


def _parts(case: Case, shop: WholeShop, last: Sequence[Note], gone_on: int) -> list[Wait]:
    """Reserved items that are not in hand: their location begins with `ordered` or `on order`; a day in it is
    when they are expected."""
    if gone_on:
        return []
    since = last[0].at if last else case.opened_at
    found: list[Wait] = []
    for item in shop.reserved.get(case.number, ()):
        if ORDERED.match(item.location.strip()):
            day = _DAY.search(item.location)
            until = day[0] if day and _is_day(day[0]) else ""
            found.append(Wait(WaitsFor.PART, f"stock item {item.number}, {item.full_name}", since, until))
    return found


def _is_day(text: str) -> bool:
    try:
        require_day(text)
    except UsageError:
        return False
    return True


def _require_open(case: Case) -> None:
    if case.state in (CaseState.CLOSED, CaseState.HANDED_BACK):
        raise UsageError(
            f"Case {case.number} is {case.state}: only a case that is worked on can wait or go on.",
            reopening(case)
            if case.state is CaseState.CLOSED
            else f"mendbay case close {case.number} ends it.",
        )


def _note(bench: Bench, case: int, body: Mapping[str, object]) -> None:
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(case, "", NoteKind.WAITING, ABOUT, bench.now(), bench.who, text))
