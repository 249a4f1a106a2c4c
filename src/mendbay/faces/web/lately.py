"""What the server keeps of the last few requests, for whoever loads the page again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Lately(Generic[Key, Value]):
    """The things that were put here or asked for last. Any thread may use it; what is kept is never changed,
    but put anew.

    Args:
        most: how many are kept.
        case_of: the case that the thing of a key is of; None for of none.
    """

    def __init__(self, most: int, case_of: Callable[[Key], int | None] = lambda key: None) -> None:
        self._most = most
        self._case_of = case_of
        self._kept: OrderedDict[Key, Value] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, key: Key, value: Value) -> None:
        """Keeps it in place of what had that key; of too many the one that was not asked for longest goes."""
        with self._lock:
            self._kept[key] = value
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)

    def get(self, key: Key) -> Value | None:
        """What has that key; None if it is not kept."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def drop(self, goes: Callable[[Key], bool]) -> None:
        """Lets go of those whose key is to go."""
        with self._lock:
            for key in [one for one in self._kept if goes(one)]:
                del self._kept[key]

    def forget(self, case: int | None) -> None:
        """Lets go of what is of a case, or of all that is of one."""
        self.drop(lambda key: self._case_of(key) is not None and case in (None, self._case_of(key)))

    def close(self) -> None:
        """Lets go of all of them."""
        self.drop(lambda key: True)
