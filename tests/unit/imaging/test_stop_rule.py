"""When to stop reading a failing drive: the numbers of the model, reckoned by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.imaging.stop_rule import Advice, Prospect, hazard_per_hour, reckon

amounts = st.floats(0, 1e6)


def prospect(unread_value: float, other_way: bool = True) -> Prospect:
    """50 an hour still coming, a bench at 10 an hour, a hazard of 0.02 an hour."""
    return Prospect(50.0, 1.0, 10.0, 0.02, unread_value, other_way)


def test_going_on_pays_while_little_is_at_stake() -> None:
    """10 + (1 - exp(-0.02)) * 1000 = 29.80 against 50 (worked out by hand from the model)."""
    found = reckon(prospect(1000))
    assert found.advice is Advice.GO_ON
    assert found.gain == 50
    assert found.bench_cost + found.risk == pytest.approx(29.80, abs=0.005)


def test_the_same_drive_is_stopped_when_more_is_at_stake() -> None:
    """10 + (1 - exp(-0.02)) * 2500 = 59.50 against 50."""
    found = reckon(prospect(2500))
    assert found.advice is Advice.STOP
    assert found.bench_cost + found.risk == pytest.approx(59.50, abs=0.005)


def test_break_even_lies_where_both_are_equal() -> None:
    """(50 - 10) / (1 - exp(-0.02)) = 2020."""
    assert reckon(prospect(1000)).break_even_value == pytest.approx(2020, abs=0.5)


def test_without_another_way_nothing_is_lost_by_going_on() -> None:
    found = reckon(prospect(1e9, other_way=False))
    assert found.advice is Advice.GO_ON
    assert found.risk == 0
    assert math.isinf(found.break_even_value)


def test_it_stops_at_once_when_the_hourly_risk_exceeds_the_hourly_gain() -> None:
    assert reckon(prospect(2501)).advice is Advice.STOP_AT_ONCE
    assert reckon(prospect(2499)).advice is Advice.STOP


def test_a_bench_dearer_than_what_comes_is_left() -> None:
    assert reckon(Prospect(5.0, 1.0, 10.0, 0.0, 0.0, False)).advice is Advice.STOP


@given(amounts, amounts, amounts, st.floats(0, 5), amounts, st.floats(0.01, 100))
def test_the_break_even_value_separates_going_on_from_stopping(
    rate: float, worth: float, cost: float, hazard: float, unread: float, hours: float
) -> None:
    found = reckon(Prospect(rate, worth, cost, hazard, unread, True), hours)
    if found.gain <= found.bench_cost or unread > found.break_even_value * (1 + 1e-6):
        assert found.advice is not Advice.GO_ON
    elif unread < found.break_even_value * (1 - 1e-6) and hazard * unread < rate * worth:
        assert found.advice is Advice.GO_ON


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_numbers_that_cannot_be_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="negative or not finite"):
        reckon(Prospect(bad, 1.0, 1.0, 0.1, 1.0, True))
    with pytest.raises(ValueError, match="step"):
        reckon(prospect(1), hours=0 * bad if bad == -1.0 else bad)


def test_refusals_add_to_the_hazard_of_the_hour() -> None:
    assert hazard_per_hour(0.02, 0.0001, 300) == pytest.approx(0.05)
