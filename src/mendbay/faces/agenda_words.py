"""Whose turn a case is and what a step of it is worth, in the words of the bench, for every face."""

from __future__ import annotations

from mendbay.case.agenda import Chore, Wait, days_since
from mendbay.core.quantity import chance_text, count_text, counted
from mendbay.jobs.waiting import WORDS


def figures_words(chore: Chore) -> str:
    """What a minute spent on it is worth, and why."""
    helps = (
        f"saves {amount_words(chore.value)} on average"
        if chore.chance is None
        else f"{chance_text(chore.chance)} it helps, by {amount_words(chore.value)}"
    )
    return f"worth {amount_words(chore.worth)} a minute: {helps}, {chore.minutes:.0f} min"


def amount_words(value: float) -> str:
    """Of the currency of the tables, whole where that says enough."""
    return f"{value:.1f}" if value < 10 else count_text(round(value))


def wait_words(one: Wait, day: str) -> str:
    """For whom and what a case waits, and how long it has.

    Args:
        day: today.
    """
    days = days_since(one.since, day)
    since = "today" if days <= 0 else counted(days, "day")
    until = f", expected by {one.until}" if one.until else ""
    return f"for {WORDS[one.who]}: {one.what}; since {one.since[:10]} ({since}){until}"
