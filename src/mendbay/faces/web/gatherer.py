"""Keeps what is gathered from the whole shop, so that a page need not gather it each time it is asked for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Generic, NoReturn, TypeVar

Found = TypeVar("Found")

WAIT_SECONDS = 0.5
"""How long the page that begins to gather what has changed waits for it, before it shows what was gathered
before. Others that come meanwhile wait no longer, nor does anybody for what has only aged."""
PAUSE_SECONDS = 2.0
"""After what failed, before it is tried anew though the ledger is the same: whoever asks sooner hears of it.
As long as it took, where that was longer, so that what always fails keeps a processor half busy at most."""


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


@dataclass(slots=True)
class _Failed:
    """What was tried and failed.

    Args:
        story: where it failed, as every raising of the trouble adds to its own.
        version: of the ledger it was tried with.
        seconds: on the steady clock, from when on it is tried anew.
        is_told: somebody who asked was told.
    """

    trouble: Exception
    story: TracebackType | None
    version: object
    seconds: float
    is_told: bool = False

    def tell(self) -> NoReturn:
        """Raises its trouble."""
        self.is_told = True
        raise self.trouble.with_traceback(self.story)


class Gatherer(Generic[Found]):
    """One thread that gathers something when it is asked for and the ledger has changed.

    What could not be gathered is told to whoever asks next, also where nobody waited for it.

    Args:
        gather: gives what was found, and when (UTC as records carry it).
        version: gives something that differs after every change of the ledger, and each day.
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
        self._under_way: Future[Gathered[Found] | _Failed] | None = None
        self._kept: Gathered[Found] | None = None
        self._failed: _Failed | None = None
        self._lock = threading.Lock()
        self._let_go = 0

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
            under_way, failed = self._under_way, self._failed
            if under_way is None or under_way.done():
                if failed is not None and not self._is_due(failed):
                    failed.tell()
                try:
                    under_way = self._under_way = self._thread.submit(self._gathered)
                except RuntimeError:  # ended meanwhile
                    return before
                if kept is None or kept.version != self._version():
                    waits = WAIT_SECONDS
        try:
            made = under_way.result(waits)
        except CancelledError:  # ended meanwhile, before it was begun
            return before
        except NotYet:
            under_way.add_done_callback(lambda _: self._tell())
            if failed is not None and not failed.is_told:  # nobody asked since it failed
                failed.tell()
            return before
        if isinstance(made, _Failed):
            made.tell()
        return made

    def let_go(self) -> None:
        """Keeps nothing of what was gathered so far, nor of what is being gathered now: it may name what is
        to be named no more."""
        with self._lock:
            self._let_go += 1
            self._kept = self._failed = None
            if self._under_way is not None and self._under_way.done():
                self._under_way = None

    def end(self) -> None:
        """Ends it; what is under way is not waited for."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _is_stale(self, kept: Gathered[Found]) -> bool:
        aged = time.monotonic() - kept.seconds > self._kept_seconds
        return aged or self._is_unfinished(kept.found) or kept.version != self._version()

    def _is_due(self, failed: _Failed) -> bool:
        return time.monotonic() >= failed.seconds or failed.version != self._version()

    def _gathered(self) -> Gathered[Found] | _Failed:
        begun, let_go = time.monotonic(), self._let_go
        version: object = None
        try:
            version = self._version()
            found, at = self._gather()
        except Exception as trouble:  # raised where it is asked for; here nobody hears it
            ended = time.monotonic()
            again = ended + max(PAUSE_SECONDS, ended - begun)
            self._failed = failed = _Failed(trouble, trouble.__traceback__, version, again)
            return failed
        self._failed = None
        made = Gathered(found, version, at, time.monotonic())
        with self._lock:
            self._kept = made if let_go == self._let_go else None
        return made
