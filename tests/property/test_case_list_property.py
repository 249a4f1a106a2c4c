"""The list of cases against a filter that looks at every case by itself."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.case.agenda import Entry, WaitsFor
from mendbay.case.records import Bay, Case, CaseKind, CaseState, Intake
from mendbay.jobs.agenda import tell_agenda
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CaseQuery, list_cases
from mendbay.jobs.ledger_port import Sort
from mendbay.jobs.waiting import wait
from mendbay.wiring import open_bench

AT = "2026-11-25T07:10:00Z"
TODAY = date.today()
NAMES = st.sampled_from(
    ["Straße", "STRASSE", "Ébène", "ébène", "İz", "ΣΑΣ", "σας", "a%b", "a_b", "Pottery 12"]
)
DAYS = st.sampled_from(["", *((TODAY + timedelta(days=one)).isoformat() for one in (-3, 0, 5))])
CASES = st.lists(
    st.tuples(NAMES, NAMES, NAMES, st.sampled_from(CaseState), st.sampled_from(CaseKind), DAYS), max_size=9
)
WORDS = st.lists(st.one_of(NAMES, st.sampled_from(["1", "ss", "É", "%", "_", "0002-01"])), max_size=2)
OF_THINGS = ("give-things-back", "send-things-on", "ask-after-things")
QUERIES = st.builds(
    CaseQuery,
    words=WORDS.map(" ".join),
    states=st.frozensets(st.sampled_from(CaseState), max_size=2),
    kind=st.none() | st.sampled_from(CaseKind),
    waits_for=st.none() | st.sampled_from(WaitsFor),
    late=st.booleans(),
    sort=st.sampled_from(Sort),
    page=st.integers(1, 3),
    rows=st.integers(1, 4),
)


@settings(max_examples=60, deadline=None)
@given(made=CASES, asked=st.lists(QUERIES, min_size=1, max_size=4))
def test_as_a_filter_of_every_case(
    made: list[tuple[str, str, str, CaseState, CaseKind, str]], asked: list[CaseQuery]
) -> None:
    with tempfile.TemporaryDirectory() as folder, open_bench(Path(folder)) as bench:
        for customer, contact, serial, state, kind, due in made:
            number = bench.ledger.open_case(Intake(AT, customer, contact, kind=kind, due_on=due)).number
            bench.ledger.add_bay(Bay(number, "1", "AL20-HX4", serial))
            if state is CaseState.WAITING:
                wait(bench, number, WaitsFor.PART, "a board")
            bench.ledger.amend_case(number, state=state)
        for one in asked:
            check(bench, one)


def check(bench: Bench, asked: CaseQuery) -> None:
    entries = {one.case.number: one for one in tell_agenda(bench, steps=False).agenda.entries}

    def has(case: Case, word: str) -> bool:
        bays = [text for bay in bench.ledger.bays(case.number) for text in (bay.model, bay.serial)]
        texts = (str(case.number), case.customer, case.contact, case.box, *bays)
        folded = word.casefold()
        return any(folded in one.casefold() for one in texts) or word == f"{case.number:04}-01"

    def fits(case: Case) -> bool:
        entry = entries.get(case.number)
        turn = asked.waits_for is None or (entry is not None and entry.turn is asked.waits_for)
        late = not asked.late or (entry is not None and bool(entry.late))
        words = all(has(case, one) for one in asked.words.split())
        return turn and late and words and asked.kind in (None, case.kind)

    found = [one for one in bench.ledger.cases() if fits(one)]
    chosen = [one for one in found if not asked.states or one.state in asked.states]
    if asked.sort is Sort.NEWEST:
        chosen.sort(key=lambda one: -one.number)
    elif asked.sort is Sort.DEADLINE:
        chosen.sort(key=lambda one: (one.due_on == "", one.due_on, -one.number))
    page = list_cases(bench, asked)
    first = (page.page - 1) * asked.rows
    assert [one.case for one in page.rows] == chosen[first : first + asked.rows]
    assert [one.entry for one in page.rows] == [
        None if one.number not in entries else unprompted(entries[one.number])
        for one in chosen[first:][: asked.rows]
    ]
    assert page.found == len(chosen)
    assert page.pages == max(1, -(-len(chosen) // asked.rows))
    assert page.page == min(asked.page, page.pages)
    assert page.by_state == {state: sum(one.state is state for one in found) for state in CaseState}


def unprompted(entry: Entry) -> Entry:
    """An entry without how to ask after what is waited for, and what is to be done with things of a closed
    case: the list leaves that out."""
    if not entry.case.waits and (entry.chore is None or entry.chore.id not in OF_THINGS):
        return entry
    return replace(entry, case=replace(entry.case, nudge=None, chore=None), chore=None)
