"""Tells pages that something changed, whoever changed it; what it is, they ask for.

One thread looks for the whole server. Pages hold a stream each; a stream that was broken off, by a restart
too, begins with how things stand, so that a page which was away asks once and is true again.
"""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager, suppress

LOOK_SECONDS = 0.3
TELL_SECONDS = 0.5
"""How often a page is told at most: more than it could draw would only be in its way."""
IDLE_SECONDS = 15.0
"""After so long without news a stream says that it is still there; a browser that is gone is found out so."""


class Pulse:
    """Looks at what may change, and counts the changes.

    Args:
        looks: by what changes (`ledger`, `works`), something that differs after a change; called in one
        thread.
    """

    def __init__(self, looks: Callable[[], dict[str, Callable[[], object]]]) -> None:
        self._make = looks
        self._boot = secrets.token_hex(4)
        self._counts: dict[str, int] = {}
        self._heeded: dict[str, Callable[[], None]] = {}
        self._waiting: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._users = 0

    def start(self) -> None:
        """Begins to look; it ends with as many `end`."""
        with self._lock:
            self._users += 1
            if self._users > 1:
                return
            self._ending.clear()
            self._thread = threading.Thread(target=self._run, name="pulse", daemon=True)
            self._thread.start()

    def end(self) -> None:
        """Ends it; streams end with it."""
        with self._lock:
            self._users -= 1
            if self._users > 0:
                return
        self.end_streams()
        if self._thread is not None:
            self._thread.join(5)

    def end_streams(self) -> None:
        """Has every stream say its last, and ends the looking."""
        self._ending.set()
        self._wake()

    def heed(self, name: str, do: Callable[[], None]) -> None:
        """Has something done after every change, before pages are told of it; in the thread that looks."""
        self._heeded[name] = do

    def tell(self, name: str) -> None:
        """Counts a change that no look would see."""
        with self._lock:
            self._counts[name] = self._counts.get(name, 0) + 1
        self._wake()

    @property
    def now(self) -> dict[str, str]:
        """By what changes, a mark that differs after each change, and after each start of the server."""
        with self._lock:
            return {name: f"{self._boot}-{count}" for name, count in self._counts.items()}

    @property
    def mark(self) -> str:
        """All of them as one text, for a page to say what it was made of."""
        return " ".join(f"{name}={one}" for name, one in sorted(self.now.items()))

    async def changes(self) -> AsyncIterator[dict[str, str]]:
        """How things stand, at once and after every change; None of it for so long, and it says the same
        again."""
        with self._heard() as event:
            while not self._ending.is_set():
                event.clear()
                yield self.now
                with suppress(TimeoutError):
                    await asyncio.wait_for(event.wait(), IDLE_SECONDS)
                    if not self._ending.is_set():
                        await asyncio.sleep(TELL_SECONDS)

    @contextmanager
    def _heard(self) -> Iterator[asyncio.Event]:
        mine = (asyncio.get_running_loop(), asyncio.Event())
        with self._lock:
            self._waiting.add(mine)
        try:
            yield mine[1]
        finally:
            with self._lock:
                self._waiting.discard(mine)

    def _run(self) -> None:
        looks = self._looks()
        before = {name: _looked(look) for name, look in looks.items()}
        with self._lock:
            for name in looks:  # counts only rise: what was told before the first look stands in pages
                self._counts[name] = self._counts.get(name, -1) + 1
        while not self._ending.wait(LOOK_SECONDS):
            after = {name: _looked(look) for name, look in looks.items()}
            changed = [name for name in looks if after[name] != before[name]]
            before = after
            for name in changed:
                if name in self._heeded:
                    _looked(self._heeded[name])  # one that fails must not end the looking
            if changed:
                with self._lock:
                    for name in changed:
                        self._counts[name] += 1
                self._wake()

    def _looks(self) -> dict[str, Callable[[], object]]:
        """What is looked at; tried until it can be, as a ledger may be put back while the server runs."""
        while not self._ending.is_set():
            with suppress(Exception):
                return self._make()
            self._ending.wait(LOOK_SECONDS)
        return {}

    def _wake(self) -> None:
        with self._lock:
            for loop, event in self._waiting:
                with suppress(RuntimeError):  # its loop has ended
                    loop.call_soon_threadsafe(event.set)


def _looked(look: Callable[[], object]) -> object:
    """What is seen; a look that fails (a ledger put away, a disk that is gone) is seen as that."""
    try:
        return look()
    except Exception as trouble:  # whatever it is, pages are told by their own requests
        return f"{type(trouble).__name__}: {trouble}"
