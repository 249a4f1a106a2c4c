"""Whether two drives are halves of a mirror in step, to be read as one task, and what comparing them told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol
from zlib import crc32

from mendbay.case.records import Facts
from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.source import Source
from mendbay.core.span import SpanSet
from mendbay.imaging.alike import Alike, sample
from mendbay.imaging.hazard import Hazard
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.planner import Planner
from mendbay.imaging.shared_task import SPARED, SPARED_READ_BYTES
from mendbay.imaging.units import alike_in_units, common_unit, in_units
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.one_task import Member, OneTask, Seated, differing_words
from mendbay.jobs.other_half import HALVES, alike_by_sets, alike_of, found_differing
from mendbay.jobs.picking import Alone, Picker
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume


class Planned(Seated, Protocol):
    """A reading whose planner counts in units."""

    unit_bytes: int

    def plan_by(self, unit_bytes: int) -> None:
        """Plans in units of another size."""


class Half(Protocol):
    """One of two drives that may be halves of a mirror, as far as sharing goes."""

    @property
    def bay(self) -> str: ...

    @property
    def reading(self) -> Planned: ...

    @property
    def store(self) -> ImageStore: ...

    @property
    def hazard(self) -> Hazard: ...


class _NotRead:
    """A reading that reads nothing: what the image holds is given."""

    def __init__(self, store: ImageStore) -> None:
        self._store = store
        self.plan_by(store.identity.unit_bytes)

    def plan_by(self, unit_bytes: int) -> None:
        self.unit_bytes = unit_bytes
        known = in_units(self._store.coverage_here(), unit_bytes)
        self.planner = Planner(known, self._store.refused_reads())
        self.picker: Picker = Alone(self.planner)


@dataclass(frozen=True, slots=True)
class KeptHalf:
    """The image of a drive that is not at hand: what it holds counts, and nothing is added to it."""

    bay: str
    store: ImageStore
    reading: _NotRead
    hazard: Hazard

    @classmethod
    def of(cls, bay: str, store: ImageStore, hazard: Hazard) -> KeptHalf:
        """Args:
        hazard: that of the drive it is compared with: the absent one runs none.
        """
        return cls(bay, store, _NotRead(store), hazard)


def shared_task(
    bench: Bench,
    case: int,
    drives: Sequence[Half],
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
        bench.tell(Said("The halves of the mirror were found to differ before: each is read whole."))
        return None
    unit = drives[0].reading.unit_bytes
    alike = alike_in_units(alike, unit)
    shared = alike.spans(0)
    seed = crc32(volume.system.facts.uuid.encode())
    both = (sample(shared, seed) | descriptions.get(drives[0].bay, SpanSet())).widen(unit) & shared
    members = [Member(one.bay, one.reading, one.store, one.hazard.per_hour / 3600) for one in drives]
    kept = next((one.bay for one in drives if isinstance(one, KeptHalf)), "")
    if kept:
        text = (
            f"The image of bay {kept} counts as that half of the mirror: of the other drive only what it "
            f"lacks is read, and {bytes_text(both.total_bytes)} to compare the two. (To read all of it is "
            "an option.)"
        )
        bench.tell(Said(text))
        return OneTask((members[0], members[1]), alike, both, bench.tell, bench.stop, kept, unit)
    text = (
        "The drives are halves of a mirror in step and are read as one task: of "
        f"{bytes_text(shared.total_bytes)} that both hold, {bytes_text(both.total_bytes)} are read from "
        "both and compared, the rest from one of them. (To read both whole is an option.)"
    )
    bays = (drives[0].bay, drives[1].bay)
    text = f"{text} {spared_words(bays, (members[0].per_second, members[1].per_second))}".rstrip()
    bench.tell(Said(text))
    return OneTask((members[0], members[1]), alike, both, bench.tell, bench.stop, unit_bytes=unit)


def spared_words(bays: tuple[str, str], per_second: tuple[float, float]) -> str:
    """Which of two drives read as one task is spared, as a sentence; empty if none is.

    Args:
        per_second: the hazard of a powered second of each.
    """
    for one, other in ((0, 1), (1, 0)):
        if per_second[one] > SPARED * per_second[other]:
            return (
                f"Bay {bays[one]} is spared: else it is asked only for what bay {bays[other]} is refused, in "
                f"reads of up to {bytes_text(SPARED_READ_BYTES)}."
            )
    return ""


def plan_together(drives: Sequence[Half], sources: Mapping[str, Source], volume: OpenVolume) -> None:
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


def known_alike(bench: Bench, case: int, drives: Sequence[Half]) -> Alike | None:
    """What two drives hold alike by what their images have of their sets already; None if that is nothing, or
    they were found to differ. No drive is read."""
    if found_differing(bench, case):
        return None
    plain = {one.bay: ImageSource(one.store, one.bay) for one in drives}
    return alike_by_sets(plain)


def _alike(drives: Sequence[Half], sources: Mapping[str, Source], volume: OpenVolume) -> Alike | None:
    first, second = drives
    if first.store.identity.sector_bytes != second.store.identity.sector_bytes:
        return None
    size = volume.system.facts.size_bytes
    return alike_of(sources, volume.assembled, size)


def note_compared(bench: Bench, case: int, task: OneTask) -> None:
    """Tells in the case's story that the halves were read as one task, and what came of comparing them."""
    found = task.conclude()
    if found.differ_at is not None:
        text = differing_words(task.bays, found.differ_at)
    elif found.compared_bytes:
        text = (
            f"The halves of the mirror were compared in {count_text(found.compared_bytes)} bytes, and are "
            "the same there."
        )
    else:
        text = "The halves of the mirror were read as one task; nothing was given by both to be compared."
    facts: Facts = {"differ": found.differ_at is not None, "compared_bytes": found.compared_bytes}
    bench.note(case, HALVES, text, facts)
