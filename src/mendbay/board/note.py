"""What the bench writes down about a board: one line in a book in which nothing is ever changed.

A later note of the same kind about the same subject stands in front of an earlier one; the earlier stays.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.description import require_line
from mendbay.core.errors import UsageError

BODY_LIMIT = 8 << 20
"""Characters of one note: the sightings of a crowded picture take some ten thousand."""

_MOMENT = re.compile(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z")


class NoteKind(StrEnum):
    """What a note is about; `subject` then names it."""

    PICTURE = "picture"
    """What was seen in a picture; the subject is its file name."""
    CORRECTION = "correction"
    """A person's word for what a picture shows; the subject is the kind of identifier."""
    MEASUREMENT = "measurement"
    """An entry of the electrical sheet; the subject is the step."""
    DUMP = "dump"
    """A read of a chip; the subject is its file's place."""
    PLAN = "plan"
    """A transfer that was planned; the subject is the plan's name."""
    CERTIFICATE = "certificate"
    """A transfer that was done and proven; the subject is the plan's name."""
    SWAP = "swap"
    """How a swap of a board or of heads went; the subject is the stock item's number."""
    ALTERNATIVE = "alternative"
    """Which value of an attribute can stand for which; the subject is the attribute."""
    LEARNED = "learned"
    """Known-good dumps that a board family was learned from; the subject is the family's name."""
    FAMILY = "family"
    """Whether the unique board data of a model family must move, and how that is known; the subject is the
    family."""
    CHANGE = "change"
    """What was put right by hand of a stock item, field by field; the subject is its number."""
    SIGN = "sign"
    """An answer of triage; the subject is the sign."""
    SUBJECT = "subject"
    """What triage is of: a box or a drive alone, and what its data is worth; the subject is `case`."""
    WITHDRAWAL = "withdrawal"
    """Something that was recorded by mistake and counts no longer; the subject names it."""


@dataclass(frozen=True, slots=True)
class BoardNote:
    """One note. `case` is 0 and `bay` empty where it belongs to the shop and not to one case.

    Args:
        case: number of the case.
        bay: label of the bay whose drive it is about.
        kind, subject: what it is about.
        at: when, UTC, as records carry it.
        who: who wrote it.
        body: a JSON document whose shape belongs to the kind.
        number: the ledger's number of it, 0 until it has one; numbers grow.

    Raises:
        UsageError: a text that cannot be kept.
    """

    case: int
    bay: str
    kind: NoteKind
    subject: str
    at: str
    who: str
    body: str
    number: int = 0

    def __post_init__(self) -> None:
        require_line(self.bay, "bay")
        require_line(self.subject, "subject")
        require_line(self.who, "name")
        if not _MOMENT.fullmatch(self.at):
            raise UsageError(f"{self.at[:40]!r} is not a time.", "Use UTC, like 2026-11-25T07:10:00Z.")
        if len(self.body) > BODY_LIMIT:
            raise UsageError(
                f"A note of {len(self.body)} characters is too long.", "Split what it holds over several."
            )
