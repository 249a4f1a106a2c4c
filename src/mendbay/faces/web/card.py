"""The card of a case: what every page of it shows around its own sheet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from mendbay.case.agenda import TAKE_IN, WaitsFor
from mendbay.core.note import NoteKind
from mendbay.core.quantity import count_text
from mendbay.faces.agenda_words import figures_words, wait_words
from mendbay.faces.web.commands import page_of
from mendbay.faces.web.picture_reading import picture_reading
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_pictures import case_pictures
from mendbay.jobs.case_steps import PAST, CaseSteps, StepName, StepState, tell_steps
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.fetch_things import is_fetch
from mendbay.jobs.in_hand import holder_of
from mendbay.jobs.shop_currency import shop_currency
from mendbay.jobs.withdraw import standing_notes

if TYPE_CHECKING:
    from mendbay.case.agenda import Chore
    from mendbay.case.records import Case
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.case_steps import JobStep

STEPS = (
    ("take-in", "Take-in", StepName.TAKE_IN),
    ("pictures", "Pictures", None),
    ("triage", "Triage", StepName.TRIAGE),
    ("board", "Board", StepName.BOARD),
    ("drives", "Drives", StepName.READING),
    ("pair", "Pair", StepName.PAIR),
    ("files", "Files", StepName.FILES),
    ("hand-back", "Hand-back", StepName.HAND_BACK),
    ("closing", "Closing", StepName.CLOSING),
)
"""The pages of the steps of the job, in its order; pictures are taken at any of them."""
BESIDE = (
    ("case", "At a glance"),
    ("things", "Things and hand-overs"),
    ("money", "Money"),
    ("letters", "Letters"),
    ("record", "The story"),
)
"""The pages of a case beside them."""
TRIED_AGAIN = "It is tried again once the server is started anew."


@dataclass(frozen=True, slots=True)
class CardStep:
    """A step on the spine; `state` is empty for a page that is no step of the job, `words` then say in a few
    words what is there."""

    page: str
    name: str
    url: str
    state: str = ""
    words: str = ""
    waits: str = ""


@dataclass(frozen=True, slots=True)
class CardNext:
    """The next ranked action, its numbers, and the page where it is done.

    Args:
        weighing: it is being worked out; `words` says so.
        also: what is open beside, each with the page where it is done and what is known of it.
    """

    words: str
    numbers: str = ""
    url: str = ""
    weighing: bool = False
    also: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Card:
    """What the frame of a case's page shows.

    Args:
        erased_on: the day on which the last copy was erased; empty while there is one or none was made.
        holder: who of the shop has it in hand; empty for nobody.
    """

    case: Case
    told: CaseSteps
    steps: tuple[CardStep, ...]
    next: CardNext
    beside: tuple[tuple[str, str], ...]
    today: str
    erased_on: str
    holder: str


def card_of(visit: Visit, bench: Bench, number: int, *, weighed: bool = False) -> Card:
    """The card of a case. What to do next is told as far as it is worked out; if it is not, it is worked out
    behind, and the page hears of it.

    Args:
        weighed: the page has just had the case weighed for itself, so that working out what to do next takes
            no time, and doing it behind would weigh it twice at once.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    told = tell_steps(bench, number, weigh=weighed)
    if told.not_yet or told.outdated:
        visit.desk.weigher.ask([number])
    today = bench.now()[:10]
    found = {one.name: one for one in told.steps}
    there = visit.book.addresses
    steps = tuple(
        _step(visit, page, name, found[step], number, today)
        if step
        else CardStep(page, name, visit.url(page, case=number), words=_pictures_words(visit, bench, number))
        for page, name, step in STEPS
        if page in there
    )
    beside = tuple(one for one in BESIDE if one[0] in there)
    return Card(
        told.case,
        told,
        steps,
        _next(visit, bench, told, today),
        beside,
        today,
        copies_erased_on(bench, told.case),
        holder_of(bench, told.case),
    )


def _step(visit: Visit, page: str, name: str, step: JobStep, case: int, today: str) -> CardStep:
    url = visit.url(page, case=case)
    waits = wait_words(step.waits, today) if step.waits else ""
    return CardStep(page, name, url, str(step.state), step.words, waits)


def _pictures_words(visit: Visit, bench: Bench, case: int) -> str:
    """How many are kept; what was sent is kept once it is read, and told as waiting until then."""
    of_bays = {(one.bay, one.subject) for one in standing_notes(bench, NoteKind.PICTURE, case)}
    kept = len(of_bays) + len(case_pictures(bench, case))
    waiting = picture_reading(visit.desk).waiting(case)
    found = [f"{count_text(kept)} kept"] if kept else []
    if waiting:
        found.append(f"{count_text(waiting)} to be read")
    return ", ".join(found) or "none yet"


def _open_questions(visit: Visit, told: CaseSteps) -> Iterator[tuple[str, str, str]]:
    """That take-in is not done yet, beside a step that goes before by what it is worth."""
    step = next(one for one in told.steps if one.name is StepName.TAKE_IN)
    if step.state is StepState.UNDER_WAY:
        yield f"Still open: Take-in, {step.state}.", visit.url("take-in", case=told.case.number), step.words


def _open_beside(visit: Visit, told: CaseSteps) -> Iterator[tuple[str, str, str]]:
    """What of a case that waits is not done yet, and how to ask after what it waits for."""
    pages = {step: (page, name) for page, name, step in STEPS if step}
    left = (StepState.UNDER_WAY, StepState.NOT_STARTED)
    open_ones = (one for one in told.steps if one.state in left and not one.waits)
    step = next((one for one in open_ones if one.name is not StepName.CLOSING), None)
    if step is not None:
        page, name = pages[step.name]
        yield f"Still open: {name}, {step.state}.", visit.url(page, case=told.case.number), step.words
    nudge = told.entry.case.nudge
    if nudge is not None and (page_there := page_of(visit.book, nudge.command, told.case.number)):
        yield f"If it takes too long: {nudge.words}", page_there[0], ""


def _next(visit: Visit, bench: Bench, told: CaseSteps, today: str) -> CardNext:
    chore: Chore | None = told.next_action
    if chore is not None:
        page = page_of(visit.book, chore.command, told.case.number)
        figures = figures_words(chore, shop_currency(bench))
        also = () if chore.id == TAKE_IN else tuple(_open_questions(visit, told))
        return CardNext(chore.words, figures, page[0] if page else "", also=also)
    if told.not_yet:
        if trouble := visit.desk.weigher.trouble_of(told.case.number):
            return CardNext(f"What is worth doing next cannot be worked out. {trouble} {TRIED_AGAIN}")
        return CardNext("What is worth doing next is being worked out.", weighing=True)
    if told.entry.case.waits:
        first = told.entry.case.waits[0]
        where = "drives" if first.who is WaitsFor.MACHINE else "things" if is_fetch(first) else "case"
        url = visit.url(where, case=told.case.number)
        return CardNext(
            f"The case waits {wait_words(first, today)}.", url=url, also=tuple(_open_beside(visit, told))
        )
    over = all(one.state in PAST for one in told.steps)
    return CardNext("Everything is done." if over else "There is nothing to be done for it now.")
