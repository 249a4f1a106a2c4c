"""The bounds of how long a reading may still take, for every pace."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span
from mendbay.jobs.events import Phase, ReadingProgress
from mendbay.jobs.time_left import LEAST_WINDOWS, WINDOW_SECONDS, WINDOWS, TimeLeft, of_all

SECONDS = st.floats(0.001, 100, allow_nan=False)
ANSWERS = st.lists(st.tuples(SECONDS, st.integers(0, 1 << 24)), max_size=60)


def after(answers: list[tuple[float, int]], tries: list[float] = []) -> TimeLeft:  # noqa: B006
    found, now = TimeLeft(3.0), 0.0
    found.begin(now)
    for seconds, given_bytes in answers:
        now += seconds
        found.answered(now, given_bytes)
    for one in tries:
        found.tried(one)
    return found


@given(ANSWERS, st.lists(SECONDS, max_size=9), st.integers(0, 1 << 40), st.integers(0, 99), st.floats(0, 1e9))
def test_what_is_told_otherwise_lies_between_the_bounds(
    answers: list[tuple[float, int]], tries: list[float], left: int, sectors: int, likely: float
) -> None:
    bounds = after(answers, tries).bounds(left, sectors, 3 * sectors, likely)
    if bounds is not None:
        assert 0 <= bounds[0] <= likely <= bounds[1]


@given(ANSWERS, st.integers(1, 1 << 40), st.integers(0, 99))
def test_more_that_is_left_never_takes_less(
    answers: list[tuple[float, int]], left: int, sectors: int
) -> None:
    found = after(answers)
    less, more = (
        found.bounds(left, sectors, sectors, 1.0),
        found.bounds(2 * left, sectors + 1, sectors + 2, 1.0),
    )
    assert (less is None) == (more is None)
    if less and more:
        assert less[0] <= more[0]
        assert less[1] <= more[1]


@given(st.integers(LEAST_WINDOWS, 3 * WINDOWS), st.integers(1, 1 << 20), st.integers(1, 1 << 40))
def test_a_steady_pace_leaves_no_doubt(windows: int, each: int, left: int) -> None:
    found = after([(WINDOW_SECONDS, each)] * windows)
    likely = left * WINDOW_SECONDS / each
    low, high = found.bounds(left, 0, 0, likely) or (0.0, 0.0)
    assert abs(low - likely) <= 1e-9 * likely
    assert abs(high - likely) <= 1e-9 * likely


@given(st.integers(0, LEAST_WINDOWS - 1), st.floats(0, 1e6))
def test_too_short_a_reading_tells_nothing(windows: int, likely: float) -> None:
    found = after([(WINDOW_SECONDS, 4096)] * windows)
    assert found.bounds(1, 0, 0, likely) is None
    assert found.bounds(0, 0, 0, None) is None


def test_only_the_last_ten_minutes_count_and_rests_do_not() -> None:
    found = after([(WINDOW_SECONDS, 1)] * WINDOWS)  # slow
    now = WINDOWS * WINDOW_SECONDS
    for _ in range(WINDOWS):
        now += 1e6
        found.skip(1e6)  # a rest
        now += WINDOW_SECONDS
        found.answered(now, 5_000_000)
    low, high = found.bounds(1_000_000, 0, 0, 1.0) or (0.0, 0.0)
    assert low <= 1.0 <= high < 1.001


def test_a_stretch_that_gives_nothing_is_a_part_of_the_pace_behind_it() -> None:
    found = after([(WINDOW_SECONDS, 1_000_000)] * 20 + [(30.0, 0), (WINDOW_SECONDS, 1_000_000)] * 5)
    low, high = found.bounds(1_000_000, 0, 0, 6.0) or (0.0, 0.0)
    assert low == WINDOW_SECONDS
    assert high == 30.0 + WINDOW_SECONDS


def test_refused_sectors_are_tried_once_at_least_and_as_often_as_is_left_at_most() -> None:
    found = after([], [2.0] * 30)
    assert found.bounds(0, 10, 25, 30.0) == (20.0, 50.0)
    assert after([]).bounds(0, 10, 25, 30.0) == (30.0, 75.0), "assumed, where none was tried"


def told(low: float | None, high: float | None, *, shared: bool) -> ReadingProgress:
    return ReadingProgress(
        "1",
        Phase.REST,
        Span(0, 0),
        0,
        0,
        9,
        1.0,
        low,
        is_shared=shared,
        seconds_left_low=low,
        seconds_left_high=high,
    )


def test_drives_that_share_a_task_need_less_together_and_others_as_long_as_the_last() -> None:
    assert of_all([told(20, 60, shared=True), told(20, 30, shared=True)]) == (10, 20)
    assert of_all([told(20, 60, shared=False), told(30, 40, shared=False)]) == (30, 60)
    assert of_all([told(20, 60, shared=True), told(0, 0, shared=True)]) == (20, 60), "one is through"
    assert of_all([told(20, 60, shared=True), told(None, None, shared=True)]) is None
    assert of_all([told(0, 0, shared=False)]) == (0, 0)
    assert of_all([]) is None
