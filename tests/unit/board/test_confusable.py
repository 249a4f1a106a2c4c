"""What is taken for what, and what corrections teach."""

from __future__ import annotations

import pytest

from mendbay.board.confusable import READ_CHARACTERS, Confusions, Correction, align, compact, fold
from mendbay.board.number_form import Kind
from mendbay.board.pattern import TRUE_CHARACTERS


def corrected(read: str, right: str, times: int = 1) -> list[Correction]:
    return [Correction(Kind.BOARD, read, right, ("a" * 64,))] * times


def test_the_chances_of_every_character_sum_to_one() -> None:
    taught = Confusions(corrected("TB-447I-20", "TB-4471-200", 3))
    for confusions in (Confusions(), taught):
        for true in [*sorted(TRUE_CHARACTERS), ""]:
            total = sum(confusions.chance(true, read) for read in [*sorted(READ_CHARACTERS), ""])
            assert total == pytest.approx(1), true
            assert all(confusions.chance(true, read) > 0 for read in READ_CHARACTERS)


def test_a_digit_is_found_behind_a_letter() -> None:
    found = Confusions().posterior("O", "0123456789")
    assert max(found, key=found.__getitem__) == "0"
    assert found["0"] > 0.99
    assert Confusions().posterior("K", "0123456789") == {}


def test_a_stroke_may_be_a_one_or_a_letter() -> None:
    assert set(Confusions().posterior("l", "1IL7")) == {"1", "I", "L"}


def test_corrections_are_counted_by_character() -> None:
    confusions = Confusions(corrected("S/N TB-447I-200 R3", "TB-4471-200", 3))
    assert confusions.count("1", "I") == 3
    assert confusions.count("4", "4") == 6
    assert confusions.count("3", "3") == 0  # what stands behind the number is no part of the correction
    assert confusions.chance("1", "I") > Confusions().chance("1", "I") * 1.5


def test_lost_and_added_characters_are_counted_but_separators_are_not() -> None:
    confusions = Confusions([*corrected("AB1234", "AB12934"), *corrected("AB12334", "AB-1234")])
    assert confusions.count("9", "") == 1
    assert confusions.count("", "3") == 1
    assert confusions.count("-", "") == 0


def test_an_unlikely_pair_is_learned_too() -> None:
    assert Confusions().posterior("W", "0123456789") == {}
    found = Confusions(corrected("TB-W471", "TB-4471")).posterior("W", "0123456789")
    assert max(found, key=found.__getitem__) == "4"


def test_withdrawn_numbers_teach_nothing() -> None:
    before, after = Confusions(), Confusions(corrected("TB-447I", ""))
    assert all(before.chance(one, "I") == after.chance(one, "I") for one in TRUE_CHARACTERS)


def test_a_whole_reading_is_remembered_with_what_spoke_against_it() -> None:
    made = corrected("KB 8410", "KB-B410", 2) + corrected("KB 8410", "KB 8410")
    assert Confusions(made).remembered(Kind.BOARD, "kb  8410") == ("KB-B410", 2, 1)
    assert Confusions(made).remembered(Kind.SERIAL, "KB 8410") is None
    assert Confusions(corrected("KB 8410", "KB 8410", 3)).remembered(Kind.BOARD, "KB 8410") is None


@pytest.mark.parametrize(
    ("read", "right", "changes"),
    [
        ("A8C", "ABC", [("B", "8")]),
        ("AC", "ABC", [("B", "")]),
        ("AXBC", "ABC", [("", "X")]),
        ("0O1", "001", [("0", "O")]),
        ("XX ABC YY", "ABC", []),
        ("", "AB", [("A", ""), ("B", "")]),
        ("ABC", "", []),
    ],
)
def test_alignment(read: str, right: str, changes: list[tuple[str, str]]) -> None:
    pairs = align(read, right)
    assert [pair for pair in pairs if pair[0] != pair[1]] == changes
    assert "".join(true for true, _ in pairs) == right


def test_folding() -> None:
    assert fold("  tb–4471\u00a0\u2013 200 ") == "TB-4471 - 200"
    assert fold("АВ12") == "AB12"  # Cyrillic
    assert fold("Al|") == "All"
    assert fold("文\ud800") == "??"
    assert fold("\u200b\u0301") == ""
    assert compact("a l-2") == "A12"
    assert len(fold("A" * 10_000)) == 512
