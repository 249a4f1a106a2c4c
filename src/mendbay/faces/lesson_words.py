"""What the shop's own cases teach, in the words of the bench, for every face."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mendbay.core.quantity import counted

if TYPE_CHECKING:
    from mendbay.case.lessons import Spread
    from mendbay.jobs.know_family import KnownFamily
    from mendbay.jobs.learn_triage import TableNumbers
    from mendbay.jobs.lessons import Lessons

COUNTED_OF = (
    "Days are counted of cases that ended handed back or repaired; hours, and what was given, of each image "
    "that was read."
)
WHAT_IS_GOOD = (
    "Good is a case whose customer has all or most of the data, or, where none was asked for, one that was "
    "repaired or handed back; of swaps, one that worked."
)
SHARES_COUNTED = (
    "Counted are shares of cases, not whole ones: what is not sure counts half, faults found together by the "
    "chance of each, and cases that are met rarely more, at most 3 times. The tables of lessons count whole "
    "cases."
)


def rests_on(told: Lessons) -> str:
    """How many cases and swaps it is from, and how its shares and intervals are to be read."""
    since = f", since {told.since}" if told.since else ""
    practice = practice_left_out(told)
    return (
        f"From {counted(told.cases, 'case')} with an outcome and "
        f"{counted(told.swaps, 'swap')}{since}. The true share likely lies in the range given: "
        f"9 such ranges in 10 hold it. {WHAT_IS_GOOD} These are the cases as they came in, not a trial."
        f"{f' {practice}' if practice else ''}"
    )


def practice_left_out(told: Lessons) -> str:
    """Which cases are left out as they were for practice, a sentence; empty if there is none."""
    from mendbay.jobs.practice import practice_words

    return practice_words(told.practice)


def spread_row(one: Spread) -> tuple[str, str, str, str]:
    """How many, the middle value, from least to most, and what of which family."""
    from mendbay.jobs.lessons import number_text

    return (
        str(one.counted),
        number_text(one.median, one.unit),
        f"{number_text(one.least, one.unit)} to {number_text(one.most, one.unit)}",
        f"{one.measure}, {one.family}",
    )


def tables_rest_on(told: TableNumbers) -> str:
    """What the numbers of triage rest on."""
    return f"These rest on our tables and {counted(told.rests_on, 'closed case')}."


def family_words(one: KnownFamily) -> str:
    """What is noted of the ROM of a model family."""
    return f"{one.note.family}: {one.note.need}; it sits: {one.note.seat}"
