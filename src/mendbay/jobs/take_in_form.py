"""The form of take-in: what is asked of a case, what was answered, and what is still missing.

Where an answer belongs to the case, to triage, to the consents or to the authority over the data, it is kept
there and only there, and the form shows it from there; the others are notes of take-in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from typing import assert_never

from mendbay.case.authority import Authority, Whose
from mendbay.case.consents import Consent, How, Word
from mendbay.case.records import Bay, Case, CaseKind
from mendbay.case.take_in_form import (
    KINDS,
    NOT_KNOWN,
    Option,
    Question,
    Type,
    packaged_form,
    read_answer,
)
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.authority import authority_of, set_authority, take_authority_back
from mendbay.jobs.bench import Bench
from mendbay.jobs.came_in import QUESTION, filled_bays, leave_bays, settle_bays
from mendbay.jobs.consents import consents_of, give_word, given_by, take_word_back
from mendbay.jobs.earlier_wishes import BEFORE
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.remembered import remembered
from mendbay.jobs.take_in import add_bay, described
from mendbay.jobs.triage_case import note_about, note_answer, take_worth_back, withdraw_answer
from mendbay.jobs.triage_subject import said_worth
from mendbay.jobs.waiting import require_due
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw
from mendbay.triage.belief import Asked
from mendbay.triage.next_step import CONDITION, HEARD, SEEN
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, Sign

OF_DRIVES = frozenset({CaseKind.BOX, CaseKind.DRIVE})
"""Kinds of cases in which drives came in."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One question of the form, of a bay where each drive has its own.

    Args:
        words: the question.
        options: what can be picked; empty where something is typed.
        answered: whether it is settled, also by there being no answer to be had.
        values: the answer, as options' ids where there are options; empty without one.
        shown: the answer in words.
        origin: who gave it and when, as far as that is known.
    """

    question: Question
    bay: str
    words: str
    options: tuple[Option, ...]
    answered: bool = False
    values: tuple[str, ...] = ()
    shown: str = ""
    origin: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What names it: question and bay."""
        return self.question.id, self.bay


@dataclass(frozen=True, slots=True)
class FilledForm:
    """The form of a case as it stands.

    Args:
        entries: what is asked of a case of its kind, in the order of the form, bay by bay; while no kind is
            said, what can be asked of any, and what was answered.
        bays: those that are described.
        consents, authority: as they are on record.
    """

    case: Case
    bays: tuple[str, ...]
    entries: tuple[Entry, ...]
    consents: Mapping[str, Consent]
    authority: Authority | None

    @property
    def open(self) -> tuple[Entry, ...]:
        """What nobody answered yet, the essentials first."""
        left = [one for one in self.entries if not one.answered]
        return tuple(sorted(left, key=lambda one: not one.question.essential))

    @property
    def stops(self) -> tuple[str, ...]:
        """What was answered that keeps power away until triage was looked at, as sentences."""
        found: list[str] = []
        for one in self.entries:
            if one.question.id == "sound" and set(one.values) & set(HEARD):
                found.append(f"give the drive of bay {one.bay} no power: {one.shown}.")
            elif one.question.id == CONDITION and set(one.values) & set(SEEN):
                found.append(f"give nothing power that came in: {one.shown}.")
        return tuple(found)

    @property
    def missing(self) -> tuple[Entry, ...]:
        """The essentials that nobody answered yet."""
        return tuple(one for one in self.open if one.question.essential)


def first_question() -> Entry:
    """What must be answered before there is a case: whose it is."""
    return unanswered(next(one for one in packaged_form().values() if one.column == "customer"))


def unanswered(question: Question, bay: str = "", kind: CaseKind = CaseKind.NOT_SAID) -> Entry:
    """A question as it is asked in a case of a kind, of a bay where each drive has its own, without an
    answer."""
    sign = sign_of(question)
    if sign is None:
        offered = tuple(one for one in question.options if one.offered_for(kind))
        return Entry(question, bay, question.words, offered)
    asks = sign.question(kind is CaseKind.BOX)
    return Entry(question, bay, asks, tuple(Option(one.id, one.words) for one in sign.answers))


def fill_form(bench: Bench, case: int) -> FilledForm:
    """The form of a case with all that is on record.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    remembered(bench, case)
    return _Filling(bench, case).form()


def tell(
    bench: Bench,
    case: int,
    question_id: str,
    text: str,
    bay: str = "",
    how: How = How.IN_PERSON,
    *,
    numbered: bool = False,
) -> FilledForm:
    """Enters an answer; it takes the place of an earlier one.

    Args:
        text: an option by name, words or number, whatever the question asks for, or `not known`.
        bay: whose drive it is about, where each has its own. A bay that the case's kind has and nobody
            described yet is added, but not by `not known`, which does not say that there is a drive.
        how: the customer gave a consent.
        numbered: as `read_answer` takes it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such question in a case of this kind, no such answer, or the deadline of a closed
            case.
    """
    with bench.ledger.together():
        entry = entry_of(bench, case, question_id, bay)
        values = read_answer(entry.question, entry.options, text, numbered=numbered)
        if entry.question.column == "due_on":
            require_due(bench, bench.ledger.case(case), values[0] if values else "")
        _keep(bench, bench.ledger.case(case), entry, values, how)
    return fill_form(bench, case)


def untell(bench: Bench, case: int, question_id: str, reason: str, bay: str = "") -> FilledForm:
    """Takes an answer back that was put down by mistake; the question is open again, the record stays.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such question, nothing was answered, no reason, an answer no case can be without, or
            the deadline of a closed case.
    """
    require_reason(reason)
    entry = entry_of(bench, case, question_id, bay)
    question = entry.question
    if question.column == "customer":
        raise UsageError(
            "There is no case without a customer.", f"mendbay case tell {case} {question_id} NAME"
        )
    with bench.ledger.together():
        if question.column == "due_on":
            require_due(bench, bench.ledger.case(case), "")
        if question.type is Type.CONSENT and entry.values:
            take_word_back(bench, case, question_id, reason)
        elif question.type is Type.AUTHORITY and entry.values:
            take_authority_back(bench, case, reason)
        elif question.type is Type.SIGN and entry.values:
            withdraw_answer(bench, case, Asked(question_id, bay), reason)
        elif question.type is Type.WORTH and entry.values:
            take_worth_back(bench, case, reason)
        elif not entry.answered:
            raise UsageError(
                f"Nobody answered {question_id}.", f"mendbay case form {case} tells what is known."
            )
        else:
            bench.note(case, "take-in", f"Taken back: {entry.words} {reason}")
        notes = standing_notes(bench, NoteKind.INTAKE, case, bay, question_id)
        withdraw(bench, map(subject_of, notes), case, bay, reason)
        if question.column:
            _set_column(bench, case, question.column, ())
        if question.id == QUESTION:
            settle_bays(bench, case)
        elif question.column == "kind":
            leave_bays(bench, case)
    return fill_form(bench, case)


# ------------------------------------------------------------------------- keeping


def entry_of(bench: Bench, case: int, question_id: str, bay: str) -> Entry:
    """One question of a case with what is on record, asked of the case or not yet.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: no such question in a case of this kind, or a bay is missing or one too many.
    """
    form = packaged_form()
    record = bench.ledger.case(case)
    if question_id not in form:
        raise UsageError(
            f"There is no question {question_id[:40]!r}.", f"mendbay case form {case} --all lists them."
        )
    question = form[question_id]
    if not question.asked_for(record.kind):
        raise UsageError(
            f"{question_id} is not asked of a {record.kind}.", f"mendbay case form {case} tells what is."
        )
    sign = sign_of(question)
    of_bay = sign is not None and sign.seat is Seat.BAY
    if of_bay and not bay:
        bays = ", ".join(_bays(bench, record)) or "1"
        raise UsageError(f"{question_id} is asked of each drive.", f"Say which: --bay, one of {bays}.")
    if bay and not of_bay:
        raise UsageError(f"{question_id} is asked of the case, not of a bay.", "Leave --bay out.")
    if of_bay:
        Bay(case, bay)
        _require_bay(bench, record, bay)
    return _Filling(bench, case).entry(question, bay)


def _require_bay(bench: Bench, case: Case, bay: str) -> None:
    known = _bays(bench, case) or ("1", "2")
    if case.kind is CaseKind.NOT_SAID and set(known) <= {"1", "2"}:
        known = ("1", "2")  # it may yet be said to be of a box: no answer hangs on which was told first
    if bay not in known:
        raise UsageError(
            f"Case {case.number} has no bay {bay}; asked about is bay {' or '.join(known)}.",
            f"mendbay case bay {case.number} {bay}= adds a drive that came in.",
        )


def _keep(bench: Bench, case: Case, entry: Entry, values: tuple[str, ...], how: How) -> None:
    question = entry.question
    if values:
        _add_missing_bay(bench, case, entry.bay)
    told = " ".join(
        [f"Bay {entry.bay}:"] * bool(entry.bay) + [entry.words, f"{shown_as(entry.options, values)}."]
    )
    match question.type:
        case Type.CONSENT if values:
            give_word(bench, case.number, question.id, Word(_word(values[0])), how=how)
            return
        case Type.AUTHORITY if values:
            set_authority(bench, case.number, Whose(values[0]))
            return
        case Type.SIGN if values:
            note_answer(bench, case.number, Asked(question.id, entry.bay), values[0])
            return
        case Type.WORTH if values:
            note_about(bench, case.number, worth=float(values[0]))
            return
        case Type.SIGN | Type.CONSENT | Type.AUTHORITY | Type.WORTH if entry.values:
            raise UsageError(
                f"{question.id} was answered: {entry.shown}.",
                f"Take that back first: mendbay case untell {case.number} {question.id} --reason REASON",
            )
    if question.column:
        _set_column(bench, case.number, question.column, values)
        if question.column == "box" and values:
            bench.custody(case.number, "what came in, as put down", described(values[0]))
    said: dict[str, object] = {"values": list(values)}
    if question.column == "wanted" and case.wanted:
        said[BEFORE] = list(case.wanted)
    body = json.dumps(said, ensure_ascii=False)
    bench.notes.add(Note(case.number, entry.bay, NoteKind.INTAKE, question.id, bench.now(), bench.who, body))
    bench.note(case.number, "take-in", f"Put down: {entry.words}" if question.personal else told)
    came = case.kind in (CaseKind.BOX, CaseKind.DRIVE)
    if question.column == "kind" and came and KINDS[values[0]] is not case.kind:
        leave_bays(bench, case.number)
    if question.column == "kind" or question.id == QUESTION:
        settle_bays(bench, case.number)


def _word(option: str) -> str:
    return option.replace("-", " ")


def _add_missing_bay(bench: Bench, case: Case, bay: str) -> None:
    if bay and bay not in {one.bay for one in bench.ledger.bays(case.number)}:
        add_bay(bench, Bay(case.number, bay))


def _set_column(bench: Bench, case: int, column: str, values: tuple[str, ...]) -> None:
    one = values[0] if values else ""
    match column:
        case "customer":
            bench.ledger.amend_case(case, customer=one)
        case "contact":
            bench.ledger.amend_case(case, contact=one)
        case "kind":
            bench.ledger.amend_case(case, kind=KINDS[one] if one else CaseKind.NOT_SAID)
        case "box":
            bench.ledger.amend_case(case, box=one)
        case "wanted":
            bench.ledger.amend_case(case, wanted=values)
        case "due_on":
            bench.ledger.amend_case(case, due_on=one)
        case "notes":
            bench.ledger.amend_case(case, notes=one)
        case other:
            raise AssertionError(f"no such column: {other}")


# ------------------------------------------------------------------------- filling


class _Filling:
    """What is on record of a case, read once."""

    def __init__(self, bench: Bench, case: int) -> None:
        self.case = bench.ledger.case(case)
        self.described = tuple(one.bay for one in bench.ledger.bays(case))
        self.bays = _bays(bench, self.case)
        self.consents = consents_of(bench, case)
        self.authority = authority_of(bench, case)
        self.worth = said_worth(bench, case)
        self.signs = _latest(standing_notes(bench, NoteKind.SIGN, case))
        self.notes = _latest(standing_notes(bench, NoteKind.INTAKE, case))

    def form(self) -> FilledForm:
        found: list[Entry] = []
        for question in packaged_form().values():
            if not question.asked_for(self.case.kind):
                continue
            waits_for_kind = self.case.kind is CaseKind.NOT_SAID and not self._fits(question)
            sign = sign_of(question)
            bays = self.bays if sign is not None and sign.seat is Seat.BAY else ("",)
            entries = [self.entry(question, bay) for bay in bays]
            found += [one for one in entries if one.answered or not waits_for_kind]
        return FilledForm(self.case, self.described, tuple(found), self.consents, self.authority)

    def _fits(self, question: Question) -> bool:
        """Whether a question can be asked before anybody said what it is about: one that is asked of every
        kind, and once a bay is described what is asked where a drive came."""
        return question.of_every_kind or (bool(self.described) and bool(question.kinds & OF_DRIVES))

    def entry(self, question: Question, bay: str) -> Entry:
        asked = unanswered(question, bay, self.case.kind)
        note = self.notes.get((question.id, bay))
        noted = None if note is None else _values(note)
        values, origin = self._kept(question, bay)
        if values is None:
            values, origin = noted or (), _origin(note)
        elif not origin and noted == values:
            origin = _origin(note)
        answered = bool(values) or noted == ()
        shown = shown_as(question.options or asked.options, values) if answered else ""
        if question.type is Type.CONSENT and values:
            shown = f"{shown}; {given_by(self.consents[question.id])}"
        return replace(asked, answered=answered, values=values, shown=shown, origin=origin)

    def _kept(self, question: Question, bay: str) -> tuple[tuple[str, ...] | None, str]:
        """The answer where it is kept outside the notes of take-in, and its origin; None if it is not."""
        match question.type:
            case Type.CONSENT:
                consent = self.consents.get(question.id)
                if consent is None:
                    return (), ""
                return (str(consent.word).replace(" ", "-"),), f"{consent.who}, {consent.at}"
            case Type.AUTHORITY:
                one = self.authority
                return ((str(one.whose),), f"{one.who}, {one.at}") if one else ((), "")
            case Type.SIGN:
                note = self.signs.get((question.id, bay))
                return ((_sign_answer(note),), _origin(note)) if note else ((), "")
            case Type.WORTH:
                return ((f"{self.worth[0]:.0f}",), self.worth[1]) if self.worth else ((), "")
            case (
                Type.LINE
                | Type.TEXT
                | Type.CHOICE
                | Type.SEVERAL
                | Type.YES_NO
                | Type.DAY
                | Type.DAYS
                | Type.PATTERNS
            ):
                return (_column(self.case, question.column), "") if question.column else (None, "")
            case other:
                assert_never(other)


def _column(case: Case, column: str) -> tuple[str, ...]:
    if column == "wanted":
        return case.wanted
    if column == "kind":
        return tuple(name for name, kind in KINDS.items() if kind is case.kind)
    texts = {
        "customer": case.customer,
        "contact": case.contact,
        "box": case.box,
        "due_on": case.due_on,
        "notes": case.notes,
    }
    return (texts[column],) if texts[column] else ()


def _bays(bench: Bench, case: Case) -> tuple[str, ...]:
    described = {one.bay for one in bench.ledger.bays(case.number)}
    return bays_asked(described, case.kind, filled_bays(bench, case.number))


def bays_asked(
    described: Set[str], kind: CaseKind, filled: Set[str] = frozenset({"1", "2"})
) -> tuple[str, ...]:
    """The bays whose drives are asked about in a case of a kind: those described, or as many as it has.

    Args:
        filled: bays of a box that were not said to be empty.
    """
    usual: set[str] = set()
    if kind is CaseKind.BOX:
        usual = set(filled)
    elif kind is CaseKind.DRIVE:
        usual = {"1"}
    fits = described < usual
    return tuple(sorted(usual if fits else described))


def sign_of(question: Question) -> Sign | None:
    """Triage's own question, where it is one of these.

    Raises:
        LedgerError: never: a test holds the form against triage's tables.
    """
    return packaged_tables().signs[question.id] if question.type is Type.SIGN else None


def shown_as(options: tuple[Option, ...], values: tuple[str, ...]) -> str:
    """An answer in words."""
    words = {one.id: one.words for one in options}
    return "; ".join(words.get(one, one) for one in values) or NOT_KNOWN


def _latest(notes: tuple[Note, ...]) -> dict[tuple[str, str], Note]:
    return {(note.subject, note.bay): note for note in notes}


def _origin(note: Note | None) -> str:
    return f"{note.who}, {note.at}" if note else ""


def _values(note: Note) -> tuple[str, ...] | None:
    """What a note of take-in holds; None for one that is no answer to a question (authority, a picture)."""
    values = body_of(note, "take-in").get("values")
    if values is None:
        return None
    if not isinstance(values, list) or not all(isinstance(one, str) for one in values):
        raise unreadable(note, "take-in", TypeError("no list of texts"))
    return tuple(values)


def _sign_answer(note: Note) -> str:
    answer = body_of(note, "take-in").get("answer")
    if not isinstance(answer, str):
        raise unreadable(note, "take-in", KeyError("answer"))
    return answer
