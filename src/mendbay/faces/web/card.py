"""The card of a case: what every page of it shows around its own sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mendbay.case.agenda import WaitsFor
from mendbay.faces.agenda_words import figures_words, wait_words
from mendbay.faces.web.commands import page_of
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_steps import CaseSteps, StepName, StepState, tell_steps
from mendbay.jobs.shop_currency import shop_currency

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


@dataclass(frozen=True, slots=True)
class CardStep:
    """A step on the spine; `state` and `words` are empty for a page that is no step of the job."""

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
    """

    words: str
    numbers: str = ""
    url: str = ""
    weighing: bool = False


@dataclass(frozen=True, slots=True)
class Card:
    """What the frame of a case's page shows."""

    case: Case
    told: CaseSteps
    steps: tuple[CardStep, ...]
    next: CardNext
    beside: tuple[tuple[str, str], ...]
    today: str


def card_of(visit: Visit, bench: Bench, number: int) -> Card:
    """The card of a case. What to do next is told as far as it is worked out; if it is not, it is worked out
    behind, and the page hears of it.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    told = tell_steps(bench, number)
    if told.not_yet or told.outdated:
        visit.desk.weigher.ask([number])
    today = bench.now()[:10]
    found = {one.name: one for one in told.steps}
    there = visit.book.addresses
    steps = tuple(
        _step(visit, page, name, found.get(step) if step else None, number, today)
        for page, name, step in STEPS
        if page in there
    )
    beside = tuple(one for one in BESIDE if one[0] in there)
    return Card(told.case, told, steps, _next(visit, bench, told, today), beside, today)


def _step(visit: Visit, page: str, name: str, step: JobStep | None, case: int, today: str) -> CardStep:
    url = visit.url(page, case=case)
    if step is None:
        return CardStep(page, name, url)
    waits = wait_words(step.waits, today) if step.waits else ""
    return CardStep(page, name, url, str(step.state), step.words, waits)


def _next(visit: Visit, bench: Bench, told: CaseSteps, today: str) -> CardNext:
    chore: Chore | None = told.next_action
    if chore is not None:
        page = page_of(visit.book, chore.command)
        return CardNext(chore.words, figures_words(chore, shop_currency(bench)), page[0] if page else "")
    if told.not_yet:
        return CardNext("What is worth doing next is being worked out.", weighing=True)
    if told.entry.case.waits:
        first = told.entry.case.waits[0]
        where = "drives" if first.who is WaitsFor.MACHINE else "case"
        url = visit.url(where, case=told.case.number)
        return CardNext(f"The case waits {wait_words(first, today)}.", url=url)
    over = all(one.state in (StepState.DONE, StepState.NOT_NEEDED) for one in told.steps)
    return CardNext("Everything is done." if over else "There is nothing to be done for it now.")
