"""Who the drives of a case said they are, as the story keeps it, and what else tells it."""

from __future__ import annotations

from mendbay.case.records import Facts
from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench

SAID = "drive_serial"
"""Fact of an event: the serial number that the drive of a bay says; empty once its image was set aside."""
SERIAL_FROM_DRIVE, MODEL_FROM_DRIVE = "serial_from_drive", "model_from_drive"
"""Facts of the same event: what the bay took from the drive, as no label said it; empty for nothing."""

TELLS_SERIALS = (NoteKind.PICTURE, NoteKind.CORRECTION)
"""Notes by which the serial number on a label is known without anybody typing it."""


def said_serial(bench: Bench, case: int, bay: str) -> str:
    """The serial number that the drive of a bay said when it was last read; empty if it said none, or its
    image was set aside."""
    return str(last_said(bench, case, bay).get(SAID, ""))


def last_said(bench: Bench, case: int, bay: str) -> Facts:
    """The facts of the last event that tells who the drive of a bay says it is; none if there is no such."""
    return next(
        (
            one.facts
            for one in reversed(bench.ledger.events(case))
            if SAID in one.facts and one.facts.get("bay") == bay
        ),
        {},
    )
