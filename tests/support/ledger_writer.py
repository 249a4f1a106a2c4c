"""The work done on a ledger in the sweeps, and what must hold of it whatever happened.

Run as a script (`ledger_writer.py LEDGER NAME`) it opens cases without end and prints each number once
it is committed, until somebody kills it.
"""

from __future__ import annotations

import sys
from pathlib import Path

from mendbay.case.records import Bay, Case, Event, Image, Intake
from mendbay.jobs.ledger_port import CaseLedger
from mendbay.ledger.database import Ledger

AT = "2026-11-25T07:10:00Z"
BAYS = ("1", "2")


def take_in(ledger: CaseLedger, customer: str) -> Case:
    """One step: a case with both bays, its first custody entry and an event."""
    with ledger.together():
        case = ledger.open_case(
            Intake(AT, customer, box="Tarn T2", wanted=("kiln log*.xlsx",), notes="n" * 600)
        )
        for bay in BAYS:
            ledger.add_bay(Bay(case.number, bay, "AL20-HX4"))
        ledger.custody_append(case.number, AT, customer, "received", "box with two drives")
        ledger.note_event(case.number, Event(AT, "take-in", "The box came in.", {"bays": BAYS}))
    return case


def go_on(ledger: CaseLedger, case: Case) -> None:
    """Steps of their own: an image of each bay, and each drive's way onto the bench."""
    for bay in BAYS:
        ledger.note_image(Image(case.number, bay, f"bay-{bay}.img", "direct", AT))
        ledger.custody_append(case.number, AT, case.customer, "moved to the bench", f"drive of bay {bay}")


def require_whole(ledger: Ledger) -> tuple[Case, ...]:
    """No damage, every custody log verifies, no case is half there. Returns the cases."""
    ledger.check()
    cases = ledger.cases()
    assert [case.number for case in cases] == list(range(1, len(cases) + 1))
    for case in cases:
        assert tuple(bay.bay for bay in ledger.bays(case.number)) == BAYS
        assert [event.kind for event in ledger.events(case.number)] == ["take-in"]
        images, log = len(ledger.images(case.number)), len(ledger.custody(case.number))
        assert log - 1 in (images, images - 1), "an image is noted just before its drive's entry"
    return cases


def main() -> None:
    with Ledger(Path(sys.argv[1]), busy_seconds=30) as ledger:
        while True:
            case = take_in(ledger, sys.argv[2])
            print(case.number, flush=True)
            go_on(ledger, case)


if __name__ == "__main__":
    main()
