"""Limits of temperature, and how often a drive is asked."""

from __future__ import annotations

import pytest

from mendbay.imaging.temperature import (
    ASK_LATEST_SECONDS,
    ASK_SOONEST_SECONDS,
    USUAL,
    Heat,
    Warmth,
    ask_again_after,
    heat_of,
    limits_for,
)


def readings(*celsius: int | None, every: float = 100.0) -> list[Warmth]:
    return [Warmth(at * every, one) for at, one in enumerate(celsius)]


@pytest.mark.parametrize(
    ("celsius", "heat"),
    [
        (None, Heat.UNKNOWN),
        (49, Heat.FINE),
        (50, Heat.WARM),
        (54, Heat.WARM),
        (55, Heat.HOT),
        (59, Heat.HOT),
        (60, Heat.TOO_HOT),
    ],
)
def test_the_usual_limits(celsius: int | None, heat: Heat) -> None:
    """50, 55 and 60 degrees: common practice, no source."""
    assert heat_of(celsius, USUAL) is heat


def test_the_drives_own_limit_goes_before_the_usual_one() -> None:
    limits = limits_for(70)
    assert (limits.warn, limits.pause, limits.stop, limits.origin) == (60, 65, 70, "the drive's own")


@pytest.mark.parametrize("said", [None, 0, -1, 30, 127])
def test_a_limit_that_cannot_be_right_is_not_believed(said: int | None) -> None:
    assert limits_for(said) == USUAL


def test_steady_is_asked_rarely_and_near_the_limit_often() -> None:
    assert ask_again_after(readings(35), USUAL) == ASK_SOONEST_SECONDS
    assert ask_again_after(readings(35, 35), USUAL) == ASK_LATEST_SECONDS
    assert ask_again_after(readings(40, 36), USUAL) == ASK_LATEST_SECONDS
    assert ask_again_after(readings(48, 49), USUAL) == ASK_SOONEST_SECONDS
    assert ask_again_after(readings(51, 51), USUAL) == ASK_SOONEST_SECONDS


def test_rising_is_asked_in_half_the_time_to_the_limit() -> None:
    assert ask_again_after(readings(36, 40), USUAL) == pytest.approx(125.0)  # 10 degrees at 4 a 100 s, halved


def test_no_answer_three_times_ends_the_questions() -> None:
    assert ask_again_after(readings(None, None), USUAL) == ASK_SOONEST_SECONDS
    assert ask_again_after(readings(35, None, None, None), USUAL) is None
    assert ask_again_after(readings(None, None, 35, None), USUAL) is not None
