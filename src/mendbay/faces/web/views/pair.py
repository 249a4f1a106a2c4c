"""How the drives of a case belong together, and what speaks for it."""

from __future__ import annotations

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.visit import Visit

BOOK = Book()


@BOOK.page("/case/{case:int}/pair", "pair", "How the drives belong together, and why.")
def pair(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
    return Page("case.html", {"card": card})
