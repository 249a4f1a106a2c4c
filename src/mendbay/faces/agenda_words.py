"""Whose turn a case is and what a step of it is worth, in the words of the bench, for every face."""

from __future__ import annotations

import math

from mendbay.case.agenda import TAKE_IN, Chore, Wait, days_since
from mendbay.core.quantity import chance_text, count_text, counted
from mendbay.jobs.waiting import WORDS

HEADS = {-1: "At once", 0: "Late", 1: "Due today", 2: "Next, by what your time is worth"}
"""What stands above the steps of a day, by `Entry.place`."""


def figures_words(chore: Chore, currency: str) -> str:
    """What it is expected to save, and how long it takes: `its answer saves about 23 EUR against going on
    without it; takes 4 min`, as the list of triage tells it; what is no test is held against handing the job
    on at once. What orders the steps, worth by the minute, is not told: nobody works an hour at a question of
    four minutes. Empty for take-in, of which no figure is reckoned.

    Args:
        currency: the shop's, in which the tables reckon; its ISO 4217 code.
    """
    if chore.id == TAKE_IN:
        return ""
    value = amount_words(chore.value, currency)
    if chore.is_test:
        return f"its answer saves {value} against going on without it; takes {chore.minutes:.0f} min"
    helps = (
        f"saves {value} on average, against handing the job on at once"
        if chore.chance is None
        else f"helps with a chance of {chance_text(chore.chance)}, and is then worth {value}"
    )
    return f"{helps}; takes {chore.minutes:.0f} min"


def amount_words(value: float, currency: str) -> str:
    """An amount that is reckoned from odds: two digits that count, as no more of it is known."""
    if value < 0.1:
        return f"under 0.1 {currency}"
    if value < 10:
        return f"about {value:.1f} {currency}"
    step = 10 ** max(0, math.floor(math.log10(value)) - 1)
    return f"about {count_text(round(value / step) * step)} {currency}"


def wait_words(one: Wait, day: str) -> str:
    """For whom and what a case waits, and how long it has.

    Args:
        day: today.
    """
    days = days_since(one.since, day)
    since = "today" if days <= 0 else counted(days, "day")
    until = f", expected by {one.until}" if one.until else ""
    until += f", {one.differs}" if one.differs else ""
    return f"for {WORDS[one.who]}: {one.what}; since {one.since[:10]} ({since}){until}"
