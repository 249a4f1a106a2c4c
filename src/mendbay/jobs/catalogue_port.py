"""What the jobs need to keep a case's catalogue of files. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from mendbay.case.records import Case
from mendbay.files.catalogue import Catalogue
from mendbay.files.catalogue_rows import Columns

FOLDER = "catalogue"
"""The folder of the catalogues in a case's folder."""


@dataclass(frozen=True, slots=True)
class CatalogueFacts:
    """What a catalogue was made of and what was told beside its rows.

    Args:
        made_at: when, UTC ISO 8601.
        volume: what the file system is: `kind`, `label` and `uuid` as it says.
        read_bytes: how much of each bay's drive had been read: of which reading it is.
        events: how many events the case's story had.
        verdicts: how many files of each verdict, by its word.
        entries: how many entries, gathered folders left out.
        hidden: sentences on what may hide further files.
        unread: by bay, how many bytes had never been asked for.
        uncompared_bytes: given by both halves of a mirror and not compared; 0 if most were.
        explanation: how the volume was put together, in sentences.
        remarks: what the file system says of itself that is worth telling.
    """

    made_at: str
    volume: Mapping[str, str] = field(default_factory=dict)
    read_bytes: Mapping[str, int] = field(default_factory=dict)
    events: int = 0
    verdicts: Mapping[str, int] = field(default_factory=dict)
    entries: int = 0
    hidden: tuple[str, ...] = ()
    unread: Mapping[str, int] = field(default_factory=dict)
    uncompared_bytes: int = 0
    explanation: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptCatalogue:
    """A catalogue that was kept, open to be asked.

    Args:
        generation: another one for every catalogue that was made of the case; a row's number means the same
            entry within one generation only.
    """

    generation: str
    facts: CatalogueFacts
    catalogue: Catalogue


class DamagedCatalogue(Exception):
    """What was kept cannot be used; nothing is lost by it, since it can be made again.

    Args:
        why: in words.
    """

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(why)


class Catalogues(Protocol):
    """The catalogues of cases. Each may be thrown away at any time."""

    def keep(self, case: Case, columns: Columns, facts: CatalogueFacts) -> str:
        """Keeps a catalogue in place of the case's earlier one, durably and in one step; returns its
        generation.

        Raises:
            CaseForgotten: the case was forgotten, before or meanwhile; nothing is kept.
            DestinationError: it cannot be written, or the case has no folder.
            NoRoom: there is no room for it.
        """
        ...

    def generation(self, case: Case) -> str:
        """The generation that would be opened, without opening it; empty if there is none."""
        ...

    def open(self, case: Case) -> KeptCatalogue | None:
        """The newest catalogue of a case, checked; None if there is none. What was opened stays usable when a
        newer one is kept.

        Raises:
            DamagedCatalogue: there is one, but it is damaged or of another version: make it again.
        """
        ...

    def drop(self, case: Case) -> None:
        """Removes every catalogue of a case, overwritten first: it holds the names of the customer's files.
        Nothing happens if there is none.

        Raises:
            DestinationError: it cannot be removed.
        """
        ...
