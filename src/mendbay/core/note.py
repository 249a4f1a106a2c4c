"""What the bench writes down: one line in a book in which nothing is ever changed.

A later note of the same kind about the same subject stands in front of an earlier one; the earlier stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line, require_moment

BODY_LIMIT = 8 << 20
"""Characters of one note: the sightings of a crowded picture take some ten thousand."""


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
    TRIED = "tried"
    """A repair that was made, and what came of it; the subject is its step."""
    SUBJECT = "subject"
    """What triage is of: a box or a drive alone, and what its data is worth; the subject is `case`."""
    INTAKE = "intake"
    """An answer of take-in; the subject is the question."""
    CONSENT = "consent"
    """The customer's word on a risky step; the subject is the step's consent."""
    ITEM = "item"
    """A thing that came in, and where it is now; the subject is its number within the case."""
    HANDOVER = "hand-over"
    """Items that passed from one hand to another; the subject is the hand-over's number within the case."""
    QUOTE = "quote"
    """What the job may cost, or the customer's word on it; the subject is its number within the case."""
    PAYMENT = "payment"
    """Money that came in or went back; the subject is its number within the case."""
    WAITING = "waiting"
    """What a case waits for, or that it goes on; the subject is `case`."""
    IN_HAND = "in hand"
    """Who of the shop has a case in hand; the subject is `case`."""
    LETTER = "letter"
    """A paper or message made for the customer; the subject is its kind."""
    RECORDS = "records"
    """What a drive said of itself; the subject is `drive`."""
    OUTCOME = "outcome"
    """What was broken and how the case ended; the subject is `case`."""
    ERASURE = "erasure"
    """A plan to erase copies, or the proof that they are; the subject is the plan's name."""
    FORGETTING = "forgetting"
    """Why a case was forgotten; the subject is `case`."""
    PRACTICE = "practice"
    """What was read was simulated, so that the case teaches nothing; the subject is `drive` or `chip`."""
    SAVING = "saving"
    """That the whole shop was saved or put back; the subject says which."""
    WITHDRAWAL = "withdrawal"
    """Something that was recorded by mistake and counts no longer; the subject names it."""


@dataclass(frozen=True, slots=True)
class Note:
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
        require_moment(self.at)
        if len(self.body) > BODY_LIMIT:
            raise UsageError(
                f"A note of {len(self.body)} characters is too long.", "Split what it holds over several."
            )
