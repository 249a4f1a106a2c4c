"""Who of the shop has a case in hand."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.case.records import CaseState
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs import agenda as agenda_job
from mendbay.jobs.agenda import known_agenda, tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CaseQuery, list_cases
from mendbay.jobs.in_hand import holder_of, holders_of, lay_down, take_over
from mendbay.jobs.take_in import take_in
from mendbay.ledger.database import Ledger


def story(bench: Bench) -> list[str]:
    return [one.text for one in bench.ledger.events(1) if one.kind == "in hand"]


def test_whoever_takes_a_case_over_has_it_until_the_other_does_or_it_is_laid_down(bench: Bench) -> None:
    kim, lee = replace(bench, who="Kim"), replace(bench, who="Lee")
    assert holder_of(bench, bench.ledger.case(1)) == ""
    assert take_over(kim, 1) == ""
    assert take_over(lee, 1) == "Kim"
    assert take_over(lee, 1) == "Lee", "nothing new is noted"
    assert holder_of(kim, bench.ledger.case(1)) == "Lee"
    assert lay_down(kim, 1) == "Lee"
    assert holder_of(bench, bench.ledger.case(1)) == ""
    assert story(bench) == [
        "Kim has it in hand now.",
        "Lee has it in hand now, taken over from Kim.",
        "Nobody has it in hand now: Kim laid it down, which Lee had.",
    ]
    assert [one.who for one in bench.notes.of(NoteKind.IN_HAND, 1)] == ["Kim", "Lee", "Kim"]


def test_the_list_tells_it_and_shows_ones_own_alone(bench: Bench) -> None:
    take_in(bench, "Oakhanger Bakery")
    kim, lee = replace(bench, who="Kim"), replace(bench, who="Lee")
    take_over(kim, 1)
    held = {one.case.number: one.holder for one in list_cases(lee, CaseQuery()).rows}
    assert held == {1: "Kim", 2: ""}
    assert [one.case.number for one in list_cases(kim, CaseQuery(mine=True)).rows] == [1]
    assert list_cases(lee, CaseQuery(mine=True)).rows == ()
    take_over(lee, 1)
    assert list_cases(kim, CaseQuery(mine=True)).rows == ()


def test_what_is_to_be_done_stays_known_whoever_has_it(bench: Bench) -> None:
    """Who has a case says nothing of its step, so it is not weighed anew."""
    weighed = tell_turn(bench, 1).chore
    for what in (take_over, lay_down):
        what(bench, 1)
        known = known_agenda(bench)
        assert known.not_yet == ()
        assert [one.chore for one in known.day.agenda.steps] == [weighed]


def test_what_another_notes_at_that_moment_does_not_pass_for_weighed(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell_turn(bench, 1)
    real = agenda_job._step_key
    asked = list[int]()

    def noted_between(own: Bench, number: int) -> str:
        found = real(own, number)
        asked.append(number)
        if len(asked) > 1:
            return found
        body = json.dumps({"answer": "no"})
        with suppress(LedgerError), Ledger(tmp_path / "home" / "ledger.sqlite3", busy_seconds=0.05) as other:
            other.notes.add(Note(1, "", NoteKind.SIGN, "lights", bench.now(), "Lee", body))
        return found

    monkeypatch.setattr(agenda_job, "_step_key", noted_between)
    take_over(bench, 1)
    noted = bool(bench.notes.of(NoteKind.SIGN, 1))
    assert known_agenda(bench).not_yet == ((1,) if noted else ())


def test_what_stands_against_it_keeps_it_from_being_noted(bench: Bench) -> None:
    def never() -> None:
        raise UsageError("somebody else was first", "look again")

    with pytest.raises(UsageError, match="first"):
        take_over(bench, 1, never)
    assert holder_of(bench, bench.ledger.case(1)) == ""


def test_of_a_closed_case_nobody_has_anything_in_hand(bench: Bench) -> None:
    take_over(bench, 1)
    closed = bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert holders_of(bench, [closed]) == {}
    assert list_cases(bench, CaseQuery(mine=True)).rows == ()
    with pytest.raises(UsageError, match="is closed"):
        take_over(bench, 1)


def test_a_note_that_is_none_is_told(bench: Bench) -> None:
    body = json.dumps({"holder": 3})
    bench.notes.add(Note(1, "", NoteKind.IN_HAND, "case", bench.now(), bench.who, body))
    with pytest.raises(LedgerError, match="who has a case in hand"):
        holder_of(bench, bench.ledger.case(1))
