"""What a case showed when it was looked at, for triage: opening every image anew would cost too much.

An event of the kind `look` carries the sign and its answer, which is empty where a later look left the
question open again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.jobs.bench import Bench

KIND = "look"
LOOKED = "pair"
"""Kind of the event that says the volume was seen."""


@dataclass(frozen=True, slots=True)
class Look:
    """The last answer that was seen, and when."""

    answer: str
    at: str


def remember(bench: Bench, case: int, sign: str, answer: str, words: str) -> None:
    """Notes what a look at the case's drives together showed, unless the last one showed the same.

    Args:
        sign, answer: as triage's tables name them; an empty answer leaves the question open.
        words: the sentence for the case's story.

    Raises:
        NoSuchCase: there is no such case.
    """
    last = looks(bench, case).get(sign)
    if answer != (last.answer if last else ""):
        bench.note(case, KIND, words, {"sign": sign, "answer": answer})


def looks(bench: Bench, case: int) -> Mapping[str, Look]:
    """The last look at each sign.

    Raises:
        NoSuchCase: there is no such case.
    """
    return {
        str(event.facts.get("sign")): Look(str(event.facts.get("answer")), event.at)
        for event in bench.ledger.events(case)
        if event.kind == KIND
    }
