"""Quantities in words: nothing rounds across a line a person would act on."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.quantity import (
    bytes_text,
    count_text,
    counted,
    duration_text,
    grouped_bytes,
    percent_text,
    share_text,
)

UNITS = {
    "byte": 1,
    "bytes": 1,
    "kB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "PB": 10**15,
    "EB": 10**18,
}


def test_thin_spaces_and_the_plain_form() -> None:
    assert count_text(1_204_224) == "1\u2009204\u2009224"
    assert count_text(1_204_224, plain=True) == "1 204 224"
    assert bytes_text(500_107_862_016) == "500\u2009GB"
    assert percent_text(1, 3) == "33.3\u2009%"
    assert duration_text(7500) == "2\u2009h 05\u2009min"


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.00 kB"),
        (4096, "4.10 kB"),
        (9_994, "9.99 kB"),
        (9_995, "10.0 kB"),
        (99_949, "99.9 kB"),
        (99_950, "100 kB"),
        (999_499, "999 kB"),
        (999_500, "1.00 MB"),
        (74_530_000_000, "74.5 GB"),
        (2_000_398_934_016, "2.00 TB"),
        (2**63 - 1, "9.22 EB"),
        (10**21, "1 000 EB"),
    ],
)
def test_bytes(count: int, text: str) -> None:
    assert bytes_text(count, plain=True) == text


def test_a_size_is_not_negative() -> None:
    with pytest.raises(ValueError, match="not a size"):
        bytes_text(-1)


@given(st.integers(0, 10**20))
def test_bytes_are_within_half_a_digit(count: int) -> None:
    number, unit = bytes_text(count, plain=True).rsplit(" ", 1)
    shown = Fraction(number.replace(" ", ""))
    step = Fraction(1, 10 ** len(number.partition(".")[2]))
    assert abs(shown * UNITS[unit] - count) <= step * UNITS[unit] / 2
    if unit not in ("byte", "bytes", "EB"):
        assert 1 <= shown < 1000
        assert len(number.replace(".", "")) == 3


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.001, "under 1 s"),
        (0.999, "under 1 s"),
        (1, "1 s"),
        (59.4, "59 s"),
        (59.5, "1 min 00 s"),
        (200, "3 min 20 s"),
        (3599.4, "59 min 59 s"),
        (3599.6, "1 h 00 min"),
        (3629, "1 h 00 min"),
        (7500, "2 h 05 min"),
        (86_369, "23 h 59 min"),
        (86_370, "1 d 0 h"),
        (86_400 * 3 + 3600 * 4, "3 d 4 h"),
        (86_400 * 2345, "2 345 d 0 h"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration_text(seconds, plain=True) == text


@pytest.mark.parametrize("seconds", [-1.0, math.nan, math.inf])
def test_what_is_no_length_of_time(seconds: float) -> None:
    with pytest.raises(ValueError, match="not a length of time"):
        duration_text(seconds)


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [
        (0, 7, "0 %"),
        (7, 7, "100 %"),
        (0, 0, "none of none"),
        (1, 2, "50.0 %"),
        (1, 10**15, "under 0.1 %"),
        (10**15 - 1, 10**15, "over 99.9 %"),
        (1, 1000, "0.1 %"),
        (999, 1000, "99.9 %"),
        (9_991, 10_000, "over 99.9 %"),
        (9_989, 10_000, "99.9 %"),
        (453, 1000, "45.3 %"),
    ],
)
def test_shares(part: int, whole: int, text: str) -> None:
    assert percent_text(part, whole, plain=True) == text


@pytest.mark.parametrize(("part", "whole"), [(2, 1), (-1, 5), (0, -1)])
def test_what_is_no_share(part: int, whole: int) -> None:
    with pytest.raises(ValueError, match="not a part"):
        percent_text(part, whole)


@given(st.integers(1, 2**63), st.data())
def test_only_all_is_100_and_only_nothing_is_0(whole: int, data: st.DataObject) -> None:
    part = data.draw(
        st.integers(0, whole) | st.integers(max(0, whole - 3), whole) | st.integers(0, min(3, whole))
    )
    text = percent_text(part, whole, plain=True)
    assert (text == "100 %") == (part == whole)
    assert (text == "0 %") == (part == 0)
    assert text not in ("0.0 %", "100.0 %")
    share = Fraction(part * 100, whole)
    if text.startswith("over"):
        assert Fraction("99.9") < share < 100
    elif text.startswith("under"):
        assert 0 < share < Fraction("0.1")
    else:
        assert abs(Fraction(text.removesuffix(" %")) - share) <= Fraction("0.05")


@given(st.integers(0, 10**20), st.floats(0, 10**9), st.integers(1, 10**6))
def test_the_plain_form_differs_in_spaces_only(count: int, seconds: float, whole: int) -> None:
    for spaced, plain in [
        (bytes_text(count), bytes_text(count, plain=True)),
        (count_text(count), count_text(count, plain=True)),
        (duration_text(seconds), duration_text(seconds, plain=True)),
        (percent_text(min(count, whole), whole), percent_text(min(count, whole), whole, plain=True)),
    ]:
        assert plain.isascii()
        assert spaced.replace("\u2009", " ") == plain


def test_things_are_counted_in_words() -> None:
    assert [counted(number, "bit", plain=True) for number in (0, 1, 2, 1204)] == [
        "0 bits", "1 bit", "2 bits", "1 204 bits",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.0, "under 0.01 %"), (0.0042, "0.42 %"), (0.0198, "2 %"), (0.127, "13 %"), (0.995, "over 99 %")],
)
def test_small_shares_have_two_digits_that_count(share: float, text: str) -> None:
    assert share_text(share, plain=True) == text
    assert share_text(share) == text.replace(" %", "\N{THIN SPACE}%")


def test_only_numbers_of_bytes_are_grouped_in_a_sentence() -> None:
    said = "4096 of the 12288 bytes of serial 12345 cannot be read, 512 bytes can, and 1000 too"
    assert grouped_bytes(said) == (
        "4\u2009096 of the 12\u2009288 bytes of serial 12345 cannot be read, 512 bytes can, and 1000 too"
    )
