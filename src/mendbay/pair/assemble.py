"""Puts the drives of a box back together, read-only, from what their superblocks say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from mendbay.core.errors import CannotAssemble
from mendbay.core.source import Lack, PartOf, Source, gaps_of
from mendbay.core.span import Span, SpanSet
from mendbay.pair.answers import lacks_of, missing_words
from mendbay.pair.discover import MAX_PROBED, Discovery, Place, discover
from mendbay.pair.md import ROLE_FAULTY, ROLE_JOURNAL, ROLE_SPARE
from mendbay.pair.partitions import find_partitions_inside
from mendbay.pair.standing import MAY_BE_OLDER, Ranked, Standing, explain, number, rank
from mendbay.pair.volume import Level, build_volume

ROLE_WORDS = {ROLE_SPARE: "spare", ROLE_FAULTY: "failed", ROLE_JOURNAL: "journal"}


@dataclass(frozen=True, slots=True)
class Member:
    """One drive's or partition's part in a volume.

    `span` is in bytes of the drive in `bay`; `partition` is None for a whole drive. `role` is its slot
    in the set in words, empty for a volume that is no set. `updated_at` is seconds since 1970, 0 if
    unknown.
    """

    bay: str
    partition: int | None
    span: Span
    role: str = ""
    standing: Standing = Standing.IN_STEP
    events: int = 0
    updated_at: int = 0
    version: str = ""
    device_uuid: str = ""


@dataclass(frozen=True, slots=True)
class Assembled:
    """A volume, what it is made of, and what is known against it.

    `halves` are the copies of a mirror in the order of preference, each with the volume's coordinates;
    empty for other levels. `freshness` and `remarks` are sentences. `parted_at` is when the older half
    fell behind, in seconds since 1970: its last update. It is None if none did, or if that time proves
    nothing. `unreadable` are, by bay, places that had to be looked at and are missing. `others` are the
    further candidates: by falling size, a place without a superblock counting half. A set whose volume has a
    partition table of its own gives a candidate for each partition in it, with the members of the set, and
    comes itself right after the largest of them: whatever file system it seems to hold is an earlier one.
    """

    volume: Source
    level: Level
    members: tuple[Member, ...]
    name: str = ""
    set_uuid: str = ""
    is_complete: bool = True
    freshness: tuple[str, ...] = ()
    parted_at: int | None = None
    remarks: tuple[str, ...] = ()
    halves: tuple[Source, ...] = ()
    unreadable: Mapping[str, SpanSet] = field(default_factory=dict)
    others: tuple[Assembled, ...] = ()

    @property
    def bays(self) -> tuple[str, ...]:
        """The bays the volume rests on, in the order of its members."""
        return tuple(dict.fromkeys(member.bay for member in self.members))

    @property
    def stale_bays(self) -> tuple[str, ...]:
        """The bays of members that may hold an older state, in the order of the members."""
        return tuple(dict.fromkeys(one.bay for one in self.members if one.standing in MAY_BE_OLDER))

    @property
    def halves_in_step(self) -> bool:
        """Whether there are halves which should hold the same: one that fell behind differs by right. Only
        what they hold can prove that they do."""
        return len(self.halves) > 1 and not self.stale_bays


def assemble(drives: Mapping[str, Source]) -> Assembled:
    """The largest volume that the drives make, with the other candidates in `others`.

    A place without a superblock comes before a set only if it is more than twice as large.

    Args:
        drives: by bay label. Where nothing else decides between two halves the earlier bay is preferred.
            They may be read-through images: only partition tables, superblocks, and where needed a bitmap
            or a list of bad blocks are read.

    Raises:
        CannotAssemble: no drive; drives that belong to different sets; or a set larger than all that
            can be made that has a shape no two bays have.
    """
    found = _Sets(drives)
    made = found.volumes()
    largest = made[0] if made else None
    for size, trouble in found.troubles:
        if size > max((one.volume.size_bytes for one in made), default=-1):
            raise trouble
    if largest is None:
        raise CannotAssemble(
            "No drive was given that holds a volume.", "Image at least one of the drives first."
        )
    _refuse_strangers(largest, made)
    return replace(largest, others=tuple(made[1:]))


def assemble_all(drives: Mapping[str, Source]) -> tuple[Assembled, ...]:
    """Every volume that the drives make, the largest first, also from drives that do not belong together.

    Raises:
        CannotAssemble: there is none.
    """
    found = _Sets(drives)
    made = found.volumes()
    if not made:
        trouble = found.troubles[0][1] if found.troubles else None
        raise trouble or CannotAssemble(
            "No drive was given that holds a volume.", "Image at least one of the drives first."
        )
    return tuple(made)


class _Sets:
    """What was found on all drives, sorted into sets and places that belong to none."""

    def __init__(self, drives: Mapping[str, Source]) -> None:
        self.found = [discover(bay, drive) for bay, drive in drives.items()]
        self.troubles: list[tuple[int, CannotAssemble]] = []
        self.sets: dict[str, list[Place]] = {}
        for place in (place for one in self.found for place in one.members):
            if place.superblock is not None:
                self.sets.setdefault(place.superblock.set_uuid, []).append(place)
        self.unreadable = {one.bay: one.unreadable for one in self.found if one.unreadable}

    def volumes(self) -> list[Assembled]:
        """The candidates by falling weight."""
        weighed: list[tuple[int, Assembled]] = []
        for one in map(self._set, self.sets.values()):
            if one is not None:
                weighed.extend(_with_inside(one))
        singles = (self._single(place) for found in self.found for place in found.plain)
        weighed.extend((one.volume.size_bytes, one) for one in singles)
        weighed.sort(key=lambda pair: -pair[0])
        troubles = tuple(f"{trouble.what} {trouble.next_step}" for _, trouble in self.troubles)
        return [replace(one, remarks=one.remarks + troubles) for _, one in weighed]

    def _set(self, places: Sequence[Place]) -> Assembled | None:
        ranking = rank(places)
        one = ranking.freshest
        try:
            built = build_volume(ranking, one.name or one.set_uuid)
        except CannotAssemble as trouble:
            self.troubles.append((max(place.span.length for place in places), trouble))
            return None
        slots = {ranked.slot for ranked in ranking.members if ranked.standing is not Standing.UNUSED}
        lone = self._without(places)
        return Assembled(
            volume=built.source,
            level=built.level,
            members=tuple(_member(ranked) for ranked in ranking.members),
            name=one.name,
            set_uuid=one.set_uuid,
            is_complete=len(slots - {None}) >= one.raid_disks,
            freshness=explain(ranking),
            parted_at=ranking.parted_at,
            remarks=(*self._remarks(places), *built.remarks, *lone),
            halves=built.halves,
            unreadable=self.unreadable,
        )

    def _single(self, place: Place) -> Assembled:
        member = Member(place.bay, place.partition, place.span)
        return Assembled(
            volume=place.source,
            level=Level.SINGLE,
            members=(member,),
            name=place.label,
            remarks=(*self._remarks((place,)), f"{place.title} carries no superblock: it is taken as it is"),
            unreadable=self.unreadable,
        )

    def _remarks(self, places: Iterable[Place]) -> Iterable[str]:
        """What was found on the drives a volume rests on."""
        bays = {place.bay for place in places}
        return [remark for one in self.found if one.bay in bays for remark in one.remarks]

    def _without(self, places: Sequence[Place]) -> list[str]:
        """A remark for each drive on which no member of any set was found, beside one that is a member."""
        bays = {place.bay for place in places}
        return [_lone_remark(one) for one in self.found if one.bay not in bays and not one.members]


SET_WEIGHT = 2
"""How much more than its size speaks for a set, against a place without a superblock: that is often a member
whose superblock is lost, and then a little larger than the set itself."""


def _with_inside(whole: Assembled) -> list[tuple[int, Assembled]]:
    """A set's volume and the partitions inside it, each with what speaks for it, most first."""
    table = find_partitions_inside(whole.volume)
    called = whole.name or whole.set_uuid
    told = tuple(f"The volume {called}: {remark}" for remark in table.remarks)
    whole = replace(whole, remarks=whole.remarks + told)
    size = whole.volume.size_bytes
    parts = [one for one in table.partitions if not one.is_container and one.span.start < size]
    inside = []
    for one in sorted(parts[:MAX_PROBED], key=lambda part: -part.span.length):
        name = f"{called}, partition {one.number}"
        remark = (
            f"The volume {called} has a partition table of its own; this is its partition {one.number} of "
            f"{number(len(parts))}"
        )
        volume = PartOf(whole.volume, one.span, name)
        halves = tuple(PartOf(half, one.span, half.identity.name) for half in whole.halves)
        part = replace(whole, volume=volume, name=name, halves=halves, remarks=(*whole.remarks, remark))
        inside.append((min(one.span.length, size) * SET_WEIGHT, part))
    weight = inside[0][0] if inside else size * SET_WEIGHT
    return sorted((*inside, (weight, whole)), key=lambda pair: -pair[0])


def _lone_remark(found: Discovery) -> str:
    """That no superblock was found on a drive, and what of the places for one is missing, and why."""
    lacks = lacks_of(found.gaps)
    said = " and ".join(_missing_bytes(why, spans) for why, spans in lacks.items())
    return f"No superblock was found on bay {found.bay}" + (f", but {said}" if said else "")


def _missing_bytes(why: Lack, spans: SpanSet) -> str:
    words = missing_words(gaps_of(spans, why), plural=True)
    return f"{number(spans.total_bytes)} bytes where one could be {words}"


def _member(ranked: Ranked) -> Member:
    one, place = ranked.superblock, ranked.place
    role = f"slot {ranked.slot}" if ranked.slot is not None else ROLE_WORDS.get(one.role, "none")
    return Member(
        bay=place.bay,
        partition=place.partition,
        span=place.span,
        role=role,
        standing=ranked.standing,
        events=one.events,
        updated_at=one.updated_at,
        version=one.version.value,
        device_uuid=one.device_uuid,
    )


def _refuse_strangers(largest: Assembled, made: Sequence[Assembled]) -> None:
    """Raises if the largest set lacks a member and another drive belongs to another set that lacks one too.

    Raises:
        CannotAssemble: naming both sets.
    """
    if not largest.set_uuid or largest.is_complete:
        return
    for other in made:
        apart = not set(other.bays) & set(largest.bays)
        if other.set_uuid and not other.is_complete and apart:
            raise CannotAssemble(
                f"The drives belong to different sets: {_described(largest)}, and {_described(other)}.",
                "Check that both drives came out of the same box; to look into one, give its bay alone.",
            )


def _described(one: Assembled) -> str:
    bays = " and ".join(f"bay {bay}" for bay in one.bays)
    named = f" ({one.name})" if one.name else ""
    return f"{bays} to the {one.level} {one.set_uuid}{named}"
