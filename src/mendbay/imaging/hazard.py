"""How likely a drive is to be lost by going on, by the hour and by the refusal, in three conditions."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Condition(StrEnum):
    """What a technician sees of a drive that is to be read."""

    HEALTHY = "healthy"
    REFUSES = "refuses"
    CLICKS = "clicks"

    @property
    def bears_questions(self) -> bool:
        """Whether such a drive may be asked about itself while it is read. The answers lie on its platters in
        part, so to one that clicks each question is a try more (common practice, no source)."""
        return self is not Condition.CLICKS


@dataclass(frozen=True, slots=True)
class Hazard:
    """Risk of losing the drive; both act together, each without memory.

    Attributes:
        meaning: when to choose it, in words.
        per_hour: share of such drives lost in one powered hour.
        per_refusal: share lost by one read that the drive refuses, besides the time it takes.
        source: where the figures come from.
    """

    meaning: str
    per_hour: float
    per_refusal: float
    source: str

    @property
    def refusal_wear_seconds(self) -> float:
        """How much powered time one refusal costs the drive in life."""
        return self.per_refusal / (self.per_hour / 3600)


HAZARDS = {
    Condition.HEALTHY: Hazard(
        meaning="It reads as it should, and nothing in its own records speaks against it.",
        per_hour=2e-6,
        per_refusal=2e-6 / 3600 * 5,
        source="per hour: a failure rate of 1.7 % a year (mean time to failure 510 902 h); that a "
        "refusal costs as much as 5 s of power: own choice, no source",
    ),
    Condition.REFUSES: Hazard(
        meaning="It refuses reads, or its own records show sectors it gave up.",
        per_hour=0.02,
        per_refusal=0.02 / 3600 * 5,
        source="own choice, no source: one such drive in fifty is lost within an hour; a refusal "
        "costs as much as 5 s of power",
    ),
    Condition.CLICKS: Hazard(
        meaning="It clicks, scrapes, starts again by itself or vanishes: heads or platters may be failing.",
        per_hour=0.2,
        per_refusal=0.2 / 3600 * 20,
        source="own choice, no source: one such drive in five is lost within an hour; the heads' "
        "search after a refusal costs as much as 20 s of power",
    ),
}
"""The order of reads hardly changes when the wear of a refusal is wrong by a factor of ten (own simulation);
the advice to stop does."""
