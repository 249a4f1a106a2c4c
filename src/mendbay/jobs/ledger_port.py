"""What the jobs need of the shop's ledger. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from enum import StrEnum
from typing import Protocol

from mendbay.case.custody import CustodyEntry
from mendbay.case.records import Bay, Case, CaseKind, CaseLine, CaseState, Event, Forgotten, Image, Intake
from mendbay.core.note import Note


class Sort(StrEnum):
    """Which case stands first."""

    NEWEST = "newest"
    OLDEST = "oldest"
    DEADLINE = "deadline"
    """The earliest day by which a case is needed; those without one last, the newest first."""


class CaseLedger(Protocol):
    """Cases with their bays, images, events and custody log.

    Every method is one durable step by itself; `together` makes one of several. Whatever names a case
    or bay that is not there raises `NoSuchCase`; whatever adds to a case that was forgotten, `CaseForgotten`;
    whatever cannot be stored or read, `LedgerError`.
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

    def case_count(self) -> int:
        """How many cases there are, forgotten ones too."""
        ...

    def case_lines(self, words: Sequence[str] = ()) -> tuple[CaseLine, ...]:
        """The lines of all cases, or of those that have every word somewhere, the oldest first. A word is
        looked for in number, customer, contact and what came in, and in model and serial number of every
        bay; upper and lower case are the same, in all alphabets (`str.casefold`). One of letters and digits
        that `is_number_like` counts for something is also found where blanks and other signs stand between
        them in one of these texts, as in a telephone number."""
        ...

    def case_states(self, kind: CaseKind | None = None) -> Mapping[CaseState, int]:
        """How many cases of a kind, or of any, there are of each state; a state of which there is none is
        left out."""
        ...

    def page_of_lines(
        self, states: Iterable[CaseState], kind: CaseKind | None, sort: Sort, first: int, count: int
    ) -> tuple[CaseLine, ...]:
        """Lines of cases of these states and of a kind, or of any: so many from the one at `first` on, from
        0, in that order."""
        ...

    def cases_named(self, numbers: Iterable[int]) -> Mapping[int, Case]:
        """Those of these cases that are there, by number."""
        ...

    def bays_of_several(self, cases: Iterable[int]) -> Mapping[int, tuple[Bay, ...]]:
        """As `bays`, of several cases at once; a case without bays is left out."""
        ...

    def bays_with_serial(self, states: Iterable[CaseState]) -> tuple[Bay, ...]:
        """The bays of all cases of these states for which a serial number is noted, in the order in which
        they were added."""
        ...

    def images_of_several(self, cases: Iterable[int]) -> Mapping[int, tuple[Image, ...]]:
        """As `images`, of several cases at once; a case without images is left out."""
        ...

    def last_events(self, cases: Iterable[int]) -> Mapping[int, int]:
        """As `last_event`, of several cases at once; 0 also for a case that is not there."""
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

    def remove_bay(self, case: int, bay: str) -> None:
        """Takes a bay out that was added by mistake; that custody and story tell it is the caller's.

        Raises:
            LedgerError: an image is noted of it.
        """
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

    def last_event(self, case: int) -> int:
        """A number that grows with every event of the case; 0 while it has none."""
        ...

    def first_events(self, kind: str) -> Mapping[int, str]:
        """When the first event of a kind was noted, of every case that has one."""
        ...

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

    def forget_case(self, number: int, at: str, who: str, keep: Sequence[Note]) -> Forgotten:
        """Removes what names a person from a case, in one step: custody log, events, images and notes; the
        customer, contact, what came in, wishes, notes and slug; serial number and condition of each bay.
        Number, kind, days, bays' labels, models and sizes stay; the case is closed. Number of custody entries
        and head stay, so that a log that the customer holds can still be checked.

        Args:
            keep: notes of the case that stay, in the form in which they stay, each under the number that it
                has; all others go.

        Raises:
            UsageError: `keep` holds a note that is not one of the case.
        """
        ...

    def forgotten(self, number: int) -> Forgotten | None:
        """That the case was forgotten; None if it was not."""
        ...

    def scrub(self) -> None:
        """Makes sure that nothing which was removed can still be found in the ledger's own files. Not inside
        `together`.

        Raises:
            LedgerError: another process holds the ledger; to be done again.
        """
        ...
