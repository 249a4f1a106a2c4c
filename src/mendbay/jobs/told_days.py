"""Until which day a customer was told, in writing, that the shop keeps its copies."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.case.records import Case, Facts
from mendbay.core.errors import UsageError
from mendbay.handback.keeping import is_over
from mendbay.jobs.bench import Bench
from mendbay.jobs.nameless import require_nameless

TOLD_UNTIL = "told_until"
"""Fact of the event that tells of a paper: the last day of keeping that stands in it."""
PAPERS = {"hand-back": "report of the hand-back", "receipt": "receipt"}
"""What papers are called, by the kind of their event; every other is a letter or message."""


@dataclass(frozen=True, slots=True)
class ToldDay:
    """The last day of keeping that the newest paper with such a day names.

    Args:
        paper: what it is; `on`: the day on which it was made.
    """

    day: str
    paper: str
    on: str

    @property
    def words(self) -> str:
        """What the customer was told, as a sentence without its end."""
        return f"The {self.paper} of {self.on} tells the customer that copies are kept until {self.day}"


def day_in_paper(day: object) -> Facts:
    """The fact of a paper in which a last day of keeping stands; none if it names no day."""
    return {TOLD_UNTIL: day} if isinstance(day, str) and day else {}


def told_day(bench: Bench, number: int) -> ToldDay | None:
    """What the customer was told last; None if no paper on record names a day."""
    for one in reversed(bench.ledger.events(number)):
        day = one.facts.get(TOLD_UNTIL)
        if isinstance(day, str) and day:
            return ToldDay(day, PAPERS.get(one.kind, "letter or message"), one.at[:10])
    return None


def told_words(bench: Bench, case: Case) -> str:
    """What the customer was told of keeping, while that day is not over, and that they are to be told if
    another is put down now; empty if they were told nothing that still holds."""
    told = told_day(bench, case.number)
    if told is None or is_over(told.day, bench.now()[:10]):
        return ""
    if not case.keep_until or case.keep_until == told.day:
        return f"{told.words}."
    return f"{told.words}; now it is {case.keep_until}. Tell them: a new letter names that day."


def require_not_before_told(bench: Bench, case: Case, until: str, although: str) -> str:
    """Refuses a last day of keeping before the one that the customer was told, unless somebody says why.

    Args:
        although: why; it is kept and travels, so it names nobody.

    Returns:
        What custody is to tell of it; empty if it is no earlier day.

    Raises:
        UsageError: it is earlier and nobody says why, or the reason names the customer.
    """
    told = told_day(bench, case.number)
    if told is None or until >= told.day or is_over(told.day, bench.now()[:10]) or until == case.keep_until:
        return ""
    if not although.strip():
        raise UsageError(
            f"{told.words}, so they cannot be put down for {until} without a word.",
            "Name that day or a later one, or give --although-told REASON, which custody keeps; then tell "
            "the customer.",
        )
    require_nameless(case, although)
    return f"the customer was told {told.day}: {although.strip()}"
