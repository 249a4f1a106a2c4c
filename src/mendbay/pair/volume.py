"""Makes the volume of a ranked set of members."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from mendbay.core.errors import CannotAssemble
from mendbay.core.source import PartOf, Source
from mendbay.core.span import Span, SpanSet
from mendbay.pair.bitmap import read_bitmap
from mendbay.pair.md import LEVEL_LINEAR, SECTOR, Superblock, read_bad_blocks
from mendbay.pair.member import MissingMember, Withheld
from mendbay.pair.mirror import Half, Mirror
from mendbay.pair.raid10 import TWO_MEMBER_LAYOUTS, copy_on, volume_bytes
from mendbay.pair.standing import MAY_BE_OLDER, Ranked, Ranking, Standing, number
from mendbay.pair.stripe import (
    Raid0Layout,
    Stripe,
    Zone,
    linear_zones,
    raid0_layouts_differ,
    raid0_zones,
)

MAX_SLOTS = 32
"""Members of one set that are looked at; two-bay boxes use two, a few makers' system sets have a slot for
every bay they ever build."""


class Level(StrEnum):
    """What a volume is made of."""

    MIRROR = "mirror"
    STRIPE = "stripe"
    SPAN = "span"
    SINGLE = "single"


@dataclass(frozen=True, slots=True)
class Built:
    """A volume with the halves it may prefer (mirrors only) and what is worth telling."""

    source: Source
    level: Level
    remarks: tuple[str, ...]
    halves: tuple[Source, ...] = ()


@dataclass
class _Remarks:
    """Sentences gathered while a volume is made."""

    said: list[str] = field(default_factory=list)

    def add(self, text: str) -> None:
        if text not in self.said:
            self.said.append(text)


def build_volume(ranking: Ranking, name: str) -> Built:
    """The volume of a set.

    Raises:
        CannotAssemble: a level or shape that is not one of two bays, or members that hold too little.
    """
    one = ranking.freshest
    if not 1 <= one.raid_disks <= MAX_SLOTS:
        raise _not_ours(one, f"claims {one.raid_disks} members")
    remarks = _Remarks()
    _common_remarks(ranking, remarks)
    if one.is_reshaping and one.level != 1:
        raise _not_ours(one, "was being changed to another shape when it stopped")
    if one.level == 1 or (one.level in (4, 5) and one.raid_disks == 2):
        # with one data block and its parity in each row, parity is a copy of it
        return _mirror(ranking, name, remarks, lambda ranked, data: data, _component_bytes(one))
    if one.level == 10 and one.raid_disks == 2 and one.layout in TWO_MEMBER_LAYOUTS:
        return _raid10(ranking, name, remarks)
    if one.level == 0:
        return _stripe(ranking, name, remarks)
    if one.level == LEVEL_LINEAR:
        return _span(ranking, name, remarks)
    raise _not_ours(one, f"is of level {one.level} with {one.raid_disks} members (layout {one.layout:#x})")


def _not_ours(one: Superblock, found: str) -> CannotAssemble:
    return CannotAssemble(
        f"The set {one.set_uuid} {found}, which is no mirror, stripe or span of two bays.",
        "Check that all its members are here and came from one box; this shape needs another tool.",
    )


def _common_remarks(ranking: Ranking, remarks: _Remarks) -> None:
    one = ranking.freshest
    for ranked in ranking.members:
        superblock, label = ranked.superblock, ranked.place.label
        if not superblock.checksum_holds:
            remarks.add(
                f"The superblock of {label} fails its checksum; what it says is used for want of better"
            )
        shape = (superblock.level, superblock.raid_disks, superblock.chunk_bytes, superblock.layout)
        if shape != (one.level, one.raid_disks, one.chunk_bytes, one.layout):
            remarks.add(
                f"The superblock of {label} describes another shape than the freshest; it is not followed"
            )
        if superblock.data.stop > ranked.place.span.length:
            lacking = number(superblock.data.stop - ranked.place.span.length)
            remarks.add(f"The last {lacking} bytes of {label} are beyond the end of what was given")
    if one.is_reshaping:
        remarks.add("The set was being changed to another shape when it stopped")


def _component_bytes(one: Superblock) -> int:
    """How much of each member a mirror uses."""
    return one.component_bytes if 0 < one.component_bytes <= one.data.length else one.data.length


def _data(ranked: Ranked, remarks: _Remarks) -> Source:
    """A member's data, less what is not filled yet or on its own list of bad blocks."""
    one, place = ranked.superblock, ranked.place
    data = PartOf(place.source, one.data, place.label)
    listed = read_bad_blocks(place.source, one)
    held = listed.spans
    if listed.remark:
        remarks.add(f"{place.title}: {listed.remark}")
    if held:
        remarks.add(
            f"The set itself has written off {number(held.total_bytes)} bytes of {place.label} as bad "
            "blocks; they are not used"
        )
    if one.recovery_bytes is not None and one.recovery_bytes < one.data.length:
        held = held | SpanSet((Span(one.recovery_bytes, one.data.length),))
    return Withheld(data, held) if held else data


def _mirror(
    ranking: Ranking,
    name: str,
    remarks: _Remarks,
    whole_copy: Callable[[Ranked, Source], Source],
    size_bytes: int,
) -> Built:
    """Halves in the order of the ranking; `whole_copy` turns a member's data into the volume it holds."""
    one = ranking.freshest
    used = [ranked for ranked in ranking.members if ranked.standing is not Standing.UNUSED]
    if not used or size_bytes <= 0:
        raise CannotAssemble(
            f"No member of the set {one.set_uuid} that is here holds a copy of its data.",
            "Find the drive that held it; a spare alone gives nothing.",
        )
    _missing_halves(ranking, used, remarks)
    if one.resync_bytes is not None and len(used) > 1:
        remarks.add(
            "The set was not stopped cleanly: where it was being written just then, its halves may differ"
        )
    proof = _Proof(ranking, remarks)
    halves = []
    for ranked in used:
        copy = whole_copy(ranked, _data(ranked, remarks))
        halves.append(Half(copy, proof.older(ranked, size_bytes)))
    level = Level.SINGLE if one.raid_disks == 1 else Level.MIRROR
    mirror = Mirror(halves, size_bytes, name)
    return Built(mirror, level, tuple(remarks.said), tuple(half.source for half in halves))


def _missing_halves(ranking: Ranking, used: Sequence[Ranked], remarks: _Remarks) -> None:
    one = ranking.freshest
    slots = {ranked.slot for ranked in used}
    for slot in range(one.raid_disks):
        if slot in slots:
            continue
        if slot in one.roles:
            remarks.add(
                f"The half in slot {slot} is not here. It still belonged to the set when what is here was "
                "last written, so it may be the fresher one"
            )
        else:
            remarks.add(f"The half in slot {slot} is not here; the set had already gone on without it")


class _Proof:
    """What the freshest member's write-intent bitmap proves of members that fell behind.

    A clear bit proves that nothing was written there since the older member left, but not that the older
    one was left alone: if that went on by itself, nothing is proven.
    """

    def __init__(self, ranking: Ranking, remarks: _Remarks) -> None:
        self.ranking = ranking
        self.remarks = remarks

    def older(self, ranked: Ranked, size_bytes: int) -> SpanSet:
        """The bytes of the volume in which this member may hold an older state."""
        if ranked.standing not in MAY_BE_OLDER:
            return SpanSet()
        everything = SpanSet((Span(0, size_bytes),))
        label = ranked.place.label
        if ranked.standing is Standing.DAMAGED or self.ranking.went_own_ways:
            return everything
        if self.ranking.freshest.level == 10:
            return everything  # its bitmap counts in another order than the volume
        first = next(r for r in self.ranking.members if r.superblock is self.ranking.freshest)
        bitmap = read_bitmap(first.place.source, first.superblock)
        if isinstance(bitmap, str):
            self.remarks.add(f"{bitmap}: nothing proves any of {label} current")
            return everything
        dirty = bitmap.dirty(size_bytes, ranked.superblock.events)
        if bitmap.doubts:
            self.remarks.add(f"The write-intent bitmap is not used: {'; '.join(bitmap.doubts)}")
        elif ranked.superblock.events < bitmap.events_cleared:
            self.remarks.add(
                f"The write-intent bitmap proves nothing of {label}: it was cleared at "
                f"{number(bitmap.events_cleared)} events, after that half fell behind"
            )
        else:
            self.remarks.add(
                f"The write-intent bitmap proves {number(size_bytes - dirty.total_bytes)} of "
                f"{number(size_bytes)} bytes of {label} current"
            )
        return dirty


def _raid10(ranking: Ranking, name: str, remarks: _Remarks) -> Built:
    one = ranking.freshest
    if not _chunk_fits(one):
        raise _not_ours(one, f"claims chunks of {one.chunk_bytes} bytes")
    component = _component_bytes(one)
    size = volume_bytes(component, one.chunk_bytes, one.layout)
    slotless = [r for r in ranking.members if r.standing is not Standing.UNUSED and r.slot not in (0, 1)]
    if slotless:
        raise _not_ours(one, f"does not say which place {slotless[0].place.label} has in it")

    def whole_copy(ranked: Ranked, data: Source) -> Source:
        return copy_on(ranked.slot or 0, data, component, one.chunk_bytes, one.layout, ranked.place.label)

    return _mirror(ranking, name, remarks, whole_copy, size)


def _chunk_fits(one: Superblock) -> bool:
    """Whether the chunk is a whole number of sectors and the data holds at least one."""
    return SECTOR <= one.chunk_bytes <= one.data.length and one.chunk_bytes % SECTOR == 0


def _stripe(ranking: Ranking, name: str, remarks: _Remarks) -> Built:
    one = ranking.freshest
    if not _chunk_fits(one):
        raise _not_ours(one, f"claims chunks of {one.chunk_bytes} bytes")
    members = _by_slot(ranking, remarks)
    sizes = [member.size_bytes for member in members]
    if one.raid0_layout == 0 and raid0_layouts_differ(sizes, one.chunk_bytes):
        raise CannotAssemble(
            f"The set {one.set_uuid} has members of three or more sizes and does not say in which of two "
            "orders they take turns behind the end of the smallest.",
            "A two-bay box cannot have made it; check where each of these drives comes from.",
        )
    layout = Raid0Layout(one.raid0_layout or Raid0Layout.ORIGINAL)
    return _woven(ranking, members, raid0_zones(sizes, one.chunk_bytes, layout), Level.STRIPE, name, remarks)


def _span(ranking: Ranking, name: str, remarks: _Remarks) -> Built:
    one = ranking.freshest
    members = _by_slot(ranking, remarks)
    sizes = [member.size_bytes for member in members]
    return _woven(ranking, members, linear_zones(sizes, one.chunk_bytes), Level.SPAN, name, remarks)


def _woven(
    ranking: Ranking,
    members: Sequence[Source],
    zones: Sequence[Zone],
    level: Level,
    name: str,
    remarks: _Remarks,
) -> Built:
    if not zones:
        raise _not_ours(ranking.freshest, "has members that hold no whole chunk")
    told = Level.SINGLE if len(members) == 1 else level
    return Built(Stripe(members, zones, name), told, tuple(remarks.said))


def _by_slot(ranking: Ranking, remarks: _Remarks) -> list[Source]:
    """The members' data by slot; what is not here is a member of the size of the largest that is.

    If two fill one slot, the more reliable one is taken.
    """
    one = ranking.freshest
    taken: dict[int, Ranked] = {}
    for ranked in ranking.members:
        if ranked.slot is None or ranked.slot >= one.raid_disks:
            remarks.add(f"{ranked.place.title} fills no slot of the set")
        elif ranked.slot in taken:
            remarks.add(
                f"{ranked.place.title} fills the same slot as "
                f"{taken[ranked.slot].place.label} and is set aside"
            )
        else:
            taken[ranked.slot] = ranked
    if not taken:
        raise CannotAssemble(
            f"No member of the set {one.set_uuid} that is here holds any of its data.",
            "Find the drives that held it; a spare alone gives nothing.",
        )
    remarks.said.extend(_lag_remarks(ranking, taken.values()))
    found = {slot: _data(ranked, remarks) for slot, ranked in taken.items()}
    assumed = max(source.size_bytes for source in found.values())
    sector = max(source.sector_bytes for source in found.values())
    for slot in range(one.raid_disks):
        if slot not in found:
            remarks.add(
                f"The member in slot {slot} is not here: its bytes are absent, and it is taken to be as "
                f"large as the largest that is here ({number(assumed)} bytes)"
            )
            found[slot] = MissingMember(assumed, sector, f"slot {slot}")
    return [found[slot] for slot in range(one.raid_disks)]


def _lag_remarks(ranking: Ranking, used: Iterable[Ranked]) -> Iterator[str]:
    for ranked in used:
        if ranked.standing in MAY_BE_OLDER:
            yield (
                f"{ranked.place.title} is not in step with the set, and nothing "
                "else holds its share: files may be mixed from two states"
            )
