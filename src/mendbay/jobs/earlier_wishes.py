"""What was wanted of a case before it was told anew. The events keep no patterns, which may name people."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable

WANTED = "wanted"
"""The question of take-in that tells the wishes."""
BEFORE = "before"
"""Member of its notes: the wishes that the answer took the place of."""


@dataclass(frozen=True, slots=True)
class EarlierWishes:
    """Patterns that were wanted until something else was told, at `until` (UTC, as records carry it)."""

    patterns: tuple[str, ...]
    until: str


def earlier_wishes(bench: Bench, case: int) -> tuple[EarlierWishes, ...]:
    """The wishes of a case that others took the place of, the oldest first.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    found: list[EarlierWishes] = []
    for note in bench.notes.of(NoteKind.INTAKE, case, "", WANTED):
        body = body_of(note, "take-in")
        told, before = body.get("values"), body.get(BEFORE, [])
        if not isinstance(told, list) or not isinstance(before, list):
            raise unreadable(note, "take-in", TypeError("no patterns"))
        if before and before != told:
            found.append(EarlierWishes(tuple(map(str, before)), note.at))
    return tuple(found)
