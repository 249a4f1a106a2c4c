"""What a case showed when it was looked at, for triage: opening every image anew would cost too much.

An event of the kind `look` carries the sign and its answer, which is empty where a later look left the
question open again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from mendbay.case.records import Bay, Case, CaseKind, Event
from mendbay.core.note import Note
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of

KIND = "look"
LOOKED = "pair"
"""Kind of the event that says the volume was seen."""
OF_THE_VOLUME = frozenset({"layout-found", "files-found"})
"""Signs of triage that are answered by looking at what was read."""
NOTHING_THERE = frozenset({"nothing", "none"})
"""Their answers by which there is nothing that could be copied out."""
NOTHING_TO_JOIN = "The drive stands alone: there is nothing to put together."
"""Of a drive without a second one."""


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


def open_again(bench: Bench, case: int, words: str) -> None:
    """Notes that what a look showed counts no longer, as the images are others now; nothing where none did.

    Args:
        words: the sentence for the case's story.
    """
    for sign, last in looks(bench, case).items():
        if last.answer:
            remember(bench, case, sign, "", words)


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


def stands_alone(case: Case, bays: Sequence[Bay]) -> bool:
    """Whether a case is of one drive, so that there is nothing to put together."""
    return bool(bays) and (case.kind is CaseKind.DRIVE or len(bays) < 2)


def volume_seen(events: Iterable[Event], answers: Iterable[Note]) -> bool | None:
    """Whether there is something to copy out, by the last look at what was read; None if nobody looked.

    Args:
        answers: to the signs of triage, as they stand.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    told = [
        (one.at, str(body_of(one, "triage").get("answer"))) for one in answers if one.subject in OF_THE_VOLUME
    ]
    looked: dict[str, tuple[str, str]] = {}
    for one in events:
        if one.kind == LOOKED:
            looked[LOOKED] = one.at, LOOKED
        elif one.kind == KIND:  # a later one that leaves the question open takes the place of the answer
            looked[str(one.facts.get("sign"))] = one.at, str(one.facts.get("answer"))
    told += [each for each in looked.values() if each[1]]
    return max(told, key=lambda each: each[0])[1] not in NOTHING_THERE if told else None
