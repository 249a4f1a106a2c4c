"""One read of a drive and its outcome, as the planner, the image's log and the reader share them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.span import Span


class Outcome(StrEnum):
    """How a read ended."""

    GIVEN = "given"
    """Every byte came."""
    REFUSED = "refused"
    """The drive said no; one bad sector is enough for the whole request."""
    HUNG = "hung"
    """No answer within the patience allowed; the read was abandoned and counts as refused."""
    VANISHED = "vanished"
    """The drive is not there any more: no such device, or an answer of no bytes."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """What came of one read.

    `data` holds `span.length` bytes if the outcome is `GIVEN` and is empty otherwise; it may be a view
    on memory that the reader uses again for its next but one read. `error` is the system's name for
    the refusal (`EIO`), empty if given. `seconds` is how long the drive took. `trouble` is the class of the
    error (a value of `imaging.trouble.Trouble`) where the reader knows it better than outcome and error say;
    empty otherwise. `celsius` is the drive's temperature at that time, None where nobody measured.
    """

    span: Span
    outcome: Outcome
    data: memoryview
    seconds: float
    error: str = ""
    trouble: str = ""
    celsius: float | None = None
