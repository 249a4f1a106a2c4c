"""Looks at one drive: its partitions, and which of them belong to an md set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from mendbay.core.source import Gap, PartOf, Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import missing_words
from mendbay.pair.md import Found, Superblock, find_superblocks
from mendbay.pair.partitions import find_partitions
from mendbay.pair.table import Partition, PartitionTable, TableKind

MAX_PROBED = 128
"""Partitions looked into on one drive; boxes make about five."""


@dataclass(frozen=True, slots=True)
class Place:
    """A drive or a partition that may belong to a set, or hold a volume of its own.

    `span` is in bytes of the drive in `bay`; `partition` is None for the drive as a whole. `superblock`
    is set if it is a member: sound, or with nothing wrong but its checksum.
    """

    bay: str
    partition: int | None
    span: Span
    source: Source
    superblock: Superblock | None = None

    @property
    def label(self) -> str:
        """As it is called in sentences."""
        return f"bay {self.bay}" + (f" partition {self.partition}" if self.partition is not None else "")

    @property
    def title(self) -> str:
        """The label at the start of a sentence."""
        return f"B{self.label[1:]}"


@dataclass(frozen=True, slots=True)
class Discovery:
    """What one drive holds: members of sets, and places that are none.

    `unreadable` are the places, in bytes of the drive, that had to be looked at and are missing; `gaps` say
    why.
    """

    bay: str
    table: PartitionTable
    members: tuple[Place, ...]
    plain: tuple[Place, ...]
    remarks: tuple[str, ...]
    unreadable: SpanSet = field(default_factory=SpanSet)
    gaps: tuple[Gap, ...] = ()


def discover(bay: str, drive: Source) -> Discovery:
    """Finds the members on a drive.

    Partitions are looked into first. Only if none is a member is the drive as a whole: a superblock at
    its end that lies inside a partition is then left over from an earlier use and set aside, since a
    table inside a set never reaches the set's own superblock. So a superblock that can be seen from both,
    as 0.90 at the end of the last partition can, belongs to the partition. A drive without members is taken
    as a whole if it has no partitions, or none but in a table that may be left over.
    """
    table = find_partitions(drive)
    remarks = [f"Bay {bay}: {remark}" for remark in table.remarks]
    unreadable = table.unreadable
    places: list[Place] = []
    for one in [p for p in table.partitions if not p.is_container][:MAX_PROBED]:
        place, found = _look(bay, one.number, one.span, drive)
        places.append(place)
        remarks.extend(_remarks(place, found))
        unreadable = unreadable | found.unreadable.shift(one.span.start)
    if not any(place.superblock for place in places):
        whole, found = _look(bay, None, Span(0, drive.size_bytes), drive)
        remarks.extend(_remarks(whole, found))
        unreadable = unreadable | found.unreadable
        holder = _holder(whole.superblock, table.partitions)
        if whole.superblock is not None and holder is not None:
            remarks.append(
                f"Bay {bay}: a {whole.superblock.version} superblock for the whole drive, of set "
                f"{whole.superblock.set_uuid}, lies inside partition {holder.number}; it is left over from "
                "an earlier use and set aside"
            )
        elif whole.superblock is not None:
            return Discovery(bay, table, (whole,), (), tuple(remarks), unreadable, _gaps(drive, unreadable))
        if not places or table.may_be_left_over:
            places.append(Place(bay, None, whole.span, whole.source))
            remarks.extend(_why_whole(bay, table, drive))
    return Discovery(
        bay,
        table,
        tuple(place for place in places if place.superblock is not None),
        tuple(place for place in places if place.superblock is None),
        tuple(remarks),
        unreadable,
        _gaps(drive, unreadable),
    )


def _gaps(drive: Source, spans: SpanSet) -> tuple[Gap, ...]:
    """Why these bytes, which were asked for, are missing; no drive is touched again to find out."""
    return tuple(gap for span in spans for gap in drive.outlook(span).gaps)


def _look(bay: str, number: int | None, span: Span, drive: Source) -> tuple[Place, Found]:
    """One place with the best superblock on it that can be used."""
    name = f"bay {bay}" + (f" partition {number}" if number is not None else "")
    source = PartOf(drive, span, name)
    found = find_superblocks(source)
    best = found.best if found.best is not None and not found.best.problems else None
    return Place(bay, number, span, source, best), found


def _remarks(place: Place, found: Found) -> list[str]:
    return [f"{place.title}: {remark}" for remark in found.remarks]


def _holder(superblock: Superblock | None, partitions: Sequence[Partition]) -> Partition | None:
    """The partition that a superblock of the whole drive lies in."""
    if superblock is None:
        return None
    return next((p for p in partitions if not p.is_container and superblock.at in p.span), None)


def _why_whole(bay: str, table: PartitionTable, drive: Source) -> list[str]:
    if table.may_be_left_over:
        return [
            f"Bay {bay}: nothing at the start of the drive tells of the partition table at its end, which "
            "may be left over from an earlier use: the drive as a whole is a candidate too"
        ]
    if table.kind is not TableKind.NONE:
        return [f"Bay {bay}: the partition table lists no partition that can be used"]
    if table.unreadable:
        words = missing_words(_gaps(drive, table.unreadable), plural=True)
        return [f"Bay {bay}: whether there is a partition table is not known, its places {words}"]
    return []
