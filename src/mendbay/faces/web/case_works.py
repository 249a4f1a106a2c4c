"""The long jobs of a case, as its pages order and show them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import UsageError
from mendbay.core.quantity import bytes_text, count_text, counted, percent_text
from mendbay.faces.reading_now_words import IDLE, WORTH
from mendbay.jobs.work_port import (
    JSON,
    Ask,
    Outcome,
    Standing,
    WorkKind,
    WorkOrder,
    WorkRequest,
    Works,
    WorkState,
)
from mendbay.wiring import reap_works, start_work

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit
    from mendbay.jobs.bench import Bench

STANDING = {
    Standing.BEGUN: "begins",
    Standing.RUNS: "under way",
    Standing.RESTS: "held",
    Standing.WAITS: "waits for an answer",
}
OUTCOMES = {
    Outcome.DONE: "done",
    Outcome.INCOMPLETE: "done, but not everything could be had",
    Outcome.STOPPED: "stopped",
    Outcome.FAILED: "ended with a trouble",
    Outcome.LOST: "broken off",
}


DAMAGED = (KeyError, TypeError, ValueError, AttributeError, OverflowError)
"""What the facts of a state raise that are not as they were written."""
UNREADABLE = "how far it is cannot be read; wait for it, or stop it and order the same again"


@dataclass(frozen=True, slots=True)
class ShownWork:
    """A work as a page shows it.

    Args:
        words: how it stands, in a few words.
        is_alive: more may come of it.
        share: how much of the present step is done, from 0 to 1; None where that is not known.
        step: the present step in words.
        now: what it is at, as a name on a drive may be; empty once it ended.
    """

    order: WorkOrder
    state: WorkState
    words: str
    is_alive: bool
    share: float | None
    step: str
    now: str = ""


def shown_works(
    visit: Visit, kinds: Collection[WorkKind], most: int = 5, case: int | None = None
) -> tuple[ShownWork, ...]:
    """The works of some kinds, the newest first, of the visit's case or of another; 0: those of no case.

    Args:
        most: how many of the newest; those that live are shown beside them however old they are.
    """
    reap_works()
    orders = visit.desk.works.orders(visit.path["case"] if case is None else case)
    found = states_of(visit.desk.works, [one for one in orders if one.kind in kinds], most)
    return tuple(_shown(*one) for one in found)


def states_of(shelf: Works, orders: Sequence[WorkOrder], most: int) -> list[tuple[WorkOrder, WorkState]]:
    """Orders, the newest first, each with how it stands: so many of them, and those that live."""
    found = []
    for at, one in enumerate(orders):
        with suppress(UsageError):  # tidied away meanwhile
            if at < most or shelf.is_alive(one.id):
                found.append((one, shelf.state(one.id)))
    return found


def _shown(order: WorkOrder, state: WorkState) -> ShownWork:
    over = state.is_over
    words = OUTCOMES[state.outcome] if state.outcome is not None else STANDING.get(state.standing, "")
    share, step = (None, "") if over or state.step is None else _step_told(state.step)
    now = "" if over or state.step is None else state.step.get("now")
    return ShownWork(order, state, words, not over, share, step, now if isinstance(now, str) else "")


def _step_told(step: Mapping[str, Any]) -> tuple[float | None, str]:
    """How far the step is; in words alone where what is kept of it is damaged."""
    try:
        return _step(step)
    except DAMAGED:
        return None, UNREADABLE


def _step(step: Mapping[str, Any]) -> tuple[float | None, str]:
    done, total, name = int(step["done"]), int(step["total"]), str(step["step"]).rstrip(":")
    if not total:
        return None, f"{name}: {count_text(done)} so far" if done else name
    numbers = (
        f"{bytes_text(done)} of {bytes_text(total)}"
        if step["in_bytes"]
        else f"{count_text(done)} of {count_text(total)}"
    )
    return min(1.0, max(0.0, done / total)), f"{name}: {numbers}"


def order_work(
    visit: Visit, bench: Bench, kind: WorkKind, options: Mapping[str, JSON], case: int | None = None
) -> None:
    """Orders a work in the name of the visitor, of the visit's case or of another; 0: of no case.

    Raises:
        ImageBusy, UsageError, DestinationError, ToolMissing: as `wiring.start_work`.
    """
    shelf = visit.desk.works
    case = visit.path["case"] if case is None else case
    start_work(visit.desk.home, WorkOrder(shelf.new_id(), kind, case, bench.who, bench.now(), dict(options)))


def ask_to_stop(visit: Visit, work: str, *kinds: WorkKind) -> None:
    """Asks a work of the visit's case, of one of these kinds, to stop.

    Raises:
        UsageError: the case has no such work, or it has ended.
    """
    shelf = visit.desk.works
    order = shelf.order(work)
    if order.case != visit.path["case"]:
        raise UsageError("That work is of another case.", "Load the page again.")
    if order.kind not in kinds:
        raise UsageError("That work is stopped on its own page.", "Load the page again.")
    shelf.ask(work, WorkRequest(Ask.STOP))


# ---------------------------------------------------------------------- readings


@dataclass(frozen=True, slots=True)
class ReadingNow:
    """What a drive that is being read is asked for now, in words.

    Args:
        wanted: how much of what is wanted is there; empty where nothing is wanted.
        share: of what is wanted, from 0 to 1; of all where nothing is.
        why: why this range is asked for; empty where no plan tells.
    """

    bay: str
    phase: str
    wanted: str
    all: str
    share: float
    now: str
    why: str


def readings_now(visit: Visit) -> tuple[ReadingNow, ...]:
    """The drives of the case that works read now, by bay."""
    kinds = (WorkKind.READ_PAIR, WorkKind.READ_DRIVE)
    return tuple(
        _reading_told(bay, progress)
        for one in shown_works(visit, kinds)
        if one.is_alive
        for bay, progress in sorted(one.state.progress.items())
    )


def _reading_told(bay: str, one: Mapping[str, Any]) -> ReadingNow:
    """What a drive is asked for; where what is kept of it is damaged, that."""
    try:
        return _reading({"bay": bay, **one})
    except DAMAGED:
        return ReadingNow(bay, "being read", "", "", 0.0, UNREADABLE, "")


def _reading(one: Mapping[str, Any]) -> ReadingNow:
    aim, wanted = int(one["aim_bytes"]), int(one.get("wanted_bytes") or 0)
    read, of_wanted = int(one["read_bytes"]), int(one.get("wanted_read_bytes") or 0)
    start, stop = one["now"]
    share = of_wanted / wanted if wanted else read / max(1, aim)
    return ReadingNow(
        bay=str(one["bay"]),
        phase=str(one["phase"]),
        wanted=f"{bytes_text(of_wanted)} of {bytes_text(wanted)} wanted" if wanted else "",
        all=f"{bytes_text(read)} of {bytes_text(aim)} read",
        share=share,
        now=f"{bytes_text(stop - start)} from byte {count_text(start)} on" if stop > start else IDLE,
        why=_why(one.get("why")),
    )


def _why(why: Mapping[str, Any] | None) -> str:
    if not why:
        return ""
    worth = next((words for one, words in WORTH.items() if str(one) == why["worth"]), "")
    said = [f"is {percent_text(round(1000 * float(why['chance'])), 1000)} likely to be given"]
    if why.get("tries"):
        said.append(f"was refused {counted(int(why['tries']), 'time')} before")
    if why.get("is_doubted"):
        said.append("lies in a range that was refused or hung")
    return f"{worth} It {', '.join(said)}.".strip()
