"""Times as records carry them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from mendbay.core.clock import SystemClock, iso, iso_from_epoch


def test_a_known_moment() -> None:
    """1 700 000 000 s since 1970 computed with the POSIX `date -u -d @1700000000`."""
    assert iso_from_epoch(1_700_000_000) == "2023-11-14T22:13:20Z"


def test_other_zones_become_utc() -> None:
    moment = datetime(2026, 11, 25, 8, 10, tzinfo=timezone(timedelta(hours=1)))
    assert iso(moment) == "2026-11-25T07:10:00Z"


def test_parts_of_seconds_are_dropped_not_rounded_into_the_future() -> None:
    assert iso(datetime(2026, 11, 25, 7, 10, 59, 999_999, UTC)) == "2026-11-25T07:10:59Z"


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="without a zone"):
        iso(datetime(2026, 11, 25))


@pytest.mark.parametrize("seconds", [0, -1, 253_402_300_800, 2**63])
def test_never_set_and_impossible_times_are_empty(seconds: int) -> None:
    assert iso_from_epoch(seconds) == ""


def test_the_last_second_of_year_9999_and_the_first_of_1970() -> None:
    assert iso_from_epoch(253_402_300_799) == "9999-12-31T23:59:59Z"
    assert iso_from_epoch(1) == "1970-01-01T00:00:01Z"


def test_the_system_clock() -> None:
    clock = SystemClock()
    assert abs(datetime.now(UTC) - clock.now()) < timedelta(seconds=5)
    assert clock.now().tzinfo is UTC
    first = clock.steady_seconds()
    assert clock.steady_seconds() >= first
