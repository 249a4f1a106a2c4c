"""A ledger in memory for tests of jobs; it passes the same contract as the one on disk."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import replace

from mendbay.case.custody import CustodyEntry, append, is_sound
from mendbay.case.numbering import slug_of
from mendbay.case.records import Bay, Case, CaseState, Event, Image, Intake
from mendbay.core.errors import CustodyBroken, LedgerError, NoSuchCase
from mendbay.jobs.ledger_port import CaseLedger


class MemoryLedger(CaseLedger):
    """Keeps everything in lists. Not durable, not shared, otherwise a full `CaseLedger`."""

    def __init__(self) -> None:
        self._cases: dict[int, Case] = {}
        self._bays: dict[tuple[int, str], Bay] = {}
        self._images: dict[tuple[int, str], Image] = {}
        self._events: list[tuple[int, Event]] = []
        self._custody: list[CustodyEntry] = []

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

    def amend_case(self, number: int, **given: object) -> Case:
        after = replace(
            self.case(number), **{key: value for key, value in given.items() if value is not None}
        )
        self._cases[number] = after
        return after

    def add_bay(self, bay: Bay) -> None:
        self.case(bay.case)
        if (bay.case, bay.bay) in self._bays:
            raise LedgerError(f"Case {bay.case} already has a bay {bay.bay}.", "Give it another label.")
        self._bays[bay.case, bay.bay] = bay

    def amend_bay(self, bay: Bay) -> None:
        self.bay(bay.case, bay.bay)
        self._bays[bay.case, bay.bay] = bay

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
        self.case(case)
        self._events.append((case, event))

    def events(self, case: int) -> tuple[Event, ...]:
        self.case(case)
        return tuple(event for number, event in self._events if number == case)

    def custody_append(self, case: int, at: str, who: str, what: str, item: str) -> CustodyEntry:
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
