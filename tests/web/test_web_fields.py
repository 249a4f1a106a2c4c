"""What forms say is read as what it must be, or refused as that."""

from __future__ import annotations

import pytest

from mendbay.core.errors import UsageError
from mendbay.faces.web.fields import Field, day, decimal, number, read_fields


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (number("one", "One", least=-9), "--5"),
        (decimal("one", "One", least=-9), "--4.7"),
        (day("one", "One"), "2027-W08-4"),
        (day("one", "One"), "20270225"),
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
