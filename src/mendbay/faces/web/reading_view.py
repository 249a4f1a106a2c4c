"""The works on the drives of a case, as a page shows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

from mendbay.core.errors import UsageError
from mendbay.core.quantity import percent_text
from mendbay.faces.going_on_words import UNKNOWN, Further, GoingOn, going_on
from mendbay.faces.reading_now_words import OUTCOME, STANDING, BayNow, advice_age, bay_now
from mendbay.faces.web.case_works import DAMAGED, UNREADABLE, states_of
from mendbay.faces.web.reading_form import MOST_TRIES, SLOTS, conditions_in, said_by, sent
from mendbay.faces.web.visit import Visit
from mendbay.imaging.assumptions import Assumptions
from mendbay.jobs.asked_by_works import READS
from mendbay.jobs.work_options import bays_held, options_of
from mendbay.jobs.work_port import DOING, Outcome, Standing, WorkKind, WorkOrder, WorkState

OF_DRIVES = (
    *READS,
    WorkKind.COMPARE_DRIVE,
    WorkKind.VERIFY_IMAGE,
    WorkKind.ASK_DRIVE,
    WorkKind.BLEND_IMAGES,
)
SAID_SHOWN = 6
ENDED_SHOWN = 3
ORDERS_LOOKED_AT = 40


def can_rest(kind: WorkKind) -> bool:
    """Whether a work can be held and gone on with: of those on drives, all that are not over at once."""
    return kind in OF_DRIVES and kind is not WorkKind.ASK_DRIVE


@dataclass(frozen=True, slots=True)
class StepSeen:
    """The present step of a work; how much of it is done in words and as a share, empty and None where no
    end of it is known."""

    words: str
    percent: str = ""
    share: float | None = None


@dataclass(frozen=True, slots=True)
class AdviceSeen:
    """What was advised last on a drive.

    Args:
        at: when; empty where that is not told.
        since: what came since then, as a sentence; empty for nothing.
        overtaken: so much did that its figures hold no longer.
    """

    text: str
    at: str
    go_on: bool
    since: str = ""
    overtaken: bool = False


@dataclass(frozen=True, slots=True)
class WorkSeen:
    """A work as it stands.

    Args:
        bays: the bays it has to do with.
        is_last: no later reading has to do with one of them.
    """

    order: WorkOrder
    state: WorkState
    bays: tuple[str, ...]
    is_last: bool = False

    @property
    def title(self) -> str:
        """What it does, in words."""
        bays = f", bay {' and bay '.join(self.bays)}" if self.bays else ""
        alone = self.order.kind is WorkKind.READ_PAIR and len(self.bays) == 1  # ordered as both are
        return f"{DOING[WorkKind.READ_DRIVE if alone else self.order.kind]}{bays}"

    @property
    def is_over(self) -> bool:
        return self.state.is_over

    @property
    def rests(self) -> bool:
        return self.state.standing is Standing.RESTS

    @property
    def is_reading(self) -> bool:
        """Whether it reads drives, which can rest and have their power cut."""
        return self.order.kind in READS

    @property
    def needs_drive(self) -> bool:
        """Whether a drive is at work for it, and not only its image."""
        return self.is_reading or self.order.kind is WorkKind.COMPARE_DRIVE

    @property
    def can_rest(self) -> bool:
        return can_rest(self.order.kind)

    @property
    def standing(self) -> str:
        return STANDING[self.state.standing]

    @property
    def mark(self) -> str:
        """The state word for its mark."""
        if self.is_over:
            return "done"
        return "waiting" if self.state.standing in (Standing.RESTS, Standing.WAITS) else "under way"

    @property
    def asks_mark(self) -> str:
        """Differs once something else can be asked of it."""
        question = self.state.question
        return f"{self.order.id} {self.state.standing} {'' if question is None else question.number}"

    @property
    def end_mark(self) -> str:
        """Differs once something else is to be told of how it ended."""
        return f"{self.order.id} {self.state.outcome} {self.is_last}"

    @property
    def outcome(self) -> str:
        """How it ended, in words; empty while it lives."""
        return "" if self.state.outcome is None else OUTCOME[self.state.outcome]

    @property
    def is_lost(self) -> bool:
        return self.state.outcome is Outcome.LOST

    @property
    def going_on(self) -> GoingOn | None:
        """What going on could bring; None for works that are no readings, or no longer the last of a bay."""
        if not (self.is_over and self.is_reading and self.is_last):
            return None
        result = cast("Mapping[str, Any] | None", self.state.result)
        said = conditions_in(self.order.options) if self.bays else {}
        try:
            return going_on(
                result,
                only_wanted=bool(self.order.options.get("only_wanted")),
                more_tries=self.more_tries - self._tries,
                conditions={bay: one for bay, one in said.items() if one is not None},
            )
        except DAMAGED:
            return UNKNOWN

    @property
    def again(self) -> list[tuple[str, str]]:
        """What the form of a reading sends to go on with this one. Once all was tried, how often and through
        what it is asked for is left out, to be said anew."""
        said = said_by(self.order)
        found = self.going_on
        if found is not None and found.further is Further.REST:
            said["only_wanted"] = False
        if found is not None and found.further is Further.AGAIN:
            said |= {"tries": None, **{name: "" for name, _, _ in self.adapters}}
        return sent(said)

    @property
    def adapters(self) -> list[tuple[str, str, str]]:
        """The fields of the adapters, each with its bay and what was said."""
        said = said_by(self.order)
        return [
            (f"adapter_{at}", said[f"bay_{at}"], said[f"adapter_{at}"]) for at in SLOTS if said[f"bay_{at}"]
        ]

    @property
    def more_tries(self) -> int:
        """How often a refused sector may be asked for next, twice as often as it was."""
        return min(MOST_TRIES, 2 * self._tries)

    @property
    def _tries(self) -> int:
        tries = self.order.options.get("tries")
        return int(tries) if isinstance(tries, (int, float)) else Assumptions().most_tries

    @property
    def said(self) -> tuple[tuple[str, str], ...]:
        """When the newest sentences were said, empty where that is not told, and they; the newest first."""
        said, at = self.state.said, self.state.said_at
        times = at if len(at) == len(said) else ("",) * len(said)
        return tuple(zip(times, said, strict=True))[: -SAID_SHOWN - 1 : -1]

    @property
    def step(self) -> StepSeen | None:
        """The present step; in words alone where what is kept of it is damaged."""
        told = cast("Mapping[str, Any] | None", self.state.step)
        if told is None:
            return None
        try:
            words, done, total = str(told["step"]), int(told["done"]), int(told["total"])
        except DAMAGED:
            return StepSeen(UNREADABLE)
        if total <= 0:
            return StepSeen(words)
        done = min(max(0, done), total)
        return StepSeen(words, percent_text(done, total), done / total)

    def advice(self, bay: str) -> AdviceSeen | None:
        """What was advised last on the drive of a bay; None for nothing that can be read."""
        told = self.state.advice.get(bay, {})
        text, at = told.get("text"), told.get("at")
        if not isinstance(text, str) or not text:
            return None
        try:
            overtaken, since = advice_age(told, self.state.progress.get(bay, {}))
        except DAMAGED:
            overtaken, since = False, ""
        return AdviceSeen(text, at if isinstance(at, str) else "", bool(told.get("go_on")), since, overtaken)

    def now(self, sector_bytes: Mapping[str, int]) -> tuple[BayNow, ...]:
        """How far each bay is; where what is kept of one is damaged, that."""
        return tuple(
            self._bay_now(bay, cast("Mapping[str, Any]", told), sector_bytes.get(bay, 512))
            for bay, told in sorted(self.state.progress.items())
        )

    def _bay_now(self, bay: str, told: Mapping[str, Any], sector_bytes: int) -> BayNow:
        try:
            return bay_now(bay, told, sector_bytes, rests=self.rests)
        except DAMAGED:
            return BayNow(bay, "being read", 0, "", (), 0.0, UNREADABLE, ())


def works_of(visit: Visit, case: int) -> tuple[WorkSeen, ...]:
    """The works on the drives of a case that live, then the newest of those that ended."""
    shelf = visit.desk.works
    orders = [one for one in shelf.orders(case) if one.kind in OF_DRIVES]
    found = [_seen(*one) for one in states_of(shelf, orders, ORDERS_LOOKED_AT)]
    found = [replace(one, is_last=_is_last(one, found)) for one in found]
    living = [one for one in found if not one.is_over]
    return (*living, *[one for one in found if one.is_over][:ENDED_SHOWN])


def _is_last(one: WorkSeen, found: Sequence[WorkSeen]) -> bool:
    """Whether none of these works reads one of its bays later."""
    later = [each for each in found if each.is_reading and each.order.id > one.order.id]
    return not any(set(each.bays) & set(one.bays) for each in later)


def _seen(order: WorkOrder, state: WorkState) -> WorkSeen:
    try:
        bays = bays_held(options_of(order))
    except UsageError:  # written by hand, or by another version
        bays = ()
    return WorkSeen(order, state, bays)
