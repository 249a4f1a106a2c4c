"""A long job that a process of its own does, and what anyone who looks may know of it.

Wiring hands in what keeps it.

A *work* is one such job: an order that never changes, and a state that its process writes while it lives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol, TypeAlias

JSON: TypeAlias = "bool | int | float | str | Sequence[JSON] | Mapping[str, JSON] | None"


class WorkKind(StrEnum):
    """What is to be done."""

    READ_PAIR = "read-pair"
    READ_DRIVE = "read-drive"
    HAND_BACK = "hand-back"
    VERIFY_IMAGE = "verify-image"
    COMPARE_DRIVE = "compare-drive"
    ASK_DRIVE = "ask-drive"
    BLEND_IMAGES = "blend-images"
    READ_PICTURES = "read-pictures"
    READ_CHIP = "read-chip"
    WRITE_CHIP = "write-chip"
    CATALOGUE = "catalogue"
    EXPORT_CASE = "export-case"
    PLAN_ERASURE = "plan-erasure"
    ERASE_COPIES = "erase-copies"
    LEARN_FAMILY = "learn-family"
    READ_FILE = "read-file"
    CHECK_HAND_BACK = "check-hand-back"


DOING: Mapping[WorkKind, str] = {
    WorkKind.READ_PAIR: "Reading the drives together",
    WorkKind.READ_DRIVE: "Reading a drive",
    WorkKind.COMPARE_DRIVE: "Comparing a drive with its image",
    WorkKind.VERIFY_IMAGE: "Verifying an image",
    WorkKind.ASK_DRIVE: "Asking a drive about itself",
    WorkKind.BLEND_IMAGES: "Taking over from other images",
    WorkKind.HAND_BACK: "Handing back",
    WorkKind.READ_PICTURES: "Reading pictures",
    WorkKind.READ_CHIP: "Reading a chip",
    WorkKind.WRITE_CHIP: "Writing a chip",
    WorkKind.CATALOGUE: "Listing the files",
    WorkKind.EXPORT_CASE: "Exporting the case",
    WorkKind.PLAN_ERASURE: "Planning an erasure",
    WorkKind.ERASE_COPIES: "Erasing copies",
    WorkKind.LEARN_FAMILY: "Learning a ROM family",
    WorkKind.READ_FILE: "Reading a file",
    WorkKind.CHECK_HAND_BACK: "Checking a hand-back",
}
"""What a work does, in words, to begin a sentence with."""


OF_THE_SHOP = frozenset({WorkKind.LEARN_FAMILY})
"""Kinds that are of no case: their order says case 0."""


class Standing(StrEnum):
    """How a work stands."""

    BEGUN = "begun"
    """Ordered; its process has not said anything yet."""
    RUNS = "runs"
    RESTS = "rests"
    """Held by a person; the drives keep their power and are not read."""
    WAITS = "waits"
    """Waits for the answer to a question."""
    ENDED = "ended"


class Outcome(StrEnum):
    """How a work ended."""

    DONE = "done"
    INCOMPLETE = "incomplete"
    """Finished, but not everything could be had."""
    STOPPED = "stopped"
    FAILED = "failed"
    LOST = "lost"
    """Its process is gone without a word."""


class Ask(StrEnum):
    """What can be asked of a work."""

    STOP = "stop"
    REST = "rest"
    GO_ON = "go-on"
    ANSWER = "answer"
    POWER_CYCLE = "power-cycle"


@dataclass(frozen=True, slots=True)
class WorkOrder:
    """What is to be done, for whom and by whose wish.

    Args:
        id: as `Works.new_id` makes it.
        case: its number; 0 for what is of no case (`OF_THE_SHOP`).
        who: the person who ordered it; the custody log gets this name.
        at: UTC, as records carry it.
        options: as the command of the same name takes them; `docs/formats/works.md` lists them.
    """

    id: str
    kind: WorkKind
    case: int
    who: str
    at: str
    options: Mapping[str, JSON] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WorkRequest:
    """What a person asks of a work.

    Args:
        number: of the question that is answered; 0 for other requests.
        yes: the answer.
        bay: whose drive's power is to be cut and restored; empty for other requests.
    """

    ask: Ask
    number: int = 0
    yes: bool = False
    bay: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """What a work waits to be told: whether what `text` asks for was done.

    Args:
        number: counts up from 1 in each work; an answer names it.
        kind: `power-cycle`.
    """

    number: int
    kind: str
    bay: str
    text: str


@dataclass(frozen=True, slots=True)
class Trouble:
    """What ended a work, as every error says it."""

    kind: str
    what: str
    next_step: str
    exit_code: int


@dataclass(frozen=True, slots=True)
class WorkState:
    """What is known of a work.

    Args:
        started_at, updated_at, ended_at: UTC; empty while there is none.
        progress: by bay, the last `ReadingProgress`; its fields by name, `now` as `[start, stop]`.
        step: the last `StepProgress`, its fields by name; None before the first.
        said: the newest sentences, the oldest first.
        said_at: when each of them was said, UTC; empty where that was not kept.
        said_count: how many were said in all.
        advice: by bay, the newest advice: `go_on`, `text`, `at`, and what was read and lacking then.
        outcome: None until it ended.
        trouble: what ended it, for `failed`, `stopped` and `lost`.
        result: what came of it, by the shape of the command that does the same; None where there is none.
        result_words: the same in sentences.
        damage: why the state cannot be read, as a sentence; empty where it can.
    """

    standing: Standing = Standing.BEGUN
    started_at: str = ""
    updated_at: str = ""
    ended_at: str = ""
    progress: Mapping[str, Mapping[str, JSON]] = field(default_factory=dict)
    step: Mapping[str, JSON] | None = None
    said: tuple[str, ...] = ()
    said_at: tuple[str, ...] = ()
    said_count: int = 0
    advice: Mapping[str, Mapping[str, JSON]] = field(default_factory=dict)
    question: Question | None = None
    outcome: Outcome | None = None
    trouble: Trouble | None = None
    result: JSON = None
    result_words: tuple[str, ...] = ()
    damage: str = ""

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come of it."""
        return self.standing is Standing.ENDED


class Works(Protocol):
    """The works of a shop, as anyone sees them who looks."""

    def new_id(self) -> str:
        """A name for a new work: date and time in UTC and a part by chance, so that names sort by time; a new
        one behind all there are, also where the clock was set back."""
        ...

    def begin(self, order: WorkOrder) -> None:
        """Places an order. It counts as alive from now on: as long as the one who placed it holds it, then as
        long as the process lives that it was handed over to.

        Raises:
            ImageBusy: another living work has one of its bays or its clip, or does the very same; or it has
                a bay or a clip while a work lives whose order cannot be read.
            UsageError: its name or its options cannot be; or a work of that name is there.
            DestinationError: it cannot be written.
        """
        ...

    def order(self, work: str) -> WorkOrder:
        """One order.

        Raises:
            UsageError: there is no such work.
            LedgerError: what is kept of it is damaged.
        """
        ...

    def orders(self, case: int | None = None) -> tuple[WorkOrder, ...]:
        """All orders, or those of a case, the newest first; without damaged ones, which `damaged` tells."""
        ...

    def damaged(self) -> tuple[str, ...]:
        """The works of which not even the order can be read."""
        ...

    def newest(self, case: int) -> WorkOrder | None:
        """The newest order of a case."""
        ...

    def state(self, work: str) -> WorkState:
        """How a work stands. What is damaged is told in `damage`, never raised.

        Raises:
            UsageError: there is no such work.
        """
        ...

    def told(self, work: str) -> tuple[str, ...]:
        """All that a work said, the oldest first, as far as it can be read.

        Raises:
            UsageError: there is no such work.
        """
        ...

    def ask(self, work: str, request: WorkRequest) -> None:
        """Asks something of a work; it sees it within a second or two.

        Raises:
            UsageError: there is no such work, it has ended, or too much was asked that it has not looked at.
            DestinationError: it cannot be written.
        """
        ...

    def is_alive(self, work: str) -> bool:
        """Whether its process lives.

        Raises:
            UsageError: that cannot be the name of a work.
        """
        ...

    def revision(self) -> str:
        """A word that is another one whenever a state has changed, a work came or went, or a process died."""
        ...

    def tidy(self, keep: int) -> int:
        """Removes all works that ended but the newest `keep`.

        Returns:
            How many were removed.
        """
        ...

    def forget(self, case: int) -> int:
        """Removes all works of a case, and those that ended and cannot be read: they hold names.

        Returns:
            How many were removed.

        Raises:
            DestinationError: one is under way, also one whose order cannot be read; or one cannot be removed.
        """
        ...


class Desk(Protocol):
    """The place of the process that does a work: its order, what is asked of it, and where it writes."""

    @property
    def order(self) -> WorkOrder:
        """What is to be done."""
        ...

    def requests(self) -> Sequence[WorkRequest]:
        """What was asked since the last call, in the order it was asked; damaged requests are dropped."""
        ...

    def write(self, state: WorkState) -> bool:
        """Replaces the state, whole.

        Returns:
            Whether that could be done: a full disk must not end a reading.
        """
        ...

    def say(self, at: str, text: str) -> None:
        """Adds a sentence to all that was said, if that can be done."""
        ...
