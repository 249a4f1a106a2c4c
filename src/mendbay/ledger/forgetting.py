"""Cases that were forgotten: what named a person is removed for good, and what stays is a bare row."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import astuple

from mendbay.case.records import FORGOTTEN, FORGOTTEN_SLUG, CaseState, Forgotten
from mendbay.core.errors import CaseForgotten, UsageError
from mendbay.core.note import Note
from mendbay.ledger import queries
from mendbay.ledger.store import Store


def forgotten(store: Store, number: int) -> Forgotten | None:
    """That a case was forgotten; None if it was not, or there is no such case."""
    rows = store.rows(queries.FORGOTTEN, (number,))
    return Forgotten(*rows[0]) if rows else None


def require_kept(store: Store, number: int) -> None:
    """
    Raises:
        CaseForgotten: the case was forgotten, and nothing is added to it any more.
    """
    found = forgotten(store, number)
    if found is not None:
        raise CaseForgotten(
            f"Case {number} was forgotten on {found.at[:10]}; nothing can be added to it.",
            "Open a new case.",
        )


def forget(store: Store, done: Forgotten, keep: Sequence[Note], numbers: Collection[int]) -> None:
    """Removes, inside the open transaction, what names a person.

    Args:
        keep: notes that stay, as `CaseLedger.forget_case` has them.
        numbers: of all notes of the case.

    Raises:
        UsageError: a note to keep is not one of the case.
    """
    for note in keep:
        if note.case != done.case or note.number not in numbers:
            raise UsageError(
                f"Note {note.number} is none of case {done.case}.",
                "Report this with the message.",
            )
    store.write(queries.FORGET, astuple(done))  # first: the guards ask for it
    for statement in queries.FORGET_ROWS:
        store.write(statement, (done.case,))
    for note in keep:
        said = (note.bay, note.kind.value, note.subject, note.at, note.who, note.body)
        store.write(queries.KEEP_NOTE, (note.number, note.case, *said))
    blank = (FORGOTTEN_SLUG, FORGOTTEN, FORGOTTEN, CaseState.CLOSED.value)
    store.write(queries.FORGET_CASE, (*blank, done.case))
    store.write(queries.FORGET_BAYS, (done.case,))
