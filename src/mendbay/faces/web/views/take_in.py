"""The form of take-in: every question with its answer, in any order; consents, authority, bays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from mendbay.case.authority import WORDS, Whose, concern_about
from mendbay.case.consents import By, How, Risk, Word, packaged_risks
from mendbay.case.items import Where
from mendbay.case.records import Bay, CaseKind
from mendbay.case.take_in_form import NOT_KNOWN, Type
from mendbay.faces import wording
from mendbay.faces.consent_words import authority_words, consent_line
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Go, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.commands import WHOSE_DATA
from mendbay.faces.web.fields import choice, files, flag, line, several, text
from mendbay.faces.web.uploads import uploaded
from mendbay.faces.web.visit import Visit, seen
from mendbay.files.wanted import seems_several
from mendbay.jobs import authority
from mendbay.jobs.came_in import remove_bay
from mendbay.jobs.consents import consents_of, give_word, risk_called
from mendbay.jobs.keep_items import items_of
from mendbay.jobs.noted_twice import noted_twice, twice_words
from mendbay.jobs.picture_files import is_scan
from mendbay.jobs.take_in import add_bay, amend_bay, told_by_pictures
from mendbay.jobs.take_in_form import Entry, FilledForm, entry_of, fill_form, tell, untell
from mendbay.jobs.write_receipt import receipts_made

BOOK = Book()
QUESTION = line("question", "Question", required=True)
BAY = line("bay", "Bay, where each drive is asked about")
REASON = line("reason", "Why it counts no longer", required=True)
HOWS = {str(one): words for one, words in zip(How, ("in person", "by telephone", "in writing"), strict=True)}
BYS = {str(By.CUSTOMER): "the customer", str(By.OTHER): "another person, named in writing"}
LOOSE = (CaseKind.BOARD_REPAIR, CaseKind.BOARD_SWAP)
"""Kinds of cases in which a board came without its drive."""
WHOSE = {str(one): words for one, words in WORDS.items()}
LABEL = line("bay", "Bay", required=True, limit=40)
MODEL, SERIAL = line("model", "Model, as its label says"), line("serial", "Serial number")


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as its form shows it.

    Args:
        mark: of what is on record, so that another's answer is not overwritten.
        risk: the words to be read out, for a consent.
        must: it cannot be left without an answer.
    """

    entry: Entry
    mark: str
    risk: Risk | None
    must: bool


@BOOK.page(
    "/case/{case:int}/take-in",
    "take-in",
    "The questions of take-in with their answers, what is missing first; consents, authority, bays.",
    [line("at", "Question to go on with, with its bay behind a blank; or bays")],
)
def take_in(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        form = fill_form(bench, case)
        bays = bench.ledger.bays(case)
        receipts = receipts_made(bench, case)
        things = any(one.where is Where.HERE for one in items_of(bench, case))
        by_pictures = told_by_pictures(bench, bays)
        twice = [twice_words(one) for one in noted_twice(bench, case)]
    facts = {
        "card": card,
        "receipt_at": receipts[-1].at if receipts else "",
        "things": things,
        "form": form,
        "missing": _asked(form.missing),
        "waiting": _asked(one for one in form.open if not one.question.essential),
        "answered": _asked(one for one in form.entries if one.answered),
        "essentials": sum(one.question.essential for one in form.entries),
        "types": Type,
        "not_known": NOT_KNOWN,
        "consents": {one.id: consent_line(one) for one in form.consents.values()},
        "authority": authority_words(form.authority),
        "word_marks": {one: seen(form.consents.get(one)) for one in packaged_risks()},
        "whose_data": WHOSE_DATA,
        "authority_mark": seen(form.authority),
        "worry": concern_about(form.authority),
        "bays": bays,
        "loose": form.case.kind in LOOSE,
        "by_pictures": by_pictures,
        "twice": twice,
        "form_mark": seen(*form_mark(form)),
        "begin_at": _begin_at(form, visit.said["at"]),
        "waiting_places": [_place(one) for one in form.open if not one.question.essential],
    }
    return Page("take_in.html", facts)


def _asked(entries: Iterable[Entry]) -> list[Asked]:
    return [
        Asked(
            one,
            seen(*_on_record(one)),
            packaged_risks()[one.question.id] if one.question.type is Type.CONSENT else None,
            one.question.column in ("customer", "kind"),
        )
        for one in entries
    ]


def _on_record(entry: Entry) -> tuple[object, ...]:
    return entry.key, entry.answered, entry.values, entry.origin


def form_mark(form: FilledForm) -> tuple[object, ...]:
    """All that is answered, so that a file does not take the place of an answer that nobody saw."""
    return tuple(_on_record(one) for one in form.entries if one.answered)


BAYS, COMPLETE, RECEIPT = "bays", "complete", "receipt"
"""Places of the page that are no question."""


def _begin_at(form: FilledForm, at: str) -> str:
    """The place of the page that is gone on with; empty for its beginning."""
    has_receipt = form.case.kind is not CaseKind.ENQUIRY
    is_there = at == BAYS or (at == RECEIPT and has_receipt) or (at == COMPLETE and not form.missing)
    return at if is_there or at in map(_place, form.open) else ""


def _place(entry: Entry) -> str:
    return " ".join(filter(None, entry.key))


def _next_place(form: FilledForm, answered: tuple[str, str]) -> str:
    """The question after an answered one that is open, in the order they are asked; the essentials before
    those that can wait."""
    order = [one.key for one in form.entries]
    own = next((one for one in form.entries if one.key == answered), None)
    if own is None:
        return ""
    if not own.answered:
        return _place(own)
    can_wait = [one for one in form.open if not one.question.essential]
    still = list(form.missing) or ([] if own.question.essential else can_wait)
    after = [one for one in still if order.index(one.key) > order.index(answered)]
    return _place((after or still)[0]) if still else COMPLETE


def _back(visit: Visit, form: FilledForm, said: str, answered: tuple[str, str]) -> Go:
    stops = " ".join(f"STOP: {one}" for one in form.stops)
    there = visit.go("take-in", f"{said} {stops}".strip(), {"at": _next_place(form, answered)})
    return replace(there, url=f"{there.url}#go-on")


def _kept(entry: Entry) -> str:
    """That an answer was kept, without its question, which stands with it below."""
    if not entry.values:
        return f"Kept as not known: {_called(entry)}"
    return f"Kept of bay {entry.bay}: {entry.shown}." if entry.bay else f"Kept: {entry.shown}."


def _called(entry: Entry) -> str:
    return f"Bay {entry.bay}: {entry.words}" if entry.bay else entry.words


@BOOK.change(
    "/case/{case:int}/take-in/tell",
    "tell-answer",
    "Answers a question; what was picked or written, or that it is not known.",
    [QUESTION, BAY, several("picked", "Picked", limit=40), text("written", "Answer")],
)
def tell_answer(visit: Visit) -> Answer:
    case, question, bay = visit.path["case"], visit.said["question"], visit.said["bay"]
    answer = ", ".join(visit.said["picked"]) or visit.said["written"]
    with visit.bench() as bench, bench.ledger.together():
        entry = entry_of(bench, case, question, bay)
        visit.require_unchanged(f"the answer to: {entry.words}", *_on_record(entry))
        before = bench.ledger.case(case).wanted if question == "wanted" else ()
        form = tell(bench, case, question, answer, bay)
        now = bench.ledger.case(case).wanted if question == "wanted" else ()
    done = next((one for one in form.entries if one.key == entry.key), None)
    kept = _kept(done or entry)
    more = [f"It takes the place of: {', '.join(before)}."] if before and before != now else []
    more += [wording.one_pattern_hint(one) for one in now if seems_several(one)]
    return _back(visit, form, " ".join([kept, *more]), entry.key)


@BOOK.change(
    "/case/{case:int}/take-in/untell",
    "untell-answer",
    "Takes back what was answered by mistake; the question is open again.",
    [QUESTION, BAY, REASON],
)
def untell_answer(visit: Visit) -> Answer:
    case, question, bay = visit.path["case"], visit.said["question"], visit.said["bay"]
    with visit.bench() as bench, bench.ledger.together():
        entry = entry_of(bench, case, question, bay)
        visit.require_unchanged(f"the answer to: {entry.words}", *_on_record(entry))
        form = untell(bench, case, question, visit.said["reason"], bay)
    return _back(visit, form, f"Taken back, and open again: {_called(entry)}", entry.key)


@BOOK.change(
    "/case/{case:int}/take-in/consent",
    "give-word",
    "Puts the customer's word on a risky step down.",
    [
        line("consent", "Risky step", required=True),
        choice("word", "Word", {str(one): str(one) for one in Word}, required=True),
        choice("by", "Whose word it is", BYS, default=str(By.CUSTOMER)),
        choice("how", "How it was given", HOWS, default=str(How.IN_PERSON)),
    ],
)
def consent(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        risk = risk_called(said["consent"])
        visit.require_unchanged(f"the word on {risk.title}", consents_of(bench, case).get(risk.id))
        given = give_word(bench, case, risk.id, Word(said["word"]), by=By(said["by"]), how=How(said["how"]))
        form = fill_form(bench, case)
    kept = f" {risk.kept}" if given.word is Word.NO else ""
    return _back(visit, form, f"{consent_line(given)}.{kept}", (risk.id, ""))


@BOOK.change(
    "/case/{case:int}/take-in/authority",
    "set-authority",
    "Puts down whose data it is, and what was seen to prove it.",
    [
        choice("whose", "Whose data it is", WHOSE, required=True),
        flag("paper", "A paper that says so was seen"),
        files("document", "A copy of that paper, to be kept", required=False, limit=1),
    ],
)
def whose_data(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with (
        uploaded(
            visit.desk.home,
            said["document"],
            authority.DOCUMENT_LIMIT,
            is_scan,
            "Scan the paper as PDF, JPEG or PNG.",
        ) as sent,
        visit.bench() as bench,
        bench.ledger.together(),
    ):
        visit.require_unchanged("whose data it is", authority.authority_of(bench, case))
        found = authority.set_authority(
            bench, case, Whose(said["whose"]), seen=said["paper"], document=next(iter(sent.paths), None)
        )
        form = fill_form(bench, case)
    # of an enquiry it is not asked: the form was shown before the case became one
    question = next((one.question.id for one in form.entries if one.question.type is Type.AUTHORITY), "")
    return _back(visit, form, f"Put down: {authority_words(found)}", (question, ""))


# ---------------------------------------------------------------------- bays


@BOOK.change(
    "/case/{case:int}/take-in/bays/add",
    "add-bay",
    "Adds a drive that came in, as its label says.",
    [LABEL, MODEL, SERIAL],
)
def add_a_bay(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench, bench.ledger.together():
        add_bay(bench, Bay(visit.path["case"], said["bay"], said["model"], said["serial"]))
    return visit.go(
        "take-in", f"The drive of bay {said['bay']} is put down{_as_labelled(said)}.", {"at": BAYS}
    )


def _as_labelled(said: Mapping[str, Any]) -> str:
    """What was typed of its label."""
    told = [said["model"], f"serial number {said['serial']}" if said["serial"] else ""]
    named = ", ".join(one for one in told if one)
    return f": {named}" if named else "; nothing of its label is noted yet"


@BOOK.change(
    "/case/{case:int}/take-in/bays/amend",
    "amend-bay",
    "Puts right what a drive's label says; custody tells old and new.",
    [LABEL, MODEL, SERIAL],
)
def amend_a_bay(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        known = bench.ledger.bay(case, said["bay"])
        visit.require_unchanged(f"the label of bay {known.bay}", known.model, known.serial)
        _, changes = amend_bay(bench, case, known.bay, said["model"], said["serial"])
    told = f"Bay {known.bay} put right: {'; '.join(changes)}." if changes else "It was noted so already."
    return visit.go("take-in", told, {"at": BAYS})


@BOOK.change(
    "/case/{case:int}/take-in/bays/remove",
    "remove-bay",
    "Takes a bay back that was added by mistake, while nothing but its take-in is on record of it.",
    [LABEL, line("reason", "Why", required=True)],
)
def remove_a_bay(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        known = bench.ledger.bay(case, said["bay"])
        visit.require_unchanged(f"the label of bay {known.bay}", known.model, known.serial)
        gone = remove_bay(bench, case, known.bay, said["reason"])
    return visit.go("take-in", f"The case has no bay {gone.bay} any more; custody tells it.", {"at": BAYS})
