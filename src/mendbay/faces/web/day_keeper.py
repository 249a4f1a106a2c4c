"""Keeps the day's work as far as it is worked out, so that a page need not gather it from the whole shop
each time."""

from __future__ import annotations

import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.jobs.agenda import KnownDay, known_agenda
from mendbay.wiring import open_bench

if TYPE_CHECKING:
    from collections.abc import Callable

WAIT_SECONDS = 0.5
"""How long a page waits for a day that is being gathered, before it shows the one before."""
KEPT_SECONDS = 10.0
"""How long a day is shown without a look at drives that are being read, which no ledger tells."""


@dataclass(frozen=True, slots=True)
class GatheredDay:
    """A day's work.

    Args:
        version: of the ledger it was gathered from.
        at: when, UTC as records carry it.
        seconds: on the steady clock, when.
        is_old: the ledger has changed since, and the day is being gathered anew.
    """

    known: KnownDay
    version: object
    at: str
    seconds: float
    is_old: bool = False


class DayKeeper:
    """One thread that gathers the day's work when it is asked for and has changed.

    Args:
        home: where cases are kept; None for this machine's default.
        version: gives a number that differs after every change of the ledger.
        tell: called once a day that nobody waited for is there.
    """

    def __init__(self, home: Path | None, version: Callable[[], object], tell: Callable[[], None]) -> None:
        self._home = home
        self._version = version
        self._tell = tell
        self._thread = ThreadPoolExecutor(1, "day")
        self._under_way: Future[GatheredDay] | None = None
        self._kept: GatheredDay | None = None

    def day(self) -> GatheredDay | None:
        """The day's work; None where it was never gathered and takes long, as the first time in a large shop.

        Raises:
            MendbayError: it cannot be gathered.
        """
        kept = self._kept
        if kept is not None and not self._is_stale(kept):
            return kept
        under_way = self._under_way
        if under_way is None or under_way.done():
            under_way = self._under_way = self._thread.submit(self._gather)
        try:
            return under_way.result(WAIT_SECONDS)
        except NotYet:
            under_way.add_done_callback(lambda _: self._tell())
            if kept is None:
                return None
            return GatheredDay(kept.known, kept.version, kept.at, kept.seconds, is_old=True)

    def end(self) -> None:
        """Ends it; a day under way is finished first."""
        self._thread.shutdown(cancel_futures=True)

    def _is_stale(self, kept: GatheredDay) -> bool:
        aged = time.monotonic() - kept.seconds > KEPT_SECONDS
        return aged or bool(kept.known.not_yet) or kept.version != self._version()

    def _gather(self) -> GatheredDay:
        version = self._version()
        with open_bench(self._home) as bench:
            found = GatheredDay(known_agenda(bench), version, bench.now(), time.monotonic())
        self._kept = found
        return found
