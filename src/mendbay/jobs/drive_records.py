"""What the drives of a case said of themselves when they were last asked, for triage."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.withdraw import standing_notes

DRIVE = "drive"
"""The subject of these notes."""
ABOUT = "what a drive says of itself"


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the drive of a bay last said that triage asks for; empty where it is open."""

    at: str
    detected: str
    records: str
    link_errors: str


def recorded(bench: Bench, case: int, bay: str) -> Recorded | None:
    """What the drive of a bay last said, None if it was never asked or never answered."""
    notes = standing_notes(bench, NoteKind.RECORDS, case, bay, DRIVE)
    if not notes:
        return None
    bodies = [body_of(one, ABOUT) for one in notes]
    last = bodies[-1]
    counts = [one["link_errors"] for one in bodies if isinstance(one.get("link_errors"), int)]
    link = ""
    if counts and (counts[-1] == 0 or len(counts) > 1):
        link = "rising" if len(counts) > 1 and counts[-1] > counts[-2] else "none"
    return Recorded(notes[-1].at, str(last.get("detected", "")), str(last.get("records", "")), link)


def link_errors_before(bench: Bench, case: int, bay: str) -> int | None:
    """The errors of the link that the drive of a bay counted when it was last asked, None if not known."""
    for one in reversed(standing_notes(bench, NoteKind.RECORDS, case, bay, DRIVE)):
        count = body_of(one, ABOUT).get("link_errors")
        if isinstance(count, int):
            return count
    return None
