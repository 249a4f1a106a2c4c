"""Works out what to do next for cases whose pages were looked at before anyone had, one after the other."""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from pathlib import Path

from mendbay.core.errors import LedgerError, MendbayError
from mendbay.jobs.agenda import turn_of
from mendbay.jobs.learn_triage import closed_cases, learned
from mendbay.wiring import open_bench

PAUSE_SECONDS = 0.05
"""Between two cases, at least."""
PAUSE_SHARE = 2.0
"""How much longer the pause is than the case before it took: pages that are asked for meanwhile share the
interpreter with it (own choice)."""
MOST = 200
"""Cases that wait to be worked out; those asked for first are dropped, as nobody looks at them any more."""
UNFORESEEN = "Something unforeseen happened; the terminal in which the server runs says where."

_log = logging.getLogger("mendbay.web")


class Weigher:
    """One thread that weighs cases.

    Args:
        home: where cases are kept; None for this machine's default.
        tell: called whenever a case was worked out, or could not be.
    """

    def __init__(self, home: Path | None, tell: Callable[[], None]) -> None:
        self._home = home
        self._tell = tell
        self._asked: OrderedDict[int, None] = OrderedDict()
        self._failed: dict[int, str] = {}
        self._to_get_ready = False
        self._wake = threading.Condition()
        self._ending = False
        self._thread: threading.Thread | None = None

    def ask(self, cases: Iterable[int]) -> None:
        """Has these cases worked out, if they are not already to be; one that could not be is not tried again
        before the server is started anew."""
        with self._wake:
            for number in cases:
                if number not in self._failed:
                    self._asked.setdefault(number)
            while len(self._asked) > MOST:
                self._asked.popitem(last=False)
            if self._asked:
                self._begin()

    def trouble_of(self, case: int) -> str:
        """Why a case could not be worked out, as a sentence; empty where it was, or waits."""
        return self._failed.get(case, "")

    def forget(self, case: int | None) -> None:
        """Keeps nothing of why a case could not be worked out; None for all, which are tried again."""
        with self._wake:
            for number in [one for one in self._failed if case in (None, one)]:
                del self._failed[number]

    def get_ready(self) -> None:
        """Has read what all cases rest on, so that the first page of triage need not wait for it."""
        with self._wake:
            self._to_get_ready = True
            self._begin()

    def end(self) -> None:
        """Ends it after the case under way."""
        with self._wake:
            self._ending = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(5)

    def _begin(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="weigher", daemon=True)
            self._thread.start()
        self._wake.notify()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not (self._asked or self._to_get_ready or self._ending):
                    self._wake.wait()
                if self._ending:
                    return
                number = 0 if self._to_get_ready else next(iter(self._asked))
                self._to_get_ready = False
            what = f"case {number}" if number else "what all cases rest on"
            begun = time.monotonic()
            try:
                with open_bench(self._home) as bench:
                    if number:
                        turn_of(bench, number)
                        self._tell()
                    else:
                        learned(closed_cases(bench))
            except LedgerError as trouble:  # it may pass; the next page asks again
                _log.warning("%s could not be weighed now: %s", what, trouble.what)
            except MendbayError as trouble:
                _log.warning("%s could not be weighed: %s", what, trouble.what)
                self._give_up(number, trouble.what)
            except Exception as trouble:  # a thread that dies of one case would weigh no other
                _log.error("%s could not be weighed", what, exc_info=trouble)
                self._give_up(number, UNFORESEEN)
            with self._wake:
                self._asked.pop(number, None)
                pause = max(PAUSE_SECONDS, PAUSE_SHARE * (time.monotonic() - begun))
                self._wake.wait_for(lambda: self._ending, pause)

    def _give_up(self, number: int, why: str) -> None:
        if number:
            self._failed[number] = why
            self._tell()
