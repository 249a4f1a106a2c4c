"""What the shop knows of model families: whether the unique board data must move, where it sits, and from
where that is known."""

from __future__ import annotations

import json
from dataclasses import dataclass

from mendbay.board.description import comparison_key
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw


@dataclass(frozen=True, slots=True)
class KnownFamily:
    """What is known of a family, when it was noted and by whom."""

    note: FamilyNote
    at: str
    who: str


def note_family(bench: Bench, note: FamilyNote) -> KnownFamily:
    """Notes what is known of a family; it stands in front of what was noted of it before, which stays."""
    at = bench.now()
    body = {"seat": str(note.seat), "need": str(note.need), "basis": note.basis}
    text = json.dumps(body, ensure_ascii=False)
    bench.notes.add(Note(0, "", NoteKind.FAMILY, note.family, at, bench.who, text))
    return KnownFamily(note, at, bench.who)


def known_families(bench: Bench) -> tuple[KnownFamily, ...]:
    """The last word on each family, however its name is spelled; by name.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    last = {comparison_key(note.subject): note for note in standing_notes(bench, NoteKind.FAMILY)}
    return tuple(_known_of(last[key]) for key in sorted(last))


def withdraw_family(bench: Bench, family: str, reason: str) -> KnownFamily:
    """Takes back what is noted of a family, however often it was said: the ROM must move again, as of any
    family of which nothing is noted.

    Args:
        family: its name, however it is spelled.
        reason: why it was a mistake.

    Returns:
        The last word on it.

    Raises:
        UsageError: nothing is noted of it, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        key = comparison_key(family)
        said = [
            note for note in standing_notes(bench, NoteKind.FAMILY) if comparison_key(note.subject) == key
        ]
        if not said:
            raise UsageError(
                f"Nothing is noted of a family {family[:60]!r}.", "mendbay board families lists what is."
            )
        withdraw(bench, map(subject_of, said), 0, "", reason)
    return _known_of(said[-1])


def family_notes(bench: Bench) -> tuple[FamilyNote, ...]:
    """The same as advice on a patient takes it."""
    return tuple(one.note for one in known_families(bench))


def _known_of(note: Note) -> KnownFamily:
    return KnownFamily(_note_of(note), note.at, note.who)


def _note_of(note: Note) -> FamilyNote:
    try:
        body = json.loads(note.body)
        return FamilyNote(note.subject, Seat(body["seat"]), Need(body["need"]), str(body["basis"]))
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a family cannot be read: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
