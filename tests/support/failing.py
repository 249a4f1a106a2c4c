"""A ledger's connection and a system that fail at the Nth call, for sweeps over every N."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from typing import Any, ClassVar


class FailingConnection(sqlite3.Connection):
    """Counts statements and fails the chosen one: before it ran, or after (its answer is lost)."""

    fail_at: ClassVar[int] = 0
    for_good: ClassVar[bool] = False
    after: ClassVar[bool] = False
    count: ClassVar[int] = 0

    @classmethod
    def plan(cls, fail_at: int, *, for_good: bool = False, after: bool = False) -> None:
        cls.fail_at, cls.for_good, cls.after, cls.count = fail_at, for_good, after, 0

    def execute(self, sql: str, parameters: Any = ()) -> sqlite3.Cursor:
        cls = type(self)
        cls.count += 1
        fails = cls.fail_at and (cls.count == cls.fail_at or (cls.for_good and cls.count > cls.fail_at))
        if fails and not cls.after:
            raise sqlite3.OperationalError("disk I/O error (made by the test)")
        done = super().execute(sql, parameters)
        if fails:
            done.close()
            raise sqlite3.OperationalError("the answer was lost (made by the test)")
        return done


class FailingOs:
    """`os`, but counted calls of the names given go wrong from the Nth on (or at the Nth only)."""

    def __init__(
        self, names: tuple[str, ...], at: int, trouble: Callable[[], BaseException], for_good: bool
    ) -> None:
        self._names, self._at, self._trouble, self._for_good = names, at, trouble, for_good
        self.calls = 0

    def __getattr__(self, name: str) -> Any:
        real = getattr(os, name)
        if name not in self._names:
            return real

        def counted(*args: Any, **more: Any) -> Any:
            self.calls += 1
            hit = self.calls >= self._at if self._for_good else self.calls == self._at
            if hit:
                if name == "pwrite" and len(args[1]) > 1:  # half of it reaches the medium first
                    real(args[0], bytes(args[1])[: len(args[1]) // 2], args[2])
                raise self._trouble()
            return real(*args, **more)

        return counted
