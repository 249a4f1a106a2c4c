"""How many may do at once what is heavy for the machine that serves."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from mendbay.core.errors import Interrupted, MendbayError
from mendbay.jobs.ports import never

AT_ONCE = 4
"""Previews that are made at the same time: each may hold 64 MiB of a file (own choice)."""
MOST_WAITING = 12
WAITING_SECONDS = 20.0
LOOK_SECONDS = 0.1
PREVIEWS = "Too many previews are asked for at once."


class Gate:
    """Lets a few through at once; others wait, and are told if that takes long or too many do.

    Args:
        at_once: how many are let through.
        most_waiting: who else may wait: each holds a thread of the server, which has forty.
        seconds: how long one waits at most.
        refusal: what those are told.
    """

    def __init__(
        self,
        at_once: int = AT_ONCE,
        most_waiting: int = MOST_WAITING,
        seconds: float = WAITING_SECONDS,
        refusal: str = PREVIEWS,
    ) -> None:
        self._free = at_once
        self._may_wait = most_waiting
        self._seconds = seconds
        self._refusal = refusal
        self._changed = threading.Condition()

    @contextmanager
    def through(self, gone: Callable[[], bool] = never) -> Iterator[None]:
        """While open, one of the few.

        Args:
            gone: whether the one who asks has gone away meanwhile.

        Raises:
            MendbayError: too many wait already, or the wait was too long.
            Interrupted: the one who asked has gone away.
        """
        self._enter(gone)
        try:
            yield
        finally:
            with self._changed:
                self._free += 1
                self._changed.notify()

    def _enter(self, gone: Callable[[], bool]) -> None:
        until = time.monotonic() + self._seconds
        with self._changed:
            if not self._free and not self._may_wait:
                raise self._too_many()
            self._may_wait -= 1
            try:
                while not self._free:
                    if gone():
                        raise Interrupted("Whoever asked has gone away.", "Ask for it again.")
                    if time.monotonic() > until:
                        raise self._too_many()
                    self._changed.wait(LOOK_SECONDS)
                self._free -= 1
            finally:
                self._may_wait += 1

    def _too_many(self) -> MendbayError:
        return MendbayError(self._refusal, "Load the page again in a moment.")
