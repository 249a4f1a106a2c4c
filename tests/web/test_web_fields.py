"""What forms say is read as what it must be, or refused as that."""

from __future__ import annotations

import pytest

from mendbay.core.errors import UsageError
from mendbay.faces.web.fields import Field, day, decimal, line, number, read_fields


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (number("one", "One", least=-9), "--5"),
        (decimal("one", "One", least=-9), "--4.7"),
        (decimal("one", "One"), "1,000.5"),
        (decimal("one", "One"), "1.000,5"),
        (decimal("one", "One"), "1,000,000"),
        (decimal("one", "One"), ","),
        (decimal("one", "One"), "1e3"),
        (decimal("one", "One"), "\u0661,\u0665"),
        (number("one", "One"), "1,000"),
        (day("one", "One"), "2027-W08-4"),
        (day("one", "One"), "20270225"),
        *((line("one", "One"), f"Ada{sign}Bcc: all") for sign in "\n\r\v\f\x85\u2028\u2029\x00\ud800"),
    ],
)
def test_what_only_looks_like_it_is_refused(asked: Field, said: str) -> None:
    with pytest.raises(UsageError):
        read_fields([asked], [("one", said)])


@pytest.mark.parametrize(
    ("asked", "said", "what", "then"),
    [
        (decimal("one", "Worth", most=10**9), "-5", "Worth: -5 is less than 0.", "Write at least 0."),
        (decimal("one", "Worth"), "-0.5", "Worth: -0.5 is less than 0.", "Write at least 0."),
        (
            number("one", "Days", most=36500),
            "99999999",
            "Days: 99\u2009999\u2009999 is more than 36\u2009500.",
            "Write at most 36\u2009500.",
        ),
    ],
)
def test_a_number_out_of_range_is_told_in_words(asked: Field, said: str, what: str, then: str) -> None:
    with pytest.raises(UsageError) as refused:
        read_fields([asked], [("one", said)])
    assert (refused.value.what, refused.value.next_step) == (what, then)


def test_what_is_meant_is_read() -> None:
    assert read_fields([number("one", "One", least=-9)], [("one", "-5")]) == {"one": -5}
    assert read_fields([day("one", "One")], [("one", "2027-02-25")]) == {"one": "2027-02-25"}


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("4.7", 4.7),
        ("4,7", 4.7),
        ("12,50", 12.5),
        ("-4,7", -4.7),
        ("0,125", 0.125),
        ("0.500", 0.5),
        ("1,2345", 1.2345),
        ("1.125", 1.125),
        ("1000", 1000.0),
        ("1 000,5", 1000.5),
        ("10\u2009000", 10000.0),
        (".5", 0.5),
        ("4.", 4.0),
    ],
)
def test_a_comma_or_a_point_is_a_decimal_sign(said: str, meant: float) -> None:
    assert read_fields([decimal("one", "One", least=-9)], [("one", said)]) == {"one": meant}


@pytest.mark.parametrize(
    ("said", "one", "other"),
    [
        ("1,000", "1000", "1.0"),
        ("1.000", "1000", "1.0"),
        ("1,125", "1125", "1.125"),
        ("100,250", "100250", "100.25"),
        ("10.500", "10500", "10.5"),
        ("-1,000", "-1000", "-1.0"),
    ],
)
def test_what_could_be_thousands_or_decimals_is_refused_and_both_ways_out_are_told(
    said: str, one: str, other: str
) -> None:
    asked = [decimal("one", "Hours", least=-(10**6))]
    with pytest.raises(UsageError) as refused:
        read_fields(asked, [("one", said)])
    assert refused.value.what == f"Hours: {said!r} can mean {one} and {other}."
    assert refused.value.next_step == f"Write {one} or {other}."
    for each in (one, other):
        assert read_fields(asked, [("one", each)]) == {"one": float(each)}
