"""One case at a glance: how far every step is, whose turn it is."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from mendbay.case.agenda import Wait, WaitsFor
from mendbay.core.note import NoteKind
from mendbay.faces.agenda_words import wait_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ShownWork, shown_works
from mendbay.faces.web.fields import choice, day, flag, line
from mendbay.faces.web.visit import Visit
from mendbay.jobs.consents import PARTS, word_due
from mendbay.jobs.in_hand import holder_of, lay_down, take_over
from mendbay.jobs.noted_twice import noted_twice, twice_words
from mendbay.jobs.remembered import remembered
from mendbay.jobs.take_in import told_by_pictures
from mendbay.jobs.waiting import TELLABLE, WORDS, go_on, set_due, wait, waits_of, whole_shop
from mendbay.jobs.work_port import DOING, WorkKind

if TYPE_CHECKING:
    from mendbay.case.records import Case
    from mendbay.jobs.bench import Bench

BOOK = Book()
WORKS_SHOWN = 3
BRIEF = 160
"""Characters of a work's last words that are shown here; its own page has all."""
CAUTION = "CAUTION, "
"""How a work begins a caution that it says before it touches a chip."""
_DIGEST = re.compile(r"\b[0-9a-f]{24,}\b")
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")
WHOM = "For whom"
PAGES = {
    WorkKind.HAND_BACK: "hand-back",
    WorkKind.CHECK_HAND_BACK: "hand-back",
    WorkKind.READ_PICTURES: "pictures",
    WorkKind.READ_CHIP: "board",
    WorkKind.WRITE_CHIP: "board",
    WorkKind.CATALOGUE: "files",
    WorkKind.READ_FILE: "files",
    WorkKind.EXPORT_CASE: "closing",
    WorkKind.PLAN_ERASURE: "closing",
    WorkKind.ERASE_COPIES: "closing",
}
"""Where works are told in full; the others on the page of the drives."""


def _money(bench: Bench, number: int) -> list[str]:
    """The quote that counts, or the newest, and what holds of the money, as sentences; none without one."""
    if not bench.notes.tally(number).get(NoteKind.QUOTE):
        return []
    from mendbay.case.quote import Column  # with what reads quotes and bills: only where there is one
    from mendbay.faces import money_words
    from mendbay.jobs.bill_case import account_of
    from mendbay.jobs.quote_case import quotes_of

    kept = quotes_of(bench, number)
    if not kept:
        return []
    one = next((each for each in reversed(kept) if each.accepted), kept[-1])
    likely, most = (one.quote.totals[column].gross.shown for column in (Column.LIKELY, Column.HIGH))
    told = f"Quote {one.quote.number} of {one.quote.day}: {likely} likely, {most} at most; "
    return [f"{told}{money_words.state_words(one)}.", *money_words.standing_words(account_of(bench, number))]


@BOOK.page("/case/{case:int}", "case", "One case at a glance.")
def case(visit: Visit) -> Answer:
    number = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, number)
        bays = bench.ledger.bays(number)
        by_pictures = told_by_pictures(bench, bays)
        twice = [twice_words(one) for one in noted_twice(bench, number)]
        money = _money(bench, number)
        parts_due = word_due(bench, number, [PARTS])
        who = bench.who
    return Page(
        "case.html",
        {
            "card": card,
            "bays": bays,
            "by_pictures": by_pictures,
            "twice": twice,
            "money": money,
            "parts_due": parts_due,
            "who": choice("who", WHOM, _whom(but_parts=bool(parts_due.refused)), required=True),
            "turn": _turn(card.case, card.told.entry.case.waits),
            "waits": [wait_words(one, card.today) for one in card.told.entry.case.waits],
            "told_to_wait": any(one.told for one in card.told.entry.case.waits),
            "late": card.told.entry.late,
            "me": who,
            "works": [
                (
                    DOING[one.order.kind],
                    one,
                    visit.url(PAGES.get(one.order.kind, "drives"), case=number),
                    _brief(_last_words(one)),
                )
                for one in shown_works(visit, tuple(WorkKind), WORKS_SHOWN)
            ],
        },
    )


def _whom(*, but_parts: bool = False) -> dict[str, str]:
    """For whom a case may be said to wait; a part that was refused has its own form."""
    return {str(one): WORDS[one] for one in TELLABLE if not (but_parts and one is WaitsFor.PART)}


def _last_words(work: ShownWork) -> str:
    """The trouble it ended with, what came of it, or what it said last; cautions are for the clip."""
    state = work.state
    if state.trouble:
        return state.trouble.what
    if not work.is_alive and state.result_words:
        return state.result_words[0]
    return next((one for one in reversed(state.said) if not one.startswith(CAUTION)), "")


def _brief(text: str) -> str:
    """The first sentence of what a work said, with the beginning of digests, and not longer than a glance."""
    first = _DIGEST.sub(lambda found: f"{found[0][:8]}…", _SENTENCE_END.split(text.strip(), 1)[0])
    return first if len(first) <= BRIEF else f"{first[: BRIEF - 1].rstrip()}…"


def _turn(case: Case, waits: Iterable[Wait]) -> tuple[object, ...]:
    """Whose turn a case is by what the page shows of it, so that nobody's word on it is overwritten unseen. A
    drive that is being read is left out: no word here changes that, and it comes and goes by itself."""
    told = (one for one in waits if one.told or one.who is not WaitsFor.MACHINE)
    return case.state, *((one.who, one.what, one.until) for one in told)


def _require_turn(visit: Visit, bench: Bench) -> None:
    case = remembered(bench, visit.path["case"])
    waits = waits_of(bench, case, whole_shop(bench, [case.number]))
    visit.require_unchanged("whose turn it is", *_turn(case, waits))


@BOOK.page(
    "/case/{case:int}/card",
    "case-card",
    "The steps of a case and what to do next, as they stand around each of its pages; a piece of a page.",
    [line("at", "The page they stand on", limit=40)],
)
def card(visit: Visit) -> Answer:
    with visit.bench() as bench:
        return Page(
            "case_card.html",
            {"card": card_of(visit, bench, visit.path["case"]), "step_at": visit.said["at"]},
        )


@BOOK.page(
    "/case/{case:int}/print.css", "print-style", "What stands at the foot of each sheet of a case on paper."
)
def print_style(visit: Visit) -> Answer:
    style = f'@page {{ @bottom-left {{ content: "Case {visit.path["case"]}"; font: 9pt sans-serif; }} }}\n'
    return Blob(style.encode(), "text/css", lasting=True)


@BOOK.change(
    "/case/{case:int}/wait",
    "wait",
    "Says what a case waits for.",
    [
        choice("who", WHOM, _whom(), required=True),
        line("what", "For what", required=True),
        day("until", "Expected by"),
        line("although_refused", "Why, although the customer refused it"),
        CUSTOMER_ASKED,
    ],
)
def wait_(visit: Visit) -> Answer:
    said, number = visit.said, visit.path["case"]
    with visit.bench() as bench, bench.ledger.together():
        _require_turn(visit, bench)
        wait(
            bench,
            number,
            WaitsFor(said["who"]),
            said["what"],
            said["until"],
            although=said["although_refused"],
            asked=said["customer_asked"],
        )
    return visit.go("case", f"It waits for {WORDS[WaitsFor(said['who'])]} now.")


@BOOK.change(
    "/case/{case:int}/go-on",
    "go-on",
    "Says that a case waits no longer.",
    [line("remark", "Remark, without the customer's name"), flag("all", "Also not for what is on record")],
)
def go_on_(visit: Visit) -> Answer:
    with visit.bench() as bench, bench.ledger.together():
        _require_turn(visit, bench)
        done = go_on(bench, visit.path["case"], visit.said["remark"], everything=visit.said["all"])
    if done.noted:
        said = "It goes on." if not done.waits else "Noted; it still waits for what is on record."
    else:
        said = "Nothing was told that it waits for, so nothing was noted."
    return visit.go("case", said)


@BOOK.change("/case/{case:int}/take-over", "take-over", "Says that who presses it has the case in hand.")
def take_over_(visit: Visit) -> Answer:
    with visit.bench() as bench:
        before = take_over(bench, visit.path["case"], lambda: _require_holder(visit, bench))
        me = bench.who
    had = f"; it was {before}" if before and before != me else ""
    return visit.go("case", f"{me} has it in hand now{had}.")


@BOOK.change("/case/{case:int}/lay-down", "lay-down", "Says that nobody has the case in hand any more.")
def lay_down_(visit: Visit) -> Answer:
    with visit.bench() as bench:
        lay_down(bench, visit.path["case"], lambda: _require_holder(visit, bench))
    return visit.go("case", "Nobody has it in hand now.")


def _require_holder(visit: Visit, bench: Bench) -> None:
    holder = holder_of(bench, remembered(bench, visit.path["case"]))
    visit.require_unchanged("who has it in hand", holder)


@BOOK.change("/case/{case:int}/due", "due", "Sets the day by which it is needed.", [day("day", "Needed by")])
def due(visit: Visit) -> Answer:
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("the deadline", bench.ledger.case(visit.path["case"]).due_on)
        now = set_due(bench, visit.path["case"], visit.said["day"])
    return visit.go("case", f"Needed by {now.due_on}." if now.due_on else "There is no deadline any more.")
