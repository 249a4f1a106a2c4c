"""Which of the people of the shop has a case in hand: said by whoever takes it over, kept until somebody else
does or it is laid down. It is nobody's duty and bars nobody from anything."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping

from mendbay.case.records import Case, CaseState
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.agenda import step_kept
from mendbay.jobs.bench import Bench
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.remembered import remembered, reopening

ABOUT = "case"
"""Subject of the notes."""


def take_over(bench: Bench, number: int, require: Callable[[], None] = lambda: None) -> str:
    """Puts down that who is at the bench has a case in hand from now on; nothing is written if they have.
    What is to be done for it is as known as before.

    Args:
        require: asked within the step of the ledger; what it raises stands against it.

    Returns:
        Who had it before; empty for nobody.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: it is closed.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return _put_down(bench, number, bench.who, require)


def lay_down(bench: Bench, number: int, require: Callable[[], None] = lambda: None) -> str:
    """Puts down that nobody has a case in hand any more. Takes, returns and raises as `take_over`."""
    return _put_down(bench, number, "", require)


def _put_down(bench: Bench, number: int, now: str, require: Callable[[], None]) -> str:
    remembered(bench, number)
    with step_kept(bench, number):
        require()
        case = remembered(bench, number)
        if case.state is CaseState.CLOSED:
            raise UsageError(f"Case {number} is closed: nobody has it in hand any more.", reopening(case))
        before = holder_of(bench, case)
        if before != now:
            body = json.dumps({"holder": now}, ensure_ascii=False)
            bench.notes.add(Note(number, "", NoteKind.IN_HAND, ABOUT, bench.now(), bench.who, body))
            bench.note(number, "in hand", _story(before, now, bench.who))
    return before


def _story(before: str, now: str, who: str) -> str:
    if not now:
        return f"Nobody has it in hand now: {who} laid it down" + (
            "." if before == who else f", which {before} had."
        )
    return f"{now} has it in hand now{f', taken over from {before}' if before else ''}."


def holder_of(bench: Bench, case: Case) -> str:
    """Who has a case in hand; empty for nobody, and once it is closed.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    return holders_of(bench, [case]).get(case.number, "")


def holders_of(bench: Bench, cases: Iterable[Case]) -> Mapping[int, str]:
    """Who has which of some cases in hand, by number; those that nobody has, and closed ones, are left out.
    Raises as `holder_of`."""
    asked = [one.number for one in cases if one.state is not CaseState.CLOSED]
    notes = bench.notes.of_several(NoteKind.IN_HAND, asked)
    return {case: holder for case, several in notes.items() if (holder := _holder(several[-1]))}


def held_by(bench: Bench, who: str) -> frozenset[int]:
    """Numbers of the cases that somebody took in hand last, closed ones among them. Raises as `holder_of`."""
    last = {note.case: note for note in bench.notes.of(NoteKind.IN_HAND)}
    return frozenset(case for case, note in last.items() if _holder(note) == who)


def _holder(note: Note) -> str:
    holder = body_of(note, "who has a case in hand").get("holder")
    if not isinstance(holder, str):
        raise unreadable(note, "who has a case in hand", TypeError("not what it should hold"))
    return holder
