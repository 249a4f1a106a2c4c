"""Whether to go on reading: the published check values, and what must hold for any numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.money import Money
from mendbay.imaging.ahead import Ahead, Pace, Prospect, look_ahead
from mendbay.imaging.going_on import Advice, Left, Stakes, advise

EVERYTHING = 1_000_000


def advice(
    brings: float,
    *,
    per_hour: float = 0.02,
    worth: str = "",
    hour: str = "",
    gives: float = 1.0,
    **more: float,
) -> Advice:
    """For a drive of which everything is lacking, and an hour that brings a share of it."""
    stakes = Stakes(
        Money.parse(worth) if worth else None, Money.parse(hour) if hour else None, head_work_gives=gives
    )
    ahead = Ahead(more.get("seconds", 3600.0), 0.0, brings * EVERYTHING, more.get("refusals", 0.0))
    left = Left(0, 0, EVERYTHING, EVERYTHING)
    found = advise(ahead, left, per_hour, more.get("per_refusal", 0.0), stakes)
    assert found is not None
    return found


@pytest.mark.parametrize(("worth", "go_on"), [(1000, True), (2500, False), (2019, True), (2021, False)])
def test_the_check_values(worth: int, go_on: bool) -> None:
    """As in tests/unit/core/test_loss_odds.py (derived by hand): 50 an hour comes, the bench costs 10, the
    hazard is 0.02 an hour; with 1000 at risk go on, with 2500 stop, even at 2020."""
    found = advice(50 / worth, worth=f"{worth}.00 EUR", hour="10.00 EUR")
    assert found.go_on is go_on
    assert found.dies == pytest.approx(0.0198, abs=5e-5)
    assert found.costs == pytest.approx(10 / worth)


def test_in_shares_alone() -> None:
    """An hour that brings 0.4 % against 1.98 % of death: stop if head work would give all, go on if it would
    give less than a fifth."""
    assert not advice(0.004, gives=1.0).go_on
    assert advice(0.004, gives=1.0).risks == pytest.approx(0.0198, abs=5e-5)
    assert advice(0.004, gives=0.2).go_on
    assert advice(0.004, gives=0.0).go_on, "head work is no option"


def test_refusals_are_a_risk_of_their_own() -> None:
    """1000 refusals at 1e-4 each: 0.02 + 0.1 an hour, 1 - exp(-0.12) = 11.3 %."""
    assert advice(0.1, refusals=1000.0, per_refusal=1e-4).dies == pytest.approx(0.11308, abs=1e-5)


def test_less_than_an_hour_has_less_of_the_risk() -> None:
    found = advice(0.004, seconds=360.0)
    assert found.dies == pytest.approx(0.0019980, abs=1e-6)
    assert found.go_on, "0.4 % in six minutes against 0.2 %"


def test_what_is_wanted_counts_nine_in_ten() -> None:
    """All of the rest is lacking and a tenth of what is wanted: 0.9 x 0.1 + 0.1 = 0.19 of the worth."""
    left = Left(1000, 100, 9000, 9000)
    assert left.lacking == pytest.approx(0.19)
    found = advise(Ahead(3600, 10.0, 900.0, 0.0), left, 0.0, 0.0, Stakes())
    assert found is not None
    assert found.brings == pytest.approx((0.9 * 0.01 + 0.1 * 0.1) / 0.19)


def test_nothing_lacking_or_nothing_left_to_try_needs_no_advice() -> None:
    assert advise(Ahead(3600, 0, 10, 0), Left(10, 0, 10, 0), 0.02, 0.0, Stakes()) is None
    assert advise(Ahead(0, 0, 0, 0), Left(10, 5, 10, 5), 0.02, 0.0, Stakes()) is None


shares = st.floats(0, 1)
hazards = st.floats(0, 10)


@given(shares, hazards, hazards, shares, st.floats(1, 3600), st.floats(0, 1200))
def test_more_hazard_never_turns_stop_into_go_on(
    brings: float, hazard: float, more: float, gives: float, seconds: float, refusals: float
) -> None:
    less = advice(brings, per_hour=hazard, gives=gives, seconds=seconds, refusals=refusals)
    worse = advice(brings, per_hour=hazard + more, gives=gives, seconds=seconds, refusals=refusals)
    wearing = advice(
        brings, per_hour=hazard, per_refusal=more, gives=gives, seconds=seconds, refusals=refusals
    )
    assert less.go_on or not worse.go_on
    assert less.go_on or not wearing.go_on
    assert less.dies <= worse.dies + 1e-12


@given(shares, shares, hazards, shares, st.floats(1, 3600))
def test_a_higher_gain_never_turns_go_on_into_stop(
    brings: float, more: float, hazard: float, gives: float, seconds: float
) -> None:
    low, high = sorted((brings, more))
    less = advice(low, per_hour=hazard, gives=gives, seconds=seconds)
    richer = advice(high, per_hour=hazard, gives=gives, seconds=seconds)
    assert richer.go_on or not less.go_on


EUROS, POUNDS = Money(100, "EUR"), Money(100, "GBP")


@pytest.mark.parametrize(
    ("worth", "hour", "gives"), [(EUROS, POUNDS, 0.5), (-EUROS, EUROS, 0.5), (None, None, 1.5)]
)
def test_stakes_that_cannot_be_are_refused(worth: Money | None, hour: Money | None, gives: float) -> None:
    with pytest.raises(ValueError, match=r"currency|no share"):
        Stakes(worth, hour, gives)


PACE = Pace(command=0.002, seek=0.012, sector=3.4e-6, refusal=3.0, refusal_cost=8.0)


def test_the_best_land_is_taken_first_and_the_time_is_kept_to() -> None:
    """A retry takes 0.014 + 0.9 x 3 s and gives 0.1; six minutes are room for about 131, after a long healthy
    run of 3.4 s and 250 reads of 2 ms."""
    healthy = Prospect(1e5, 1.0, 1e6, 4000, 1.0, 1.0)
    retries = Prospect(0.01, 1.0, 1000, 1, 0.1, 0.1)
    found = look_ahead([retries, healthy], PACE, 360.0, lambda weight: weight > 1)
    assert found.seconds == pytest.approx(360.0)
    assert found.rest_sectors == pytest.approx(1e6 + 0.1 * (360 - 3.4 - 0.5) / 2.714, rel=0.01)
    assert found.refusals == pytest.approx(0.9 * (360 - 3.9) / 2.714, rel=0.02)


def test_what_ends_sooner_is_told_so_and_worthless_land_is_left_out() -> None:
    few = Prospect(0.01, 100.0, 10, 1, 0.5, 0.5)
    left_out = Prospect(0.0, 0.0, 1e9, 4000, 1.0, 1.0)
    found = look_ahead([few, left_out], PACE, 3600.0, lambda weight: weight > 1)
    assert (found.wanted_sectors, found.rest_sectors) == (pytest.approx(5.0), 0)
    assert found.seconds == pytest.approx(10 * 1.5 + 10 * 0.002, rel=0.02)


@given(
    st.lists(st.tuples(st.floats(0, 1e4), shares, shares, st.integers(1, 5000)), max_size=12),
    st.floats(1, 1e5),
)
def test_a_look_keeps_within_time_and_land(
    rows: list[tuple[float, float, float, int]], seconds: float
) -> None:
    """Also where many prospects have one score."""
    prospects = [Prospect(round(score), 1.0, 5000, size, low * high, high) for score, low, high, size in rows]
    found = look_ahead(prospects, PACE, seconds, lambda weight: weight > 1)
    assert 0 <= found.seconds <= seconds * (1 + 1e-9)
    assert found.wanted_sectors == 0
    assert 0 <= found.rest_sectors <= 5000 * len(rows) * (1 + 1e-9)
    assert 0 <= found.refusals <= seconds / PACE.refusal * (1 + 1e-9)
