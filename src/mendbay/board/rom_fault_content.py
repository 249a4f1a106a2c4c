"""Where a dump has content and where only filler: the ground most tests stand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.board.rom_dump import Bits, Bytes, Int64s

SHORTEST_FILLER = 16
"""Equal bytes in a row that count as filler, whatever their value: code and tables seldom have as many."""


@dataclass(frozen=True)
class Runs:
    """Runs of equal bytes of at least `SHORTEST_FILLER`, by rising place; all arrays of shape (runs,)."""

    starts: Int64s
    stops: Int64s
    values: Bytes

    def of_value(self, value: int, shortest: int) -> int:
        """How many runs of at least `shortest` bytes have the value."""
        return int(((self.values == value) & (self.stops - self.starts >= shortest)).sum())


@dataclass(frozen=True)
class Content:
    """A dump with its filler told apart: `is_content` has shape (size,); `places` are the true ones of it."""

    data: Bytes
    runs: Runs
    is_content: Bits
    places: Int64s

    @property
    def size(self) -> int:
        return int(self.data.size)

    def sample(self, most: int) -> Int64s:
        """At most `most` places of content, evenly taken, rising; the same ones each time."""
        if self.places.size <= most:
            return self.places
        return self.places[np.linspace(0, self.places.size - 1, most).astype(np.int64)]


def content_of(data: Bytes) -> Content:
    """The dump with its runs of equal bytes found. `data` must not be empty."""
    changes = np.flatnonzero(data[1:] != data[:-1]) + 1
    edges = np.concatenate((np.zeros(1, np.int64), changes, np.full(1, data.size, np.int64)))
    long_ones = np.flatnonzero(np.diff(edges) >= SHORTEST_FILLER)
    starts, stops = edges[long_ones], edges[long_ones + 1]
    steps = np.zeros(data.size + 1, np.int8)
    steps[starts] += 1
    steps[stops] -= 1
    is_content = np.cumsum(steps[:-1], dtype=np.int8) == 0
    return Content(data, Runs(starts, stops, data[starts]), is_content, np.flatnonzero(is_content))
