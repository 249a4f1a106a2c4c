"""The shop's ledger in one SQLite file (`docs/formats/ledger.md`)."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import astuple, replace
from pathlib import Path
from typing import TypeVar

from mendbay.case.custody import CustodyEntry, append, is_sound, verify
from mendbay.case.numbering import slug_of
from mendbay.case.records import Bay, Case, CaseKind, CaseLine, CaseState, Event, Forgotten, Image, Intake
from mendbay.core.errors import CustodyBroken, LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note
from mendbay.jobs.ledger_port import CaseLedger, Sort
from mendbay.ledger import queries
from mendbay.ledger.board_shelf import BoardShelf
from mendbay.ledger.copying import copy_store
from mendbay.ledger.forgetting import forget, require_kept
from mendbay.ledger.marks import mark_of, went_through
from mendbay.ledger.notes import NoteBook
from mendbay.ledger.several import by_case, listed
from mendbay.ledger.store import Row, Store, Value, damaged, no_such_case

Record = TypeVar("Record")

_LINES = {
    Sort.NEWEST: queries.NEWEST_LINES,
    Sort.OLDEST: queries.OLDEST_LINES,
    Sort.DEADLINE: queries.DEADLINE_LINES,
}


def _kinds(kind: CaseKind | None) -> str:
    return json.dumps([one.value for one in (CaseKind if kind is None else (kind,))])


class Ledger(CaseLedger):
    """A `CaseLedger` that survives whatever happens to its process, and is shared between processes.

    Several processes may read while one writes; writers wait for each other. One object belongs to one
    thread. Use it as a context manager, or close it.

    Args:
        path: of the SQLite file; made if it does not exist.
        busy_seconds: how long to wait for another writer.
        connection: the class of the connection, for tests that let statements fail.

    Raises:
        LedgerError: the file cannot be opened, is not a ledger, is damaged, or comes from a newer Mendbay.
    """

    def __init__(
        self,
        path: Path,
        busy_seconds: float = 10.0,
        connection: type[sqlite3.Connection] = sqlite3.Connection,
    ) -> None:
        self._store = Store(path, busy_seconds, connection)
        self.shelf = BoardShelf(self._store)
        """The stock, in the same file and the same transactions."""
        self.notes = NoteBook(self._store)
        """Notes, likewise."""

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._store.close()

    def check(self) -> None:
        """Reads the whole ledger and judges it: the file, the links between its rows, every custody log.

        Raises:
            LedgerError: the file is damaged.
            CustodyBroken: a custody log does not verify.
        """
        found = [str(row[0]) for row in self._store.rows("PRAGMA integrity_check(3)")]
        found += [
            f"row {row[1]} of {row[0]} refers to nothing"
            for row in self._store.rows("PRAGMA foreign_key_check")[:3]
        ]
        if found != ["ok"]:
            said = "; ".join(one for one in found if one != "ok")
            raise damaged(self._store.path, said)
        for case in self.cases():
            faults = verify(self.custody(case.number)).faults
            if faults:
                raise CustodyBroken(
                    f"The custody log of case {case.number} does not verify. {faults[0].sentence}",
                    "Compare it with the customer's receipt and the newest backup.",
                )

    def together(self) -> AbstractContextManager[None]:
        return self._store.transaction()

    def open_case(self, intake: Intake) -> Case:
        slug = slug_of(intake.customer)
        said = (slug, intake.opened_at, intake.customer, intake.contact, intake.box)
        with self.together():
            number = self._store.write(
                queries.OPEN_CASE,
                (
                    *(*said, _json(intake.wanted), intake.notes, CaseState.OPEN.value),
                    *(intake.kind.value, intake.due_on),
                ),
            )
        return Case(number, *said, intake.wanted, intake.notes, CaseState.OPEN, intake.kind, intake.due_on)

    def case(self, number: int) -> Case:
        found = self._read(_case_of, queries.ONE_CASE, number) if 0 < number < 2**63 else ()
        if not found:
            raise no_such_case(self._store, number)
        return found[0]

    def cases(self) -> tuple[Case, ...]:
        return self._read(_case_of, queries.ALL_CASES)

    def case_count(self) -> int:
        return int(self._store.rows(queries.CASE_COUNT)[0][0])

    def case_lines(self, words: Sequence[str] = ()) -> tuple[CaseLine, ...]:
        if not words:
            return tuple(map(CaseLine._make, self._store.rows(queries.CASE_LINES)))
        asked = [one.casefold() for one in words]
        rows = self._store.rows(queries.CASE_LINES_AND_TEXTS)
        texts = (row[-1].casefold() for row in rows)
        return tuple(
            CaseLine._make(row[:-1])
            for row, text in zip(rows, texts, strict=True)
            if all(one in text for one in asked)
        )

    def case_texts(self) -> tuple[tuple[CaseLine, str], ...]:
        rows = self._store.rows(queries.CASE_LINES_AND_TEXTS)
        return tuple((CaseLine._make(row[:-1]), row[-1]) for row in rows)

    def case_states(self, kind: CaseKind | None = None) -> Mapping[CaseState, int]:
        rows = self._store.rows(queries.STATES_OF_KIND, (_kinds(kind),))
        try:
            return {CaseState(one): count for one, count in rows}
        except ValueError as trouble:
            raise damaged(self._store.path, f"a row makes no case ({trouble})") from trouble

    def page_of_lines(
        self, states: Iterable[CaseState], kind: CaseKind | None, sort: Sort, first: int, count: int
    ) -> tuple[CaseLine, ...]:
        values = (_kinds(kind), json.dumps([one.value for one in states]), count, first)
        return tuple(map(CaseLine._make, self._store.rows(_LINES[sort], values)))

    def cases_named(self, numbers: Iterable[int]) -> Mapping[int, Case]:
        return {one.number: one for one in self._read(_case_of, queries.CASES_NAMED, listed(numbers))}

    def bays_of_several(self, cases: Iterable[int]) -> Mapping[int, tuple[Bay, ...]]:
        return by_case(self._read(_bay_of, queries.BAYS_OF_SEVERAL, listed(cases)))

    def bays_with_serial(self, states: Iterable[CaseState]) -> tuple[Bay, ...]:
        return self._read(_bay_of, queries.BAYS_WITH_SERIAL, json.dumps([one.value for one in states]))

    def images_of_several(self, cases: Iterable[int]) -> Mapping[int, tuple[Image, ...]]:
        return by_case(self._read(_image_of, queries.IMAGES_OF_SEVERAL, listed(cases)))

    def last_events(self, cases: Iterable[int]) -> Mapping[int, int]:
        return dict(self._store.rows(queries.LAST_EVENTS, (listed(cases),)))

    def amend_case(
        self,
        number: int,
        *,
        state: CaseState | None = None,
        customer: str | None = None,
        contact: str | None = None,
        box: str | None = None,
        wanted: tuple[str, ...] | None = None,
        notes: str | None = None,
        kind: CaseKind | None = None,
        due_on: str | None = None,
        keep_until: str | None = None,
    ) -> Case:
        with self.together():
            before = self.case(number)
            require_kept(self._store, number)
            after = replace(
                before,
                state=before.state if state is None else state,
                customer=before.customer if customer is None else customer,
                contact=before.contact if contact is None else contact,
                box=before.box if box is None else box,
                wanted=before.wanted if wanted is None else wanted,
                notes=before.notes if notes is None else notes,
                kind=before.kind if kind is None else kind,
                due_on=before.due_on if due_on is None else due_on,
                keep_until=before.keep_until if keep_until is None else keep_until,
            )
            said = (after.customer, after.contact, after.box, _json(after.wanted), after.notes)
            rest = (after.state.value, after.kind.value, after.due_on, after.keep_until)
            self._store.write(queries.AMEND_CASE, (*said, *rest, number))
        return after

    def add_bay(self, bay: Bay) -> None:
        with self.together():
            bays = self.bays(bay.case)
            require_kept(self._store, bay.case)
            if any(one.bay == bay.bay for one in bays):
                raise LedgerError(
                    f"Case {bay.case} already has a bay {bay.bay}.",
                    "Give the other its own label; mendbay case bay --amend puts this one right.",
                )
            self._store.write(queries.ADD_BAY, astuple(bay))

    def amend_bay(self, bay: Bay) -> None:
        with self.together():
            self.bay(bay.case, bay.bay)
            require_kept(self._store, bay.case)
            self._store.write(queries.AMEND_BAY, (*astuple(bay)[2:], bay.case, bay.bay))

    def remove_bay(self, case: int, bay: str) -> None:
        with self.together():
            self.bay(case, bay)
            require_kept(self._store, case)
            if self.images(case, bay):
                raise LedgerError(f"Bay {bay} of case {case} has an image.", "It stays: its drive was read.")
            self._store.write(queries.REMOVE_BAY, (case, bay))

    def bay(self, case: int, bay: str) -> Bay:
        bays = self.bays(case)
        found = next((one for one in bays if one.bay == bay), None)
        if found is None:
            labels = ", ".join(one.bay for one in bays)
            known = f"Its bays are: {labels}." if bays else f"mendbay case bay {case} 1= puts one down."
            raise NoSuchCase(f"Case {case} has no bay {bay!r}.", known)
        return found

    def bays(self, case: int) -> tuple[Bay, ...]:
        self.case(case)
        return self._read(_bay_of, queries.BAYS, case)

    def note_image(self, image: Image) -> None:
        with self.together():
            self.bay(image.case, image.bay)
            require_kept(self._store, image.case)
            there = next((one for one in self.images(image.case) if one.path == image.path), image)
            if there.bay != image.bay:
                raise LedgerError(
                    f"Case {image.case} holds an image of bay {there.bay} at {image.path}.",
                    "Write the image of the other bay to another file.",
                )
            self._store.write(queries.NOTE_IMAGE, astuple(image))

    def images(self, case: int, bay: str | None = None) -> tuple[Image, ...]:
        self.case(case)
        label = None if bay is None else self.bay(case, bay).bay
        found = self._read(_image_of, queries.IMAGES, case)
        return tuple(image for image in found if label is None or image.bay == label)

    def note_event(self, case: int, event: Event) -> None:
        with self.together():
            self.case(case)
            require_kept(self._store, case)
            self._store.write(
                queries.NOTE_EVENT, (case, event.at, event.kind, event.text, _json(dict(event.facts)))
            )

    def last_event(self, case: int) -> int:
        self.case(case)
        return int(self._store.rows(queries.LAST_EVENT, (case,))[0][0])

    def first_events(self, kind: str) -> Mapping[int, str]:
        return {case: at for case, at, _ in self._store.rows(queries.FIRST_EVENTS_OF_KIND, (kind,))}

    def events(self, case: int) -> tuple[Event, ...]:
        self.case(case)
        return self._read(_event_of, queries.EVENTS, case)

    def custody_append(self, case: int, at: str, who: str, what: str, item: str) -> CustodyEntry:
        with self.together():
            self.case(case)
            require_kept(self._store, case)
            last = next(iter(self._read(_custody_of, queries.LAST_CUSTODY, case)), None)
            if last is not None and not is_sound(last):
                raise CustodyBroken(
                    f"Entry {last.sequence} of case {case}'s custody log does not fit its hash.",
                    "Compare the log with the customer's receipt and the newest backup before going on.",
                )
            entry = append(last, case, at, who, what, item)
            self._store.write(queries.APPEND_CUSTODY, astuple(entry))
        return entry

    def custody(self, case: int) -> tuple[CustodyEntry, ...]:
        self.case(case)
        return self._read(_custody_of, queries.CUSTODY, case)

    def forget_case(self, number: int, at: str, who: str, keep: Sequence[Note]) -> Forgotten:
        with self.together():
            self.case(number)
            require_kept(self._store, number)
            last = next(iter(self._read(_custody_of, queries.LAST_CUSTODY, number)), None)
            entries, head = (0, "") if last is None else (last.sequence, last.hash)
            done = Forgotten(number, at, who, entries, head)
            forget(self._store, done, keep, {one.number for one in self.notes.all_of(number)})
        return done

    def forgotten(self, number: int) -> Forgotten | None:
        rows = self._store.rows(queries.FORGOTTEN_OF_CASE, (number,)) if 0 < number < 2**63 else []
        if not rows:
            raise no_such_case(self._store, number)
        return None if rows[0][1] is None else Forgotten(*rows[0])

    def require_kept(self, number: int) -> None:
        """
        Raises:
            CaseForgotten: the case was forgotten, and nothing is added to it any more, no file either.
        """
        require_kept(self._store, number)

    def mark(self) -> str:
        """Stands for all that was noted up to now."""
        return mark_of(self._store)

    def went_through(self, mark: str) -> bool:
        """Whether this ledger was once as a mark says; one that is none says nothing of it."""
        return went_through(self._store, mark)

    def copy_to(self, path: Path) -> None:
        """Writes the ledger as it is now into a new file, while others go on writing.

        Raises:
            LedgerError: it cannot be read, or the copy not written.
        """
        copy_store(self._store, path)

    def scrub(self) -> None:
        self._store.scrub()

    def _read(self, record_of: Callable[[Row], Record], sql: str, *values: Value) -> tuple[Record, ...]:
        """The rows as records; a row that makes none was not written by Mendbay."""
        rows = self._store.rows(sql, values)
        try:
            return tuple(record_of(row) for row in rows)
        except (ValueError, TypeError, AttributeError, UsageError) as trouble:
            raise damaged(self._store.path, f"a row makes no record ({trouble})") from trouble


def _case_of(row: Row) -> Case:
    number, slug, opened_at, customer, contact, box, wanted, notes, state, kind, due_on, keep_until = row
    patterns, told = tuple(json.loads(wanted)), (CaseState(state), CaseKind(kind))
    return Case(number, slug, opened_at, customer, contact, box, patterns, notes, *told, due_on, keep_until)


def _bay_of(row: Row) -> Bay:
    return Bay(*row)


def _image_of(row: Row) -> Image:
    return Image(*row)


def _event_of(row: Row) -> Event:
    at, kind, text, facts = row
    read = {
        key: tuple(value) if isinstance(value, list) else value for key, value in json.loads(facts).items()
    }
    return Event(at, kind, text, read)


def _custody_of(row: Row) -> CustodyEntry:
    return CustodyEntry(*row)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
