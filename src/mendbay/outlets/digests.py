"""Several digests of one stream, side by side: hashing lets go of the interpreter, so two cores do two."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait

WORTH_A_THREAD_BYTES = 64 << 10
"""Below this, handing a chunk to a thread costs more than hashing it."""


class Digests:
    """Digests of everything given so far, by each of `algorithms` (names as `hashlib` knows them).

    `feed` may return while the chunk is still being hashed; it must not be changed until the next `feed`
    or `hexdigests`.
    """

    def __init__(self, algorithms: Sequence[str], pool: ThreadPoolExecutor) -> None:
        self._hashers = [hashlib.new(name, usedforsecurity=False) for name in algorithms]
        self._pool = pool
        self._under_way: list[Future[None]] = []

    def feed(self, data: bytes | memoryview) -> None:
        """Takes the next bytes of the stream."""
        self._settle()
        if len(data) < WORTH_A_THREAD_BYTES:
            for hasher in self._hashers:
                hasher.update(data)
        else:
            self._under_way = [self._pool.submit(hasher.update, data) for hasher in self._hashers]

    def hexdigests(self) -> tuple[str, ...]:
        """The digests in hexadecimal, in the order of the algorithms."""
        self._settle()
        return tuple(hasher.hexdigest() for hasher in self._hashers)

    def _settle(self) -> None:
        wait(self._under_way)
        for one in self._under_way:
            one.result()
        self._under_way = []


def hashing_pool() -> ThreadPoolExecutor:
    """The threads that `Digests` of one job share."""
    return ThreadPoolExecutor(max_workers=2, thread_name_prefix="digest")
