"""What was recorded by mistake and counts no longer.

Nothing is removed: a withdrawal is one more note, with the time, who withdrew it and why. What is written
down anew afterwards counts again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable

from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_characters
from mendbay.jobs.bench import Bench
from mendbay.jobs.nameless import require_nameless

REASON_LIMIT = 1_000
"""Characters of a reason: some sentences, and short enough for an entry of custody."""


def standing_notes(
    bench: Bench, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
) -> tuple[Note, ...]:
    """The notes of a kind that were not withdrawn, of all cases or of one, the oldest first."""
    return bench.notes.standing(kind, case, bay, subject)


def subject_of(note: Note) -> str:
    """What a withdrawal of a note is about."""
    return f"note {note.number}"


def withdraw(bench: Bench, subjects: Iterable[str], case: int, bay: str, reason: str) -> None:
    """Writes withdrawals down.

    Args:
        subjects: what is withdrawn, as the readers of it look it up.
        case, bay: whose it was; 0 and empty for the shop's own.

    Raises:
        UsageError: no reason is given, it cannot be kept, or it names the case's customer.
    """
    require_reason(reason)
    if case:
        require_nameless(bench.ledger.case(case), reason)
    body = json.dumps({"reason": reason.strip()}, ensure_ascii=False)
    for subject in subjects:
        bench.notes.add(Note(case, bay, NoteKind.WITHDRAWAL, subject, bench.now(), bench.who, body))


def require_reason(reason: str, what: str = "withdrawn") -> None:
    """
    Args:
        what: what is done for that reason.

    Raises:
        UsageError: the reason says nothing, or it cannot stand on a line of custody.
    """
    if not reason.strip():
        hint = "Say why it counts no longer." if what == "withdrawn" else "Say what became of it."
        raise UsageError(f"Nothing is {what} without a reason.", hint)
    if len(reason) > REASON_LIMIT:
        raise UsageError(f"The reason has {len(reason)} characters.", f"Use at most {REASON_LIMIT}.")
    require_characters(reason, "reason")


def reason_of(note: Note) -> str:
    """Why something was withdrawn.

    Raises:
        LedgerError: the note is not one that Mendbay wrote.
    """
    try:
        return str(json.loads(note.body)["reason"])
    except (ValueError, KeyError, TypeError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a withdrawal cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
