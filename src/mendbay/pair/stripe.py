"""Members woven together or laid end to end, as one source.

Rules: Linux kernel 6.1, drivers/md/raid0.c (zones and both layouts) and md-linear.c.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from mendbay.core.source import Identity, Origin, Outlook, Reading, Source, absent_beyond
from mendbay.core.span import Int64s, Span, SpanSet, union
from mendbay.pair.answers import (
    Lacks,
    Marks,
    cut_origins,
    gaps_from,
    lacks_of,
    marks_from,
    marks_of,
    merged_needs,
)

_K = TypeVar("_K")
Octets = npt.NDArray[np.uint8]


class Raid0Layout(IntEnum):
    """The order of members behind the end of the smallest one; the numbers are the kernel's."""

    ORIGINAL = 1
    ALTERNATE = 2


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the volume in which the same members take turns, chunk by chunk.

    `members` are their numbers in the order of their turns, beginning with the one that has the zone's
    first chunk; on each of them the zone begins at `member_start`. Its length is whole rows of one chunk
    per member.
    """

    span: Span
    member_start: int
    members: tuple[int, ...]
    chunk_bytes: int

    @property
    def row_bytes(self) -> int:
        """The volume bytes of one turn of all members."""
        return self.chunk_bytes * len(self.members)

    def member_bytes_before(self, slot: int, volume: Int64s) -> Int64s:
        """How many bytes of the member in `slot` come before each place, given from the zone's start."""
        row, inside = volume // self.row_bytes, volume % self.row_bytes
        ahead: Int64s = np.clip(inside - slot * self.chunk_bytes, 0, self.chunk_bytes)
        return row * self.chunk_bytes + ahead


def raid0_zones(
    sizes: Sequence[int], chunk_bytes: int, layout: Raid0Layout = Raid0Layout.ORIGINAL
) -> tuple[Zone, ...]:
    """The zones of a striped set.

    Zone 0 spans all members as far as the smallest reaches, each further one those that are larger. The
    layouts differ in who has the first turn of a further zone: counted from the start of the volume
    (original) or of the zone (alternate); with one member left they are the same.

    Args:
        sizes: of the members' data in bytes, by slot; each counts in whole chunks.
    """
    used = [size // chunk_bytes * chunk_bytes for size in sizes]
    zones: list[Zone] = []
    at = start = 0
    for level in sorted({size for size in used if size}):
        members = tuple(k for k, size in enumerate(used) if size >= level)
        span = Span.at(at, (level - start) * len(members))
        turn = (at // chunk_bytes) % len(members) if layout is Raid0Layout.ORIGINAL else 0
        zones.append(Zone(span, start, members[turn:] + members[:turn], chunk_bytes))
        at, start = span.stop, level
    return tuple(zones)


def raid0_layouts_differ(sizes: Sequence[int], chunk_bytes: int) -> bool:
    """Whether the two layouts put any byte of these members in different places."""
    original, alternate = (raid0_zones(sizes, chunk_bytes, one) for one in Raid0Layout)
    return original != alternate


def linear_zones(sizes: Sequence[int], rounding_bytes: int = 0) -> tuple[Zone, ...]:
    """The zones of members end to end, each rounded down to `rounding_bytes` if that is set."""
    unit = rounding_bytes or 1
    zones: list[Zone] = []
    at = 0
    for number, size in enumerate(sizes):
        used = size // unit * unit
        if used:
            zones.append(Zone(Span.at(at, used), 0, (number,), used))
            at += used
    return tuple(zones)


class Stripe:
    """A striped set, or one end to end, as one source.

    A read takes one contiguous range from each member it concerns, however many chunks that is, and
    weaves them together. Mapping is exact both ways: a gap of a member becomes the gaps it makes in the
    volume. A member that is not at hand is given as a `MissingMember`; with one, `outlook` of the
    whole volume names every second chunk, so ask for the ranges that matter.

    Args:
        members: the members' data, by slot.
        zones: from `raid0_zones` or `linear_zones`.
        name: what to call it in reports.

    Raises:
        ValueError: no member, or no zone.
    """

    def __init__(self, members: Sequence[Source], zones: Sequence[Zone], name: str) -> None:
        if not members or not zones:
            raise ValueError("a stripe needs members that hold at least one chunk")
        self.members = tuple(members)
        self.zones = tuple(zones)
        sector = max(member.sector_bytes for member in members)
        self._identity = Identity("stripe", name, zones[-1].span.stop, sector)

    @property
    def size_bytes(self) -> int:
        return self._identity.size_bytes

    @property
    def sector_bytes(self) -> int:
        return self._identity.sector_bytes

    @property
    def identity(self) -> Identity:
        return self._identity

    def read(self, span: Span) -> Reading:
        inside, beyond = absent_beyond(span, self.size_bytes)
        single = self._in_one_chunk(inside)
        if single is not None and not beyond:
            number, at = single
            return self.members[number].read(Span.at(at, inside.length)).shift(inside.start - at)
        out: Octets = np.zeros(span.length, np.uint8)
        lacks: list[Lacks] = []
        marks: list[Marks] = []
        for run in self._runs(inside):
            given = self.members[run.member].read(run.on_member)
            target = out[run.in_zone.start - span.start : run.in_zone.stop - span.start]
            run.weave(np.frombuffer(given.data, np.uint8), target)
            if given.gaps:
                lacks.append({why: run.to_volume(spans) for why, spans in lacks_of(given.gaps).items()})
            if given.marks:
                marks.append({mark: run.to_volume(spans) for mark, spans in marks_of(given.marks).items()})
        return Reading(span, out.tobytes(), gaps_from(_joined(lacks)) + beyond, marks_from(_joined(marks)))

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        lacks: list[Lacks] = []
        marks: list[Marks] = []
        for runs in self._runs_by_zone(inside):
            seen = [self.members[run.member].outlook(run.on_member) for run in runs]
            lacks.append(_woven(runs, [lacks_of(one.gaps) for one in seen]))
            marks.append(_woven(runs, [marks_of(one.marks) for one in seen]))
        return Outlook(gaps_from(_joined(lacks)) + beyond, marks_from(_joined(marks)))

    def trace(self, span: Span) -> tuple[Origin, ...]:
        found: list[Origin] = []
        for run in self._runs(span.clip(Span(0, self.size_bytes))):
            starts, stops, targets = run.cut(SpanSet((run.on_member,)))
            found.extend(cut_origins(self.members[run.member].trace(run.on_member), starts, stops, targets))
        return tuple(sorted(found, key=lambda origin: origin.span.start))

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return merged_needs(
            member.needs(self.on_member(number, spans)) for number, member in enumerate(self.members)
        )

    def on_member(self, number: int, spans: SpanSet) -> SpanSet:
        """The bytes of one member's data that hold the given bytes of the volume."""
        parts: list[SpanSet] = []
        for zone in self.zones:
            if number not in zone.members:
                continue
            slot = zone.members.index(number)
            wanted = spans.clip(zone.span)
            first = zone.member_bytes_before(slot, wanted.starts - zone.span.start)
            last = zone.member_bytes_before(slot, wanted.stops - zone.span.start)
            parts.append(SpanSet.from_bounds(first + zone.member_start, last + zone.member_start))
        return union(parts)

    def on_volume(self, number: int, spans: SpanSet) -> SpanSet:
        """The bytes of the volume that the given bytes of one member's data hold."""
        parts = [
            run.to_volume(spans.clip(run.on_member))
            for run in self._runs(Span(0, self.size_bytes))
            if run.member == number
        ]
        return union(parts)

    def _in_one_chunk(self, span: Span) -> tuple[int, int] | None:
        """The member, and the place on it, of a span that crosses no chunk border; None if it does."""
        for zone in self.zones:
            if zone.span.covers(span) and span.length:
                row, inside = divmod(span.start - zone.span.start, zone.row_bytes)
                slot, offset = divmod(inside, zone.chunk_bytes)
                if offset + span.length > zone.chunk_bytes:
                    return None
                return zone.members[slot], zone.member_start + row * zone.chunk_bytes + offset
        return None

    def _runs(self, span: Span) -> Iterator[_Run]:
        for runs in self._runs_by_zone(span):
            yield from runs

    def _runs_by_zone(self, span: Span) -> Iterator[list[_Run]]:
        """For each zone that `span` meets, the contiguous range each member has in it."""
        for zone in self.zones:
            if not zone.span.overlaps(span):
                continue
            part = span.clip(zone.span)
            edges = np.array([part.start, part.stop], np.int64) - zone.span.start
            runs = []
            for slot, member in enumerate(zone.members):
                first, last = (zone.member_bytes_before(slot, edges) + zone.member_start).tolist()
                if last > first:
                    runs.append(_Run(zone, slot, member, part, Span(first, last)))
            yield runs


@dataclass(frozen=True, slots=True)
class _Run:
    """What one member has of a part of one zone: the volume's part, and a contiguous range of the member."""

    zone: Zone
    slot: int
    member: int
    in_zone: Span
    on_member: Span

    def cut(self, spans: SpanSet) -> tuple[Int64s, Int64s, Int64s]:
        """Bytes of the member cut at chunk borders: starts, stops, and where each start is on the volume.

        Only the chunks that `spans` touch are looked at.
        """
        zone, chunk = self.zone, self.zone.chunk_bytes
        begin, end = spans.starts - zone.member_start, spans.stops - zone.member_start
        first_row = begin // chunk
        count = -(-end // chunk) - first_row
        own = np.repeat(np.arange(len(spans)), count)
        ahead = np.repeat(np.cumsum(count) - count, count)
        row: Int64s = np.arange(own.size, dtype=np.int64) - ahead + first_row[own]
        starts, stops = np.maximum(begin[own], row * chunk), np.minimum(end[own], (row + 1) * chunk)
        targets = starts + row * (zone.row_bytes - chunk) + (zone.span.start + self.slot * chunk)
        return starts + zone.member_start, stops + zone.member_start, targets

    def to_volume(self, spans: SpanSet) -> SpanSet:
        """Bytes of the member as bytes of the volume."""
        if not spans:
            return spans
        starts, stops, targets = self.cut(spans)
        return SpanSet.from_bounds(targets, targets + stops - starts)

    def weave(self, given: Octets, target: Octets) -> None:
        """Puts the member's bytes where they belong in `target`, the bytes of `in_zone`.

        Whole chunks go in one strided copy; only a cut first and last chunk are handled alone.
        """
        zone, chunk, row = self.zone, self.zone.chunk_bytes, self.zone.row_bytes
        begin = self.on_member.start - zone.member_start
        offset = zone.span.start - self.in_zone.start
        head = min(-begin % chunk, given.size)
        whole = (given.size - head) // chunk
        at = begin // chunk * row + self.slot * chunk + begin % chunk + offset
        target[at : at + head] = given[:head]
        at = (begin + head) // chunk * row + self.slot * chunk + offset
        if whole:
            rows = np.lib.stride_tricks.as_strided(target[at:], (whole, chunk), (row, 1), writeable=True)
            rows[:] = given[head : head + whole * chunk].reshape(whole, chunk)
        tail = given.size - head - whole * chunk
        if tail:
            at += whole * row
            target[at : at + tail] = given[given.size - tail :]


def _woven(runs: Sequence[_Run], seen: Sequence[dict[_K, SpanSet]]) -> dict[_K, SpanSet]:
    """What the members of one zone say of their ranges, as bytes of the volume.

    Rows of which every member says the same become one stretch at once: two unread drives are one gap
    and not one for every chunk.
    """
    out: dict[_K, SpanSet] = {}
    for key in dict.fromkeys(key for one in seen for key in one):
        spans = [one.get(key, SpanSet()) for one in seen]
        rows = _common_rows(runs, spans)
        parts = [run.to_volume(own - rows) for run, own in zip(runs, spans, strict=True)]
        if rows:
            zone = runs[0].zone
            turns = len(zone.members)
            starts = (rows.starts - zone.member_start) * turns + zone.span.start
            parts.append(SpanSet.from_bounds(starts, starts + (rows.stops - rows.starts) * turns))
        out[key] = union(parts)
    return out


def _common_rows(runs: Sequence[_Run], spans: Sequence[SpanSet]) -> SpanSet:
    """The whole chunks, in bytes of a member, that lie in every one of the sets of a zone's members."""
    zone = runs[0].zone
    if len(runs) < len(zone.members):
        return SpanSet()
    common = spans[0]
    for own in spans[1:]:
        common = common & own
    return common.shift(-zone.member_start).narrow(zone.chunk_bytes).shift(zone.member_start)


def _joined(maps: Sequence[Mapping[_K, SpanSet]]) -> dict[_K, SpanSet]:
    """The sets of several maps, united key by key."""
    keys = dict.fromkeys(key for one in maps for key in one)
    return {key: union(one[key] for one in maps if key in one) for key in keys}
