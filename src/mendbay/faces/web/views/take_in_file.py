"""Take-in by a page of its own, which needs no network, and the file of answers that it saves."""

from __future__ import annotations

from mendbay.case.consents import How
from mendbay.core.errors import UsageError
from mendbay.core.quantity import counted
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, files, flag
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.views.take_in import HOWS, form_mark
from mendbay.faces.web.visit import Visit
from mendbay.jobs.take_in_answers import SIZE_LIMIT, Entered, Fate, Taken, enter_answers, read_answer_file
from mendbay.jobs.take_in_form import fill_form
from mendbay.jobs.take_in_page import page_for
from mendbay.wiring import take_in_page

BOOK = Book()
KEPT = "take-in-entered"
MOST_KEPT = 50


@BOOK.page(
    "/case/{case:int}/take-in/page.html",
    "take-in-page",
    "The open questions as a page of its own, which needs no network and saves the answers as a file.",
)
def page(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        made = page_for(bench, case)
    return Blob(take_in_page(made).encode(), "text/html", f"take-in-{case}.html")


@BOOK.change(
    "/case/{case:int}/take-in/answers",
    "enter-answers",
    "Enters the file of answers that such a page saved.",
    [
        files("answers", "The file that the page saved", limit=1),
        choice("how", "How consents were given", HOWS, default=str(How.IN_PERSON)),
        flag("replace", "Also in the place of other answers on record"),
    ],
)
def enter(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    data = said["answers"][0].file.read(SIZE_LIMIT + 1)
    file = read_answer_file(data)
    with visit.bench() as bench, bench.ledger.together():
        if said["replace"]:
            visit.require_unchanged("an answer of take-in", *form_mark(fill_form(bench, case)))
        done = enter_answers(bench, case, file, How(said["how"]), replace=said["replace"])
    _kept(visit).put(case, done)
    now = done.of(Fate.ENTERED, Fate.REPLACED)
    return visit.go("answers-entered", f"{counted(len(now), 'answer')} entered.")


@BOOK.page(
    "/case/{case:int}/take-in/answers",
    "answers-entered",
    "What became of the last file of answers that was entered into this case.",
)
def entered(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
    done = _kept(visit).get(case)
    if done is None:
        raise UsageError(
            f"No file of answers was entered into case {case} since the server began.",
            f"mendbay case take-in {case} shows all answers.",
        )
    words = {one.question.id: one.words for one in done.form.entries}

    def asked(one: Taken) -> str:
        """A question as it is asked; what the file calls it where there is none of that name."""
        return words.get(one.given.question, one.given.question)

    return Page(
        "take_in_entered.html",
        {
            "card": card,
            "asked": asked,
            "entered": done.of(Fate.ENTERED),
            "replaced": done.of(Fate.REPLACED),
            "same": done.of(Fate.SAME),
            "left_out": done.left_out,
            "stops": done.form.stops,
        },
    )


def _kept(visit: Visit) -> Lately[int, Entered]:
    found: Lately[int, Entered] = visit.desk.keep(KEPT, lambda: Lately(MOST_KEPT, int))
    return found
