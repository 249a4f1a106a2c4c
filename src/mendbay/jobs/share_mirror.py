"""Whether two drives are halves of a mirror in step, to be read as one task, and what their halves left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from zlib import crc32

from mendbay.core.coverage import Coverage
from mendbay.core.errors import CannotAssemble
from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.source import Source
from mendbay.core.span import SpanSet
from mendbay.imaging.alike import Alike, Stretch, sample
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.one_task import Member, OneTask, differing_words
from mendbay.jobs.read_drive import OpenDrive
from mendbay.jobs.volume import OpenVolume
from mendbay.pair.assemble import Assembled, assemble
from mendbay.pair.same_bytes import same_bytes

HALVES = "halves"
"""Kind of the events that tell what came of comparing the halves of a mirror."""


def shared_task(
    bench: Bench,
    case: int,
    drives: Sequence[OpenDrive],
    volume: OpenVolume,
    descriptions: Mapping[str, SpanSet],
) -> OneTask | None:
    """The two drives as one task, and a word on it; None if each has to be read whole.

    Args:
        descriptions: by bay, what describes the files: part of what both halves are asked for, since no file
            can change on one half alone without them.
    """
    if len(drives) != 2:
        return None
    alike = _alike(drives, volume)
    if alike is None:
        return None
    if halves_differ(bench, case):
        bench.tell(Said("The halves of the mirror were found to differ before: both are read whole."))
        return None
    shared = alike.spans(0)
    seed = crc32(volume.system.facts.uuid.encode())
    both = (sample(shared, seed) | descriptions.get(drives[0].bay, SpanSet())) & shared
    members = [Member(one.bay, one.reading, one.store, one.hazard.per_hour / 3600) for one in drives]
    bench.tell(
        Said(
            "The drives are halves of a mirror in step and are read as one task: of "
            f"{bytes_text(shared.total_bytes)} that both hold, {bytes_text(both.total_bytes)} are read from "
            "both and compared, the rest from one of them. (--both-whole reads all of both.)"
        )
    )
    return OneTask((members[0], members[1]), alike, both, bench.clock, bench.tell)


def _alike(drives: Sequence[OpenDrive], volume: OpenVolume) -> Alike | None:
    first, second = drives
    if first.store.identity.sector_bytes != second.store.identity.sector_bytes:
        return None
    sources: dict[str, Source] = {one.bay: one.source for one in drives}
    size = volume.system.facts.size_bytes
    return alike_of(sources, volume.assembled, size)


def alike_of(sources: Mapping[str, Source], chosen: Assembled, file_system_bytes: int) -> Alike | None:
    """What two drives hold alike by the sets they make; None if nothing.

    Args:
        sources: the two drives by bay; `side` counts in their order.
        chosen: the volume that is looked at; a mirror without superblocks is only known by its file system.
        file_system_bytes: how much of that volume the file system fills.
    """
    bays = tuple(sources)
    if len(bays) != 2:
        return None
    sector = max(one.sector_bytes for one in sources.values())
    try:
        largest = assemble(sources)
        volumes = [largest, *largest.others] if largest.set_uuid else []
    except CannotAssemble:
        volumes = []
    found = same_bytes(volumes, (bays[0], bays[1]), sector)
    if not chosen.set_uuid:
        found = same_bytes([chosen], (bays[0], bays[1]), sector)
        limit = file_system_bytes // sector * sector
        return _made([Stretch(one.starts, min(one.length, limit)) for one in found])
    return _made([Stretch(one.starts, one.length) for one in found])


def _made(stretches: Sequence[Stretch]) -> Alike | None:
    kept = tuple(one for one in stretches if one.length > 0)
    return Alike(kept) if kept else None


def left_to_other(
    sources: Mapping[str, Source], coverages: Mapping[str, Coverage], volume: OpenVolume
) -> dict[str, SpanSet]:
    """By bay, what is unread there but was given by the other half of a mirror in step: not lost, and not
    proven twice. Empty for drives that make none."""
    alike = alike_of(sources, volume.assembled, volume.system.facts.size_bytes)
    bays = tuple(sources)
    if alike is None:
        return {bay: SpanSet() for bay in bays}
    return {
        bay: coverages[bay].unread & alike.across(1 - side, coverages[bays[1 - side]].read)
        for side, bay in enumerate(bays)
    }


def note_compared(bench: Bench, case: int, task: OneTask) -> None:
    """Tells in the case's story what came of comparing the halves."""
    found = task.compared
    if found.differ_at is not None:
        text = differing_words(task.bays, found.differ_at)
        bench.note(case, HALVES, text, {"differ": True, "compared_bytes": found.compared_bytes})
    elif found.compared_bytes:
        text = (
            f"The halves of the mirror were compared in {count_text(found.compared_bytes)} bytes, and are "
            "the same there."
        )
        bench.note(case, HALVES, text, {"differ": False, "compared_bytes": found.compared_bytes})


def halves_differ(bench: Bench, case: int) -> bool:
    """Whether the halves were ever found to differ where they should be the same."""
    return any(one.kind == HALVES and one.facts.get("differ") is True for one in bench.ledger.events(case))
