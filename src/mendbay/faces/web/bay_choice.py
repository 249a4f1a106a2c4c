"""Which bay a page of the board is of."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from mendbay.core.errors import NoSuchItem
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import line
from mendbay.faces.web.visit import Visit
from mendbay.jobs.remembered import remembered

if TYPE_CHECKING:
    from mendbay.case.records import Bay
    from mendbay.jobs.bench import Bench

Handler = Callable[[Visit], Answer]
BAY = line("bay", "Bay", limit=60)
PAGES = (
    ("board", "Electrical sheet"),
    ("board-donors", "Donors"),
    ("board-rom", "ROM"),
    ("board-transfer", "Transfer"),
)
"""The pages of the board, and what links call them."""


@dataclass(frozen=True, slots=True)
class BayChoice:
    """The bay a page is of, and the others.

    Args:
        bays: of the case, by name.
        bay: the one chosen.
        pages: of the board, with their words.
    """

    bays: Sequence[Bay]
    bay: str
    pages: Sequence[tuple[str, str]] = PAGES

    @property
    def at(self) -> Bay:
        """The record of the one chosen."""
        return next(one for one in self.bays if one.bay == self.bay)


def of_a_bay(page: Handler) -> Handler:
    """A page of the board that, while no bay is described, is a page of the case that says what to do
    first."""

    def shown(visit: Visit) -> Answer:
        try:
            return page(visit)
        except NoSuchItem:
            with visit.bench() as bench:
                if bench.ledger.bays(visit.path["case"]):
                    raise
                return Page("board_no_bay.html", {"card": card_of(visit, bench, visit.path["case"])})

    return shown


def bay_choice(visit: Visit, bench: Bench, case: int) -> BayChoice:
    """The bay that is asked for, or else the first.

    Raises:
        NoSuchCase: there is no such case or bay.
        CaseForgotten: it was forgotten.
        NoSuchItem: no bay of the case is described.
    """
    remembered(bench, case)
    bays = bench.ledger.bays(case)
    if not bays:
        raise NoSuchItem(
            f"No bay of case {case} is described yet.", f"mendbay case bay {case} 1=MODEL/SERIAL does that."
        )
    bay = visit.said["bay"] or bays[0].bay
    bench.ledger.bay(case, bay)
    return BayChoice(bays, bay)
