"""What somebody said of what triage is of: what came in, and what its data is worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mendbay.case.records import CaseKind
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.triage.stakes import Stakes

ABOUT = "case"
"""Subject of the note that says what triage is of."""


def said_of_subject(bench: Bench, case: int) -> tuple[dict[str, Any], str]:
    """The last word on what triage is of, with who and when; empty if nothing was said.

    Raises:
        LedgerError: the note is not one that Mendbay wrote.
    """
    return said_in(bench.notes.of(NoteKind.SUBJECT, case, "", ABOUT))


def is_box(bench: Bench, case: int) -> bool:
    """Whether triage is of a box: as somebody said of triage, else as the kind of the case says, else where
    not one bay is described alone.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: the note is not one that Mendbay wrote.
    """
    said = said_of_subject(bench, case)[0].get("box")
    if said is not None:
        return bool(said)
    record = bench.ledger.case(case)
    if record.kind is CaseKind.NOT_SAID:
        return len(bench.ledger.bays(case)) != 1 or bool(record.box)
    return record.kind is CaseKind.BOX


def said_in(notes: Sequence[Note]) -> tuple[dict[str, Any], str]:
    """As `said_of_subject`, of notes on one case that were read already; those on other subjects say nothing.

    Raises:
        LedgerError: the last one is not one that Mendbay wrote.
    """
    notes = [one for one in notes if (one.bay, one.subject) == ("", ABOUT)]
    if not notes:
        return {}, ""
    body = body_of(notes[-1], "triage")
    bays = body.get("bays", [])
    worth = body.get("worth")  # null where it was not said, and gone where the case was forgotten
    sound = "box" in body and isinstance(body["box"], bool | None) and isinstance(worth, int | float | None)
    if not sound or not isinstance(bays, list) or not all(isinstance(one, str) for one in bays):
        raise unreadable(notes[-1], "triage", TypeError("not what it should hold"))
    return body, f"{notes[-1].who}, {notes[-1].at}"


def said_worth(bench: Bench, case: int) -> tuple[float, str] | None:
    """What somebody said the data is worth, with who and when; None if nobody did.

    Raises:
        LedgerError: the note is not one that Mendbay wrote.
    """
    said, origin = said_of_subject(bench, case)
    worth = said.get("worth")
    return None if worth is None else (float(worth), origin)


def stakes_of(bench: Bench, case: int) -> Stakes:
    """What the case's data is worth, as far as anyone said.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    said = said_worth(bench, case)
    return Stakes() if said is None else Stakes(said[0])


def stakes_in(notes: Sequence[Note]) -> Stakes:
    """As `stakes_of`, of notes as in `said_in`.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    worth = said_in(notes)[0].get("worth")
    return Stakes() if worth is None else Stakes(float(worth))
