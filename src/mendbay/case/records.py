"""What a case is made of, as take-in, the ledger and every report share it.

All records are frozen. Times are texts as `core.clock.iso` writes them; an unknown text is empty and
an unknown number 0, never guessed. What a person typed is checked here, so that nothing stored can
break a later page, label or file name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite
from typing import NamedTuple

from mendbay.case.numbering import folder_name
from mendbay.core.errors import UsageError
from mendbay.core.texts import require_characters, require_day, require_moment, require_text

FORGOTTEN = "(forgotten)"
"""What stands where a text was that named a person, or could."""
FORGOTTEN_SLUG = "forgotten"

_BAY = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,31}")
_SHA256 = re.compile(r"[0-9a-f]{64}")

Fact = str | int | float | bool | None
Facts = Mapping[str, Fact | tuple[Fact, ...]]
"""What an event carries beside its words: single values, or rows of them."""


class CaseState(StrEnum):
    """Where a case stands as a whole."""

    OPEN = "open"
    WAITING = "waiting"
    """For the customer's word, or for a part."""
    HANDED_BACK = "handed back"
    """The files are copied out; whether anything went to the customer, this does not tell."""
    CLOSED = "closed"

    @property
    def words(self) -> str:
        """In words for a person: by it alone a case of which copies were made has nothing else to tell."""
        return "copied" if self is CaseState.HANDED_BACK else str(self)


class CaseKind(StrEnum):
    """What a case is about."""

    NOT_SAID = ""
    ENQUIRY = "picture enquiry"
    """Pictures alone came, with a question: which drive, which board, is there a donor, at what cost."""
    BOARD_REPAIR = "board repair"
    """A loose board came, to be mended."""
    BOARD_SWAP = "board swap"
    """A loose board came, to be replaced by another that takes over its unique data."""
    DRIVE = "drive"
    BOX = "two-bay box"


LOOSE_BOARD = (CaseKind.BOARD_REPAIR, CaseKind.BOARD_SWAP)
"""Kinds of case of which the board is all that came in."""
WITHOUT_DRIVE = (CaseKind.ENQUIRY, *LOOSE_BOARD)
"""Kinds of case of which neither a drive nor a box came in."""


@dataclass(frozen=True, slots=True)
class Intake:
    """What is known at take-in, before the ledger gives the case its number.

    `box` describes what came in; `wanted` are the path patterns of what the customer wants first, the
    most wanted first; `due_on` is the day by which the customer needs it, empty for none.

    Raises:
        UsageError: no customer, a text that is too long or holds characters that cannot be stored, or a line
            break in the customer's name or in what came in.
    """

    opened_at: str
    customer: str
    contact: str = ""
    box: str = ""
    wanted: tuple[str, ...] = ()
    notes: str = ""
    kind: CaseKind = CaseKind.NOT_SAID
    due_on: str = ""

    def __post_init__(self) -> None:
        require_moment(self.opened_at)
        if self.due_on:
            require_day(self.due_on)
        _require_customer(self.customer)
        require_characters(self.customer, "customer's name")  # both stand on one line of letters and lists
        require_characters(self.box, "description of what came in")
        for text in (self.contact, self.box, self.notes, *self.wanted):
            require_text(text)


@dataclass(frozen=True, slots=True)
class Case:
    """A case as the ledger keeps it. `slug` is fixed at opening: its folder never moves.

    Args:
        due_on: the day by which the customer needs it, empty for none.
        keep_until: the last day on which the shop keeps its copies, empty while none is agreed.

    Raises:
        UsageError: a customer without a name, or a text or day that cannot be kept.
        ValueError: a number or slug that makes no folder name.
    """

    number: int
    slug: str
    opened_at: str
    customer: str
    contact: str
    box: str
    wanted: tuple[str, ...]
    notes: str
    state: CaseState
    kind: CaseKind = CaseKind.NOT_SAID
    due_on: str = ""
    keep_until: str = ""

    def __post_init__(self) -> None:
        folder_name(self.number, self.slug)
        _require_customer(self.customer)
        for text in (self.contact, self.box, self.notes, *self.wanted):
            require_text(text)
        for day in (self.due_on, self.keep_until):
            if day:
                require_day(day)

    @property
    def folder(self) -> str:
        """The name of the case's folder below `cases/`: `NNNN-slug`."""
        return folder_name(self.number, self.slug)


class CaseLine(NamedTuple):
    """What lists of many cases are sorted and counted by; texts as in `Case`, whose parts they are."""

    number: int
    opened_at: str
    state: str
    kind: str
    due_on: str
    keep_until: str


@dataclass(frozen=True, slots=True)
class Bay:
    """One bay of the box and the drive that came in it.

    `bay` is its label on the box (`1`); model, serial and sizes are what the label or the drive said so
    far; `size_bytes` and `sector_bytes` are 0 until known. `condition` describes what was seen of it.

    Raises:
        UsageError: a label other than 1 to 32 letters, digits and hyphens (it becomes part of file
            names), a negative size, or an unusable text.
    """

    case: int
    bay: str
    model: str = ""
    serial: str = ""
    size_bytes: int = 0
    sector_bytes: int = 0
    physical_bytes: int = 0
    condition: str = ""

    def __post_init__(self) -> None:
        if not _BAY.fullmatch(self.bay):
            raise UsageError(
                f"{self.bay[:40]!r} cannot be a bay's label.",
                "Use up to 32 letters, digits and hyphens, as printed on the box: 1, 2, left.",
            )
        require_counts(self.size_bytes, self.sector_bytes, self.physical_bytes)
        for text in (self.model, self.serial, self.condition):
            require_text(text)


@dataclass(frozen=True, slots=True)
class Image:
    """An image of one bay's drive, with its figures at the last look.

    `path` is relative to the case's folder, with `/`. `adapter` names what stood between drive and
    machine. `finished_at` is empty while reading goes on. `unread_bytes` is less what was left to the other
    half of a mirror, which gave it; but for that the four byte counts add up to the drive.
    `sha256` is of the image file as written, holes included, and empty until taken: a drive with
    unread places has no digest of its own.

    Raises:
        UsageError: a path that leaves the case's folder, a negative count, not a SHA-256, or an
            unusable text.
    """

    case: int
    bay: str
    path: str
    adapter: str
    started_at: str
    finished_at: str = ""
    read_bytes: int = 0
    refused_bytes: int = 0
    waived_bytes: int = 0
    unread_bytes: int = 0
    sha256: str = ""

    def __post_init__(self) -> None:
        require_text(self.path)
        parts = self.path.split("/")
        if "\\" in self.path or any(part in ("", ".", "..") or len(part.encode()) > 255 for part in parts):
            raise UsageError(
                f"{self.path[:80]!r} is not a place inside the case's folder.",
                "Give the image's path relative to the case's folder.",
            )
        require_text(self.adapter)
        require_moment(self.started_at)
        if self.finished_at:
            require_moment(self.finished_at)
        require_counts(self.read_bytes, self.refused_bytes, self.waived_bytes, self.unread_bytes)
        if self.sha256 and not _SHA256.fullmatch(self.sha256):
            raise UsageError(
                f"{self.sha256[:80]!r} is not a SHA-256.", "Give 64 hexadecimal digits, or nothing."
            )


@dataclass(frozen=True, slots=True)
class Forgotten:
    """That a case was forgotten: what named a person is removed from the ledger for good.

    Args:
        at, who: when, and by whom at the bench.
        entries: how many entries its custody log had.
        head: the hash of the last, empty if there was none; with `entries` what a log that the customer holds
            can still be checked against.
    """

    case: int
    at: str
    who: str
    entries: int
    head: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a case, in the order it was noted; never changed afterwards.

    `kind` is a short word to filter by (`imaging`, `hand-back`), `text` the sentence for a person,
    `facts` the numbers behind it.

    Raises:
        UsageError: no kind, a fact that is not a plain value, or an unusable text.
    """

    at: str
    kind: str
    text: str
    facts: Facts = field(default_factory=dict)

    def __post_init__(self) -> None:
        require_moment(self.at)
        if not self.kind.strip():
            raise UsageError("The event has no kind.", "Give a short word for what happened.")
        for text in (self.kind, self.text, *self.facts):
            require_text(text)
        for value in self.facts.values():
            for one in value if isinstance(value, tuple) else (value,):
                _require_fact(one)


def _require_customer(customer: str) -> None:
    if not customer.strip():
        raise UsageError("The case has no customer.", "Give the customer's name.")
    require_text(customer)


def require_counts(*counts: int) -> None:
    """Refuses negative counts and such as a 64-bit column cannot hold.

    Raises:
        UsageError: one of them is out of range.
    """
    for count in counts:
        if not 0 <= count < 2**63:
            raise UsageError(
                f"{count} is not a number of bytes.", "Report this: a size was computed wrongly."
            )


def _require_fact(value: object) -> None:
    if isinstance(value, str):
        require_text(value)
    elif isinstance(value, float):
        if not isfinite(value):
            raise UsageError(f"The fact {value} is not a number.", "Leave out what is not known.")
    elif isinstance(value, int):
        if not -(2**63) <= value < 2**63:
            raise UsageError("A fact is a number beyond 64 bits.", "Give it as a text.")
    elif value is not None:
        raise UsageError(f"The fact {value!r:.80} is not a plain value.", "Use texts, numbers, yes or no.")
