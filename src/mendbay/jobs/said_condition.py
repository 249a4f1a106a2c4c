"""What a person last said the drive of a bay is like to read, as the case's story keeps it."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.case.records import Event
from mendbay.imaging.hazard import Condition

CONDITION = "drive_condition"
"""Fact of an event: what a person said the drive of a bay is like."""


def condition_in(events: Sequence[Event], bay: str) -> tuple[Condition, str] | None:
    """What a person last said the drive of a bay is like, and when; None if nobody did, or it is a word that
    is not known."""
    for one in reversed(events):
        if CONDITION in one.facts and one.facts.get("bay") == bay:
            word = one.facts[CONDITION]
            return next(((known, one.at) for known in Condition if known == word), None)
    return None
