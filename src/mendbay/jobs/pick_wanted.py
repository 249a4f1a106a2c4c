"""What is wanted first, picked from a list of the files instead of written as patterns."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.core.errors import UsageError
from mendbay.files.wanted import MOST_PATTERNS
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in_form import tell, untell

QUESTION = "wanted"
"""The question of take-in that the wishes answer."""
TAKEN_BACK = "The last wish was taken back in the list of files."


def add_wishes(bench: Bench, number: int, patterns: Sequence[str]) -> tuple[str, ...]:
    """Puts patterns behind the wishes of a case; those that it has already stay where they are. A reading
    that is under way asks for them from then on.

    Returns:
        What was added.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: one cannot be kept, or they are too many.
    """
    with bench.ledger.together():
        before = bench.ledger.case(number).wanted
        new = tuple(one for one in dict.fromkeys(patterns) if one not in before)
        if len(before) + len(new) > MOST_PATTERNS:
            raise UsageError(
                f"That would be more than {MOST_PATTERNS} wishes.",
                "Wish for a folder instead of each file in it, or take some back.",
            )
        if new:
            _tell(bench, number, (*before, *new))
    return new


def drop_wish(bench: Bench, number: int, pattern: str) -> None:
    """Takes one wish of a case back.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is none of them.
    """
    with bench.ledger.together():
        before = bench.ledger.case(number).wanted
        if pattern not in before:
            raise UsageError(f"{pattern[:80]!r} is none of the wishes.", "Load the page again.")
        left = tuple(one for one in before if one != pattern)
        if left:
            _tell(bench, number, left)
        else:
            untell(bench, number, QUESTION, TAKEN_BACK)


def _tell(bench: Bench, number: int, wishes: Sequence[str]) -> None:
    """One answer with commas between; a comma within a wish stands as `?`, which is any letter."""
    tell(bench, number, QUESTION, ", ".join(one.replace(",", "?") for one in wishes))
