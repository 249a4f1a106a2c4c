"""By when a customer is asked to answer a quote, so that time is left for the work."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta

WAYS = 2
"""Into so many parts the days from a quote to the day on which the job is needed are split: one for the
answer, the rest for the work (own choice, as nobody knows how long work takes before it is begun)."""


def answer_by(made_on: str, valid_until: str, due_on: str) -> str:
    """The day by which an answer is asked for: the last on which the quote is valid, or the middle of the
    time to the day on which the job is needed, whichever is first; never before the quote was made.

    Args:
        made_on, valid_until: of the quote, as `2026-12-24`.
        due_on: the day by which the customer needs it, empty for none; one that was past when the quote was
            made counts for nothing.
    """
    if not due_on or due_on < made_on:
        return valid_until
    made = date.fromisoformat(made_on)
    half = (date.fromisoformat(due_on) - made).days // WAYS
    return min(valid_until, (made + timedelta(half)).isoformat())


def answer_words(made_on: str, valid_until: str, due_on: str) -> str:
    """That and why an answer is asked for before the quote runs out, as a sentence; empty if it is not."""
    asked = answer_by(made_on, valid_until, due_on)
    if asked == valid_until:
        return ""
    return (  # `asked_on_paper` finds the day in it
        f"It is needed by {due_on}: we ask for the answer by {asked}, so that time is left for the work. "
        f"The prices are valid until {valid_until} all the same."
    )


_ASKED = re.compile(r"we ask for the answer by ([0-9]{4}-[0-9]{2}-[0-9]{2}),")


def asked_on_paper(remarks: Iterable[str], valid_until: str) -> str:
    """The day by which a quote asks for an answer, as its paper has it: that of the sentence `answer_words`
    put among its remarks, else the last on which it is valid. The day by which the job is needed may have
    been changed since; what the customer holds was not.
    """
    found = (_ASKED.search(one) for one in remarks)
    return next((one[1] for one in found if one), valid_until)


def differs_words(asked: str, made_on: str, valid_until: str, due_on: str) -> str:
    """How the day that a paper asks by differs from the one that would be asked by now; empty if it does not.

    Args:
        asked: by the paper; the others as of `answer_by`.
    """
    now = answer_by(made_on, valid_until, due_on)
    if now == asked:
        return ""
    why = f"needed by {due_on} now" if due_on else "no day is set any more by which it is needed"
    return f"as its paper says; {why}: a quote made so would ask by {now}"
