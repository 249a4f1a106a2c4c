"""The shop's book of notes (`docs/formats/ledger.md`)."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import replace

from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.serials import plain_serial
from mendbay.jobs.note_ledger_port import NoteLedger
from mendbay.ledger import queries
from mendbay.ledger.forgetting import require_kept
from mendbay.ledger.several import by_case, listed
from mendbay.ledger.store import Row, Store, Value, damaged, no_such_case


class NoteBook(NoteLedger):
    """A `NoteLedger` in the same file as the cases, sharing their transactions."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, note: Note) -> Note:
        with self._store.transaction():
            if note.case:
                self._require_case(note.case)
                require_kept(self._store, note.case)
            said = (note.bay, note.kind.value, note.subject, note.at, note.who, note.body)
            number = self._store.write(queries.ADD_NOTE, (note.case, *said))
        return replace(note, number=number)

    def of(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        narrowed = (*_twice(bay), *_twice(subject))
        if case is None:
            return self._notes(queries.NOTES, (kind.value, *narrowed))
        return self._notes(queries.NOTES_OF_ONE, (kind.value, case, *narrowed))

    def standing(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        narrowed = (*_twice(bay), *_twice(subject))
        if case is None:
            return self._notes(queries.STANDING, (kind.value, *narrowed))
        return self._notes(queries.STANDING_OF_ONE, (kind.value, case, *narrowed))

    def of_several(self, kind: NoteKind, cases: Iterable[int]) -> Mapping[int, tuple[Note, ...]]:
        found = self._notes(queries.NOTES_OF_SEVERAL, (kind.value, listed(cases)))
        return by_case(found)

    def last_numbers(self, cases: Iterable[int]) -> Mapping[int, int]:
        return dict(self._store.rows(queries.LAST_NOTES, (listed(cases),)))

    def last_of_kind(self, kind: NoteKind) -> Mapping[int, int]:
        return dict(self._store.rows(queries.LAST_NOTES_OF_KIND, (kind.value,)))

    def bays_with(self, kind: NoteKind, text: str) -> tuple[tuple[int, str], ...]:
        plain = plain_serial(text)
        third = -(-len(plain) // 3)
        parts = [f"%{plain[at * third : (at + 1) * third]}%" for at in range(3)]
        rows = self._store.rows(queries.BAYS_WITH, (kind.value, *parts, plain))
        return tuple((case, bay) for case, bay in rows)

    def tally(self, case: int) -> Mapping[NoteKind, int]:
        rows = self._store.rows(queries.TALLY, (case,))
        try:
            return {NoteKind(kind): count for kind, count in rows}
        except ValueError as trouble:
            raise damaged(self._store.path, f"a row makes no note ({trouble})") from trouble

    def same_as(self) -> Hashable | None:
        return None if self._store.has_written else self._store.identity

    def last_number(self, case: int | None = None, kind: NoteKind | None = None) -> int:
        if case is not None:
            asked = _twice(None if kind is None else kind.value)
            return int(self._store.rows(queries.LAST_NOTE_OF_CASE, (case, *asked))[0][0])
        if kind is not None:
            return int(self._store.rows(queries.LAST_NOTE_OF_KIND, (kind.value,))[0][0])
        return int(self._store.rows(queries.LAST_NOTE)[0][0])

    def all_of(self, case: int) -> tuple[Note, ...]:
        self._require_case(case)
        return self._notes(queries.NOTES_OF_CASE, (case,))

    def _notes(self, sql: str, values: Sequence[Value]) -> tuple[Note, ...]:
        rows = self._store.rows(sql, values)
        try:
            return tuple(_note_of(row) for row in rows)
        except (ValueError, TypeError, UsageError) as trouble:
            raise damaged(self._store.path, f"a row makes no note ({trouble})") from trouble

    def _require_case(self, case: int) -> None:
        found = 0 < case < 2**63 and self._store.rows(queries.CASE_EXISTS, (case,))
        if not found:
            raise no_such_case(self._store, case)


def _twice(asked: Value | None) -> tuple[Value, Value]:
    """Whether to ask for a column at all, and for what."""
    return (0, "") if asked is None else (1, asked)


def _note_of(row: Row) -> Note:
    number, case, bay, kind, subject, at, who, body = row
    return Note(case, bay, NoteKind(kind), subject, at, who, body, number)
