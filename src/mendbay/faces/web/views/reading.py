"""Beginning to read drives, and what can be asked of a reading while it runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from mendbay.core.cautions import cautions_for
from mendbay.core.errors import HeldBack, NoSuchItem, UsageError, WrongDrive
from mendbay.faces import wording
from mendbay.faces.reading_caution_words import before_reading
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Go, Page
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import order_work
from mendbay.faces.web.fields import choice, line, number, text
from mendbay.faces.web.reading_form import (
    ALTHOUGH,
    FIELDS,
    PATTERNS_LIMIT,
    although_said,
    asked_said,
    condition,
    conditions_in,
    forms_looked_at,
    options_said,
    sent,
    sources_in,
    speaks_against,
)
from mendbay.faces.web.reading_view import OF_DRIVES, can_rest
from mendbay.faces.web.visit import Visit
from mendbay.files.wanted import seems_several
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bay_drive import pictures_doubt, require_bays_drive
from mendbay.jobs.drive_condition import WORDS, said_condition, say_condition
from mendbay.jobs.power_permit import foresee_reading, reasons_due
from mendbay.jobs.read_drive import foresee_drives
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import Ask, WorkKind, WorkOrder, WorkRequest

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.jobs.bench import Bench

BOOK = Book()
CASE = "/case/{case:int}/drives"
HIDDEN_APART = tuple(one.name for one in ALTHOUGH)


@BOOK.page(CASE + "/look", "drives-look-page", "Says once more what the drives are that were looked at last.")
def look_page(visit: Visit) -> Answer:
    said = forms_looked_at(visit).get(visit.path["case"], visit.who)
    return visit.go("drives") if said is None else _looked(visit, said)


@BOOK.change(CASE + "/look", "drives-look", "Says what the drives are, without reading a sector.", FIELDS)
def look(visit: Visit) -> Answer:
    """What will be read, what speaks against it and what is to be minded; nothing is begun."""
    forms_looked_at(visit).put(visit.path["case"], visit.who, visit.said)
    return _looked(visit, visit.said)


def _looked(visit: Visit, said: Mapping[str, Any]) -> Page:
    case = visit.path["case"]
    kind, options = options_said(said)
    options_of(WorkOrder("", kind, case, "", "", options))
    sources = sources_in(options)
    with visit.bench(sector_bytes=int(said["sector"] or 512)) as bench:
        card = card_of(visit, bench, case)
        foresee_drives(bench, case, list(sources.items()))
        held, strange = _against(bench, case, sources, said)
        before = before_reading(bench, case, sources, conditions_in(options))
        found = {bay: bench.drives.look(where) for bay, where in sources.items()}
        facts = {
            "card": card,
            "drives": [(bay, sources[bay], wording.identity_lines(one)) for bay, one in found.items()],
            "drives_said": [*_drives_said(found), *speaks_against(bench, case, sources, reading=True)],
            "is_pair": kind is WorkKind.READ_PAIR,
            "held": held,
            "due": reasons_due(bench, case, sources, reading=True),
            "strange": strange,
            "doubts": [
                words for bay, one in found.items() if (words := pictures_doubt(bench, case, bay, one))
            ],
            "before": before,
            "cautions": cautions_for(before.cautions) if before.cautions else (),
            "sent": [one for one in sent(said) if one[0] not in HIDDEN_APART],
            "said": said,
            "wishes": options.get("want") or card.case.wanted,
            "several": [one for one in _texts(options.get("want")) if seems_several(one)],
        }
    return Page("drives_look.html", facts)


def _drives_said(found: Mapping[str, Identity]) -> list[object]:
    """What the drives say they are, for the mark of the page that showed it."""
    return [part for bay, one in found.items() for part in (bay, one.model, one.serial, one.size_bytes)]


def _texts(value: object) -> list[str]:
    return [str(one) for one in value] if isinstance(value, list) else []


def _against(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Any]
) -> tuple[HeldBack | None, list[WrongDrive]]:
    """What speaks against reading these drives and has no reason given against it."""
    although, held, strange = replace(although_said(said), asked=True), None, []
    try:
        foresee_reading(bench, case, sources, although)
    except HeldBack as trouble:
        held = trouble
    for bay, where in sources.items():
        try:
            require_bays_drive(bench, case, bay, where, bench.drives.look(where), although)
        except WrongDrive as trouble:
            strange.append(trouble)
    return held, strange


@BOOK.change(CASE + "/begin", "drives-begin", "Begins to read drives, or goes on.", (*FIELDS, CUSTOMER_ASKED))
def begin(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    kind, options = options_said(said)
    sources = sources_in(options)
    forms_looked_at(visit).put(case, visit.who, said)  # if refused, the page shows what this form was of
    with visit.bench(sector_bytes=int(said["sector"] or 512)) as bench:
        foresee_drives(bench, case, list(sources.items()))
        foresee_reading(bench, case, sources, although_said(said))
        if visit.seen:  # another drive may have been plugged in where that one was
            found = {bay: bench.drives.look(where) for bay, where in sources.items()}
            visit.require_unchanged(
                "which drive is there or what speaks against it",
                *_drives_said(found),
                *speaks_against(bench, case, sources, reading=True),
            )
        order_work(visit, bench, kind, {**options, **asked_said(said)})
    forms_looked_at(visit).drop(case, visit.who)
    bays = " and bay ".join(sources)
    return visit.go("drives", f"Reading of bay {bays} is ordered and begins.")


ASKS = {
    str(Ask.STOP): "stop",
    str(Ask.REST): "rest",
    str(Ask.GO_ON): "go on",
    str(Ask.ANSWER): "answer",
    str(Ask.POWER_CYCLE): "cut and restore power",
}
DONE = {
    Ask.STOP: "It is asked to stop: the read under way is taken in first.",
    Ask.REST: "It is asked to rest: the drives keep their power and are not read.",
    Ask.GO_ON: "It is asked to go on.",
    Ask.ANSWER: "Your answer is passed on.",
    Ask.POWER_CYCLE: "It will ask for the power to be cut and restored, as soon as no read is under way.",
}


@BOOK.change(
    CASE + "/ask",
    "drives-ask",
    "Asks something of a work: stop, rest, go on, an answer, a power cycle.",
    [
        line("work", "Which work", required=True),
        choice("ask", "What is asked", ASKS, required=True),
        number("number", "Which question", default=0),
        choice("answer", "The answer", {"yes": "yes", "no": "no"}),
        line("bay", "Whose drive"),
    ],
)
def ask(visit: Visit) -> Answer:
    said, shelf = visit.said, visit.desk.works
    asked = Ask(said["ask"])
    order = shelf.order(said["work"])
    if order.case != visit.path["case"] or order.kind not in OF_DRIVES:
        raise NoSuchItem("There is no such work on drives of this case.", "Go back to its drives.")
    if asked is Ask.REST and not can_rest(order.kind):
        raise UsageError("That work cannot be held.", "Stop it, and order it again later.")
    if asked is Ask.ANSWER and not said["answer"]:
        raise UsageError("The answer is missing.", "Say whether it was done.")
    if asked is Ask.POWER_CYCLE and said["bay"] not in sources_in(order.options):
        raise UsageError(f"It reads no drive of bay {said['bay'][:40]}.", "Choose one that is being read.")
    bay = said["bay"] if asked is Ask.POWER_CYCLE else ""
    shelf.ask(order.id, WorkRequest(asked, said["number"] or 0, said["answer"] == "yes", bay))
    return visit.go("drives", DONE[asked])


@BOOK.change(
    CASE + "/wanted",
    "drives-wanted",
    "Changes what is wanted first, also while drives are read.",
    [text("patterns", "What is wanted, a pattern on each line", limit=PATTERNS_LIMIT)],
)
def wanted(visit: Visit) -> Answer:
    case = visit.path["case"]
    patterns = [one for one in map(str.strip, visit.said["patterns"].splitlines()) if one]
    if not patterns:
        raise UsageError("Nothing is said.", "Write at least one pattern; metadata means all descriptions.")
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("what is wanted", *bench.ledger.case(case).wanted)
        tell(bench, case, "wanted", ", ".join(patterns))
        now = bench.ledger.case(case).wanted
    hints = [wording.one_pattern_hint(one) for one in now if seems_several(one)]
    return _back(visit, " ".join([f"Wanted first from now on: {', '.join(now)}.", *hints]))


@BOOK.change(
    CASE + "/condition",
    "drives-condition",
    "Says what a drive is like, also while it is read.",
    [line("bay", "Bay", required=True), condition("condition", required=True)],
)
def says_condition(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench, bench.ledger.together():
        if bay not in {one.bay for one in bench.ledger.bays(case)}:
            raise UsageError(f"Case {case} has no bay {bay[:40]}.", "Choose one of its bays.")
        visit.require_unchanged(f"what the drive of bay {bay} is like", bay, said_condition(bench, case, bay))
        like = Condition(visit.said["condition"])
        say_condition(bench, case, bay, like)
    return _back(visit, f"The drive of bay {bay} is read as {WORDS[like]} from now on.")


def _back(visit: Visit, notice: str) -> Go:
    return visit.go("drives", notice)
