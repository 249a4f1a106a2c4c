"""What the jobs need of the shop's book of notes. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Protocol

from mendbay.core.note import Note, NoteKind


class NoteLedger(Protocol):
    """Notes of cases and of the shop, in the same transactions as the cases.

    What cannot be stored or read raises `LedgerError`.
    """

    def add(self, note: Note) -> Note:
        """Writes a note down for good.

        Returns:
            The note with its number.

        Raises:
            NoSuchCase: it names a case that is not there.
            CaseForgotten: the case was forgotten, and nothing is added to it any more.
        """
        ...

    def of(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        """The notes of a kind, of all cases or of one (0: of the shop alone), the oldest first."""
        ...

    def standing(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        """As `of`, without those of which a withdrawal says `note N` (`jobs/withdraw.py`)."""
        ...

    def of_several(self, kind: NoteKind, cases: Iterable[int]) -> Mapping[int, tuple[Note, ...]]:
        """The notes of a kind of several cases at once, by case, the oldest first, withdrawn ones too; a case
        without any is left out."""
        ...

    def last_numbers(self, cases: Iterable[int]) -> Mapping[int, int]:
        """As `last_number`, of several cases at once; 0 for a case without notes."""
        ...

    def last_of_kind(self, kind: NoteKind) -> Mapping[int, int]:
        """The number of the last note of a kind by case, of every case that has one. No note is read."""
        ...

    def bays_with(self, kind: NoteKind, text: str) -> tuple[tuple[int, str], ...]:
        """The cases and bays of whose notes of a kind, withdrawn or not, one has a text somewhere in its
        body, the newest case first. No note is read.

        Args:
            text: like a serial number: its letters and digits count (`plain_serial`), written apart by blanks
                or hyphens at most twice, in upper or lower case.
        """
        ...

    def tally(self, case: int) -> Mapping[NoteKind, int]:
        """On how many subjects, each of a bay or of the case, a case has notes of a kind that were not
        withdrawn. No note is read."""
        ...

    def same_as(self) -> Hashable | None:
        """What two books have in common that are the same book, opened twice in this process; None while a
        step is under way that wrote something, which may be taken back."""
        ...

    def last_number(self, case: int | None = None, kind: NoteKind | None = None) -> int:
        """The number of the last note of a case, of a kind, or of all; 0 if there is none. No note is
        read for it."""
        ...

    def all_of(self, case: int) -> tuple[Note, ...]:
        """Every note of a case, of whatever kind, the oldest first.

        Raises:
            NoSuchCase: there is no such case.
        """
        ...
