"""The list of cases: what is found, in which order, and what each row tells."""

from __future__ import annotations

import json

import pytest

from mendbay.case.agenda import WaitsFor
from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.records import Bay, CaseKind, CaseState, Image
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs import triage_case
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CasePage, CaseQuery, list_cases
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.ledger_port import Sort
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.take_in import take_in
from mendbay.jobs.waiting import set_due, wait

BY_HAND = Wish(lines=(("swap-board", ""),), odds=False)


def numbers(page: CasePage) -> list[int]:
    return [one.case.number for one in page.rows]


@pytest.fixture(autouse=True)
def no_triage(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(bench: Bench, case: int) -> object:
        raise AssertionError(f"case {case} is weighed for a list")

    monkeypatch.setattr(triage_case, "tell_triage", never)


@pytest.fixture
def filled(bench: Bench) -> Bench:
    """Case 1 is of the fixture; 2 has a drive, 3 waits, 4 is closed."""
    take_in(
        bench, "Töpferei GRÜNSTRASSE", contact="ada@studio.example", bays=[Bay(0, "1", "AL20-HX4", "K-0113")]
    )
    take_in(bench, "Oakhanger Bakery", box="Tarn T2")
    take_in(bench, "Töpferei Marsh", contact="0491 570 157")
    wait(bench, 3, WaitsFor.CUSTOMER, "a call")
    bench.ledger.amend_case(4, state=CaseState.CLOSED)
    return bench


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("", [4, 3, 2, 1]),
        ("töpferei", [4, 2]),
        ("TÖPFEREI marsh", [4]),
        ("grünstraße", [2]),
        ("k-0113", [2]),
        ("hx4 ada@", [2]),
        ("tarn", [3]),
        ("3", [3, 2]),
        ("0003-01", [3]),
        ("0003-01 tarn", [3]),
        ("0003-01 töpferei", []),
        ("0003", [3]),
        ("case 0003", [3]),
        ("Case 3", [3]),
        ("0003 töpferei", []),
        ("al20hx4", [2]),
        ("0491570157", [4]),
        ("0491-570-156", []),
        ("0491 570 157", [4]),
        ("(0491) 570157", [4]),
        ("+61 491 570 157", [4]),
        ("marsh 0491570157", [4]),
        ("%", []),
        ("_", []),
    ],
)
def test_each_word_stands_somewhere(filled: Bench, words: str, found: list[int]) -> None:
    assert numbers(list_cases(filled, CaseQuery(words))) == found


def test_states_are_counted_without_the_state_that_is_asked_for(filled: Bench) -> None:
    page = list_cases(filled, CaseQuery("töpferei", states=frozenset({CaseState.CLOSED})))
    assert (numbers(page), page.found, page.every) == ([4], 1, 4)
    assert page.by_state == {
        CaseState.OPEN: 1,
        CaseState.WAITING: 0,
        CaseState.HANDED_BACK: 0,
        CaseState.CLOSED: 1,
    }


def test_pages(filled: Bench) -> None:
    first, last = (list_cases(filled, CaseQuery(rows=3, page=one)) for one in (1, 9))
    assert (numbers(first), first.page, first.pages) == ([4, 3, 2], 1, 2)
    assert (numbers(last), last.page, last.pages) == ([1], 2, 2)
    none = list_cases(filled, CaseQuery("nobody"))
    assert (none.rows, none.found, none.page, none.pages) == ((), 0, 1, 1)
    for wrong in ({"page": 0}, {"rows": 0}, {"rows": 201}, {"words": "a " * 13}, {"words": "a" * 201}):
        with pytest.raises(UsageError):
            CaseQuery(**wrong)  # type: ignore[arg-type]


def test_sorted_by_deadline_those_without_one_come_last(filled: Bench) -> None:
    set_due(filled, 1, "2999-01-02")
    set_due(filled, 3, "2999-01-01")
    assert numbers(list_cases(filled, CaseQuery(sort=Sort.DEADLINE))) == [3, 1, 4, 2]
    assert numbers(list_cases(filled, CaseQuery(sort=Sort.OLDEST))) == [1, 2, 3, 4]


def test_a_row_tells_whose_turn_it_is_and_why_it_is_late(filled: Bench) -> None:
    filled.ledger.amend_case(2, due_on="2020-01-01")
    filled.ledger.note_image(Image(2, "1", "bay-1.img", "port", filled.now(), read_bytes=4096))
    rows = {one.case.number: one for one in list_cases(filled, CaseQuery()).rows}
    assert rows[4].entry is None
    assert rows[3].entry is not None
    assert [one.what for one in rows[3].entry.case.waits] == ["a call"]
    assert rows[2].entry is not None
    assert rows[2].entry.late == ("needed by 2020-01-01",)
    assert (rows[2].bays[0].serial, rows[2].images[0].read_bytes) == ("K-0113", 4096)
    assert numbers(list_cases(filled, CaseQuery(late=True))) == [2]
    assert numbers(list_cases(filled, CaseQuery(waits_for=WaitsFor.CUSTOMER))) == [3]
    assert numbers(list_cases(filled, CaseQuery(waits_for=WaitsFor.US))) == [2, 1]
    assert numbers(list_cases(filled, CaseQuery(waits_for=WaitsFor.MACHINE))) == []


def test_a_quote_that_is_answered_is_waited_for_no_more_though_it_is_remembered(filled: Bench) -> None:
    asked = CaseQuery(waits_for=WaitsFor.CUSTOMER)
    assert numbers(list_cases(filled, asked)) == [3]
    make_quote(filled, 1, BY_HAND)
    assert numbers(list_cases(filled, asked)) == [3, 1]
    assert numbers(list_cases(filled, asked)) == [3, 1], "also by what is remembered"
    decide(filled, 1, 1, True, By.PHONE)
    assert numbers(list_cases(filled, asked)) == [3]


def test_kinds(filled: Bench) -> None:
    filled.ledger.amend_case(1, kind=CaseKind.BOX)
    assert numbers(list_cases(filled, CaseQuery(kind=CaseKind.BOX))) == [1]
    assert numbers(list_cases(filled, CaseQuery(kind=CaseKind.NOT_SAID))) == [4, 3, 2]


def test_a_note_that_is_not_ours_is_told(filled: Bench) -> None:
    filled.notes.add(
        Note(1, "", NoteKind.WAITING, "case", filled.now(), "Ada", json.dumps({"for": "nobody"}))
    )
    with pytest.raises(Exception, match="cannot be read"):
        list_cases(filled, CaseQuery())


def test_a_row_says_whether_anything_has_left_the_shop(filled: Bench) -> None:
    filled.note(1, "hand-back", "A hand-back of 3 files.")
    filled.ledger.amend_case(1, state=CaseState.HANDED_BACK)
    stands = {one.case.number: one.stands for one in list_cases(filled, CaseQuery()).rows}
    assert stands == {1: "copied, nothing handed out", 2: "open", 3: "waiting", 4: "closed"}
    medium = add_item(filled, 1, What.MEDIUM)
    release(filled, 1, [str(medium.number)], Role.CUSTOMER)
    (row,) = list_cases(filled, CaseQuery(states=frozenset({CaseState.HANDED_BACK}))).rows
    assert row.stands == "handed back"
