"""Who may have the data: whose it is, and what was seen to prove it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.texts import require_moment


class Whose(StrEnum):
    """Whose data it is that the customer asks for."""

    OWN = "own"
    EMPLOYER = "employer"
    OTHER = "other-person"
    ESTATE = "executor"
    UNCLEAR = "not-clear"


WORDS = {
    Whose.OWN: "it is the customer's own",
    Whose.EMPLOYER: "it is the employer's, who agrees in writing",
    Whose.OTHER: "it is another person's, who agrees in writing",
    Whose.ESTATE: "the customer is executor or guardian, with papers",
    Whose.UNCLEAR: "it is not clear whose it is",
}


@dataclass(frozen=True, slots=True)
class Authority:
    """What is on record of the customer's right to the data.

    Args:
        seen: whether the paper that says so was seen.
        document: where a copy of it lies in the case's folder, empty if none is kept.
        sha256: of that copy.
        at, who: when it was put down, and by whom.
    """

    whose: Whose
    seen: bool
    document: str
    sha256: str
    at: str
    who: str

    def __post_init__(self) -> None:
        require_moment(self.at)


def concern_about(authority: Authority | None) -> str:
    """What is still to be cleared before the data may be given to the customer, as a sentence; empty if
    nothing is. A customer's word that the data is their own is taken as it is; what somebody else must have
    agreed to wants a paper that was seen (common practice, no source)."""
    if authority is None:
        return "Nobody's right to this data is on record."
    if authority.whose is Whose.UNCLEAR:
        return "It is not clear whose data this is."
    if authority.whose is not Whose.OWN and not authority.seen:
        return "The paper that gives the customer a right to this data was not seen yet."
    return ""
