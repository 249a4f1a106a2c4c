"""A case that was not forgotten, or word of what is left of it."""

from __future__ import annotations

from mendbay.case.custody import Head
from mendbay.case.records import Case, Forgotten
from mendbay.core.errors import CaseForgotten
from mendbay.jobs.bench import Bench


def remembered(bench: Bench, number: int) -> Case:
    """The case, if it was not forgotten.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was; with the head of its custody log.
    """
    case = bench.ledger.case(number)
    gone = bench.ledger.forgotten(number)
    if gone is None:
        return case
    raise CaseForgotten(
        f"Case {number} was forgotten on {gone.at[:10]} by {gone.who}. {head_words(gone)}",
        "A log that the customer holds can be checked against that head: every entry names the hash of the "
        "one before it, and the last one's is that head."
        if gone.entries
        else "What was learned from it counts on; there is nothing else to see.",
    )


def head_words(gone: Forgotten) -> str:
    """What is left of the custody log of a forgotten case, as a sentence."""
    if not gone.entries:
        return "It had no custody log."
    return f"The head of its custody log was {Head(gone.entries, gone.head).text}"


def reopening(case: Case) -> str:
    """What opens a closed case again, as a next step."""
    return f"mendbay case reopen {case.number} --reason REASON opens it again."
