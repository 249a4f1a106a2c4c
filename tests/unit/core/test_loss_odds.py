"""Published and derived values of drives that fail; each names where it comes from."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.capacity import standard_sectors
from mendbay.core.loss_odds import (
    death_chance,
    going_on_gains,
    hours_to_data_loss,
    mean_hours,
    pair_hours_to_data_loss,
    unreadable_chance,
)

DISK, REPAIR, DATA_DISKS = 30_000.0, 1.0, 100


@pytest.mark.parametrize(
    ("data", "check", "hours", "printed"),
    [(1, 1, 4_500_000, 4_500_000), (10, 4, 494_505, 494_500), (10, 1, 818_182, 820_000)],
)
def test_the_table_of_the_raid_paper(data: int, check: int, hours: int, printed: int) -> None:
    """Patterson, Gibson, Katz, SIGMOD 1988: 100 data disks of 30 000 h, 1 h to replace one; levels 1, 2, 5.
    Formula and printed values from memory."""
    found = hours_to_data_loss(DISK, REPAIR, data, check) / (DATA_DISKS / data)
    assert found == pytest.approx(hours, abs=1)
    assert found == pytest.approx(printed, rel=0.003)
    assert DISK / DATA_DISKS == 300, "without redundancy"


def test_a_mirror_of_two() -> None:
    """450 000 000 h by the paper's formula, 450 045 000 h by the Markov chain (derived); and 1.5e11 h for
    6 000 000 h and 120 h (cs.stackexchange.com, `What is the system's mean time to failure?`)."""
    assert hours_to_data_loss(DISK, REPAIR) == pytest.approx(450_000_000)
    assert pair_hours_to_data_loss(DISK, REPAIR) == pytest.approx(450_045_000)
    assert hours_to_data_loss(6_000_000, 120) == pytest.approx(1.5e11)


@pytest.mark.parametrize(
    ("afr", "mean", "day", "week"),
    [(0.086, 97_415, 0.000246, 0.00172), (0.017, 510_902, 0.000047, 0.000329)],
)
def test_the_other_drive_dying_while_it_is_read(afr: float, mean: float, day: float, week: float) -> None:
    """Yearly shares of 8.6 % and 1.7 % as in large populations; the rest derived from them by hand."""
    hours = mean_hours(afr)
    assert hours == pytest.approx(mean, abs=1)
    assert death_chance(24, hours) == pytest.approx(day, abs=5e-7)
    assert death_chance(7 * 24, hours) == pytest.approx(week, abs=5e-6)
    assert death_chance(8760, hours) == pytest.approx(afr)


@pytest.mark.parametrize(
    ("gigabytes", "bits", "chance"),
    [
        (500, 1e14, 0.03922),
        (1000, 1e14, 0.07690),
        (4000, 1e14, 0.2739),
        (8000, 1e14, 0.4728),
        (4000, 1e15, 0.0315),
    ],
)
def test_a_full_read_of_a_drive(gigabytes: int, bits: float, chance: float) -> None:
    """Binomial, for the standard capacities (IDEMA LBA1-02); derived by hand."""
    size = standard_sectors(gigabytes, 512) * 512
    assert unreadable_chance(size, bits) == pytest.approx(chance, abs=5e-5)
    assert unreadable_chance(size, bits) == pytest.approx(1 - math.exp(-8 * size / bits), abs=1e-9)


def test_as_many_bits_as_one_error_takes() -> None:
    assert unreadable_chance(12_500_000_000_000) == pytest.approx(1 - math.exp(-1), abs=1e-6)
    assert unreadable_chance(12_500_000_000_000) == pytest.approx(0.6321, abs=5e-5)


def test_when_to_stop() -> None:
    """50 an hour still comes, the bench costs 10, the hazard is 0.02 an hour (own model, derived by hand):
    with 1 000 at risk go on, with 2 500 stop; even at 2 020."""
    lost = 1 - math.exp(-0.02)
    assert going_on_gains(1, 50, 10, 0.02, 1000) == pytest.approx(40 - lost * 1000)
    assert lost * 1000 == pytest.approx(19.80, abs=5e-3)
    assert going_on_gains(1, 50, 10, 0.02, 1000) > 0
    assert lost * 2500 + 10 == pytest.approx(59.50, abs=1e-2)
    assert going_on_gains(1, 50, 10, 0.02, 2500) < 0
    assert 40 / lost == pytest.approx(2020, abs=1)


@given(
    st.floats(0, 1e5), st.floats(0, 1e5), st.floats(1, 1e7), st.integers(0, 10**14), st.integers(0, 10**14)
)
def test_more_time_and_more_bytes_never_make_it_likelier_to_go_well(
    hours: float, more: float, mean: float, size: int, further: int
) -> None:
    assert 0 <= death_chance(hours, mean) <= death_chance(hours + more, mean) <= 1
    assert 0 <= unreadable_chance(size) <= unreadable_chance(size + further) <= 1
    assert going_on_gains(hours, 1, 1, 1 / mean, more) <= going_on_gains(hours, 1, 1, 1 / mean, 0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: mean_hours(0),
        lambda: mean_hours(1),
        lambda: death_chance(-1, 10),
        lambda: death_chance(math.nan, 10),
        lambda: unreadable_chance(-1),
        lambda: unreadable_chance(1, 1),
        lambda: hours_to_data_loss(1, 1, 0, 1),
        lambda: pair_hours_to_data_loss(0, 1),
        lambda: going_on_gains(1, math.nan, 0, 0, 0),
    ],
)
def test_what_cannot_be_is_refused(call: object) -> None:
    with pytest.raises(ValueError, match=r"make no chance|not a share|cannot be|are numbers"):
        call()  # type: ignore[operator]
