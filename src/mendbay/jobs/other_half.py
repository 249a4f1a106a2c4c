"""What two drives hold alike, and what is unread on one because the other gave it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from mendbay.case.records import Event
from mendbay.core.errors import CannotAssemble
from mendbay.core.source import Source
from mendbay.core.span import SameBytes, SpanSet
from mendbay.imaging.alike import Alike
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume
from mendbay.pair.assemble import Assembled, assemble
from mendbay.pair.same_bytes import same_bytes

HALVES = "halves"
"""Kind of the events that tell that the halves of a mirror were read as one task, and what came of comparing
its sample."""
COMPARED = "halves compared"
"""Kind of the events that tell where the halves of a mirror differ (`jobs.halves_compared`)."""
ASIDE = "set_aside"
"""Fact of an event: an image was set aside, as it is of another drive. What was compared with it is void."""


def alike_of(sources: Mapping[str, Source], chosen: Assembled, file_system_bytes: int) -> Alike | None:
    """What two drives hold alike by the sets they make; None if nothing.

    Args:
        sources: the two drives by bay; `side` counts in their order.
        chosen: the volume that is looked at; a mirror without superblocks is only known by its file system.
        file_system_bytes: how much of that volume the file system fills.
    """
    if chosen.set_uuid:
        return alike_by_sets(sources)
    bays = tuple(sources)
    if len(bays) != 2:
        return None
    sector = max(one.sector_bytes for one in sources.values())
    limit = file_system_bytes // sector * sector
    found = same_bytes([chosen], (bays[0], bays[1]), sector)
    return _made([replace(one, length=min(one.length, limit)) for one in found])


def alike_by_sets(sources: Mapping[str, Source]) -> Alike | None:
    """What two drives hold alike by the superblocks of all their sets; None if nothing."""
    bays = tuple(sources)
    if len(bays) != 2:
        return None
    sector = max(one.sector_bytes for one in sources.values())
    try:
        largest = assemble(sources)
    except CannotAssemble:
        return None
    sets = [one for one in (largest, *largest.others) if one.set_uuid]
    found = same_bytes(sets, (bays[0], bays[1]), sector)
    return _made(found)


def _made(stretches: Iterable[SameBytes]) -> Alike | None:
    kept = tuple(one for one in stretches if one.length > 0)
    return Alike(kept) if kept else None


def left_to_other(
    sources: Mapping[str, Source], images: Mapping[str, ImageStore], volume: OpenVolume
) -> dict[str, SpanSet]:
    """By bay, what is unread there but was given by the other half of a mirror in step: not lost, and not
    proven twice. Empty for drives that make none, and for halves that were found to differ."""
    bays = tuple(sources)
    alike = None
    if not volume.halves_differ:
        alike = alike_of(sources, volume.assembled, volume.system.facts.size_bytes)
    if alike is None:
        return {bay: SpanSet() for bay in bays}
    return {
        bay: images[bay].coverage().unread & alike.across(1 - side, sound(images[bays[1 - side]]))
        for side, bay in enumerate(bays)
    }


def sound(image: ImageStore) -> SpanSet:
    """What an image holds that nothing speaks against: only that takes a read off the other half."""
    return image.coverage().read - in_doubt(image)


def in_doubt(image: ImageStore) -> SpanSet:
    """What of an image the drive gave otherwise at another time, or what is no longer what it gave."""
    return image.changed() | image.two_answers()


def found_differing(bench: Bench, case: int) -> tuple[str, ...]:
    """In a sentence, that the halves were found to differ where they should be the same; empty if they never
    were."""
    told = [one.text for one in of_halves(bench, case) if one.facts.get("differ") is True]
    return tuple(told[-1:])


def read_as_one_task(bench: Bench, case: int) -> bool:
    """Whether the halves of the mirror were ever read as one task: only then is what one of them lacks left
    to the other on purpose."""
    return any(one.kind == HALVES for one in of_halves(bench, case))


def of_halves(bench: Bench, case: int) -> list[Event]:
    """What was told of the halves of the mirror, since an image was last set aside."""
    told: list[Event] = []
    for one in bench.ledger.events(case):
        if ASIDE in one.facts:
            told.clear()
        elif one.kind in (HALVES, COMPARED):
            told.append(one)
    return told
