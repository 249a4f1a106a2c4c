"""What the jobs need to look at copies and to erase them. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from mendbay.case.records import Case
from mendbay.handback.bag import BagCheck
from mendbay.handback.erasure import PlannedFile, PlannedRoot
from mendbay.handback.erasure_certificate import Done
from mendbay.handback.erasure_check import ClearedPlan, Seen
from mendbay.handback.erasure_limits import Medium
from mendbay.jobs.events import Tell

Beat = Callable[[int], None]
"""Called with the offset of each piece of a file before it is read; what it raises ends the reading."""


def quiet(offset: int) -> None:
    """Tells nobody and never ends the reading."""


class BagTold(Protocol):
    """A hand-back folder that was checked."""

    @property
    def check(self) -> BagCheck: ...

    @property
    def case(self) -> str:
        """Number of the case as its own report says, empty if it does not."""
        ...

    @property
    def manifest_sha256(self) -> str: ...


class Copies(Protocol):
    """The copies that the shop holds, looked at without changing anything."""

    @property
    def shop_device(self) -> int:
        """The file system that holds the cases.

        Raises:
            DestinationError: there is no such folder.
        """
        ...

    def root(self, case: Case, root: str) -> PlannedRoot | None:
        """The case's own folder (`root` empty) or a hand-back folder; None if there is none."""
        ...

    def walk(self, case: Case, root: str, sources: Iterable[str] | None = None) -> Iterator[Seen]:
        """Everything in a folder that is not itself a folder, without digests, rising by path.

        Args:
            sources: what drives of any case were read from, as runs name them; None: neither they nor who
                uses the files is looked for.

        Raises:
            DestinationError: the folder cannot be read.
        """
        ...

    def look(
        self, case: Case, places: Iterable[tuple[str, str]], sources: Iterable[str] = ()
    ) -> Mapping[tuple[str, str], Seen]:
        """The same of single places; what is not there is left out."""
        ...

    def digest(self, case: Case, seen: Seen, beat: Beat = quiet) -> str:
        """The digest of a file as a plan keeps it.

        Raises:
            DestinationError: it cannot be read, or is not the file that was seen.
        """
        ...

    def media(self, case: Case, roots: Sequence[str]) -> tuple[Medium, ...]:
        """What the folders lie on."""
        ...

    def case_of_bag(self, folder: Path) -> str:
        """Number of the case as the hand-back's own report says, empty if it does not; nothing is checked."""
        ...

    def check_bag(self, folder: Path, tell: Tell) -> BagTold:
        """A hand-back folder, checked down to the last digest.

        Raises:
            DestinationError: it cannot be opened.
        """
        ...


class Erasing(Protocol):
    """The erasure of one plan under way, with its journal open and locked."""

    def begun(self) -> frozenset[int]:
        """Numbers of the planned files on which it was begun, in this run or an earlier one."""
        ...

    def account(self) -> Done:
        """What was erased so far; everything else counts as left. Nothing is touched."""
        ...

    def erase(self, cleared: ClearedPlan, tell: Tell, stop: Callable[[], bool]) -> Done:
        """Erases every file that is not done yet, each after its identity was checked once more.

        A file that cannot be erased is left and told; the others go on.

        Raises:
            ErasureRefused: the plan was not cleared.
            DestinationError: the journal cannot be kept; nothing more is touched then.
            Interrupted: stopped by hand; the same call goes on.
        """
        ...


class Eraser(Protocol):
    """What erases copies by a plan."""

    def open(
        self, case: Case, plan_sha256: str, files: Sequence[PlannedFile]
    ) -> AbstractContextManager[Erasing]:
        """The erasure of a plan, begun or gone on with.

        Raises:
            DestinationError: it is under way in another window, or its journal cannot be kept or read.
        """
        ...

    def drop_catalogue(self, case: Case) -> None:
        """Removes the catalogue of the case's files, overwritten first, since it holds their names. It is no
        copy, can be made again from the images, and is in no plan.

        Raises:
            DestinationError: it cannot be removed.
        """
        ...

    def forget_plan(self, case: Case, path: str) -> bool:
        """Erases the file of a plan that is done, since it holds the names of the customer's files.

        Returns:
            Whether it is gone now.
        """
        ...
