"""Time as the stages see it: injected, so that tests and the simulated drive decide what it is."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Wall-clock time for records and a steady count for durations."""

    def now(self) -> datetime:
        """The present, with the UTC zone attached."""
        ...

    def steady_seconds(self) -> float:
        """Seconds from an arbitrary start that never run backwards."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def steady_seconds(self) -> float:
        return time.monotonic()


def passing_seconds() -> float:
    """Seconds from an arbitrary start that never run backwards, nobody sets, and that go on while the machine
    sleeps (`CLOCK_BOOTTIME`); for what ends after a while, whoever was awake. `steady_seconds` rests then."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def iso(moment: datetime) -> str:
    """The moment as records carry it: UTC, ISO 8601 / RFC 3339, whole seconds, `Z`.

    Raises:
        ValueError: the moment has no zone.
    """
    if moment.tzinfo is None:
        raise ValueError("a moment without a zone cannot be recorded")
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def iso_from_epoch(seconds: int) -> str:
    """Seconds since 1970 as `iso` writes it; an empty text for 0 (never set) or a value out of range."""
    if not 0 < seconds < 253_402_300_800:
        return ""
    return iso(datetime.fromtimestamp(seconds, UTC))
