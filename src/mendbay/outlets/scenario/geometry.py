"""Where the bytes of the volume lie on the two drives, and back: the maker's own arithmetic.

It is written apart from the code that puts a pair together, so that tests can hold one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mendbay.core.span import Int64s, Span, SpanSet

SECTOR_BYTES = 512
PARTITION_AT = 1 << 20
"""Partitions begin at 1 MiB (common practice, no source)."""
DATA_OFFSET = 2 << 20
"""Where the data area begins, from the start of the partition."""
TAIL_BYTES = 1 << 20
"""Room behind the partition, which holds the second partition table."""


class Level(StrEnum):
    """How the box spreads the volume."""

    MIRROR = "mirror"
    STRIPE = "stripe"


@dataclass(frozen=True, slots=True)
class Geometry:
    """The lay-out of a box of two equal drives; sizes in bytes."""

    level: Level
    volume_bytes: int
    chunk_bytes: int = 64 << 10

    def __post_init__(self) -> None:
        if self.volume_bytes <= 0 or self.volume_bytes % (2 * self.chunk_bytes):
            raise ValueError(f"{self.volume_bytes} bytes are not a whole number of rows of two chunks")

    @property
    def data_at(self) -> int:
        """Where a member's data area begins on its drive."""
        return PARTITION_AT + DATA_OFFSET

    @property
    def data_bytes(self) -> int:
        """The size of one member's data area."""
        return self.volume_bytes if self.level is Level.MIRROR else self.volume_bytes // 2

    @property
    def partition(self) -> Span:
        """Where the partition lies on each drive."""
        return Span.at(PARTITION_AT, DATA_OFFSET + self.data_bytes)

    @property
    def drive_bytes(self) -> int:
        """The size of each drive."""
        return self.partition.stop + TAIL_BYTES

    def on_drive(self, bay: int, volume: SpanSet) -> SpanSet:
        """Where the given bytes of the volume lie on the drive in `bay` (0 or 1)."""
        inner, outer, length = self._pieces(bay)
        return volume.map_through(outer, outer + length, inner)

    def on_volume(self, bay: int, drive: SpanSet) -> SpanSet:
        """Which bytes of the volume the given bytes of a drive hold; others (tables, tail) are left out."""
        inner, outer, length = self._pieces(bay)
        return drive.map_through(inner, inner + length, outer)

    def _pieces(self, bay: int) -> tuple[Int64s, Int64s, int]:
        """Starts on the drive, starts on the volume, and the length, of the runs that stay together."""
        if self.level is Level.MIRROR:
            return np.array([self.data_at], np.int64), np.zeros(1, np.int64), self.volume_bytes
        rows = np.arange(self.volume_bytes // (2 * self.chunk_bytes), dtype=np.int64)
        return self.data_at + rows * self.chunk_bytes, (2 * rows + bay) * self.chunk_bytes, self.chunk_bytes
