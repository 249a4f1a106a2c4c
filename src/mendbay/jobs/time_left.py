"""How long a reading may still take, as an interval: by how fast it was over the last minutes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from mendbay.jobs.events import ReadingProgress

WINDOW_SECONDS = 5.0
WINDOWS = 120
"""How many windows count: ten minutes (own choice)."""
LEAST_WINDOWS = 3
TRIES = 64
"""How many of the last tries of single sectors count (own choice)."""
OUTER = 0.1
"""The share of the quickest, and of the slowest, that lies outside the bounds."""


class TimeLeft:
    """The bounds between which the rest of a reading may well come out.

    The reading is cut into windows of at least `WINDOW_SECONDS`, each of which lasts until something was
    given in it; of the last `WINDOWS` the pace is kept, in seconds a byte. What is left at the pace that a
    tenth of them were quicker than, and at the one that a tenth were slower than, makes the bounds. To these
    come the tries of refused sectors: at least one for each, at most all that are left, at the same shares of
    what single tries took. So the rest is supposed to be like the last ten minutes, and in the worst case
    all of it like their slow parts; whether worse lies ahead cannot be known. Own choice, no source. Memory
    does not grow.

    Args:
        try_seconds: how long a try of a single sector takes until one was made.
    """

    def __init__(self, try_seconds: float) -> None:
        self._paces: deque[float] = deque(maxlen=WINDOWS)
        self._tries: deque[float] = deque(maxlen=TRIES)
        self._try_seconds = try_seconds
        self._since = 0.0
        self._bytes = 0

    def begin(self, now: float) -> None:
        """Begins a window anew, after a time in which nothing was read; earlier windows stay."""
        self._since, self._bytes = now, 0

    def skip(self, seconds: float) -> None:
        """So many seconds do not count: the drive rested."""
        self._since += seconds

    def answered(self, now: float, given_bytes: int) -> None:
        """Notes that a read was answered, with so many bytes given."""
        self._bytes += given_bytes
        took = now - self._since
        if self._bytes and took >= WINDOW_SECONDS:
            self._paces.append(took / self._bytes)
            self.begin(now)

    def tried(self, seconds: float) -> None:
        """Notes how long a try of a single sector took."""
        self._tries.append(seconds)

    def bounds(
        self, left_bytes: int, sectors: int, tries: int, likely: float | None
    ) -> tuple[float, float] | None:
        """The bounds in seconds; None while they are unknown.

        Args:
            left_bytes: what was not asked for yet.
            sectors, tries: refused sectors that are asked for again, and the most tries left for them.
            likely: the seconds left as told otherwise, which lie between the bounds.
        """
        if likely is None or (left_bytes > 0 and len(self._paces) < LEAST_WINDOWS):
            return None
        low = high = 0.0
        if left_bytes > 0:
            low, high = (left_bytes * pace for pace in _between(self._paces))
        if tries:
            quick, slow = _between(self._tries or (self._try_seconds,))
            low, high = low + sectors * quick, high + tries * slow
        return min(low, likely), max(high, likely)


def of_all(told: Iterable[ReadingProgress]) -> tuple[float, float] | None:
    """The bounds for several drives that are read at once; None while they are unknown.

    Args:
        told: what each drive that is still read told last. Where they share a task, each counts as if it read
            alone, so together they need less; else all are done when the last one is.
    """
    found = list(told)
    left = [one for one in found if one.seconds_left != 0]
    low = [one.seconds_left_low for one in left if one.seconds_left_low is not None]
    high = [one.seconds_left_high for one in left if one.seconds_left_high is not None]
    if not left:
        return (0.0, 0.0) if found else None
    if len(low) < len(left) or len(high) < len(left):
        return None
    if all(one.is_shared for one in left):
        return _side_by_side(low), _side_by_side(high)
    return max(low), max(high)


def _side_by_side(seconds: Sequence[float]) -> float:
    """How long several take together over what each alone takes so long for."""
    return 1 / sum(1 / one for one in seconds) if all(seconds) else 0.0


def _between(numbers: Sequence[float]) -> tuple[float, float]:
    """The least and the greatest of some numbers, `OUTER` of them left out at each end."""
    found = sorted(numbers)
    cut = int(OUTER * (len(found) - 1))
    return found[cut], found[-1 - cut]
