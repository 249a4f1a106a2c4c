"""The bench a job works at: everything it needs of the world outside, in one hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from mendbay.case.records import Event, Facts
from mendbay.core.clock import Clock, iso
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import Stakes
from mendbay.jobs.asked_by_works import AskedByWork
from mendbay.jobs.board_ledger_port import BoardLedger
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.events import Tell, silent
from mendbay.jobs.ledger_port import CaseLedger
from mendbay.jobs.note_ledger_port import NoteLedger
from mendbay.jobs.ports import (
    CaseFiles,
    Drives,
    Images,
    PowerAsked,
    PowerCycle,
    never,
    no_power_cycle,
    nobody_asks,
)
from mendbay.jobs.remembered_port import Forgetful, Remembered
from mendbay.jobs.stationery_port import Stationery


def no_works(case: int) -> int:
    """For benches without works."""
    return 0


def nothing_asked(case: int) -> tuple[AskedByWork, ...]:
    """For benches without works."""
    return ()


def no_presses(case: int) -> None:
    """For benches whose forms are not remembered."""


@dataclass(frozen=True, slots=True)
class Bench:
    """The shop's ledger with its stock and notes, its own files and papers, its drives, images and case
    folders, and the person at the bench.

    `who` is written into the custody log. `stop` is asked often whether to stop, `hold` before every read
    whether the drives are to rest; `power_cycle` is asked to bring back a drive that vanished, `power_asked`
    before every read whether a person wants that of a drive that is there. All four are asked from the
    threads that read. `assumed` are the planner's priors and limits, `stakes` what is at stake where the
    shop states it;
    `remembered` is what was worked out before, to save time; `forget_works` removes what is kept of the works
    of a case (`Works.forget`), `forget_presses` what its forms in the browser led to (`Presses.forget`);
    `asked_by_works` tells what works under way wait for a person to do.
    """

    ledger: CaseLedger
    drives: Drives
    images: Images
    shelf: BoardLedger
    notes: NoteLedger
    files: CaseFiles
    shop_files: ShopFiles
    stationery: Stationery
    clock: Clock
    who: str
    tell: Tell = silent
    stop: Callable[[], bool] = never
    hold: Callable[[], bool] = never
    power_cycle: PowerCycle = no_power_cycle
    power_asked: PowerAsked = nobody_asks
    assumed: Assumptions = field(default_factory=Assumptions)
    stakes: Stakes = field(default_factory=Stakes)
    remembered: Remembered = field(default_factory=Forgetful)
    forget_works: Callable[[int], int] = no_works
    asked_by_works: Callable[[int], Sequence[AskedByWork]] = nothing_asked
    forget_presses: Callable[[int], None] = no_presses

    def now(self) -> str:
        """The present as records carry it."""
        return iso(self.clock.now())

    def note(self, case: int, kind: str, text: str, facts: Facts | None = None) -> None:
        """Notes what happened in the case's story."""
        self.ledger.note_event(case, Event(self.now(), kind, text, facts or {}))

    def custody(self, case: int, what: str, item: str) -> None:
        """Adds to the case's custody log."""
        self.ledger.custody_append(case, self.now(), self.who, what, item)
