"""The card of a case: what every page of it shows around its own sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mendbay.faces.web.visit import Visit

if TYPE_CHECKING:
    from mendbay.case.records import Case
    from mendbay.jobs.bench import Bench

STEPS = (
    ("take-in", "Take-in"),
    ("pictures", "Pictures"),
    ("triage", "Triage"),
    ("board", "Board"),
    ("drives", "Drives"),
    ("pair", "Pair"),
    ("files", "Files"),
    ("hand-back", "Hand-back"),
)
"""The pages of the steps of the job, in its order."""
BESIDE = (
    ("case", "Overview"),
    ("things", "Things and hand-overs"),
    ("money", "Money"),
    ("letters", "Letters"),
    ("record", "The story"),
    ("closing", "Closing"),
)
"""The pages of a case beside them."""


@dataclass(frozen=True, slots=True)
class CardStep:
    """A step on the spine."""

    page: str
    words: str
    url: str
    state: str


@dataclass(frozen=True, slots=True)
class CardNext:
    """The next ranked action, its numbers, and the page where it is done; no page where there is none."""

    words: str
    numbers: str
    url: str


@dataclass(frozen=True, slots=True)
class Card:
    """What the frame of a case's page shows."""

    case: Case
    steps: tuple[CardStep, ...]
    next: CardNext | None
    beside: tuple[tuple[str, str], ...]


def card_of(visit: Visit, bench: Bench, number: int) -> Card:
    """The card of a case.

    Raises:
        NoSuchCase: there is no such case.
    """
    case = bench.ledger.case(number)
    there = visit.book.addresses
    return Card(
        case,
        tuple(
            CardStep(name, words, visit.url(name, case=number), "not started")
            for name, words in STEPS
            if name in there
        ),
        None,
        tuple(one for one in BESIDE if one[0] in there),
    )
