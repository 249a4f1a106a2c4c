"""What saving the whole shop needs of the ledger, of the home and of the place of a copy."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from mendbay.core.errors import CustodyBroken
from mendbay.handback.bag import BagFault

Beat = Callable[[str, int], None]
"""Told of which file how many bytes more are copied or hashed; what it raises goes through."""


@dataclass(frozen=True, slots=True)
class LedgerLook:
    """What a copy of the ledger holds.

    Args:
        mark: stands for all that was noted in it (`Ledger.mark`).
        broken: the first custody log in it that does not verify; None if all do.
        images: where the images lie that it names, below the folder of the cases.
        erased: numbers of cases of which copies were erased, or that were forgotten.
    """

    mark: str
    broken: CustodyBroken | None
    images: frozenset[str]
    erased: frozenset[int]


class LedgerCopies(Protocol):
    """Copies of the shop's ledger, made while others write."""

    def copy_to(self, path: Path) -> None:
        """Writes the ledger as it is at one moment into a new file.

        Raises:
            LedgerError: it cannot be read, or the copy not written.
        """
        ...

    def went_through(self, mark: str) -> bool:
        """Whether the ledger was once as a mark says."""
        ...

    def look(self, path: Path) -> LedgerLook:
        """A copy, after the whole of it was judged.

        Raises:
            LedgerError: it is damaged.
        """
        ...


@dataclass(frozen=True, slots=True)
class CopyFacts:
    """What a finished copy says of itself.

    Args:
        made_at: when, UTC.
        who: the person who had it made.
        tool: the program that made it.
        mark: of its ledger.
        with_images: whether the images of drives are in it.
        remarks: what it has not or not as it should, as sentences.
    """

    made_at: str
    who: str
    tool: str
    mark: str
    with_images: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Amount:
    """Files and their bytes."""

    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Kept:
    """What came of a save.

    Args:
        whole: all that is in the copy.
        copied: what was copied for it; the rest was there already.
        removed: files that were in the copy before and are no more in the home.
    """

    whole: Amount
    copied: Amount
    removed: int


@dataclass(frozen=True, slots=True)
class RoundTaken:
    """One look through the home.

    Args:
        vanished: files that were there at its begin and not when they were to be copied, or not at its end.
        odd: what is no plain file, and stays where it is.
        restless: files that changed whenever they were copied; of images, pieces of which are not as claimed.
    """

    vanished: tuple[str, ...]
    odd: tuple[str, ...]
    restless: tuple[str, ...]


class Saving(ABC):
    """One save under way: what was there before stays whole until `finish`."""

    @property
    @abstractmethod
    def before(self) -> CopyFacts | None:
        """What the copy that is there says of itself; None while there is none."""

    @property
    @abstractmethod
    def is_same_disk(self) -> bool:
        """Whether the copy lies on the file system of the home."""

    @property
    @abstractmethod
    def ledger_place(self) -> Path:
        """Where the ledger's copy is written; nothing is there when this is asked."""

    @abstractmethod
    def require_room(self, with_images: bool) -> int:
        """How many bytes are to be copied or looked at, about.

        Raises:
            NoRoom: what is to be copied is more than what is free.
        """

    @abstractmethod
    def take(self, with_images: bool, beat: Beat) -> RoundTaken:
        """Copies every file of the home that is new or changed: of an image first the log, then the bytes.

        Raises:
            NoRoom, DestinationError: a file cannot be read or written.
        """

    @abstractmethod
    def missing(self) -> Sequence[str]:
        """What the copy that is there has and the one that is being made has not."""

    @abstractmethod
    def holds(self, path: str) -> bool:
        """Whether the copy that is being made has a file."""

    @abstractmethod
    def finish(self, facts: CopyFacts) -> Kept:
        """Puts what was copied in its place, durably, and last of all what declares the copy whole.

        Raises:
            NoRoom, DestinationError: it cannot be written; the same save goes on.
        """


@dataclass(frozen=True, slots=True)
class CopyCheck:
    """What a look at a copy found.

    Args:
        facts: what it says of itself; None if that cannot be read.
        whole: what lies in it.
        faults: what is lacking or differs.
        is_begun: whether a save into it was begun and did not end.
    """

    facts: CopyFacts | None
    whole: Amount
    faults: tuple[BagFault, ...]
    is_begun: bool


@dataclass(frozen=True, slots=True)
class PutBack:
    """A copy that was put back.

    Args:
        facts: what it says of itself.
        whole: what was put back.
        home: where it is now.
        aside: where the home is that was there; None if there was none.
    """

    facts: CopyFacts
    whole: Amount
    home: Path
    aside: Path | None


class SavedCopies(Protocol):
    """The folder of a saved copy."""

    @property
    def folder(self) -> Path: ...

    def saving(self) -> AbstractContextManager[Saving]:
        """A save into it, which nobody else can begin meanwhile.

        Raises:
            DestinationError: it cannot be a copy's place: not empty and no copy, in the home or around it,
                in use by another save, or not to be written.
        """
        ...

    def check(self, beat: Beat) -> CopyCheck:
        """Reads all of it and holds it against its sums, and its ledger against itself.

        Raises:
            DestinationError: it cannot be opened.
        """
        ...

    def put_back(self, beat: Beat, set_aside: bool) -> PutBack:
        """Copies it, held against its sums on the way, to where the home is not.

        Args:
            set_aside: whether a home that is there is renamed; else it is refused.

        Raises:
            DestinationError: a home is there, or is in use; the place cannot be written.
            BagInvalid: the copy is not whole; nothing was put in place.
            LedgerError: its ledger is damaged; nothing was put in place.
            NoRoom: there is no room; nothing was put in place.
        """
        ...
