"""The erasure of the copies of a case: planned, shown, and carried out once the number is typed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import UsageError
from mendbay.core.quantity import bytes_text, counted
from mendbay.faces.keeping_words import (
    IN_USE,
    REACHES,
    erased_words,
    file_words,
    ground_words,
    medium_words,
    plan_left_words,
    proof_words,
)
from mendbay.faces.saving_words import copies_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ShownWork, order_work, shown_works
from mendbay.faces.web.fields import line, several
from mendbay.faces.web.views.closing import SHOWN_WORKS, require_number_typed
from mendbay.faces.web.visit import Visit
from mendbay.handback.erasure import DEFAULT_SORTS, Sort, totals
from mendbay.handback.erasure_limits import limits
from mendbay.jobs.erase_copies import (
    Erased,
    certificate_paper,
    end_erasure,
    is_begun,
    plan_of,
    plans_of,
)
from mendbay.jobs.hand_back_place import is_on_medium, require_proof_place
from mendbay.jobs.keep_copies import held
from mendbay.jobs.plan_erasure import proving_hand_backs, stays_of
from mendbay.jobs.save_shop import last_save
from mendbay.jobs.told_days import told_words
from mendbay.jobs.work_port import Outcome, WorkKind
from mendbay.wiring import eraser, looked_at_mount, mounted_mediums, shop_copies, tool

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

BOOK = Book()
SORTS = {
    Sort.IMAGES: "images of the drives",
    Sort.HAND_BACK: "the copy made for the hand-back",
    Sort.DUMPS: "reads of ROM chips",
    Sort.PICTURES: "pictures of drive and board",
    Sort.PAPERS: "papers made for the customer",
}
SHOWN_CHECKS = 20
"""Checks of copies among which those are looked for that can prove a hand-back."""
SHOWN = 200
"""Files of a plan that are listed."""


@BOOK.page("/case/{case:int}/closing/erase", "erasing", "What the shop holds of the case, and what may go.")
def erasing(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        holds = held(bench, shop_copies(visit.desk.home), case)
        plans, told_day = plans_of(bench, case), told_words(bench, card.case)
        copies = shop_copies(visit.desk.home)
        saved = copies_words(last_save(bench))
        proofs = dict.fromkeys(proving_hand_backs(bench, copies, case), "on record")
    checks = shown_works(visit, (WorkKind.CHECK_HAND_BACK,), SHOWN_CHECKS)
    proofs = dict.fromkeys(_checked_on_mediums(checks), "checked copy") | proofs
    planning = shown_works(visit, (WorkKind.PLAN_ERASURE,), 1)
    erasures = shown_works(visit, (WorkKind.ERASE_COPIES,), SHOWN_WORKS)
    facts = {
        "card": card,
        "proofs": proofs,
        "works": erasures,
        "planning": _not_outdone(planning, erasures),
        "asked": _asked(planning),
        "holds": [(SORTS[sort], amount) for sort, amount in holds.amounts.items()],
        "due": holds.due,
        "elsewhere": holds.elsewhere,
        "saved": saved,
        "told_day": told_day,
        "sorts": [(str(sort), words) for sort, words in SORTS.items()],
        "plans": plans,
    }
    return Page("erasing.html", facts)


@BOOK.change(
    "/case/{case:int}/closing/erase/plan",
    "plan-erasure",
    "Begins to plan the erasure of copies; nothing is erased by that.",
    [
        several("sorts", "What goes", {str(sort): words for sort, words in SORTS.items()}, required=True),
        line("reason", "Why they go although their day is not over"),
        line("hand_back", "Hand-back that proves that the customer has the files", limit=4000),
        line("other", "Or another folder, on a medium that is plugged in", limit=4000),
        line("unproven", "Or why it does not matter that none can be checked"),
    ],
)
def make_plan(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        bench.ledger.case(visit.path["case"])
        options = {
            "sorts": list(said["sorts"]),
            "reason": said["reason"],
            "hand_back": _proving(bench, visit),
            "unproven": said["unproven"],
        }
        order_work(visit, bench, WorkKind.PLAN_ERASURE, options)
    return visit.go("erasing", "The plan is being drawn up; nothing is erased by it.")


def _checked_on_mediums(checks: Sequence[ShownWork]) -> Iterator[str]:
    """The folders on mediums that are plugged in now of which the last check was sound, the newest first."""
    seen, mediums = set(), _mediums()
    for one in checks:
        folder = str(one.order.options.get("folder", ""))
        if folder not in seen and not one.is_alive:
            seen.add(folder)
            if one.state.outcome is Outcome.DONE and is_on_medium(Path(folder), mediums, _resolved):
                yield folder


def _not_outdone(planning: Sequence[ShownWork], erasures: Sequence[ShownWork]) -> Sequence[ShownWork]:
    """The plan as it was drawn up, until an erasure was begun after it: that nothing is erased yet holds no
    longer then."""
    ended = planning and not planning[0].is_alive
    return () if ended and erasures and erasures[0].order.id > planning[0].order.id else planning


def _asked(planning: Sequence[ShownWork]) -> dict[str, Any]:
    """What was said for a plan that was refused, so that it can be put right, or that may still be: the form
    does not change once the page is there. Else what is usual."""
    kept = bool(planning) and (planning[0].is_alive or planning[0].state.trouble is not None)
    said = planning[0].order.options if kept else {"sorts": list(map(str, DEFAULT_SORTS))}
    found = {name: said.get(name) or "" for name in ("sorts", "reason", "hand_back", "unproven")}
    return found | {"was_said": bool(planning)}


def _proving(bench: Bench, visit: Visit) -> str:
    """The folder that is to prove the hand-back; empty if none is named.

    Raises:
        UsageError: two are named, or it is not one that is looked for.
    """
    chosen, typed = visit.said["hand_back"], visit.said["other"]
    if chosen and typed:
        raise UsageError("Two hand-backs are named.", "Choose one, or type a folder.")
    named = chosen or typed
    if not named:
        return ""
    return str(require_proof_place(bench, visit.path["case"], named, _mediums(), _resolved))


def _mediums() -> list[str]:
    """The folders of the mediums that are plugged in and answer."""
    return [one.folder for one in mounted_mediums() if one.answers]


def _resolved(place: Path) -> Path:
    return looked_at_mount(place, place.resolve)


@BOOK.page(
    "/case/{case:int}/closing/erase/plan/{plan:int}", "erasure-plan", "A plan: what goes and what stays."
)
def shown_plan(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        plan = plan_of(bench, case, str(visit.path["plan"]))
        stays = stays_of(bench, shop_copies(visit.desk.home), plan)
        begun, told_day = is_begun(bench.ledger.custody(case), plan), told_words(bench, card.case)
    works = shown_works(visit, (WorkKind.ERASE_COPIES,))
    facts = {
        "card": card,
        "plan": plan,
        "begun": begun,
        "under_way": any(one.is_alive and one.order.options.get("plan") == plan.name for one in works),
        "ground": ground_words(plan),
        "told_day": told_day,
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
    "Begins to erase what the plan names, read it back and certify it; stopped, the same goes on.",
    [line("typed", "The number of the case, typed", required=True)],
)
def erase(visit: Visit) -> Answer:
    case, name = visit.path["case"], str(visit.path["plan"])
    require_number_typed(visit, "erased")
    with visit.bench() as bench:
        plan = plan_of(bench, case, name)
        visit.require_unchanged("the plan", plan.digest)
        order_work(visit, bench, WorkKind.ERASE_COPIES, {"plan": name, "digest": plan.digest})
    return visit.go("erasing", "The erasure has begun; this page shows how far it is.")


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
        lines.append(plan_left_words(done.certificate.plan))
    return " ".join([*lines, IN_USE])
