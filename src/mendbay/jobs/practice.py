"""Which cases were for practice: the shop learns nothing from them.

A case in which a simulated drive was read, or a simulated chip, is one. That is noted with the first such
read, since an image does not tell afterwards what gave it, and it stays when the case is forgotten.
"""

from __future__ import annotations

from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench

DRIVE, CHIP = "drive", "chip"
"""Subjects of the notes: what was simulated."""
NAMED = 12
"""Practice cases of which the numbers are told (own choice)."""


def note_practice(bench: Bench, case: int, bay: str, subject: str) -> None:
    """Notes, once, that what is read in a bay is simulated.

    Args:
        subject: `DRIVE` or `CHIP`.

    Raises:
        NoSuchCase, CaseForgotten: there is no such case any more.
    """
    with bench.ledger.together():
        if not bench.notes.of(NoteKind.PRACTICE, case, bay, subject):
            bench.notes.add(Note(case, bay, NoteKind.PRACTICE, subject, bench.now(), bench.who, "{}"))


def practice_cases(bench: Bench) -> frozenset[int]:
    """The numbers of all cases that were for practice; no note is read for it."""
    return frozenset(bench.notes.last_of_kind(NoteKind.PRACTICE))


def practice_words(cases: frozenset[int]) -> str:
    """That practice cases are left out, as a sentence; empty if there is none."""
    if not cases:
        return ""
    numbers = [str(one) for one in sorted(cases)[:NAMED]]
    named = ", ".join([*numbers, "…"] if len(cases) > NAMED else numbers)
    are = "is" if len(cases) == 1 else "are"
    left_out = f"{counted(len(cases), 'practice case')} {are} left out ({named})"
    return f"{left_out}: a simulated drive or chip was read."
