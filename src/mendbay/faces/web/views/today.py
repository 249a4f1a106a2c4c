"""What to do today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.case.agenda import Entry
from mendbay.faces.agenda_words import HEADS, figures_words, wait_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.commands import page_of
from mendbay.faces.web.fields import flag
from mendbay.faces.web.gatherer import Gathered
from mendbay.faces.web.visit import Visit
from mendbay.jobs.agenda import KnownDay, known_agenda
from mendbay.jobs.in_hand import holders_of
from mendbay.jobs.shop_currency import shop_currency
from mendbay.wiring import open_bench

BOOK = Book()
KEPT_SECONDS = 10.0
"""How long a day is shown without a look at drives that are being read, which no ledger tells."""
SHOWN = 12
"""Steps, and cases that wait, that are listed at first."""
MOST = 500
"""The same that one page lists at all."""


@dataclass(frozen=True, slots=True)
class _Known:
    """What is kept of a day.

    Args:
        currency: the shop's.
        holders: who has which of its cases in hand, by number.
    """

    known: KnownDay
    currency: str
    holders: Mapping[int, str]


@BOOK.page("/", "today", "What is to be done today, and what waits for whom.", [flag("all", "Every step")])
def today(visit: Visit) -> Answer:
    gathered = _day(visit)
    if gathered is None:
        return Page("gathering.html", {"what": "Today"})
    known = gathered.found.known
    day, agenda = known.day, known.day.agenda
    visit.desk.weigher.ask(known.not_yet[:MOST])
    most = MOST if visit.said["all"] else SHOWN
    steps = agenda.steps[:most]
    groups = [
        {"head": head, "rows": [_step(visit, gathered.found, one) for one in steps if one.place == place]}
        for place, head in HEADS.items()
    ]
    waiting = [
        {
            "case": day.cases[one.case.number],
            "holder": gathered.found.holders.get(one.case.number, ""),
            "late": one.late,
            "words": [wait_words(each, agenda.day) for each in one.case.waits],
        }
        for one in agenda.waiting[:most]
    ]
    return Page(
        "today.html",
        {
            "day": agenda.day,
            "groups": [one for one in groups if one["rows"]],
            "count": len(agenda.steps),
            "left": len(agenda.steps) - len(steps),
            "waiting": waiting,
            "waiting_left": len(agenda.waiting) - len(waiting),
            "not_yet": len(known.not_yet),
            "as_of": gathered.at if gathered.is_old else "",
        },
    )


def _day(visit: Visit) -> Gathered[_Known] | None:
    """The day's work as far as it is worked out; None while it is gathered the first time."""
    desk = visit.desk

    def gather() -> tuple[_Known, str]:
        with open_bench(desk.home) as bench:
            known = known_agenda(bench)
            holders = holders_of(bench, known.day.cases.values())
            return _Known(known, shop_currency(bench), holders), bench.now()

    return desk.gathered(
        "day",
        gather,
        with_works=True,
        kept_seconds=KEPT_SECONDS,
        is_unfinished=lambda found: bool(found.known.not_yet),
    )


def _step(visit: Visit, found: _Known, one: Entry) -> dict[str, object]:
    chore = one.chore
    assert chore is not None
    facts = {"case": found.known.day.cases[one.case.number], "late": one.late}
    page = page_of(visit.book, chore.command, one.case.number)
    return {
        **facts,
        "holder": found.holders.get(one.case.number, ""),
        "words": chore.words,
        "figures": figures_words(chore, found.currency),
        "url": page[0] if page else visit.url("case", case=one.case.number),
    }
