"""The shop's table of what can stand for what, by which donors are ranked: added to, listed, taken back."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

from mendbay.board.match import Alternative
from mendbay.board.swap_odds import Attribute
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw


def accept_alternative(bench: Bench, alternative: Alternative) -> None:
    """Notes that one value can stand for another from now on."""
    body = {
        "wanted": alternative.wanted,
        "donor": alternative.donor,
        "both_ways": alternative.both_ways,
        "board_number": alternative.board_number,
        "reason": alternative.reason,
    }
    subject = str(alternative.attribute)
    bench.notes.add(Note(0, "", NoteKind.ALTERNATIVE, subject, bench.now(), bench.who, json.dumps(body)))


@dataclass(frozen=True, slots=True)
class Accepted:
    """A row of the shop's table of what can stand for what: its number, when it was noted and by whom."""

    number: int
    alternative: Alternative
    at: str
    who: str


def accepted(bench: Bench) -> tuple[Accepted, ...]:
    """The shop's table of what can stand for what, the oldest row first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(
        Accepted(note.number, _alternative_of(note), note.at, note.who)
        for note in standing_notes(bench, NoteKind.ALTERNATIVE)
    )


def alternatives(bench: Bench) -> tuple[Alternative, ...]:
    """The same as the ranking takes it."""
    return tuple(one.alternative for one in accepted(bench))


def withdraw_alternative(bench: Bench, number: int, reason: str) -> Accepted:
    """Takes back that one value can stand for another, however often that row was noted.

    Args:
        number: the row's.
        reason: why it was a mistake.

    Raises:
        UsageError: there is no such row, or no reason is given.
    """
    require_reason(reason)
    with bench.shelf.together():
        said = {note.number: note for note in standing_notes(bench, NoteKind.ALTERNATIVE)}
        rows = {one.number: one for one in accepted(bench)}
        if number not in rows:
            raise UsageError(
                f"No row {number} says what can stand for what.", "mendbay donor accepted lists them."
            )
        meant = replace(rows[number].alternative, reason="")
        same = [one.number for one in rows.values() if replace(one.alternative, reason="") == meant]
        withdraw(bench, [subject_of(said[one]) for one in same], 0, "", reason)
    return rows[number]


def _alternative_of(note: Note) -> Alternative:
    try:
        return Alternative(Attribute(note.subject), **json.loads(note.body))
    except (ValueError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of what can stand for what cannot be read: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
