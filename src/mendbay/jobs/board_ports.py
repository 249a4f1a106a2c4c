"""What the board's jobs need from the world outside, as protocols. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from mendbay.case.records import Case

if TYPE_CHECKING:
    from mendbay.board.flash_bus import FlashBus
    from mendbay.board.sighting import PictureReading
    from mendbay.board.transfer_journal import TransferJournal


class Pictures(Protocol):
    """Reads pictures of labels, boards and boxes."""

    def read_bytes(self, data: bytes, name: str) -> PictureReading:
        """All that is seen in one picture; one that cannot be read says so in its troubles."""
        ...

    def close(self) -> None: ...


class Programmers(Protocol):
    """The programming adapters at the bench."""

    def open(self, name: str) -> AbstractContextManager[FlashBus]:
        """The chip on an adapter's clip.

        Args:
            name: an adapter's address, or `simulated:FILE` for a chip that is a file.

        Raises:
            ProgrammerError: there is no such adapter.
            UsageError: the name is not understood.
        """
        ...

    def is_simulated(self, name: str) -> bool:
        """Whether a name is of a chip that is a file. Nothing is opened."""
        ...


class Journals(Protocol):
    """The journals of transfers, one for each job of a case."""

    def lines(self, case: Case, job: str) -> Sequence[str]:
        """The lines of a job's journal, to look at; none if it was never begun. Makes nothing.

        Raises:
            DestinationError: it cannot be read.
        """
        ...

    def open(self, case: Case, job: str) -> AbstractContextManager[TransferJournal]:
        """The journal of a job, empty if it was never begun.

        Raises:
            DestinationError: it cannot be opened or kept.
        """
        ...


class ShopFiles(Protocol):
    """The shop's own data files: number forms, learned families, settings and wordings of papers."""

    def texts(self, kind: str) -> Iterator[tuple[str, str]]:
        """(name, text) of every file of a kind (`number-forms`, `families`, `settings`, `papers`), by name.

        Raises:
            BadFormFile: a file is too large or not UTF-8.
        """
        ...

    def names(self, kind: str) -> Sequence[str]:
        """The names of the files of a kind, rising.

        Raises:
            BadFormFile: the folder cannot be read.
        """
        ...

    def check_name(self, name: str) -> None:
        """
        Raises:
            UsageError: it cannot be the name of a file.
        """
        ...

    def text(self, kind: str, name: str) -> str | None:
        """One file; None if there is none of that name.

        Raises:
            UsageError: the name cannot be a file's.
            BadFormFile: it is too large, not UTF-8, or cannot be read.
        """
        ...

    def path_of(self, kind: str, name: str) -> Path:
        """Where the file of that kind and name lies, whether or not it is there."""
        ...

    def keep(self, kind: str, name: str, text: str) -> tuple[Path, Path | None]:
        """Writes a file, and moves one of that name that says something else to a numbered name beside it.

        Returns:
            Where the file is, and where the earlier one is now; None if there was no other.

        Raises:
            UsageError: the name cannot be a file's.
            DestinationError: it cannot be written.
        """
        ...

    def keep_new(self, kind: str, name: str, text: str) -> Path:
        """Writes a file that is not there yet, and tells where it is.

        Raises:
            UsageError: the name cannot be a file's, or there is such a file.
            DestinationError: it cannot be written.
        """
        ...

    def put_away(self, kind: str, name: str) -> Path | None:
        """Moves a file to a numbered name beside it, so that it is in force no more, and tells where it is
        now; None if there is none of that name.

        Raises:
            UsageError: the name cannot be a file's.
            DestinationError: it cannot be moved.
        """
        ...
