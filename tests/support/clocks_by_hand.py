"""Clocks of which tests say how fast they go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass
class Time:
    """A clock that is put forward by hand."""

    seconds: float = 1000.0

    def now(self) -> datetime:
        return datetime(2026, 11, 28, tzinfo=UTC)

    def steady_seconds(self) -> float:
        return self.seconds

    def wait(self, seconds: float) -> None:
        self.seconds += seconds


class Quick(Time):
    """Six seconds pass whenever somebody looks."""

    def steady_seconds(self) -> float:
        self.seconds += 6
        return self.seconds
