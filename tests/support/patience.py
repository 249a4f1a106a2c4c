"""Waiting for what another process is about to do, without guessing how long it takes."""

from __future__ import annotations

import time
from collections.abc import Callable


def until(holds: Callable[[], bool], seconds: float = 10.0) -> bool:
    """Whether the condition came to hold in time."""
    end = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True
