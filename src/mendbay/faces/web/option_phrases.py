"""Sentences of jobs that name options of the command line, as they are said to somebody who has a form.

These read badly where each option alone is called as its field is (`option_words`).
"""

from __future__ import annotations

import re

WORDS = (
    (r"Leave --although-no-hand-back out", "Leave that reason out"),
    (r"--end names another end", "say another end of the job"),
    (r"--although-no-hand-back REASON, which custody keeps", "say why it counts; custody keeps that"),
    (r"--back says that it was returned", "tick that it was returned"),
    (r"--although-more REASON puts it down all the same", "with a reason it is noted all the same"),
    (r"Check --day, or leave it out", "Check the day, or leave it open"),
    (r"--although-superseded REASON, which custody keeps", "say why; custody keeps it"),
    (r" \(--own-id\)", ""),
    (r"--also-withdrawn takes them for good again", "tick that they are good again"),
    (r"\(--class images\)", "(tick the images alone)"),
    (r"with --hand-back", "as the hand-back that proves it"),
    (r"; with --leave REASON it ends there and", ", or end it there with a reason, which"),
    (r" \(--alike\)", ""),
    (r"\(--dates day-first, or month-first\)", "(the day first, or the month)"),
    (r"--currency EUR", "name the currency"),
    (r"Give --found FAULT:BAY, or --nothing-broken, or --not-known; one of them",
     "Say what was broken, or that nothing was, or that nobody knows"),
    (r": \S+ case erase-plan\.?$", "."),
    (r"--line\b", "the lines of the form"),
    (r": the ledger .* has no case at all\.", ": no case is kept here yet."),
    (r"Look whether --home or MENDBAY_HOME names the folder of your cases;",
     "If your cases are kept in another folder, start the bench with that;"),
    (r"--done \S+=(\d[\d.]*)", r"for example \1"),
)  # fmt: skip
"""Patterns, and what stands in their place."""
_WORDS = tuple((re.compile(pattern), words) for pattern, words in WORDS)


def for_a_form(text: str) -> str:
    """A sentence for somebody who has a form before them."""
    for pattern, words in _WORDS:
        text = pattern.sub(words, text)
    return text
