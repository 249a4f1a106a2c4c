"""Answers from a file: each is held against the form as if typed, and none keeps another back."""

from __future__ import annotations

import json
from typing import Any

import pytest

from mendbay.case.consents import How
from mendbay.case.records import CaseKind
from mendbay.core.errors import NoSuchCase, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import consents_of
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_answers import (
    MOST_ANSWERS,
    SIZE_LIMIT,
    AnswerFile,
    Fate,
    Given,
    enter_answers,
    read_answer_file,
)
from mendbay.jobs.take_in_form import fill_form, tell
from mendbay.jobs.take_in_page import page_for

NAME = "Quillmere Pottery"


@pytest.fixture
def case(bench: Bench) -> int:
    """A case of which nothing but the customer is known."""
    return take_in(bench, NAME).number


def of_case(case: int | None, *answers: tuple[str, str, str]) -> AnswerFile:
    """A file of answers as (question, bay, answer)."""
    return AnswerFile(case, tuple(Given(*one) for one in answers))


def test_answers_are_entered_where_they_belong_whatever_their_order(bench: Bench, case: int) -> None:
    file = of_case(
        case,
        ("sound", "2", "clicks"),
        ("condition", "", "dented, rattles"),
        ("power-on", "", "ask-first"),
        ("kind", "", "two-bay-box"),
        ("due", "", "not known"),
    )
    done = enter_answers(bench, case, file, How.WRITING)
    assert [one.fate for one in done.taken] == [Fate.ENTERED] * 5
    values = {one.key: one.values for one in done.form.entries if one.answered}
    assert values[("condition", "")] == ("dented", "rattles")
    assert (values[("sound", "2")], values[("due", "")]) == (("clicks",), ())
    assert consents_of(bench, case)["power-on"].how is How.WRITING
    again = enter_answers(bench, case, file)
    assert [one.fate for one in again.taken] == [Fate.SAME] * 5, "entering twice changes nothing"
    assert consents_of(bench, case)["power-on"].how is How.WRITING


def test_what_is_no_answer_is_told_and_keeps_no_other_back(bench: Bench, case: int) -> None:
    tell(bench, case, "kind", "drive")
    file = of_case(
        case,
        ("colour", "", "red"),
        ("lights", "", "none"),
        ("sound", "", "clicks"),
        ("sound", "7", "clicks"),
        ("contact", "1", "555 0100"),
        ("due", "", "soon"),
        ("condition", "", "dented, blue"),
        ("story", "", "the password is hunter22"),
        ("locked-who", "", "hunter22"),
        ("contact", "", "555 0100"),
        ("notes", "", "a\u0000b"),
    )
    done = enter_answers(bench, case, file)
    assert [one.given.key for one in done.of(Fate.ENTERED)] == [("contact", "")]
    why = {one.given.key: one.why for one in done.left_out}
    assert "no question 'colour'" in why[("colour", "")]
    assert "not asked of a drive" in why[("lights", "")]
    assert "asked of each drive" in why[("sound", "")]
    assert "has no bay 7" in why[("sound", "7")]
    assert "not a day" in why[("due", "")]
    assert "cannot be 'blue'" in why[("condition", "")]
    assert "looks like a password" in why[("story", "")]
    assert "looks like a password" in why[("locked-who", "")]
    assert "U+0000" in why[("notes", "")]
    assert all(one.next_step for one in done.left_out)
    assert [one.bay for one in bench.ledger.bays(case)] == ["1"], "no bay was made up by a file"


def test_another_answer_on_record_stays_unless_it_may_be_replaced(bench: Bench, case: int) -> None:
    tell(bench, case, "contact", "555 0100")
    tell(bench, case, "kind", "drive")
    tell(bench, case, "power-on", "no")
    file = of_case(case, ("contact", "", "555 0199"), ("kind", "", "drive"), ("power-on", "", "yes"))
    done = enter_answers(bench, case, file)
    assert [one.fate for one in done.taken] == [Fate.STAYS, Fate.SAME, Fate.STAYS]
    assert "555 0100" in done.taken[0].why
    assert "555 0199" in done.taken[0].why
    assert bench.ledger.case(case).contact == "555 0100"
    assert consents_of(bench, case)["power-on"].word == "no"
    done = enter_answers(bench, case, file, replace=True)
    assert [one.fate for one in done.taken] == [Fate.REPLACED, Fate.SAME, Fate.REPLACED]
    assert bench.ledger.case(case).contact == "555 0199"
    assert consents_of(bench, case)["power-on"].word == "yes"


def test_a_case_is_opened_with_the_name_of_the_file(bench: Bench) -> None:
    before = len(bench.ledger.cases())
    file = of_case(None, ("kind", "", "drive"), ("customer", "", NAME), ("sound", "1", "normal"))
    done = enter_answers(bench, None, file)
    assert done.opened
    assert [one.fate for one in done.taken] == [Fate.ENTERED] * 3
    assert (done.form.case.customer, done.form.case.kind) == (NAME, CaseKind.DRIVE)
    for answers in ((), (("customer", "", "not known"),), (("customer", "", "a\u0007b"),)):
        with pytest.raises(UsageError):
            enter_answers(bench, None, of_case(None, *answers))
    assert len(bench.ledger.cases()) == before + 1


def test_a_file_of_another_case_or_customer_enters_nothing(bench: Bench, case: int) -> None:
    for number, file in (
        (case, of_case(case + 1, ("contact", "", "555 0100"))),
        (None, of_case(case, ("contact", "", "555 0100"))),
        (case, of_case(None, ("customer", "", "Somebody else"), ("contact", "", "555 0100"))),
    ):
        with pytest.raises(UsageError):
            enter_answers(bench, number, file)
    assert not bench.ledger.case(case).contact
    with pytest.raises(NoSuchCase):
        enter_answers(bench, 99, of_case(99))
    of_nobody = of_case(None, ("customer", "", NAME), ("contact", "", "555 0100"))
    assert not enter_answers(bench, case, of_nobody).left_out, "the page was made before the case"


def test_the_page_asks_what_the_form_asks_of_every_kind(bench: Bench) -> None:
    for kind in CaseKind:
        number = take_in(bench, NAME).number
        bench.ledger.amend_case(number, kind=kind)
        page = page_for(bench, number)
        asked = {one.key for one in page.questions}
        assert {one.key for one in fill_form(bench, number).entries} <= asked
        on_record = {"customer"} | ({"kind"} if kind else set())
        assert {one.id for one in page.questions if one.on_record} == on_record
        if kind:
            assert {one.key for one in fill_form(bench, number).entries} == asked
            assert not any(one.kinds for one in page.questions)
        else:
            assert {("sound", "1"), ("sound", "2")} <= asked
            second = next(one for one in page.questions if one.key == ("sound", "2"))
            assert second.kinds == ("two-bay-box",)


GOOD: dict[str, Any] = {"format": "take-in answers", "version": 1, "case": None, "answers": []}
ONE = {"question": "kind", "bay": None, "answer": "drive"}


def test_a_sound_file_is_read() -> None:
    read = read_answer_file(json.dumps(GOOD | {"case": 7, "answers": [ONE]}).encode())
    assert read == AnswerFile(7, (Given("kind", "", "drive"),))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xfe",
        b"[" * 100_000,
        b"1" * 10_000,
        b" " * (SIZE_LIMIT + 1),
        b'{"format": "take-in answers", "version": 1, "version": 1, "case": null, "answers": []}',
        *(
            json.dumps(one).encode()
            for one in (
                [],
                GOOD | {"more": 1},
                GOOD | {"format": "other"},
                GOOD | {"version": 2},
                GOOD | {"version": True},
                GOOD | {"case": True},
                GOOD | {"case": 0},
                GOOD | {"case": 10**30},
                GOOD | {"case": "1"},
                GOOD | {"answers": {}},
                GOOD | {"answers": [1]},
                GOOD | {"answers": [ONE | {"answer": 1}]},
                GOOD | {"answers": [ONE | {"question": None}]},
                GOOD | {"answers": [ONE | {"bay": 1}]},
                GOOD | {"answers": [ONE | {"more": "x"}]},
                GOOD | {"answers": [ONE | {"question": "k\u001b[2J"}]},
                GOOD | {"answers": [ONE | {"bay": "\ud800"}]},
                GOOD | {"answers": [ONE | {"question": "k" * 201}]},
                GOOD | {"answers": [ONE, ONE]},
                GOOD | {"answers": [ONE | {"question": f"q{n}"} for n in range(MOST_ANSWERS + 1)]},
            )
        ),
    ],
)
def test_a_file_of_another_shape_is_refused(data: bytes) -> None:
    with pytest.raises(UsageError):
        read_answer_file(data)
