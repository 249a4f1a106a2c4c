"""The list of cases, and opening one."""

from __future__ import annotations

from mendbay.case.agenda import WaitsFor
from mendbay.case.records import CaseKind, CaseState
from mendbay.faces.agenda_words import wait_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.fields import choice, flag, line, number, several, text
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_list import MOST_CHARACTERS, CaseQuery, CaseRow, list_cases
from mendbay.jobs.ledger_port import Sort
from mendbay.jobs.take_in import take_in
from mendbay.jobs.waiting import WORDS

BOOK = Book()
SORTS = {
    Sort.NEWEST: "newest first",
    Sort.DEADLINE: "what is needed first",
    Sort.OLDEST: "oldest first",
}
LIST = (
    line("words", "Search", limit=MOST_CHARACTERS),
    several("state", "State", {str(one): one.words for one in CaseState}),
    choice("kind", "Kind", {str(one): str(one) for one in CaseKind if str(one)}),
    choice("waits", "Waits for", {str(one): words for one, words in WORDS.items()}),
    flag("late", "Late ones only"),
    flag("mine", "Mine only"),
    choice("sort", "Order", {str(one): words for one, words in SORTS.items()}, default=str(Sort.NEWEST)),
    number("page", "Page", least=1, most=2**31 - 1, default=1),
)


@BOOK.page("/cases", "cases", "The cases, with what waits for what.", LIST)
def cases(visit: Visit) -> Answer:
    said = visit.said
    asked = CaseQuery(
        said["words"],
        frozenset(map(CaseState, said["state"])),
        CaseKind(said["kind"]) if said["kind"] else None,
        WaitsFor(said["waits"]) if said["waits"] else None,
        said["late"],
        said["mine"],
        Sort(said["sort"]),
        said["page"],
    )
    with visit.bench() as bench:
        found = list_cases(bench, asked)
        today = bench.now()[:10]
    narrowed = {key: one for key, one in said.items() if key != "page"}
    return Page(
        "cases.html",
        {
            "found": found,
            "rows": [_row(one, today) for one in found.rows],
            "said": said,
            "earlier": _page(visit, narrowed, found.page - 1) if found.page > 1 else "",
            "later": _page(visit, narrowed, found.page + 1) if found.page < found.pages else "",
            "is_narrowed": any(one for key, one in narrowed.items() if key != "sort"),
        },
    )


def _page(visit: Visit, narrowed: dict[str, object], number: int) -> str:
    asked = {key: "yes" if one is True else one for key, one in narrowed.items()}
    return visit.url("cases", {**asked, "page": number})


def _row(one: CaseRow, today: str) -> dict[str, object]:
    waits = one.entry.case.waits if one.entry else ()
    return {
        "case": one.case,
        "stands": one.stands,
        "holder": one.holder,
        "turn": WORDS[one.entry.turn] if one.entry else "",
        "waits": wait_words(waits[0], today) if waits else "",
        "late": one.entry.late if one.entry else (),
        "bays": ", ".join(
            " ".join(part for part in (f"bay {each.bay}", each.model) if part) for each in one.bays
        ),
    }


@BOOK.change(
    "/cases/open",
    "open-case",
    "Opens a case.",
    [
        line("customer", "Customer", required=True),
        line("contact", "How to reach them"),
        line("box", "What came in"),
        text("wanted", "Wanted first, one pattern a line, like *.jpg", limit=2_000),
        text("notes", "Notes"),
    ],
)
def open_case(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        case = take_in(
            bench,
            said["customer"],
            contact=said["contact"],
            box=said["box"],
            wanted=[one.strip() for one in said["wanted"].splitlines() if one.strip()],
            notes=said["notes"],
        )
    name = "take-in" if "take-in" in visit.book.addresses else "case"
    return visit.go(name, f"Case {case.number} is open.", case=case.number)
