"""What the shop's closed cases taught the tables of triage.

When a case is closed, what was known of it is written down beside its outcome; that is what it teaches, also
after its images are erased or a sign of it is answered anew.
"""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from mendbay.case.outcome import Outcome, from_json
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.practice import practice_cases, practice_words
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.closed_cases import CaseCounter, ClosedCase
from mendbay.triage.learned import Learned, learned_from
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.table_numbers import Number, numbers, topics
from mendbay.triage.worlds import Subject, Worlds

OUTCOME = "case"
"""Subject of the note that says how a case ended."""
AT_CLOSING = "closed"
"""Subject of the note that keeps what triage knew when a case was closed."""
REDUCED = {"box", "bays"}
"""Members of such a note of a case that was forgotten while forgetting dropped the answers too."""


@dataclass(frozen=True, slots=True)
class TableNumbers:
    """Numbers of triage as the next case meets them.

    Args:
        numbers: of one topic, or all.
        topics: all that there are.
        asks: the question, if the topic is a sign.
        rests_on: how many closed cases they learned from.
        left_out: closed cases that they could not learn from, each with why, as sentences.
    """

    numbers: tuple[Number, ...]
    topics: tuple[str, ...]
    asks: str
    rests_on: int
    left_out: tuple[str, ...]


def outcomes(bench: Bench) -> dict[int, Outcome]:
    """How each closed case ended, by its number; of several words on one case the last.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    ends = {note.case: note for note in standing_notes(bench, NoteKind.OUTCOME, subject=OUTCOME)}
    return {case: _outcome_of(note) for case, note in ends.items()}


def outcome_of(bench: Bench, case: int) -> Outcome | None:
    """How a case ended; None if nobody said, or it was opened again.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    ends = standing_notes(bench, NoteKind.OUTCOME, case, subject=OUTCOME)
    return _outcome_of(ends[-1]) if ends else None


def _outcome_of(note: Note) -> Outcome:
    try:
        return from_json(note.body)
    except UsageError as trouble:
        raise unreadable(note, "a closed case", trouble) from trouble


def closed_cases(bench: Bench, but: int = 0) -> tuple[ClosedCase, ...]:
    """What the shop's closed cases teach, the lowest number first; those for practice teach nothing.

    Args:
        but: a case that is left out: none counts for its own odds.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    found = _all_closed(bench)
    at = bisect_left(found, but, key=lambda one: one.number)
    if at < len(found) and found[at].number == but:
        return _Cases(found[:at] + found[at + 1 :])
    return found


class _Cases(tuple[ClosedCase, ...]):
    """Closed cases whose hash is worked out once: every look at a case looks tables and worlds up by all of
    them, and there are thousands."""

    _known: int | None = None

    def __hash__(self) -> int:
        if self._known is None:
            self._known = super().__hash__()
        return self._known


_Read = dict[tuple[int, int], ClosedCase | None]
"""What closed cases teach, by the numbers of the notes of their outcome and of what was known."""

_KEPT: dict[Hashable, tuple[tuple[int, ...], _Read, tuple[ClosedCase, ...]]] = {}
"""By book: up to which notes it was read, what was read, and what all that counts teaches."""
MOST_KEPT = 4
"""Books of which what their closed cases teach is held in memory."""


def _all_closed(bench: Bench) -> tuple[ClosedCase, ...]:
    """What all closed cases teach, read anew only once a case was closed, taken back or forgotten, and then
    only what is new of it."""
    kinds = (
        NoteKind.OUTCOME,
        NoteKind.SUBJECT,
        NoteKind.WITHDRAWAL,
        NoteKind.PRACTICE,
        NoteKind.FORGETTING,
    )
    book, last = bench.notes.same_as(), tuple(bench.notes.last_number(kind=one) for one in kinds)
    known, before, found = _KEPT.get(book, ((), {}, ())) if book is not None else ((), {}, ())
    if known == last:
        return found
    if known[-1:] != last[-1:]:
        before = {}  # forgetting rewrites notes
    read = _read_closed(bench, before)
    found = _Cases(one for one in read.values() if one is not None)
    if book is None:
        return found
    _KEPT.pop(book, None)
    while len(_KEPT) >= MOST_KEPT:
        _KEPT.pop(next(iter(_KEPT)), None)
    _KEPT[book] = (last, read, found)
    return found


def _read_closed(bench: Bench, before: _Read) -> _Read:
    kept = {note.case: note for note in standing_notes(bench, NoteKind.SUBJECT, subject=AT_CLOSING)}
    ends = {note.case: note for note in standing_notes(bench, NoteKind.OUTCOME, subject=OUTCOME)}
    found: _Read = {}
    practice = practice_cases(bench)
    for case, end in sorted(ends.items()):
        if case not in kept or case in practice:
            continue
        key = (end.number, kept[case].number)
        if key in before:
            found[key] = before[key]
        else:
            outcome = _outcome_of(end)
            found[key] = _closed(case, outcome, kept[case]) if outcome.known else None
    return found


@lru_cache(maxsize=8)
def learned(cases: tuple[ClosedCase, ...]) -> Learned:
    """The packaged tables with what these cases taught."""
    return learned_from(packaged_tables(), _counter().counts(cases))


@lru_cache(maxsize=1)
def _counter() -> CaseCounter:
    return CaseCounter(packaged_tables())


@lru_cache(maxsize=8)
def worlds_of(cases: tuple[ClosedCase, ...], subject: Subject) -> Worlds:
    """The worlds of a subject by what these cases taught. They are kept: all open cases rest on the same."""
    return Worlds(learned(cases).tables, subject)


def table_numbers(bench: Bench, topic: str = "") -> TableNumbers:
    """The numbers of a topic, or all.

    Raises:
        UsageError: there is no such topic.
        LedgerError: a note is not one that Mendbay wrote.
    """
    packaged = packaged_tables()
    known = topics(packaged)
    if topic and topic not in known:
        raise UsageError(f"There are no numbers of {topic[:40]!r}.", f"Use one of: {', '.join(known)}.")
    now = learned(closed_cases(bench))
    practised = frozenset(one for one in practice_cases(bench) if outcome_of(bench, one) is not None)
    left_out = practice_words(practised)
    return TableNumbers(
        tuple(one for one in numbers(packaged, now) if topic in ("", one.topic)),
        known,
        packaged.signs[topic].asks if topic in packaged.signs else "",
        len(now.counts.taken),
        now.counts.left_out + ((left_out,) if left_out else ()),
    )


def at_closing(subject: Subject, answers: Mapping[tuple[str, str], str]) -> str:
    """What triage knows of a case, as the note of its closing keeps it.

    Args:
        answers: by sign and bay.
    """
    rows = [[sign, bay, answer] for (sign, bay), answer in sorted(answers.items())]
    return json.dumps({"bays": list(subject.bays), "box": subject.box, "answers": rows})


def _closed(number: int, outcome: Outcome, note: Note) -> ClosedCase | None:
    """What a closed case teaches; None if its note was reduced to less when the case was forgotten."""
    body = body_of(note, "a closed case")
    if body.keys() == REDUCED:
        return None
    if not _sound(body):
        raise unreadable(note, "a closed case", TypeError("not what it should hold"))
    return ClosedCase(
        number,
        tuple(body["bays"]),
        body["box"],
        tuple((one.fault, one.bay) for one in outcome.found),
        outcome.sure,
        tuple((sign, bay, answer) for sign, bay, answer in body["answers"]),
    )


def _sound(body: Mapping[str, Any]) -> bool:
    bays, answers = body.get("bays"), body.get("answers")
    return (
        isinstance(bays, list)
        and isinstance(answers, list)
        and isinstance(body.get("box"), bool)
        and all(isinstance(one, list) and len(one) == 3 for one in answers)
        and all(isinstance(text, str) for one in (bays, *answers) for text in one)
    )
