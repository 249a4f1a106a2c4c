"""Keeps what is gathered from the whole shop, so that a page need not gather it each time it is asked for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

Found = TypeVar("Found")

WAIT_SECONDS = 0.5
"""How long the page that begins to gather what has changed waits for it, before it shows what was gathered
before. Others that come meanwhile wait no longer, nor does anybody for what has only aged."""


@dataclass(frozen=True, slots=True)
class Gathered(Generic[Found]):
    """What was gathered.

    Args:
        version: of the ledger it was gathered from.
        at: when, UTC as records carry it.
        seconds: on the steady clock, when.
        is_old: the ledger has changed since, and it is being gathered anew.
    """

    found: Found
    version: object
    at: str
    seconds: float
    is_old: bool = False


class Gatherer(Generic[Found]):
    """One thread that gathers something when it is asked for and the ledger has changed.

    Args:
        gather: gives what was found, and when (UTC as records carry it).
        version: gives a number that differs after every change of the ledger.
        tell: called once something that nobody waited for is there.
        kept_seconds: how long it is shown at most, for what no ledger tells.
        is_unfinished: whether what was found is to be gathered anew though nothing changed.
    """

    def __init__(
        self,
        gather: Callable[[], tuple[Found, str]],
        version: Callable[[], object],
        tell: Callable[[], None],
        kept_seconds: float = float("inf"),
        is_unfinished: Callable[[Found], bool] = lambda found: False,
    ) -> None:
        self._gather = gather
        self._version = version
        self._tell = tell
        self._kept_seconds = kept_seconds
        self._is_unfinished = is_unfinished
        self._thread = ThreadPoolExecutor(1, "gatherer")
        self._under_way: Future[Gathered[Found]] | None = None
        self._kept: Gathered[Found] | None = None
        self._lock = threading.Lock()

    def get(self) -> Gathered[Found] | None:
        """What was gathered; None where it never was and takes long, as the first time in a large shop.

        Raises:
            MendbayError: it cannot be gathered.
        """
        kept = self._kept
        if kept is not None and not self._is_stale(kept):
            return kept
        before = None if kept is None else replace(kept, is_old=True)
        waits = 0.0
        with self._lock:  # of two who ask at once one begins
            under_way = self._under_way
            if under_way is None or under_way.done():
                try:
                    under_way = self._under_way = self._thread.submit(self._gathered)
                except RuntimeError:  # ended meanwhile
                    return before
                if kept is None or kept.version != self._version():
                    waits = WAIT_SECONDS
        try:
            return under_way.result(waits)
        except CancelledError:  # ended meanwhile, before it was begun
            return before
        except NotYet:
            under_way.add_done_callback(lambda _: self._tell())
            return before

    def end(self) -> None:
        """Ends it; what is under way is not waited for."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _is_stale(self, kept: Gathered[Found]) -> bool:
        aged = time.monotonic() - kept.seconds > self._kept_seconds
        return aged or self._is_unfinished(kept.found) or kept.version != self._version()

    def _gathered(self) -> Gathered[Found]:
        version = self._version()
        found, at = self._gather()
        self._kept = made = Gathered(found, version, at, time.monotonic())
        return made
