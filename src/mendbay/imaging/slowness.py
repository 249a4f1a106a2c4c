"""Slow reads as forerunners of refusals.

A drive that reads a place only after many tries of its own gives the bytes late. Whether a late answer means
that refusals are near differs from drive to drive, so it is counted: of the slow reads so far, beside how
many was the next read refused.
"""

from __future__ import annotations

from bisect import bisect_left, insort

SLOW_TIMES, SLOW_SECONDS = 3.0, 0.04
"""A read is slow when it took so many times what was expected, and so many seconds longer (about three turns
of the platter at 7200/min more than expected; own choice, no source)."""
_FOLLOWED, _TOLD = 0.3, 10.0
_NEAR = 4_096
_MOST_KEPT = 4_096


class Slowness:
    """Where reads were slow, and what a slow read is worth as evidence. Places are sector numbers."""

    def __init__(self) -> None:
        self._places: list[int] = []
        self._open: list[int] = []
        self._followed = _FOLLOWED
        self._told = _TOLD

    @property
    def worth(self) -> float:
        """How many bad sectors one slow read stands for; between 0 and 1."""
        return self._followed / self._told

    def given(self, start: int, stop: int, seconds: float, expected_seconds: float) -> bool:
        """Notes a read that was given; returns whether it was slow."""
        self._judge(start, stop, refused=False)
        slow = seconds > SLOW_TIMES * expected_seconds and seconds > expected_seconds + SLOW_SECONDS
        if slow:
            insort(self._places, (start + stop) // 2)
            insort(self._open, (start + stop) // 2)
            if len(self._places) > _MOST_KEPT:  # a drive that is slow everywhere tells nothing by it
                del self._places[::2]
            if len(self._open) > _MOST_KEPT:
                del self._open[::2]
        return slow

    def refused(self, start: int, stop: int) -> None:
        """Notes a read that was refused."""
        self._judge(start, stop, refused=True)

    def _judge(self, start: int, stop: int, refused: bool) -> None:
        """The first read beside a slow one decides whether the slow one foretold a refusal."""
        if not self._open:
            return
        low, high = bisect_left(self._open, start - _NEAR), bisect_left(self._open, stop + _NEAR)
        told = high - low
        if told:
            del self._open[low:high]
            self._told += told
            self._followed += told if refused else 0

    def between(self, low: int, high: int) -> float:
        """The bad sectors that slow reads between two places stand for."""
        if not self._places:
            return 0.0
        return (bisect_left(self._places, high) - bisect_left(self._places, low)) * self.worth
