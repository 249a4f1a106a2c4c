"""The body of a note as an object, and what is said of one that Mendbay did not write."""

from __future__ import annotations

import json
from typing import Any

from mendbay.core.errors import LedgerError
from mendbay.core.note import Note


def body_of(note: Note, about: str) -> dict[str, Any]:
    """What a note says.

    Args:
        about: what notes of its kind are about, for the message.

    Raises:
        LedgerError: the body is not the text of an object.
    """
    try:
        body = json.loads(note.body)
    except (ValueError, RecursionError) as trouble:
        raise unreadable(note, about, trouble) from trouble
    if not isinstance(body, dict):
        raise unreadable(note, about, TypeError("not an object"))
    return body


def unreadable(note: Note, about: str, trouble: Exception) -> LedgerError:
    """What is raised of a note that does not hold what it should.

    Args:
        about: what notes of its kind are about.
    """
    return LedgerError(
        f"The ledger's note {note.number} of {about} cannot be read: {trouble!r:.60}.",
        "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
    )
