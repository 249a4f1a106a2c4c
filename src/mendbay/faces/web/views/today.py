"""What to do today."""

from __future__ import annotations

from mendbay.case.agenda import Entry
from mendbay.faces.agenda_words import figures_words, wait_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.commands import page_of
from mendbay.faces.web.fields import flag
from mendbay.faces.web.gatherer import Gathered
from mendbay.faces.web.visit import Visit
from mendbay.jobs.agenda import KnownDay, known_agenda
from mendbay.jobs.shop_currency import shop_currency
from mendbay.wiring import open_bench

BOOK = Book()
KEPT_SECONDS = 10.0
"""How long a day is shown without a look at drives that are being read, which no ledger tells."""
SHOWN = 12
"""Steps, and cases that wait, that are listed at first."""
MOST = 500
"""The same that one page lists at all."""
HEADS = ("Late", "Due today", "Next, by what your time is worth")


@BOOK.page("/", "today", "What is to be done today, and what waits for whom.", [flag("all", "Every step")])
def today(visit: Visit) -> Answer:
    gathered = _day(visit)
    if gathered is None:
        return Page("gathering.html", {"what": "Today"})
    known, currency = gathered.found
    day, agenda = known.day, known.day.agenda
    visit.desk.weigher.ask(known.not_yet[:MOST])
    most = MOST if visit.said["all"] else SHOWN
    steps = agenda.steps[:most]
    groups = [
        {"head": head, "rows": [_step(visit, known, one, currency) for one in steps if one.place == place]}
        for place, head in enumerate(HEADS)
    ]
    waiting = [
        {
            "case": day.cases[one.case.number],
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


def _day(visit: Visit) -> Gathered[tuple[KnownDay, str]] | None:
    """The day's work as far as it is worked out, and the shop's currency; None while it is gathered the first
    time."""
    desk = visit.desk

    def gather() -> tuple[tuple[KnownDay, str], str]:
        with open_bench(desk.home) as bench:
            return (known_agenda(bench), shop_currency(bench)), bench.now()

    return desk.gathered(
        "day", gather, kept_seconds=KEPT_SECONDS, is_unfinished=lambda found: bool(found[0].not_yet)
    )


def _step(visit: Visit, known: KnownDay, one: Entry, currency: str) -> dict[str, object]:
    chore = one.chore
    assert chore is not None
    page = page_of(visit.book, chore.command)
    return {
        "case": known.day.cases[one.case.number],
        "late": one.late,
        "words": chore.words,
        "figures": figures_words(chore, currency),
        "url": page[0] if page else visit.url("case", case=one.case.number),
    }
