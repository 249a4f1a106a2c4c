"""The bytes of an image: hashed as they come, left out where they are zeros, each resting on a claim."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np
import numpy.typing as npt

from mendbay.core.layers import topmost
from mendbay.core.span import Int64s, Span

_HOLE_BYTES = 64 << 10
"""Runs of zeros are left out of the file in units of this."""

Origins = tuple[Int64s, Int64s, Int64s, Int64s]
"""Starts, stops, runs and rows of the log, sorted by place and disjoint."""


class PrefixHasher:
    """SHA-256 over the bytes from the start of the drive, as far as they came in order."""

    def __init__(self) -> None:
        self.reached = 0
        self._digest = hashlib.sha256()
        self._thread = ThreadPoolExecutor(1, "sha256")

    def feed(self, span: Span, data: memoryview) -> Future[None] | None:
        """Hashes the bytes in the background if they are next in line; wait for the answer before the
        buffer is used again."""
        if span.start != self.reached:
            return None
        self.reached = span.stop
        return self._thread.submit(self._digest.update, data)

    def hexdigest(self) -> str:
        return self._digest.hexdigest()

    def close(self) -> None:
        self._thread.shutdown(wait=True)


def runs_of_zeros(data: memoryview) -> Iterator[tuple[Span, bool]]:
    """Cuts a buffer into runs of blocks, each with whether it is all zero."""
    whole = data.nbytes // _HOLE_BYTES * _HOLE_BYTES
    blocks = np.frombuffer(data[:whole], np.uint64).reshape(-1, _HOLE_BYTES // 8)
    zero: npt.NDArray[np.bool_] = np.zeros(-(-data.nbytes // _HOLE_BYTES), dtype=bool)
    zero[: len(blocks)] = ~blocks.any(axis=1)
    if zero.size == 0:
        return
    turns = np.flatnonzero(zero[1:] != zero[:-1]) + 1
    for first, last in zip([0, *turns.tolist()], [*turns.tolist(), zero.size], strict=True):
        yield Span(first * _HOLE_BYTES, min(last * _HOLE_BYTES, data.nbytes)), bool(zero[first])


def origins(claims: Iterable[tuple[int, int, int, int]]) -> Origins:
    """Which claim every byte that is read rests on.

    Args:
        claims: (start, stop, run, row) of the given reads, oldest first; where two gave the same, the later
            one counts. Run 0 stands for a doubt: what was claimed there before counts no more.
    """
    rows = np.array(list(claims), dtype=np.int64).reshape(-1, 4)
    ordered = rows[np.argsort(rows[:, 0], kind="stable")]
    if np.any(rows[:, 2] == 0) or np.any(ordered[1:, 0] < ordered[:-1, 1]):
        layers = topmost([(start, stop) for start, stop in rows[:, :2].tolist()])
        pieces = [(span.start, span.stop, *rows[at, 2:].tolist()) for span, at in layers if rows[at, 2]]
        ordered = np.array(pieces, dtype=np.int64).reshape(-1, 4)
    return ordered[:, 0], ordered[:, 1], ordered[:, 2], ordered[:, 3]
