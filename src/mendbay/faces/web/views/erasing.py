"""The erasure of the copies of a case: planned, shown, and carried out once the number is typed."""

from __future__ import annotations

from pathlib import Path

from mendbay.core.errors import UsageError
from mendbay.core.quantity import bytes_text, counted
from mendbay.faces.keeping_words import (
    IN_USE,
    REACHES,
    erased_words,
    file_words,
    ground_words,
    medium_words,
    proof_words,
)
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import line, several
from mendbay.faces.web.views.closing import LONG_BYTES, command_line, require_number_typed
from mendbay.faces.web.visit import Visit
from mendbay.handback.erasure import DEFAULT_SORTS, ErasurePlan, Sort, totals
from mendbay.handback.erasure_limits import limits
from mendbay.jobs.erase_copies import Erased, certificate_paper, end_erasure, erase_copies, plan_of, plans_of
from mendbay.jobs.keep_copies import held
from mendbay.jobs.plan_erasure import plan_erasure, stays_of
from mendbay.wiring import eraser, shop_copies, tool

BOOK = Book()
SORTS = {
    Sort.IMAGES: "images of the drives",
    Sort.HAND_BACK: "the copy of the files handed back",
    Sort.DUMPS: "reads of ROM chips",
    Sort.PICTURES: "pictures of drive and board",
    Sort.PAPERS: "papers made for the customer",
}
SHOWN = 200
"""Files of a plan that are listed."""


@BOOK.page("/case/{case:int}/closing/erase", "erasing", "What the shop holds of the case, and what may go.")
def erasing(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        holds = held(bench, shop_copies(visit.desk.home), case)
        plans = plans_of(bench, case)
    facts = {
        "card": card,
        "holds": [(SORTS[sort], amount) for sort, amount in holds.amounts.items()],
        "due": holds.due,
        "elsewhere": holds.elsewhere,
        "sorts": [(str(sort), words, sort in DEFAULT_SORTS) for sort, words in SORTS.items()],
        "plans": plans,
    }
    return Page("erasing.html", facts)


@BOOK.change(
    "/case/{case:int}/closing/erase/plan",
    "plan-erasure",
    "Plans the erasure of copies; nothing is erased yet.",
    [
        several("sorts", "What goes", {str(sort): words for sort, words in SORTS.items()}, required=True),
        line("reason", "Why they go although their day is not over"),
        line("hand_back", "Folder of the hand-back that proves that the customer has the files", limit=4000),
        line("unproven", "Or why it does not matter that none can be checked"),
    ],
)
def make_plan(visit: Visit) -> Answer:
    said = visit.said
    chosen = tuple(Sort(one) for one in said["sorts"])
    with visit.bench() as bench:
        made = plan_erasure(
            bench,
            shop_copies(visit.desk.home),
            visit.path["case"],
            sorts=() if set(chosen) == set(DEFAULT_SORTS) else chosen,
            reason=said["reason"],
            hand_back=Path(said["hand_back"]) if said["hand_back"] else None,
            unproven=said["unproven"],
        )
    return visit.go("erasure-plan", "The plan is made. Nothing is erased yet.", plan=made.plan.name)


@BOOK.page(
    "/case/{case:int}/closing/erase/plan/{plan:int}", "erasure-plan", "A plan: what goes and what stays."
)
def shown_plan(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        plan = plan_of(bench, case, str(visit.path["plan"]))
        stays = stays_of(bench, shop_copies(visit.desk.home), plan)
    facts = {
        "card": card,
        "plan": plan,
        "ground": ground_words(plan),
        "proof": proof_words(plan),
        "goes": [(SORTS[Sort(sort)], count, size) for sort, (count, size) in totals(plan.files).items()],
        "files": [file_words(one) for one in plan.files[:SHOWN]],
        "more": max(0, len(plan.files) - SHOWN),
        "stays": stays,
        "media": [
            (
                medium_words(medium),
                [(REACHES[one.reach], one.what, one.words) for one in limits(medium)],
            )
            for medium in plan.media
        ],
        "amount": f"{counted(len(plan.files), 'file')}, {bytes_text(plan.size_bytes)}",
    }
    return Page("erasure_plan.html", facts)


@BOOK.change(
    "/case/{case:int}/closing/erase/plan/{plan:int}/now",
    "erase-copies",
    "Erases what the plan names, reads it back and certifies it; stopped, the same goes on.",
    [line("typed", "The number of the case, typed", required=True)],
)
def erase(visit: Visit) -> Answer:
    case, home = visit.path["case"], visit.desk.home
    require_number_typed(visit, "erased")

    def confirm(plan: ErasurePlan) -> None:
        visit.require_unchanged("the plan", plan.digest)
        if plan.size_bytes > LONG_BYTES:
            raise UsageError(
                f"{bytes_text(plan.size_bytes)} are to be overwritten and read back: that takes longer than "
                "a page waits. Nothing was erased.",
                f"Type in a terminal: {command_line(visit)} case erase {case} {plan.name}",
            )

    with visit.bench() as bench:
        done = erase_copies(
            bench, shop_copies(home), eraser(home), case, str(visit.path["plan"]), tool(), confirm
        )
    return visit.go("closing", _told(done))


@BOOK.change(
    "/case/{case:int}/closing/erase/plan/{plan:int}/end",
    "end-erasure",
    "Ends a plan that cannot be finished, and certifies what was erased and what was left.",
    [
        line("reason", "Why it cannot be finished", required=True),
        line("typed", "The number of the case, typed", required=True),
    ],
)
def end(visit: Visit) -> Answer:
    case, home = visit.path["case"], visit.desk.home
    require_number_typed(visit, "ended")
    with visit.bench() as bench:
        done = end_erasure(
            bench,
            shop_copies(home),
            eraser(home),
            case,
            str(visit.path["plan"]),
            tool(),
            visit.said["reason"],
        )
    return visit.go("closing", _told(done))


@BOOK.page(
    "/case/{case:int}/closing/erasure/{plan:int}",
    "erasure-certificate",
    "The certificate of an erasure, as PDF.",
)
def certificate(visit: Visit) -> Answer:
    case, name = visit.path["case"], str(visit.path["plan"])
    with visit.bench() as bench:
        data = certificate_paper(bench, case, name)
    return Blob(data, "application/pdf", f"erasure-{case:04}-{name}.pdf")


def _told(done: Erased) -> str:
    lines = [erased_words(done.certificate)]
    if done.certificate.left:
        lines.append(
            f"{counted(len(done.certificate.left), 'thing')} of it left; the certificate says what and why."
        )
    if not done.plan_gone:
        lines.append("The plan names files and is still there: remove it.")
    return " ".join([*lines, IN_USE])
