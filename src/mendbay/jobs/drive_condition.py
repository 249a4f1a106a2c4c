"""What the drive of a bay is like to read: as was said, as it was read last, or as triage sees it."""

from __future__ import annotations

from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.triage_case import kept_without_power

CONDITION = "drive_condition"
"""Fact of an event: what a person said the drive of a bay is like."""
WORDS = {
    Condition.HEALTHY: "a healthy one",
    Condition.REFUSES: "one that refuses reads",
    Condition.CLICKS: "one that clicks",
}


def condition_of(bench: Bench, case: int, bay: str, said: Condition | None = None) -> Condition | None:
    """What the drive of a bay, about to be read, is like; None if nobody and nothing tells.

    What a person says now is kept for the next reading. Where nobody says anything, the last word counts;
    where nobody ever did, one that triage keeps without power counts as one that clicks. Which of both it
    was is told.

    Args:
        said: by a person, now.
    """
    last = said_condition(bench, case, bay)
    if said is not None:
        if said is not last:
            text = f"The drive of bay {bay} is read as {WORDS[said]}, as was said."
            bench.note(case, "imaging", text, {"bay": bay, CONDITION: str(said)})
        return said
    if last is not None:
        _tell(bench, bay, last, "as was said of it before")
        return last
    if kept_without_power(bench, case, bay) is not None:
        _tell(bench, bay, Condition.CLICKS, "because triage keeps it without power")
        return Condition.CLICKS
    return None


def said_condition(bench: Bench, case: int, bay: str) -> Condition | None:
    """What a person last said the drive of a bay is like; None if nobody did."""
    for one in reversed(bench.ledger.events(case)):
        if CONDITION in one.facts and one.facts.get("bay") == bay:
            word = one.facts[CONDITION]
            return next((known for known in Condition if known == word), None)
    return None


def _tell(bench: Bench, bay: str, condition: Condition, why: str) -> None:
    bench.tell(
        Said(
            f"The drive in bay {bay} is read as {WORDS[condition]}, {why}. If it is otherwise, say so at the "
            "next reading with --condition."
        )
    )
