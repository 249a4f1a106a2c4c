"""What people say of a case at the telephone, and which case they mean."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from mendbay.case.records import Bay
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CaseQuery, list_cases
from mendbay.jobs.case_words import WrittenOtherwise, number_said
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with open_bench(tmp_path_factory.mktemp("shop") / "home") as bench:
        take_in(
            bench,
            "Brindle & Haske",
            contact="0491 570 157, after eight",
            bays=[Bay(0, "1", "", "AH-4K3.1007B")],
        )
        take_in(bench, "Quennell Marsh", contact="+44 20 7946 0018")
        take_in(bench, "Tessaly Oakes", contact="tessaly@example.org", bays=[Bay(0, "1", "AL20-HX4", "K-1")])
        take_in(bench, "Dyer", contact="02 7010 1234")
        take_in(bench, "Ashgrove", contact="+44 (0)20 7946 0321")
        for number in range(6, 13):
            take_in(bench, f"Fern {number}", contact="no telephone")
        yield bench


@pytest.mark.parametrize(
    ("said", "meant", "alike"),
    [
        ("0003", [3], False),
        ("case 3", [3], False),
        ("Case 12", [12], False),
        ("case no. 3", [3], False),
        ("0491570157", [1], False),
        ("0491-570-157", [1], False),
        ("+61 491 570 157", [1], False),
        ("570 157", [1], False),
        ("(020) 7946 0018", [2], False),
        ("+442079460321", [5], False),
        ("020 7946 0321", [5], False),
        ("ah4k31007b", [1], False),
        ("4K-31007", [1], False),
        ("haske AH4K31007B", [1], False),
        ("Tesaly Oaks", [3], True),
        ("Quenell Marsh", [2], True),
        ("Dyre", [4], True),
        ("Brindel and Hask", [1], True),
        ("oakes", [3], False),
        ("Marsh Tesaly", [], False),
        ("Zygmunt", [], False),
        ("0491 570 999", [], False),
        ("0000", [], False),
        ("case 99", [], False),
        ("123456", [], False),
    ],
)
def test_a_case_is_found_by_what_is_said_at_the_telephone(
    shop: Bench, said: str, meant: list[int], alike: bool
) -> None:
    found = list_cases(shop, CaseQuery(said))
    assert [one.case.number for one in found.rows] == meant
    assert found.alike is alike


def test_a_number_alone_is_looked_for_everywhere(shop: Bench) -> None:
    assert number_said(["3"]) == 0
    assert {one.case.number for one in list_cases(shop, CaseQuery("12")).rows} >= {4, 12}, (
        "4 by its telephone"
    )
    assert number_said(["0" * 5 + "12"]) == 0, "part of a serial number, say"
    assert number_said(["case"]) == number_said([]) == number_said(["case", "\u0663"]) == 0


def test_digits_of_different_lines_are_no_number_together() -> None:
    assert not WrittenOtherwise(["0491570157"]).fits("1\nAda\n0491 57\n01 57")
    assert not WrittenOtherwise(["1234"]).fits("12\nAda\n\n\n34")
