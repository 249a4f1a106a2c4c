"""What a customer is told of a case, in words for somebody who is no technician. Nothing is sent."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from mendbay.case.agenda import Entry, Wait, WaitsFor
from mendbay.case.answer_day import answer_by
from mendbay.case.consents import Risk, Word, packaged_risks
from mendbay.case.plain_words import packaged_plain_words
from mendbay.case.quote import Quote
from mendbay.case.records import WITHOUT_DRIVE, Case, CaseKind, CaseState
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import chance_text, count_text, counted
from mendbay.files.verdict import Verdict
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import DECLINED
from mendbay.jobs.consents import consents_of, refused, to_ask
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.fetch_things import tell_fetching
from mendbay.jobs.files_seen import FilesSeen, files_seen
from mendbay.jobs.keep_copies import HAND_BACK, NOT_CHOSEN, keeping_facts
from mendbay.jobs.money_standing import money_standing
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.papers import frame
from mendbay.jobs.quote_case import quote_of, quotes_of
from mendbay.jobs.reached_customer import SinceHandBack, since_hand_back
from mendbay.jobs.read_so_far import read_so_far
from mendbay.jobs.remembered import remembered
from mendbay.jobs.things_here import things_here
from mendbay.jobs.told_days import day_in_paper
from mendbay.jobs.triage_case import Triage, tell_triage
from mendbay.jobs.waiting import QUOTE_WORDS, RUN_OUT_WORDS, waits_of, whole_shop
from mendbay.jobs.withdraw import standing_notes

LETTER = "letter"
ENQUIRY = "enquiry"
"""The question of take-in that asks what the customer of an enquiry wants to know (`take_in_form.toml`)."""
HELPS = 0.01
"""Chance to give the data from which a step counts as something that can still be done (own choice)."""
LIKELY = 0.15
"""Chance from which a fault is told to a customer (own choice)."""
MOST_FAULTS = 2
NOTHING_TO_FETCH: Mapping[str, Any] = {
    "to_fetch": [],
    "fetch_by": "",
    "fetch_past": False,
    "keeping_price": "",
    "keeping_unit": "",
}
NO_DAY = {"until": "", "before": "", "sooner": ""}
"""Of what is needed of a customer and has no day."""


class Message(StrEnum):
    """The usual messages; each has its wording, `message-quote.md` and so on."""

    QUOTE = "quote"
    STATUS = "status"
    READY = "ready"
    REMINDER = "reminder"
    FETCH = "fetch"


TITLES = {
    Message.QUOTE: "Our quote for your job",
    Message.STATUS: "Where your job stands",
    Message.READY: "Your files are ready",
    Message.REMINDER: "We are waiting for your answer",
    Message.FETCH: "Your things are still here",
}


@dataclass(frozen=True, slots=True)
class Mail:
    """A text to be sent by hand: the line of the subject, and the body in lines of at most 76 characters."""

    subject: str
    body: str


@dataclass(frozen=True, slots=True)
class Letter:
    """The status letter to be printed, as PDF, and where the case's own copy lies below its folder."""

    pdf: bytes
    path: str
    sha256: str


def letter_pdf(bench: Bench, number: int) -> Letter:
    """The status letter of a case; a copy is kept with the case, and custody tells its digest.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        BadFormFile: a wording or setting of the shop is not sound.
    """
    case = remembered(bench, number)
    facts = _facts(bench, case, "Where your job stands", message=False)
    pdf = bench.stationery.pdf(LETTER, facts)
    digest = hashlib.sha256(pdf).hexdigest()
    kept = bench.files.keep(case, f"papers/letter-{bench.now()[:10]}-{digest[:8]}.pdf", pdf)
    with bench.ledger.together():
        _note(bench, number, LETTER, {"form": "pdf", "path": kept.path, "sha256": digest})
        bench.custody(number, "letter made for the customer", f"{kept.path}, SHA-256 {digest}")
        bench.note(number, "letter", f"Status letter made: {kept.path}.", day_in_paper(_until(facts)))
    return Letter(pdf, kept.path, digest)


def letter_words(bench: Bench, number: int) -> str:
    """The status letter as plain text, to look at; nothing is noted.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        BadFormFile: a wording or setting of the shop is not sound.
    """
    case = remembered(bench, number)
    return bench.stationery.words(LETTER, _facts(bench, case, "Where your job stands", message=False))


def letter_mail(bench: Bench, number: int) -> Mail:
    """The status letter as the text of a message; that it was made is noted.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        BadFormFile: a wording or setting of the shop is not sound.
    """
    return _mail(bench, remembered(bench, number), LETTER, LETTER, "Where your job stands")


def message_mail(bench: Bench, number: int, message: Message) -> Mail:
    """One of the usual messages; that it was made is noted.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: there is nothing to write of: no quote that is open, no files handed back, no question.
        BadFormFile: a wording or setting of the shop is not sound.
    """
    case = remembered(bench, number)
    return _mail(bench, case, f"message-{message}", f"message {message}", TITLES[message], message)


def _mail(
    bench: Bench, case: Case, wording: str, subject: str, title: str, message: Message | None = None
) -> Mail:
    facts = _facts(bench, case, title, message=True)
    _require_reason_to_write(case, facts, message)
    shop = facts["shop"]["name"]
    head = f"{title} (case {facts['case']})" + (f", {shop}" if shop else "")
    body = bench.stationery.words(wording, facts)
    with bench.ledger.together():
        digest = hashlib.sha256(body.encode()).hexdigest()
        _note(bench, case.number, subject, {"form": "message", "path": "", "sha256": digest})
        told = day_in_paper(_until(facts)) if message in (None, Message.READY) else {}
        bench.note(case.number, "letter", f"Text of a message made: {subject}.", told)
    return Mail(head, body)


def _until(facts: dict[str, Any]) -> str:
    """The last day of keeping that letter and message of ready files tell; empty if they tell none."""
    return "" if facts["erased_on"] or facts["enquiry"] else str(facts["keep_until"])


def _require_reason_to_write(case: Case, facts: dict[str, Any], message: Message | None) -> None:
    if message is Message.QUOTE and facts["quote_run_out"]:
        raise UsageError(
            f"Quote {facts['quote_run_out']} of case {case.number} has run out.",
            f"mendbay case quote {case.number} makes a new one.",
        )
    if message is Message.QUOTE and not facts["quote"]:
        raise UsageError(
            f"Case {case.number} has no quote that waits for an answer.",
            f"mendbay case quote {case.number} makes one.",
        )
    if message is Message.READY and not facts["handed_back"]:
        raise UsageError(
            f"The files of case {case.number} are not handed back yet.",
            f"mendbay handback make {case.number} FOLDER does that.",
        )
    if message is Message.FETCH and not facts["to_fetch"]:
        raise UsageError(
            f"Nothing of case {case.number} is to be fetched.",
            f"mendbay case fetch {case.number} tells what is here once the job is done.",
        )
    if message is Message.REMINDER and not facts["needs"]:
        raise UsageError(
            f"Case {case.number} waits for nothing of the customer.",
            f"mendbay case wait {case.number} customer FOR-WHAT says what it waits for.",
        )


def _facts(bench: Bench, case: Case, title: str, *, message: bool) -> dict[str, Any]:
    """The facts of every wording here; each is described at the top of `letter.md`."""
    entry = tell_turn(bench, case.number)
    done = case.state in (CaseState.HANDED_BACK, CaseState.CLOSED)
    since = since_hand_back(bench, case.number) if done else SinceHandBack()
    money = money_standing(bench, case.number)
    told = None if done or case.kind in WITHOUT_DRIVE else _triage(bench, case)
    # nothing of an enquiry is here to which a step could be done
    no = (
        frozenset[str]()
        if done or case.kind is CaseKind.ENQUIRY
        else refused(consents_of(bench, case.number))
    )
    return {
        **frame(bench, title, case),
        "message": message,
        "customer": case.customer,
        "enquiry": case.kind is CaseKind.ENQUIRY,
        "question": _question(bench, case) if case.kind is CaseKind.ENQUIRY else "",
        "came": case.box or str(case.kind),
        "opened_on": case.opened_at[:10],
        "closed": case.state is CaseState.CLOSED,
        "handed_back": since.made_on,
        "copy_checked": since.checked_on,
        "handed_over": since.medium_on,
        "to_pay": money.due,
        "to_return": money.to_return,
        "quotes_open": [
            {"number": str(one.number), "until": one.valid_until}
            for one in money.quotes
            if done and one.valid_until >= bench.now()[:10]  # to one that has run out nobody answers
        ],
        "not_back": [one.named for one in things_here(bench, case.number)] if done else [],
        **(_fetch_facts(bench, case) if done else NOTHING_TO_FETCH),
        "due_on": case.due_on,
        "overdue": bool(case.due_on) and case.due_on < bench.now()[:10],
        **keeping_facts(bench, case),
        "erased_on": copies_erased_on(bench, case),
        "wanted": list(case.wanted),
        "two_drives": told is not None and (told.subject.box or len(told.subject.bays) > 1),
        "drives": case.kind not in WITHOUT_DRIVE,
        "many_drives": _drives(bench, case) > 1,
        "examined": told is not None and told.is_examined,
        "found": _found(told) if told is not None and told.is_examined else [],
        "box_came": told is not None and told.subject.box,
        "power_refused": "power-on" in no,
        "refused": [{"title": one.title, "leaves": one.refused} for one in _refused_risks(no)],
        "nothing_left": told is not None and _nothing_left(told, no),
        "declined": "" if done else _declined(bench, case),
        **_read_facts(bench, case, told),
        **_copied_facts(bench, case.number, since.made_on),
        "next_step": "" if done else _next_step(entry),
        **_turn_facts(bench, case, told),
    }


def _fetch_facts(bench: Bench, case: Case) -> dict[str, Any]:
    told = tell_fetching(bench, case.number)
    asks = told.things and told.price and told.price.low and not told.is_invented
    price = told.price if asks else None
    return {
        "to_fetch": [one.named for one in told.things],
        "fetch_by": told.until if told.things else "",
        "fetch_past": told.past,
        "keeping_price": price.low.shown if price else "",
        "keeping_unit": price.unit if price else "",
    }


def _read_facts(bench: Bench, case: Case, told: Triage | None) -> dict[str, Any]:
    """What was read, what of it can be seen, and which drives get no power for what is left of them."""
    read = () if case.kind in WITHOUT_DRIVE else read_so_far(bench, case.number)
    seen = files_seen(bench, case.number) if read else FilesSeen()
    ended = {one.bay for one in read if one.ended}
    consents = told.consents if told is not None else {}
    return {
        "read": [
            {"bay": one.bay, "share": one.share, "ended": one.ended and not one.complete} for one in read
        ],
        "all_read": bool(read) and len(ended) >= _drives(bench, case),
        "files_on": seen.day,
        "files_seen": counted(seen.seen, "file") if seen.day else "",
        "files_whole": count_text(seen.whole) if seen.day else "",
        "no_power": [one.bay for one in told.keep_off if one.bay not in ended] if told is not None else [],
        "power_agreed": "power-on" in consents and consents["power-on"].word is Word.YES,
    }


def _copied_facts(bench: Bench, number: int, made_on: str) -> dict[str, str]:
    """What the last hand-back was of, and what it left: nobody should take a choice for all there is."""
    made = [one for one in bench.ledger.events(number) if one.kind == HAND_BACK] if made_on else []
    tally = {one: made[-1].facts.get(str(one)) for one in Verdict} if made else {}
    files = sum(one for one in tally.values() if isinstance(one, int))
    whole = tally.get(Verdict.WHOLE)
    rest = files - (whole if isinstance(whole, int) else 0)
    left = made[-1].facts.get(NOT_CHOSEN) if made else 0
    return {
        "chosen": counted(files, "file") if files else "",
        "chosen_whole": count_text(files - rest) if files else "",
        "chosen_rest": count_text(rest) if rest else "",
        "not_chosen": counted(left, "more file") if files and isinstance(left, int) and left else "",
    }


def _drives(bench: Bench, case: Case) -> int:
    """How many drives came; while nobody described one, what that kind of case usually has."""
    return len(bench.ledger.bays(case.number)) or (1 if case.kind is CaseKind.DRIVE else 2)


def _triage(bench: Bench, case: Case) -> Triage | None:
    try:
        return tell_triage(bench, case.number)
    except UsageError:  # more than two bays and none chosen: `case today` tells the technician so
        return None


def _refused_risks(no: frozenset[str]) -> list[Risk]:
    """What the customer said no to, in the order in which it is asked."""
    return [risk for one, risk in packaged_risks().items() if one in no]


def _nothing_left(told: Triage, no: frozenset[str]) -> bool:
    """Whether what might give the data was refused, all of it."""
    helps = [one for one in told.offers if one.solves >= HELPS]
    return bool(helps) and all(no & set(one.step.consents) for one in helps)


def _declined(bench: Bench, case: Case) -> str:
    """The number of the newest quote, if the customer declined it and none is accepted; else empty."""
    kept = quotes_of(bench, case.number)
    said_no = bool(kept) and kept[-1].state == DECLINED and not any(one.accepted for one in kept)
    return str(kept[-1].quote.number) if said_no else ""


def _question(bench: Bench, case: Case) -> str:
    """What the customer of an enquiry wants to know, in one line; empty if nobody put it down."""
    notes = standing_notes(bench, NoteKind.INTAKE, case.number, "", ENQUIRY)
    if not notes:
        return ""
    values = body_of(notes[-1], "take-in").get("values")
    if not isinstance(values, list) or not all(isinstance(one, str) for one in values):
        raise unreadable(notes[-1], "take-in", TypeError("not what it should hold"))
    return " ".join(" ".join(values).split())


def _found(told: Triage) -> list[dict[str, Any]]:
    """The likeliest faults in plain words."""
    plain = packaged_plain_words().faults
    likely = [one for one in told.belief.ranked() if one[1] >= LIKELY and one[0].fault in plain]
    many = len(told.subject.bays) > 1
    return [
        {
            "words": plain[place.fault].words,
            "means": plain[place.fault].means,
            "where": f"the drive in bay {place.bay}" if place.bay and many else "",
            "chance": chance_text(chance),
        }
        for place, chance in likely[:MOST_FAULTS]
    ]


def _next_step(entry: Entry) -> str:
    """What ends the sentence `The next step is ...`; empty while somebody else's turn it is."""
    if entry.chore is None or entry.case.waits:
        return ""
    return packaged_plain_words().steps.get(entry.chore.id, "a further examination of what you brought")


def _turn_facts(bench: Bench, case: Case, told: Triage | None) -> dict[str, Any]:
    # what the customer is waited for stands also while something of the case is our turn first
    waits = waits_of(bench, case, whole_shop(bench, [case.number]))
    being_read = any(one.who is WaitsFor.MACHINE for one in waits)
    ours = [one for one in waits if one.who is WaitsFor.CUSTOMER]
    quotes = [one for one in ours if not one.told and one.what.startswith(QUOTE_WORDS)]
    run_out = [one for one in quotes if one.what.endswith(RUN_OUT_WORDS)]
    valid = [one for one in quotes if one not in run_out]
    of = {one.what: quote_of(bench, case.number, int(_number_of(one))).quote for one in valid}
    number, quote = (_number_of(valid[0]), of[valid[0].what]) if valid else ("", None)
    today = bench.now()[:10]
    late = [one for one in valid if one.until < today]  # nobody answers by a day that is past
    # an answer is asked for before the quote runs out where time is to be left for the work
    early = [one for one in valid if one.until < of[one.what].valid_until]
    before = {one.what: case.due_on for one in early if today <= case.due_on and one.until < case.due_on}
    # what its paper asks stands; a day set since by which the job is needed may ask for more haste
    sooner = {
        one.what: case.due_on
        for one in valid
        if one.differs and case.due_on and answer_by(*_times(of[one.what], case)) < one.until
    }
    asked_by = next((one.until for one in valid[:1] if one in early and one not in late), "")
    asked = (
        ()
        if told is None or waits or not told.offers
        else to_ask(told.offers[0].step.consents, told.consents)
    )
    return {
        "needs": [
            *(
                {
                    "what": one.what,
                    "until": "" if one in run_out or one in late else one.until,
                    "before": before.get(one.what, ""),
                    "sooner": sooner.get(one.what, ""),
                }
                for one in ours
            ),
            *({"what": f"your word on {one.title}", **NO_DAY} for one in asked),
        ],
        "quote": number,
        "quote_until": quote.valid_until if quote else "",
        "answer_by": asked_by if valid and valid[0].what in before else "",
        "paper_asks": asked_by,
        "sooner": next((sooner.get(one.what, "") for one in valid[:1]), ""),
        "quote_run_out": _number_of(run_out[0]) if run_out else "",
        "in_any_case": _in_any_case(quote) if quote else "",
        "part": [{"until": one.until} for one in waits if one.who is WaitsFor.PART],
        "machine": being_read and not bench.asked_by_works(case.number),
        "powered": being_read,
    }


def _times(quote: Quote, case: Case) -> tuple[str, str, str]:
    return quote.day, quote.valid_until, case.due_on


def _number_of(wait: Wait) -> str:
    """The number of the quote that is waited for."""
    return wait.what.removeprefix(QUOTE_WORDS).removesuffix(RUN_OUT_WORDS).strip()


def _in_any_case(quote: Quote) -> str:
    """What the examination costs with its tax, also if the quote is not accepted; empty for nothing."""
    due = quote.in_any_case
    return due.shown if due else ""


def _note(bench: Bench, case: int, subject: str, body: dict[str, str]) -> None:
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(case, "", NoteKind.LETTER, subject, bench.now(), bench.who, text))
