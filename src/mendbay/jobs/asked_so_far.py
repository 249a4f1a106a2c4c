"""Whether a person was asked anything of a case yet: before that a step is proposed by odds alone."""

from __future__ import annotations

from collections.abc import Mapping

from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import case_pictures


def is_unasked(bench: Bench, number: int) -> bool:
    """Whether nothing is on record that a person would have been asked for a case: no answer of take-in, no
    consent, no answer or repair of triage.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    told = bench.notes.tally(number)
    others = (NoteKind.CONSENT, NoteKind.SIGN, NoteKind.TRIED)
    return not (answers_of_take_in(bench, number, told) or any(told.get(one) for one in others))


def answers_of_take_in(bench: Bench, number: int, told: Mapping[NoteKind, int]) -> int:
    """How many answers of take-in are on record; pictures of the case are noted beside them.

    Args:
        told: how many notes of each kind the case has.
    """
    noted = told.get(NoteKind.INTAKE, 0)
    return noted - len(case_pictures(bench, number)) if noted else 0
