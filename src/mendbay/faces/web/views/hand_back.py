"""Handing the files back: copied, read again, put into a bag, reported on; and how long copies are kept."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import MendbayError, NoSuchItem, UsageError
from mendbay.faces import wording
from mendbay.faces.keeping_words import kept_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ask_to_stop, order_work, shown_works
from mendbay.faces.web.fields import choice, day, line, number, several, text
from mendbay.faces.web.hand_back_shown import (
    FORMS,
    MOST_PAGES,
    NOT_WHOLE_SHOWN,
    PAST_OF_A_PAGE,
    REPORT_BYTES,
    begun_hand_backs,
    folder_at,
    found_changed,
    is_begun,
    medium_choices,
    past_hand_backs,
    report_facts,
    report_picture,
    require_copy,
)
from mendbay.faces.web.open_catalogues import catalogue_for
from mendbay.faces.web.views.setting_forms import shop_name
from mendbay.faces.web.visit import Visit
from mendbay.files.wanted import matcher
from mendbay.jobs import keep_copies
from mendbay.jobs.authority import concern
from mendbay.jobs.case_steps import StepName
from mendbay.jobs.catalogue_files import require_wanted
from mendbay.jobs.file_work_options import CheckHandBack
from mendbay.jobs.hand_back_choice import WhatGoes, patterns_of, require_not_closed
from mendbay.jobs.hand_back_place import require_place
from mendbay.jobs.keep_copies import day_at_hand_back, handed_back_on, keep_days
from mendbay.jobs.pair_picture import PairsSeen
from mendbay.jobs.preview_port import NoPreview
from mendbay.jobs.told_days import told_words
from mendbay.jobs.work_port import WorkKind
from mendbay.jobs.write_receipt import newest_receipt, receipts_made, write_receipt
from mendbay.pair.volume import Level
from mendbay.wiring import home_folder, report_file

if TYPE_CHECKING:
    from mendbay.case.records import Case
    from mendbay.jobs.bench import Bench

BOOK = Book()
WHAT = {str(one): one.words for one in WhatGoes}
FOLDER_LIMIT = 4096
MOST_DAYS = 36_500
MOST_CHECKS = 5
ALTHOUGH_TOLD = line("although_told", "Why before the day that the customer was told in writing")
FIRST = number("first", "From place", default=0, most=1 << 31)


@BOOK.page("/case/{case:int}/hand-back", "hand-back", "Handing the files of a case back.")
def hand_back(visit: Visit) -> Answer:
    with visit.bench() as bench:
        case = visit.path["case"]
        card = card_of(visit, bench, case)
        rule = keep_days(bench, case)
        images = [one.bay for one in bench.ledger.bays(case) if bench.images.exists(card.case, one.bay)]
        facts = {
            "card": card,
            "images": images,
            "is_stripe": len(images) > 1 and _is_stripe(visit, bench, case),
            "concern": concern(bench, case),
            "past": past_hand_backs(bench, case),
            "way": next(one.words for one in card.told.steps if one.name is StepName.HAND_BACK),
            "begun": begun_hand_backs(bench, case),
            "rule": rule,
            "until": day_at_hand_back(bench, card.case),
            "keeping": keeping_mark(bench, card.case),
            "told_day": told_words(bench, card.case),
            "receipt": receipts_made(bench, case)[-1:],
            "shop": shop_name(bench),
        }
    works = shown_works(visit, (WorkKind.HAND_BACK,), 3)
    facts |= {
        "works": works,
        "checks": shown_works(visit, (WorkKind.CHECK_HAND_BACK,), MOST_CHECKS),
        "living": [one for one in works if one.is_alive],
        "is_begun": is_begun,
        "found_changed": found_changed,
        "mediums": medium_choices(),
        "is_open": bool(visit.desk.rules.key),
        "what_goes": WHAT,
    }
    return Page("hand_back.html", facts)


def _is_stripe(visit: Visit, bench: Bench, case: int) -> bool:
    """Whether the drives of a case are known to make a stripe."""
    kept: PairsSeen = visit.desk.keep("pairs seen", PairsSeen, of_cases=True)
    try:
        return kept.of(bench, case).candidates[0].level is Level.STRIPE
    except MendbayError:  # the page of the pair tells why they make no volume
        return False


@BOOK.page("/case/{case:int}/hand-back/all", "hand-backs", "All hand-backs on record of a case.", [FIRST])
def all_of_them(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        past = past_hand_backs(bench, card.case.number, visit.said["first"], PAST_OF_A_PAGE)
    return Page("hand_backs.html", {"card": card, "past": past, "step": PAST_OF_A_PAGE})


@BOOK.change(
    "/case/{case:int}/hand-back/make",
    "hand-back-make",
    "Copies the files into a new folder, reads every copy again, and reports; or goes on with that.",
    [
        line("medium", "Medium", limit=FOLDER_LIMIT),
        line("folder", "Folder", limit=FOLDER_LIMIT),
        choice("what", "What goes", WHAT, required=True),
        text("patterns", "Patterns of names, one a line"),
        several("bay", "Only the drives of bays", limit=16),
        line("shop", "Name of the shop, for the report"),
        day("keep_until", "Until when the shop keeps its copies"),
    ],
)
def make(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        case = bench.ledger.case(visit.path["case"])
        require_not_closed(case)
        what = WhatGoes(said["what"])
        patterns = list(patterns_of(what, said["patterns"].splitlines(), case.wanted))
        if what is WhatGoes.WANTED:
            visit.require_unchanged("what is wanted first", case.wanted)
        folder = require_place(_named(said, case.number), home_folder(visit.desk.home))
        matcher(patterns)
        if not said["bay"]:
            require_wanted(bench, catalogue_for(visit, bench), case, patterns)
        options = {
            "folder": str(folder),
            "want": patterns,
            "bays": list(said["bay"]),
            "shop": said["shop"],
            "keep_until": said["keep_until"],
        }
        order_work(visit, bench, WorkKind.HAND_BACK, options)
    return visit.go("hand-back", "The hand-back has begun; this page shows how far it is.")


def _named(said: dict[str, Any] | Any, case: int) -> str:
    """The folder that was named: a new one on a medium that was chosen, or as it was typed."""
    if not said["medium"]:
        if not said["folder"]:
            raise UsageError("No folder is named.", "Choose a medium, or name a folder with its whole path.")
        return str(said["folder"])
    if said["medium"] not in {one["folder"] for one in medium_choices()}:
        raise UsageError(
            f"{said['medium'][:80]!r} is no medium that is plugged in.",
            "Load the page again, and choose one.",
        )
    name = said["folder"] or f"hand-back-{case:04}"
    if "/" in name or name in (".", ".."):
        raise UsageError(
            "A medium is chosen, and a path is typed as well.",
            "Type only the name of a new folder on it, or choose no medium.",
        )
    return f"{said['medium']}/{name}"


@BOOK.change(
    "/case/{case:int}/hand-back/go-on",
    "hand-back-again",
    "Goes on with a hand-back that was stopped or broke off.",
    [line("work", "Work", required=True)],
)
def go_on(visit: Visit) -> Answer:
    found = next(
        (one for one in shown_works(visit, (WorkKind.HAND_BACK,), 50) if one.order.id == visit.said["work"]),
        None,
    )
    if found is None or found.is_alive:
        raise UsageError("There is no such hand-back to go on with.", "Load the page again.")
    if not is_begun(found.order):
        raise UsageError(
            "Its folder holds nothing to go on with.",
            "If it lies on a medium, plug that in; otherwise begin the hand-back anew.",
        )
    with visit.bench() as bench:
        require_not_closed(bench.ledger.case(visit.path["case"]))
        require_place(str(found.order.options.get("folder", "")), home_folder(visit.desk.home))
        order_work(visit, bench, WorkKind.HAND_BACK, found.order.options)
    return visit.go("hand-back", "It goes on where it stopped; what is copied is kept.")


@BOOK.change(
    "/case/{case:int}/hand-back/stop",
    "hand-back-stop",
    "Stops a hand-back; what is copied is kept.",
    [line("work", "Work", required=True)],
)
def stop(visit: Visit) -> Answer:
    ask_to_stop(visit, visit.said["work"], WorkKind.HAND_BACK)
    return visit.go("hand-back", "It is told to stop; what is copied is kept.")


# ---------------------------------------------------------------------- reports and checks


@BOOK.page(
    "/case/{case:int}/hand-back/report",
    "hand-back-report",
    "What the report of a hand-back says.",
    [number("at", "Hand-back", required=True, most=10_000), FIRST],
)
def report(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        folder = folder_at(bench, card.case.number, visit.said["at"])
    found = report_facts(folder, visit.said["first"])
    if found is None:
        raise NoSuchItem(
            f"The report in {folder} is not one that Mendbay wrote.",
            f"Check the folder: mendbay handback check {folder}.",
        )
    facts = {"card": card, "folder": str(folder), "report": found, "at_number": visit.said["at"]}
    return Page("hand_back_report.html", facts | {"step": NOT_WHOLE_SHOWN})


PAGE = number("page", "Page", default=1, least=1, most=MOST_PAGES)


@BOOK.page(
    "/case/{case:int}/hand-back/report-page",
    "hand-back-report-page",
    "A page of the report of a hand-back, as it is printed.",
    [number("at", "Hand-back", required=True, most=10_000), PAGE],
)
def report_page(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        folder = folder_at(bench, card.case.number, visit.said["at"])
    shown = report_picture(visit, folder, visit.said["page"])
    facts = {"card": card, "folder": str(folder), "shown": shown, "page": visit.said["page"]}
    return Page("hand_back_page.html", facts | {"at_number": visit.said["at"]})


@BOOK.page(
    "/case/{case:int}/hand-back/report-picture",
    "hand-back-report-picture",
    "A picture made of a page of the report of a hand-back.",
    [number("at", "Hand-back", required=True, most=10_000), PAGE],
)
def the_report_picture(visit: Visit) -> Answer:
    with visit.bench() as bench:
        bench.ledger.case(visit.path["case"])
        folder = folder_at(bench, visit.path["case"], visit.said["at"])
    shown = report_picture(visit, folder, visit.said["page"])
    if isinstance(shown, NoPreview):
        raise NoSuchItem(shown.what, shown.next_step or "Keep the report as PDF and open that.")
    return Blob(shown.data, shown.mime)


@BOOK.page(
    "/case/{case:int}/hand-back/report-file",
    "hand-back-report-file",
    "The report of a hand-back as a file to be kept.",
    [
        number("at", "Hand-back", required=True, most=10_000),
        choice("form", "Form", {"pdf": "PDF", "html": "web page", "json": "JSON"}, required=True),
    ],
)
def the_report_file(visit: Visit) -> Answer:
    name, kind = FORMS[visit.said["form"]]
    case = visit.path["case"]
    with visit.bench() as bench:
        bench.ledger.case(case)
        folder = folder_at(bench, case, visit.said["at"])
    return Blob(report_file(folder, name, REPORT_BYTES), kind, f"case-{case:04}-{name}")


@BOOK.change(
    "/case/{case:int}/hand-back/check",
    "hand-back-check",
    "Checks that a hand-back in a folder is complete and unchanged.",
    [line("folder", "Folder of the copy", required=True, limit=FOLDER_LIMIT)],
)
def check(visit: Visit) -> Answer:
    folder = CheckHandBack.of(visit.said["folder"]).folder
    with visit.bench() as bench:
        bench.ledger.case(visit.path["case"])
        require_copy(folder)
        order_work(visit, bench, WorkKind.CHECK_HAND_BACK, {"folder": str(folder)})
    return visit.go(
        "hand-back", "The check of the copy has begun: how far it is and what it finds stands below."
    )


@BOOK.change(
    "/case/{case:int}/hand-back/check-stop",
    "hand-back-check-stop",
    "Stops the check of a copy.",
    [line("work", "Work", required=True)],
)
def stop_check(visit: Visit) -> Answer:
    ask_to_stop(visit, visit.said["work"], WorkKind.CHECK_HAND_BACK)
    return visit.go("hand-back", "The check is told to stop.")


# ---------------------------------------------------------------------- keeping, and the receipt


@BOOK.change(
    "/case/{case:int}/hand-back/keep",
    "hand-back-keep",
    "Says until when the shop keeps its copies.",
    [
        day("until", "Until"),
        number("days", "Or so many days after the hand-back, or the closing without one", most=MOST_DAYS),
        ALTHOUGH_TOLD,
    ],
)
def keep(visit: Visit) -> Answer:
    return visit.go("hand-back", keep_until(visit, visit.said["until"], visit.said["days"]))


def keep_until(visit: Visit, day: str, days: int | None) -> str:
    """Puts down until when copies are kept, and tells it, for every page with such a form."""
    with visit.bench() as bench, bench.ledger.together():
        now = bench.ledger.case(visit.path["case"])
        visit.require_unchanged("how long copies are kept", *keeping_mark(bench, now))
        found = keep_copies.keep(bench, now.number, day, days, visit.said["although_told"])
        told = keep_copies.told_before(bench, found, now.keep_until)
    return f"{kept_words(found.number, found.keep_until)} {told}".strip()


def keeping_mark(bench: Bench, case: Case) -> tuple[object, ...]:
    """What of the keeping of copies the page shows, and what a number of days is counted from."""
    return case.keep_until, handed_back_on(bench, case.number), keep_days(bench, case.number)


@BOOK.change(
    "/case/{case:int}/hand-back/receipt",
    "hand-back-receipt",
    "Makes the receipt of what the customer brought and is here now.",
    [text("agreed", "What was agreed beside, one sentence a line"), line("page", "Page that it was made on")],
)
def receipt(visit: Visit) -> Answer:
    agreed = [one.strip() for one in visit.said["agreed"].splitlines() if one.strip()]
    with visit.bench() as bench:
        made = write_receipt(bench, visit.path["case"], agreed)
    things = f" of {wording.counted(len(made.items), 'thing')}" if made.items else ""
    at_counter = visit.said["page"] == "take-in"  # nobody is at handing back yet, and it stands there
    where = "" if at_counter else ", under “Receipt” below"
    said = f"The receipt{things} is made{where}: print it, one copy for the customer."
    if not made.items:
        said += " No thing of the case has a number yet: the page of things gives it one."
    if at_counter:
        there = visit.go("take-in", said, {"at": "receipt"})
        return replace(there, url=f"{there.url}#receipt")
    return visit.go("hand-back", said)


@BOOK.page("/case/{case:int}/hand-back/receipt.pdf", "hand-back-receipt-file", "The newest receipt, as PDF.")
def receipt_file(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        data = newest_receipt(bench, case)
    return Blob(data, "application/pdf", f"case-{case:04}-receipt.pdf")
