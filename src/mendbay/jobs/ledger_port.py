"""What the jobs need of the shop's ledger. Wiring hands in what fulfils it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Protocol

from mendbay.case.custody import CustodyEntry
from mendbay.case.records import Bay, Case, CaseKind, CaseState, Event, Image, Intake


class CaseLedger(Protocol):
    """Cases with their bays, images, events and custody log.

    Every method is one durable step by itself; `together` makes one of several. Whatever names a case
    or bay that is not there raises `NoSuchCase`; whatever cannot be stored or read, `LedgerError`.
    """

    def together(self) -> AbstractContextManager[None]:
        """Makes all that is done inside one durable step: after any mishap either all of it is there or
        nothing. Nothing else can write meanwhile, so keep it short."""
        ...

    def open_case(self, intake: Intake) -> Case:
        """A new, open case with the next number, which is never used again."""
        ...

    def case(self, number: int) -> Case: ...

    def cases(self) -> tuple[Case, ...]:
        """Every case, the oldest first."""
        ...

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
        """Changes what is given of a case and leaves the rest; its folder keeps its name."""
        ...

    def add_bay(self, bay: Bay) -> None:
        """Adds a bay to its case.

        Raises:
            LedgerError: the case has a bay of that label.
        """
        ...

    def amend_bay(self, bay: Bay) -> None:
        """Puts this description in the place of the one the bay has, for what became known since."""
        ...

    def bay(self, case: int, bay: str) -> Bay: ...

    def bays(self, case: int) -> tuple[Bay, ...]:
        """The bays of a case in the order they were added."""
        ...

    def note_image(self, image: Image) -> None:
        """Notes an image of a bay, or its new figures if the case has one at that path.

        Raises:
            LedgerError: the image at that path is of another bay.
        """
        ...

    def images(self, case: int, bay: str | None = None) -> tuple[Image, ...]:
        """The images of a case, or of one bay, in the order they were first noted."""
        ...

    def note_event(self, case: int, event: Event) -> None: ...

    def events(self, case: int) -> tuple[Event, ...]:
        """What was noted of a case, the oldest first."""
        ...

    def custody_append(self, case: int, at: str, who: str, what: str, item: str) -> CustodyEntry:
        """Adds the next entry of the case's custody log.

        Raises:
            CustodyBroken: the last entry does not fit its own hash.
        """
        ...

    def custody(self, case: int) -> tuple[CustodyEntry, ...]:
        """The case's custody log as stored. Whether it holds is for `case.custody.verify` to say."""
        ...
