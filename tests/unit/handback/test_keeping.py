"""Until when copies are kept."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.handback.keeping import DEFAULT_DAYS, MOST_DAYS, day_after, is_over, read_keeping


def test_the_shops_own_days() -> None:
    assert read_keeping("").days == DEFAULT_DAYS
    assert read_keeping("days = 0").days == 0


@pytest.mark.parametrize(
    "text",
    ["days = -1", "days = true", "days = 1.5", 'days = "30"', "weeks = 4", "days =", f"days = {10**30}"],
)
def test_what_is_not_sound_is_refused(text: str) -> None:
    with pytest.raises(BadFormFile, match=r"settings/keeping\.toml"):
        read_keeping(text)


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(0, MOST_DAYS))
def test_the_last_day_is_kept_and_the_day_after_is_not(day: date, days: int) -> None:
    last = day_after(day.isoformat(), days)
    assert date.fromisoformat(last) - day == timedelta(days)
    assert not is_over(last, last)
    assert is_over(last, (date.fromisoformat(last) + timedelta(1)).isoformat())


def test_no_day_is_never_over() -> None:
    assert not is_over("", "2099-01-01")


@pytest.mark.parametrize(
    ("day", "days"), [("2026-02-30", 1), ("soon", 1), ("2026-01-01", -1), ("2026-01-01", 9999)]
)
def test_what_is_no_day_is_refused(day: str, days: int) -> None:
    with pytest.raises(UsageError):
        day_after(day, days)
