"""What looks at the logs of images leave for the next ones, so that a look costs what is new."""

from __future__ import annotations

import threading
from collections.abc import Hashable

MOST_KEPT = 16


class LogMemory:
    """What was made of the logs that were looked at, by image; for any number of threads. What is kept, and
    what shows that it still holds, is known to `Images` alone."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[Hashable, object] = {}

    def of(self, image: Hashable) -> object | None:
        """What the last look left; None if there was none."""
        with self._lock:
            return self._kept.get(image)

    def keep(self, image: Hashable, seen: object) -> None:
        """Keeps what a look made; what was kept longest goes where there is too much."""
        with self._lock:
            self._kept.pop(image, None)
            self._kept[image] = seen
            while len(self._kept) > MOST_KEPT:
                self._kept.pop(next(iter(self._kept)))
