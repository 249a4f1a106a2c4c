"""One case: its card."""

from __future__ import annotations

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.visit import Visit

BOOK = Book()


@BOOK.page("/case/{case:int}", "case", "One case at a glance.")
def case(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
    return Page("case.html", {"card": card})
