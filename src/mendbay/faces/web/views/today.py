"""What to do today."""

from __future__ import annotations

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.visit import Visit

BOOK = Book()


@BOOK.page("/", "today", "What is to be done today, and what waits for whom.")
def today(visit: Visit) -> Answer:
    return Page("today.html", {})
