"""How far a drive has been read: which range is in which condition.

A range is in exactly one of four conditions. `read`: its bytes are in the image. `refused`: a read of
that single sector was asked for and not given, with the number of tries. `waived`: left on purpose.
`unread`: everything else; a refused read of many sectors leaves them `unread`, because one bad sector
fails the whole request and says nothing about the others. Where a drive reports that several sectors make
one physical sector, which is given or not as a whole, a refused read of exactly that is a try of each.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mendbay.core.source import Gap, Lack
from mendbay.core.span import Int64s, Span, SpanSet


class Condition(StrEnum):
    """The condition of a range of a drive."""

    UNREAD = "unread"
    READ = "read"
    REFUSED = "refused"
    WAIVED = "waived"


LACK_OF_CONDITION = {
    Condition.UNREAD: Lack.UNREAD,
    Condition.REFUSED: Lack.REFUSED,
    Condition.WAIVED: Lack.WAIVED,
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A maximal range in one condition; `tries` is the number of refused single reads (0 unless refused)."""

    span: Span
    condition: Condition
    tries: int = 0


def refused_alone(bounds: Int64s, sector_bytes: int, unit_bytes: int = 0) -> tuple[Int64s, Int64s]:
    """The sectors of which refused reads say that they are not given: that of a read of one sector or less,
    and each of a read of exactly one unit. All other reads say nothing of any sector.

    Args:
        bounds: start and stop of every read; shape (n, 2).
        unit_bytes: what fails as one; 0 for a sector.

    Returns:
        The first bytes of the sectors, a sector once for each read that speaks of it, and which read that is.
    """
    starts, length = bounds[:, 0], bounds[:, 1] - bounds[:, 0]
    alone = np.flatnonzero((length > 0) & (length <= sector_bytes))
    if unit_bytes <= sector_bytes:
        return starts[alone], alone
    units = np.flatnonzero((length == unit_bytes) & (starts % unit_bytes == 0))
    inside = np.arange(0, unit_bytes, sector_bytes, dtype=np.int64)
    places = (starts[units, np.newaxis] + inside).reshape(-1)
    return np.concatenate((starts[alone], places)), np.concatenate((alone, np.repeat(units, inside.size)))


class Coverage:
    """The condition of every byte of a drive of `size_bytes`. Immutable; equal when every byte agrees.

    Args:
        size_bytes, sector_bytes: of the drive.
        read: what is in the image.
        refused_starts, refused_tries: sectors refused alone, one row each: its first byte, and how often it
            was refused; rows that lie in `read` are ignored, since the sector was given in the end.
        waived: what is left on purpose; loses to `read` and `refused`.
    """

    __slots__ = ("read", "refused", "refused_starts", "refused_tries", "sector_bytes", "size_bytes", "waived")

    def __init__(
        self,
        size_bytes: int,
        sector_bytes: int,
        read: SpanSet | None = None,
        refused_starts: Int64s | None = None,
        refused_tries: Int64s | None = None,
        waived: SpanSet | None = None,
    ) -> None:
        self.size_bytes = size_bytes
        self.sector_bytes = sector_bytes
        whole = Span(0, size_bytes)
        self.read = (read or SpanSet()).clip(whole)
        starts = np.empty(0, np.int64) if refused_starts is None else refused_starts
        tries = np.empty(0, np.int64) if refused_tries is None else refused_tries
        keep = ~self.read.holds(starts)
        self.refused_starts, self.refused_tries = starts[keep], tries[keep]
        self.refused = SpanSet.from_bounds(
            self.refused_starts, np.minimum(self.refused_starts + sector_bytes, size_bytes)
        )
        self.waived = (waived or SpanSet()).clip(whole) - self.read - self.refused

    @classmethod
    def from_log(
        cls,
        size_bytes: int,
        sector_bytes: int,
        given: SpanSet,
        refusals: Iterable[tuple[int, int]] | Int64s,
        waived: SpanSet | None = None,
        unit_bytes: int = 0,
    ) -> Coverage:
        """The coverage that a log of reads amounts to.

        Args:
            given: the union of all reads that were answered.
            refusals: (start, stop) of every refused read, or an array of them, shape (n, 2); those that
                `refused_alone` passes over leave no trace here.
            waived: what was left on purpose.
            unit_bytes: what fails as one (see `Identity.unit_bytes`); 0 for a sector.
        """
        rows = refusals if isinstance(refusals, np.ndarray) else list(refusals)
        bounds = np.array(rows, dtype=np.int64).reshape(-1, 2)
        single, _ = refused_alone(bounds, sector_bytes, unit_bytes)
        starts, tries = np.unique(single, return_counts=True)
        return cls(size_bytes, sector_bytes, given, starts, tries.astype(np.int64), waived)

    @property
    def unread(self) -> SpanSet:
        """What has never been asked for as single sectors, nor waived, nor given."""
        return self.decided.complement(Span(0, self.size_bytes))

    @property
    def decided(self) -> SpanSet:
        """Everything that is not `unread`."""
        return self.read | self.refused | self.waived

    def tries_at(self, offset: int) -> int:
        """How often the sector at byte `offset` was refused alone, 0 if it never was or was given since."""
        at = int(np.searchsorted(self.refused_starts, offset, side="right")) - 1
        if at < 0 or offset >= int(self.refused_starts[at]) + self.sector_bytes:
            return 0
        return int(self.refused_tries[at])

    def gaps(self, span: Span) -> tuple[Gap, ...]:
        """What of `span` is not in the image, in order, with the reason for each range."""
        asked = span.clip(Span(0, self.size_bytes))
        refused, waived = self.refused.clip(asked), self.waived.clip(asked)
        unread = (self.read.clip(asked) | refused | waived).complement(asked)
        lacking = ((Condition.REFUSED, refused), (Condition.WAIVED, waived), (Condition.UNREAD, unread))
        found = [Gap(part, LACK_OF_CONDITION[condition]) for condition, spans in lacking for part in spans]
        return tuple(sorted(found, key=lambda gap: gap.span.start))

    def total_bytes(self, condition: Condition) -> int:
        """How many bytes are in `condition`."""
        return {
            Condition.READ: self.read,
            Condition.REFUSED: self.refused,
            Condition.WAIVED: self.waived,
            Condition.UNREAD: self.unread,
        }[condition].total_bytes

    def stretches(self) -> tuple[Stretch, ...]:
        """Every maximal range in one condition with one number of tries, from first to last."""
        found = [Stretch(span, Condition.READ) for span in self.read]
        found += [Stretch(span, Condition.WAIVED) for span in self.waived]
        found += [Stretch(span, Condition.UNREAD) for span in self.unread]
        for tries in np.unique(self.refused_tries).tolist():
            starts = self.refused_starts[self.refused_tries == tries]
            stops = np.minimum(starts + self.sector_bytes, self.size_bytes)
            found += [Stretch(span, Condition.REFUSED, tries) for span in SpanSet.from_bounds(starts, stops)]
        return tuple(sorted(found, key=lambda stretch: stretch.span.start))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Coverage):
            return NotImplemented
        return (
            self.size_bytes == other.size_bytes
            and self.sector_bytes == other.sector_bytes
            and self.read == other.read
            and self.waived == other.waived
            and np.array_equal(self.refused_starts, other.refused_starts)
            and np.array_equal(self.refused_tries, other.refused_tries)
        )

    def __hash__(self) -> int:
        return hash((self.size_bytes, self.read, self.waived, self.refused_starts.tobytes()))
