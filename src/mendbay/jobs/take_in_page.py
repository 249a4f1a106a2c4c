"""What a page with the questions of take-in asks: for a case as far as it is known, or for one to be opened.

It holds no answers, so that the page can be given away: of what is on record it says only that it is.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

from mendbay.case.records import CaseKind
from mendbay.case.take_in_form import KINDS, Option, Question, Type, packaged_form
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in_form import bays_asked, fill_form, sign_of, unanswered
from mendbay.triage.tables import Seat


@dataclass(frozen=True, slots=True)
class PageQuestion:
    """One question, of a bay where each drive has its own.

    Args:
        read_first: what must be read out before the answer; empty for most.
        help: one line beside the question; empty for none.
        options: what can be picked; empty where something is typed.
        kinds: names of the kinds of cases it is asked for; empty where it is asked whatever is picked.
        needed: it cannot be answered `not known`.
        on_record: it was answered before.
    """

    id: str
    bay: str
    type: Type
    words: str
    read_first: str
    help: str
    options: tuple[Option, ...]
    kinds: tuple[str, ...]
    essential: bool
    needed: bool
    on_record: bool

    @property
    def key(self) -> tuple[str, str]:
        """What names it: question and bay."""
        return self.id, self.bay


@dataclass(frozen=True, slots=True)
class TakeInPage:
    """The questions in the order of the form, bay by bay.

    Args:
        case: None for a case that is not opened yet.
    """

    case: int | None
    questions: tuple[PageQuestion, ...]


def page_for(bench: Bench, case: int) -> TakeInPage:
    """The page for a case.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    form = fill_form(bench, case)
    answered = {one.key for one in form.entries if one.answered}
    return TakeInPage(case, _questions(frozenset(form.bays), form.case.kind, answered))


def page_for_new() -> TakeInPage:
    """The page for a case that is not opened yet: every question, of each bay that a kind of case has."""
    return TakeInPage(None, _questions(frozenset(), CaseKind.NOT_SAID, frozenset()))


def _questions(
    described: Set[str], kind: CaseKind, answered: Set[tuple[str, str]]
) -> tuple[PageQuestion, ...]:
    found: list[PageQuestion] = []
    for question in packaged_form().values():
        if not question.asked_for(kind):
            continue
        for bay, kinds in _kinds_of_bays(question, described, kind).items():
            shown_for = kinds if kind is CaseKind.NOT_SAID and len(kinds) < len(KINDS) else ()
            found.append(_question(question, bay, kind, shown_for, answered))
    return tuple(found)


def _kinds_of_bays(question: Question, described: Set[str], kind: CaseKind) -> dict[str, tuple[str, ...]]:
    """The bays that a question is asked of, each with the kinds of cases that have it."""
    kinds = {
        name: one for name, one in KINDS.items() if one in question.kinds and kind in (CaseKind.NOT_SAID, one)
    }
    sign = sign_of(question)
    if sign is None or sign.seat is not Seat.BAY:
        return {"": tuple(kinds)}
    found: dict[str, tuple[str, ...]] = {}
    for name, one in kinds.items():
        for bay in bays_asked(described, one):
            found[bay] = (*found.get(bay, ()), name)
    return dict(sorted(found.items()))


def _question(
    question: Question, bay: str, kind: CaseKind, kinds: tuple[str, ...], answered: Set[tuple[str, str]]
) -> PageQuestion:
    entry = unanswered(question, bay, kind)
    consent = question.type is Type.CONSENT
    return PageQuestion(
        id=question.id,
        bay=bay,
        type=question.type,
        words=entry.words,
        read_first=question.help if consent else "",
        help="" if consent else question.help,
        options=entry.options,
        kinds=kinds,
        essential=question.essential,
        needed=question.column in ("customer", "kind"),
        on_record=entry.key in answered,
    )
