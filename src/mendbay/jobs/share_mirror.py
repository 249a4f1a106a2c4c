"""Whether two drives are halves of a mirror in step, to be read as one task, and what comparing them told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from zlib import crc32

from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.source import Source
from mendbay.core.span import SpanSet
from mendbay.imaging.alike import Alike, sample
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.shared_task import SPARED
from mendbay.imaging.units import alike_in_units, common_unit
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.one_task import Member, OneTask, differing_words
from mendbay.jobs.other_half import HALVES, alike_by_sets, alike_of, found_differing
from mendbay.jobs.read_drive import OpenDrive
from mendbay.jobs.volume import OpenVolume


def shared_task(
    bench: Bench,
    case: int,
    drives: Sequence[OpenDrive],
    sources: Mapping[str, Source],
    volume: OpenVolume,
    descriptions: Mapping[str, SpanSet],
) -> OneTask | None:
    """The two drives as one task, and a word on it; None if each has to be read whole.

    Args:
        sources: what is read of the drives, by bay.
        descriptions: by bay, what describes the files: part of what both halves are asked for, since no file
            can change on one half alone without them.
    """
    if len(drives) != 2:
        return None
    alike = _alike(drives, sources, volume)
    if alike is None:
        return None
    if found_differing(bench, case):
        bench.tell(Said("The halves of the mirror were found to differ before: both are read whole."))
        return None
    unit = drives[0].reading.unit_bytes
    alike = alike_in_units(alike, unit)
    shared = alike.spans(0)
    seed = crc32(volume.system.facts.uuid.encode())
    both = (sample(shared, seed) | descriptions.get(drives[0].bay, SpanSet())).widen(unit) & shared
    members = [Member(one.bay, one.reading, one.store, one.hazard.per_hour / 3600) for one in drives]
    text = (
        "The drives are halves of a mirror in step and are read as one task: of "
        f"{bytes_text(shared.total_bytes)} that both hold, {bytes_text(both.total_bytes)} are read from "
        "both and compared, the rest from one of them. (--both-whole reads all of both.)"
    )
    for one, other in (members, members[::-1]):
        if one.per_second > SPARED * other.per_second:
            text += f" Bay {one.bay} is spared: else it is asked only for what bay {other.bay} is refused."
    bench.tell(Said(text))
    return OneTask((members[0], members[1]), alike, both, bench.tell, bench.stop, unit)


def plan_together(drives: Sequence[OpenDrive], sources: Mapping[str, Source], volume: OpenVolume) -> None:
    """Has two drives that may be read as one task plan in units of one size whose borders meet; in sectors
    where theirs do not. Nothing may be under way, and nothing waived in this reading.

    Args:
        sources: what is read of the drives, by bay.
    """
    alike = _alike(drives, sources, volume) if len(drives) == 2 else None
    if alike is None:
        return
    first, second = (one.store.identity for one in drives)
    unit = common_unit(alike, (first.unit_bytes, second.unit_bytes), first.sector_bytes)
    for one in drives:
        if one.reading.unit_bytes != unit:
            one.reading.plan_by(unit)


def known_alike(bench: Bench, case: int, drives: Sequence[OpenDrive]) -> Alike | None:
    """What two drives hold alike by what their images have of their sets already; None if that is nothing, or
    they were found to differ. No drive is read."""
    if found_differing(bench, case):
        return None
    plain = {one.bay: ImageSource(one.store, one.bay) for one in drives}
    return alike_by_sets(plain)


def _alike(drives: Sequence[OpenDrive], sources: Mapping[str, Source], volume: OpenVolume) -> Alike | None:
    first, second = drives
    if first.store.identity.sector_bytes != second.store.identity.sector_bytes:
        return None
    size = volume.system.facts.size_bytes
    return alike_of(sources, volume.assembled, size)


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
