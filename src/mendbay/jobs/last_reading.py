"""How the last reading of a bay's drive ended, as the case's story keeps it."""

from __future__ import annotations

from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.other_half import ASIDE

ENDING = "ending"
"""Fact of the event that sums up a reading: the name of an `Ending`, which outlives its words."""


def last_ending(bench: Bench, case: int, bay: str) -> Ending | None:
    """How the last reading of a bay ended; None if there was none since its image was last set aside."""
    for one in reversed(bench.ledger.events(case)):
        if one.facts.get("bay") != bay:
            continue
        if ASIDE in one.facts:
            return None
        if ENDING in one.facts:
            return next((known for known in Ending if known.name == one.facts[ENDING]), None)
    return None
