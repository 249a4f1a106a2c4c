"""What long jobs that are under way wait for a person to do."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.errors import LedgerError, UsageError
from mendbay.jobs.work_port import Standing, WorkKind, WorkOrder, Works, WorkState

READS = (WorkKind.READ_PAIR, WorkKind.READ_DRIVE)
"""Works that read drives: only these keep a drive under power while they rest."""

RESTS = "it rests by somebody's word, and the drives keep their power: have it go on, or stop it"


@dataclass(frozen=True, slots=True)
class AskedByWork:
    """What a work waits for.

    Args:
        work, case: its name, and the case that it is of.
        question: the number of its question; 0 where it rests.
        text: what is to be done, as the question says it or as a part of a sentence.
        bay: whose drive the question is about; empty where it rests.
    """

    work: str
    case: int
    question: int
    text: str
    bay: str = ""

    @property
    def presses(self) -> bool:
        """Whether nothing goes on before somebody answers; a work that rests does so by a person's word."""
        return self.question > 0


def asked_by_works(works: Works, case: int | None = None) -> tuple[AskedByWork, ...]:
    """What living works wait for a person to do, the newest work first.

    Args:
        case: whose works; None for all.
    """
    found = (_asked(works, order) for order in works.orders(case) if works.is_alive(order.id))
    return tuple(one for one in found if one is not None)


def _asked(works: Works, order: WorkOrder) -> AskedByWork | None:
    try:
        state: WorkState = works.state(order.id)
    except (LedgerError, UsageError):  # it went meanwhile, or cannot be read: nothing is known of it
        return None
    if state.standing is Standing.WAITS and state.question is not None:
        question = state.question
        return AskedByWork(order.id, order.case, question.number, question.text, question.bay)
    if state.standing is Standing.RESTS and order.kind in READS:
        return AskedByWork(order.id, order.case, 0, RESTS)
    return None
