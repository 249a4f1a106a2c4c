"""The list of cases, and opening one."""

from __future__ import annotations

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.fields import line
from mendbay.faces.web.visit import Visit
from mendbay.jobs.take_in import take_in

BOOK = Book()


@BOOK.page("/cases", "cases", "The cases, with what waits for what.")
def cases(visit: Visit) -> Answer:
    with visit.bench() as bench:
        found = bench.ledger.cases()[-50:]
    return Page("cases.html", {"cases": found})


@BOOK.change("/cases/open", "open-case", "Opens a case.", [line("customer", "Customer", required=True)])
def open_case(visit: Visit) -> Answer:
    with visit.bench() as bench:
        case = take_in(bench, visit.said["customer"])
    return visit.go("case", f"Case {case.number} is open.", case=case.number)
