"""A ledger in memory for tests of jobs; it passes the same contract as the one on disk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import replace

from mendbay.case.custody import CustodyEntry, append, is_sound
from mendbay.case.numbering import slug_of
from mendbay.case.records import (
    FORGOTTEN,
    FORGOTTEN_SLUG,
    Bay,
    Case,
    CaseKind,
    CaseLine,
    CaseState,
    Event,
    Forgotten,
    Image,
    Intake,
)
from mendbay.core.errors import CaseForgotten, CustodyBroken, LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.serials import is_number_like, plain_serial
from mendbay.jobs.ledger_port import CaseLedger, Sort
from mendbay.jobs.note_ledger_port import NoteLedger


class MemoryLedger(CaseLedger):
    """Keeps everything in lists. Not durable, not shared, otherwise a full `CaseLedger`."""

    def __init__(self) -> None:
        self._cases: dict[int, Case] = {}
        self._bays: dict[tuple[int, str], Bay] = {}
        self._images: dict[tuple[int, str], Image] = {}
        self._events: list[tuple[int, Event]] = []
        self._custody: list[CustodyEntry] = []
        self._forgotten: dict[int, Forgotten] = {}
        self.notes = MemoryNotes(self)

    @contextmanager
    def together(self) -> Iterator[None]:
        before = deepcopy(self.__dict__)
        try:
            yield
        except BaseException:
            self.__dict__.update(before)
            raise

    def open_case(self, intake: Intake) -> Case:
        number = len(self._cases) + 1
        self._cases[number] = Case(
            number,
            slug_of(intake.customer),
            intake.opened_at,
            intake.customer,
            intake.contact,
            intake.box,
            intake.wanted,
            intake.notes,
            CaseState.OPEN,
            intake.kind,
            intake.due_on,
        )
        return self._cases[number]

    def case(self, number: int) -> Case:
        if number not in self._cases:
            raise NoSuchCase(f"The ledger has no case {number}.", "List the cases to see those it has.")
        return self._cases[number]

    def cases(self) -> tuple[Case, ...]:
        return tuple(self._cases.values())

    def case_count(self) -> int:
        return len(self._cases)

    def case_lines(self, words: Sequence[str] = ()) -> tuple[CaseLine, ...]:
        return tuple(
            CaseLine(one.number, one.opened_at, one.state, one.kind, one.due_on, one.keep_until)
            for one in self._cases.values()
            if all(any(self._is_in(word, text) for text in self._texts(one)) for word in words)
        )

    @staticmethod
    def _is_in(word: str, text: str) -> bool:
        like = is_number_like(word) and plain_serial(word) in plain_serial(text)
        return like or word.casefold() in text

    def _texts(self, case: Case) -> list[str]:
        bays = [text for bay in self.bays(case.number) for text in (bay.model, bay.serial)]
        return [one.casefold() for one in (str(case.number), case.customer, case.contact, case.box, *bays)]

    def case_states(self, kind: CaseKind | None = None) -> dict[CaseState, int]:
        return dict(Counter(one.state for one in self._cases.values() if kind in (None, one.kind)))

    def page_of_lines(
        self, states: Iterable[CaseState], kind: CaseKind | None, sort: Sort, first: int, count: int
    ) -> tuple[CaseLine, ...]:
        wanted = set(states)
        found = [one for one in self.case_lines() if one.state in wanted and kind in (None, one.kind)]
        if sort is not Sort.OLDEST:
            found.reverse()
        if sort is Sort.DEADLINE:
            found.sort(key=lambda one: (not one.due_on, one.due_on))
        return tuple(found[first : first + count])

    def cases_named(self, numbers: Iterable[int]) -> dict[int, Case]:
        return {one: self._cases[one] for one in numbers if one in self._cases}

    def bays_of_several(self, cases: Iterable[int]) -> dict[int, tuple[Bay, ...]]:
        return {one: found for one in cases if one in self._cases and (found := self.bays(one))}

    def bays_with_serial(self, states: Iterable[CaseState]) -> tuple[Bay, ...]:
        wanted = set(states)
        return tuple(one for one in self._bays.values() if one.serial and self.case(one.case).state in wanted)

    def images_of_several(self, cases: Iterable[int]) -> dict[int, tuple[Image, ...]]:
        return {one: found for one in cases if one in self._cases and (found := self.images(one))}

    def last_events(self, cases: Iterable[int]) -> dict[int, int]:
        return {one: self.last_event(one) if one in self._cases else 0 for one in cases}

    def amend_case(self, number: int, **given: object) -> Case:
        after = replace(
            self._writable(number), **{key: value for key, value in given.items() if value is not None}
        )
        self._cases[number] = after
        return after

    def add_bay(self, bay: Bay) -> None:
        self._writable(bay.case)
        if (bay.case, bay.bay) in self._bays:
            raise LedgerError(f"Case {bay.case} already has a bay {bay.bay}.", "Give it another label.")
        self._bays[bay.case, bay.bay] = bay

    def amend_bay(self, bay: Bay) -> None:
        self.bay(bay.case, bay.bay)
        self._writable(bay.case)
        self._bays[bay.case, bay.bay] = bay

    def remove_bay(self, case: int, bay: str) -> None:
        self.bay(case, bay)
        self._writable(case)
        if self.images(case, bay):
            raise LedgerError(f"Bay {bay} of case {case} has an image.", "It stays.")
        del self._bays[case, bay]

    def bay(self, case: int, bay: str) -> Bay:
        self.case(case)
        if (case, bay) not in self._bays:
            raise NoSuchCase(f"Case {case} has no bay {bay!r}.", "Add it first.")
        return self._bays[case, bay]

    def bays(self, case: int) -> tuple[Bay, ...]:
        self.case(case)
        return tuple(one for one in self._bays.values() if one.case == case)

    def note_image(self, image: Image) -> None:
        self.bay(image.case, image.bay)
        self._writable(image.case)
        there = self._images.get((image.case, image.path), image)
        if there.bay != image.bay:
            raise LedgerError(f"An image of bay {there.bay} is at {image.path}.", "Use another file.")
        self._images[image.case, image.path] = image

    def images(self, case: int, bay: str | None = None) -> tuple[Image, ...]:
        self.case(case)
        if bay is not None:
            self.bay(case, bay)
        return tuple(one for one in self._images.values() if one.case == case and bay in (None, one.bay))

    def note_event(self, case: int, event: Event) -> None:
        self._writable(case)
        self._events.append((case, event))

    def last_event(self, case: int) -> int:
        return len(self.events(case))

    def first_events(self, kind: str) -> dict[int, str]:
        return {case: event.at for case, event in reversed(self._events) if event.kind == kind}

    def events(self, case: int) -> tuple[Event, ...]:
        self.case(case)
        return tuple(event for number, event in self._events if number == case)

    def custody_append(self, case: int, at: str, who: str, what: str, item: str) -> CustodyEntry:
        self._writable(case)
        log = self.custody(case)
        last = log[-1] if log else None
        if last is not None and not is_sound(last):
            raise CustodyBroken("The last entry does not fit its hash.", "Compare it with the receipt.")
        entry = append(last, case, at, who, what, item)
        self._custody.append(entry)
        return entry

    def custody(self, case: int) -> tuple[CustodyEntry, ...]:
        self.case(case)
        return tuple(entry for entry in self._custody if entry.case == case)

    def forget_case(self, number: int, at: str, who: str, keep: Sequence[Note]) -> Forgotten:
        case = self._writable(number)
        theirs = {note.number for note in self.notes.all_of(number)}
        if any(note.case != number or note.number not in theirs for note in keep):
            raise UsageError("A note is none of the case.", "Give notes of the case.")
        log = self.custody(number)
        done = Forgotten(number, at, who, len(log), log[-1].hash if log else "")
        self._forgotten[number] = done
        self._custody = [one for one in self._custody if one.case != number]
        self._events = [one for one in self._events if one[0] != number]
        self._images = {key: one for key, one in self._images.items() if one.case != number}
        others = [one for one in self.notes.kept if one.case != number]
        self.notes.kept = sorted([*others, *keep], key=lambda one: one.number)
        for bay in self.bays(number):
            self._bays[number, bay.bay] = replace(bay, serial="", condition="")
        self._cases[number] = replace(
            case,
            slug=FORGOTTEN_SLUG,
            customer=FORGOTTEN,
            contact="",
            box=FORGOTTEN if case.box else "",
            wanted=(),
            notes="",
            state=CaseState.CLOSED,
        )
        return done

    def forgotten(self, number: int) -> Forgotten | None:
        self.case(number)
        return self._forgotten.get(number)

    def scrub(self) -> None:
        """Memory that was let go holds nothing."""

    def _writable(self, number: int) -> Case:
        case = self.case(number)
        if number in self._forgotten:
            raise CaseForgotten(f"Case {number} was forgotten.", "Open a new case.")
        return case


class MemoryNotes(NoteLedger):
    """The notes of a `MemoryLedger`."""

    def __init__(self, ledger: MemoryLedger) -> None:
        self._ledger = ledger
        self.kept: list[Note] = []
        self._last = 0

    def __deepcopy__(self, memo: dict[int, object]) -> MemoryNotes:
        copy = MemoryNotes(self._ledger)
        copy.kept, copy._last = list(self.kept), self._last
        return copy

    def add(self, note: Note) -> Note:
        if note.case:
            self._ledger._writable(note.case)
        self._last += 1
        self.kept.append(replace(note, number=self._last))
        return self.kept[-1]

    def of(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        asked = ((case, "case"), (bay, "bay"), (subject, "subject"))
        return tuple(
            note
            for note in self.kept
            if note.kind is kind and all(one in (None, getattr(note, name)) for one, name in asked)
        )

    def standing(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        gone = {one.subject for one in self.kept if one.kind is NoteKind.WITHDRAWAL}
        return tuple(one for one in self.of(kind, case, bay, subject) if f"note {one.number}" not in gone)

    def of_several(self, kind: NoteKind, cases: Iterable[int]) -> dict[int, tuple[Note, ...]]:
        return {one: found for one in cases if one and (found := self.of(kind, one))}

    def last_numbers(self, cases: Iterable[int]) -> dict[int, int]:
        return {one: self.last_number(one) for one in cases}

    def last_of_kind(self, kind: NoteKind) -> dict[int, int]:
        return {one.case: one.number for one in self.kept if one.kind is kind and one.case}

    def bays_with(self, kind: NoteKind, text: str) -> tuple[tuple[int, str], ...]:
        def plain(said: str) -> str:
            return said.upper().replace("-", "").replace(" ", "")

        wanted = plain_serial(text)
        kept = [one for one in self.kept if one.case and one.kind is kind]
        found = {(one.case, one.bay) for one in kept if wanted in plain(one.body)}
        return tuple(sorted(found, key=lambda one: (-one[0], one[1])))

    def tally(self, case: int) -> dict[NoteKind, int]:
        subjects = {(kind, one.bay, one.subject) for kind in NoteKind for one in self.standing(kind, case)}
        return dict(Counter(kind for kind, _, _ in subjects))

    def same_as(self) -> None:
        return None

    def last_number(self, case: int | None = None, kind: NoteKind | None = None) -> int:
        asked = (note for note in self.kept if case in (None, note.case) and kind in (None, note.kind))
        return max((note.number for note in asked), default=0)

    def all_of(self, case: int) -> tuple[Note, ...]:
        self._ledger.case(case)
        return tuple(note for note in self.kept if note.case == case)
