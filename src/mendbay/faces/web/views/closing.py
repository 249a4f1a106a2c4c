"""The end of a case: closed with what was found, kept, exported, forgotten."""

from __future__ import annotations

from dataclasses import replace

from mendbay.case.custody import Head
from mendbay.case.outcome import MOST_FOUND, DataBack, End, said
from mendbay.core.errors import UsageError
from mendbay.core.quantity import counted
from mendbay.faces.forget_words import BILLS, going, out_of_reach, staying
from mendbay.faces.keeping_words import is_number_of, kept_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.broken_words import broken_in_words
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ask_to_stop, order_work, shown_works
from mendbay.faces.web.drawing import shown_name
from mendbay.faces.web.fields import choice, day, flag, line, number, several, text
from mendbay.faces.web.views.hand_back import ALTHOUGH_TOLD, keep_until, keeping_mark
from mendbay.faces.web.visit import Visit
from mendbay.jobs.close_case import (
    Closing,
    close_case,
    look_at_closing,
    outcome_words,
    places_by_part,
    places_of,
    reopen_case,
)
from mendbay.jobs.erase_copies import plans_of
from mendbay.jobs.forget_case import ForgetPlan, forget, plan_forgetting
from mendbay.jobs.keep_copies import EXPORT, folders_told, keep_days
from mendbay.jobs.save_shop import last_save
from mendbay.jobs.told_days import told_words
from mendbay.jobs.work_port import WorkKind
from mendbay.wiring import export_folder, shop_copies

BOOK = Book()
BROKEN = {"found": "this was broken", "nothing": "nothing was broken", "not known": "nobody knows what"}
MOST_DAYS = 36_500
SHOWN_WORKS = 3


@BOOK.page("/case/{case:int}/closing", "closing", "What the case says of its end, and how it ended.")
def closing(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        found = look_at_closing(bench, case)
        places, parts = places_of(bench, case), places_by_part(bench, case)
        rule = keep_days(bench, case)
        plans = plans_of(bench, case)
        exports = folders_told(bench, case, EXPORT)
        keeping, told_day = keeping_mark(bench, card.case), told_words(bench, card.case)
    in_words = dict(places)
    facts = {
        "card": card,
        "closing": found,
        "told": [broken_in_words(one, in_words) for one in _told(found)],
        "against": [broken_in_words(one, in_words) for one in found.against],
        "hints": [(one.words, [in_words.get(each, each) for each in one.found]) for one in found.hints],
        "parts_of": parts,
        "suggested": {one for hint in found.hints for one in hint.found},
        "end": found.end or "",
        "data": found.data or "",
        "rule": counted(rule.days, "day"),
        "rule_said": rule.agreed,
        "plans": plans,
        "exports": exports,
        "end_mark": _mark(found),
        "unproven": found.unproven,
        "keeping": keeping,
        "told_day": told_day,
        "works": shown_works(visit, (WorkKind.EXPORT_CASE,), SHOWN_WORKS),
        "is_erasing": any(one.is_alive for one in shown_works(visit, (WorkKind.ERASE_COPIES,))),
    }
    return Page("closing.html", facts)


@BOOK.change(
    "/case/{case:int}/closing/close",
    "close-case",
    "Closes the case with what was found; again puts right what was said before.",
    [
        choice("broken", "What was broken", BROKEN, required=True),
        several("found", "Broken", limit=MOST_FOUND),
        flag("likely", "No repair or measurement proves it: it is only likely, and counts half"),
        choice("end", "What became of the job", {str(one): str(one) for one in End}, required=True),
        choice(
            "data",
            "Of the wanted data the customer has",
            {str(one): str(one) for one in DataBack},
            required=True,
        ),
        text("remark", "Anything to learn from it"),
        line(
            "although_no_hand_back",
            "Why it counts as handed back though nothing proves that the customer has it",
        ),
    ],
)
def close(visit: Visit) -> Answer:
    asked, case = visit.said, visit.path["case"]
    broken = asked["broken"]
    if asked["found"] and broken != "found":
        raise UsageError(
            f"It says that {BROKEN[broken]}, and {len(asked['found'])} things are ticked.",
            "Tick none of them, or say that they were broken.",
        )
    outcome = said(
        asked["found"],
        nothing_broken=broken == "nothing",
        not_known=broken == "not known",
        likely=asked["likely"],
        end=End(asked["end"]),
        data=DataBack(asked["data"]),
        remark=asked["remark"],
    )
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("the end of the case", *_mark(look_at_closing(bench, case)))
        until = close_case(bench, case, outcome, asked["although_no_hand_back"]).case.keep_until
        told = broken_in_words(outcome_words(outcome), dict(places_of(bench, case)))
    kept = kept_words(case, until) if until else ""
    return visit.go("closing", f"Case {case} is closed: {told}. {kept}".strip())


@BOOK.change(
    "/case/{case:int}/closing/reopen",
    "reopen-case",
    "Opens the case again; how it ended stays on record and counts no longer.",
    [line("reason", "Why, without the customer's name", required=True)],
)
def reopen(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("the end of the case", *_mark(look_at_closing(bench, case)))
        reopen_case(bench, case, visit.said["reason"])
    return visit.go("closing", "The case is open again, and teaches the odds nothing until it is closed.")


@BOOK.change(
    "/case/{case:int}/closing/keep",
    "keep-copies",
    "Says until when the copies of the case are kept.",
    [
        day("day", "Until the day, that day included"),
        number(
            "days",
            "Or so many days after the hand-back, or the closing without one (before: after today)",
            most=MOST_DAYS,
        ),
        ALTHOUGH_TOLD,
    ],
)
def keep(visit: Visit) -> Answer:
    return visit.go("closing", keep_until(visit, visit.said["day"], visit.said["days"]))


@BOOK.change(
    "/case/{case:int}/closing/export",
    "export-case",
    "Begins to write everything of the case into a folder, in open formats.",
    [
        flag("for_customer", "For the customer: leave out what is the shop's own"),
        flag("with_images", "Also the raw images of the drives"),
    ],
)
def export(visit: Visit) -> Answer:
    case, asked = visit.path["case"], visit.said
    if any(one.is_alive for one in shown_works(visit, (WorkKind.EXPORT_CASE,))):
        raise UsageError(
            f"An export of case {case} is under way.", "Wait until it has ended, or stop it first."
        )
    with visit.bench() as bench:
        bench.ledger.case(case)
        with export_folder(case, visit.desk.home) as folder:
            options = {
                "folder": str(folder),
                "with_images": asked["with_images"],
                "for_customer": asked["for_customer"],
            }
            order_work(visit, bench, WorkKind.EXPORT_CASE, options)
    return visit.go("closing", "The export has begun; this page shows how far it is.")


@BOOK.change(
    "/case/{case:int}/closing/export/go-on",
    "export-again",
    "Goes on with an export that was stopped or broke off.",
    [line("work", "Work", required=True)],
)
def export_again(visit: Visit) -> Answer:
    works = shown_works(visit, (WorkKind.EXPORT_CASE,), 50)
    found = next((one for one in works if one.order.id == visit.said["work"] and not one.is_alive), None)
    if found is None:
        raise UsageError("There is no such export to go on with.", "Load the page again.")
    with visit.bench() as bench:
        bench.ledger.case(visit.path["case"])
        order_work(visit, bench, WorkKind.EXPORT_CASE, found.order.options)
    return visit.go("closing", "The export goes on where it stopped.")


@BOOK.change(
    "/case/{case:int}/closing/stop",
    "stop-office",
    "Stops an export, an erasure or a plan of one; what is done is kept.",
    [line("work", "Work", required=True)],
)
def stop(visit: Visit) -> Answer:
    work = visit.said["work"]
    ask_to_stop(visit, work, WorkKind.EXPORT_CASE, WorkKind.ERASE_COPIES, WorkKind.PLAN_ERASURE)
    page = "closing" if visit.desk.works.order(work).kind is WorkKind.EXPORT_CASE else "erasing"
    return visit.go(page, "It is told to stop; what is done is kept.")


@BOOK.page("/case/{case:int}/closing/forget", "forgetting", "What forgetting the case would remove and keep.")
def forgetting(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        plan = plan_forgetting(bench, shop_copies(visit.desk.home), visit.path["case"])
        last = last_save(bench)
    facts = {
        "card": card,
        "going": going(plan, shown_name),
        "staying": staying(plan),
        "beyond": [*map(shown_name, plan.elsewhere), *map(shown_name, out_of_reach(last))],
        "bills": BILLS,
        "refusals": plan.refusals,
        "plan_mark": _forgotten_mark(plan),
    }
    return Page("forgetting.html", facts)


@BOOK.change(
    "/case/{case:int}/closing/forget/now",
    "forget-case",
    "Forgets the case: what names a person goes for good.",
    [
        line("reason", "Why; it is kept, so it names nobody", required=True),
        line("typed", "The number of the case, typed", required=True),
    ],
)
def forget_now(visit: Visit) -> Answer:
    case = visit.path["case"]
    require_number_typed(visit, "forgotten")
    with visit.bench() as bench:
        plan = plan_forgetting(bench, shop_copies(visit.desk.home), case)
        visit.require_unchanged("what the case holds", *_forgotten_mark(plan))
        # no one step of the ledger: it removes files as well, and holds the case against the same rules
        done = forget(bench, shop_copies(visit.desk.home), case, visit.said["reason"])
    visit.desk.forget(case)
    told = f"Case {case} is forgotten. The ledger names the customer no more."
    if done.entries:
        told += f" The head of its custody log stays: {Head(done.entries, done.head).text}"
    return replace(visit.go("cases", told), clears=True)


def require_number_typed(visit: Visit, done: str) -> None:
    """
    Args:
        done: what would be done to the case, such as `forgotten`.

    Raises:
        UsageError: something else than the case's number was typed.
    """
    if not is_number_of(visit.said["typed"], visit.path["case"]):
        raise UsageError(
            f"Nothing was {done}: the case's number was not typed.",
            f"Type {visit.path['case']} into the form, if this is the case that is meant.",
        )


def _told(found: Closing) -> list[str]:
    """How a closed case ended, as sentences."""
    if found.outcome is None:
        return []
    lines = [f"Case {found.case.number} is closed: {outcome_words(found.outcome)}."]
    lines += [found.outcome.remark] if found.outcome.remark else []
    return [*lines, found.teaches]


def _forgotten_mark(plan: ForgetPlan) -> list[str]:
    """What the page says that would go and stay."""
    return [*going(plan, shown_name), *staying(plan), *plan.elsewhere]


def _mark(found: Closing) -> list[str]:
    return [str(found.case.state), str(found.outcome)]
