"""The works on the drives of a case, as a page shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from mendbay.core.errors import UsageError
from mendbay.faces.reading_now_words import KIND, OUTCOME, STANDING, BayNow, bay_now
from mendbay.faces.web.reading_form import said_by, sent
from mendbay.faces.web.visit import Visit
from mendbay.jobs.work_options import bays_held, options_of
from mendbay.jobs.work_port import Outcome, Standing, WorkKind, WorkOrder, WorkState

if TYPE_CHECKING:
    from mendbay.jobs.work_port import Works

READS = (WorkKind.READ_PAIR, WorkKind.READ_DRIVE)
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


@dataclass(frozen=True, slots=True)
class WorkSeen:
    """A work as it stands.

    Args:
        bays: the bays it has to do with.
    """

    order: WorkOrder
    state: WorkState
    bays: tuple[str, ...]

    @property
    def title(self) -> str:
        """What it does, in words."""
        bays = f", bay {' and bay '.join(self.bays)}" if self.bays else ""
        return f"{KIND[self.order.kind]}{bays}"

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
    def can_rest(self) -> bool:
        return self.order.kind is not WorkKind.ASK_DRIVE

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
    def outcome(self) -> str:
        """How it ended, in words; empty while it lives."""
        return "" if self.state.outcome is None else OUTCOME[self.state.outcome]

    @property
    def is_lost(self) -> bool:
        return self.state.outcome is Outcome.LOST

    @property
    def is_done(self) -> bool:
        return self.state.outcome is Outcome.DONE

    @property
    def again(self) -> list[tuple[str, str]]:
        """What the form of a reading sends to order the same once more; nothing for works of other kinds."""
        return sent(said_by(self.order)) if self.is_over and self.is_reading else []

    @property
    def said(self) -> tuple[str, ...]:
        """The newest sentences, the newest first."""
        return tuple(reversed(self.state.said[-SAID_SHOWN:]))

    def now(self, sector_bytes: Mapping[str, int]) -> tuple[BayNow, ...]:
        """How far each bay is."""
        return tuple(
            bay_now(bay, cast("Mapping[str, Any]", told), sector_bytes.get(bay, 512))
            for bay, told in sorted(self.state.progress.items())
        )


def works_of(visit: Visit, case: int) -> tuple[WorkSeen, ...]:
    """The works on the drives of a case that live, then the newest of those that ended."""
    shelf = visit.desk.works
    found = [
        _seen(shelf, one)
        for one in [one for one in shelf.orders(case) if one.kind in OF_DRIVES][:ORDERS_LOOKED_AT]
    ]
    living = [one for one in found if not one.is_over]
    return (*living, *[one for one in found if one.is_over][:ENDED_SHOWN])


def _seen(shelf: Works, order: WorkOrder) -> WorkSeen:
    try:
        bays = bays_held(options_of(order))
    except UsageError:  # written by hand, or by another version
        bays = ()
    return WorkSeen(order, shelf.state(order.id), bays)
