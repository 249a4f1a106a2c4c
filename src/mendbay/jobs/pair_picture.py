"""What a page shows of how the drives of a case belong together: evidence, and how their bytes take turns."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import VolumeFacts
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_picture import Looks
from mendbay.jobs.halves_compared import uncompared_bytes
from mendbay.jobs.look_at_pair import looked
from mendbay.jobs.other_half import of_halves
from mendbay.jobs.remembered import remembered
from mendbay.jobs.volume import case_images
from mendbay.pair.assemble import Assembled
from mendbay.pair.volume import Level

TURNS_SHOWN = 8
MIRROR_PARTS = 6
LOOK_SECONDS = 2.0


@dataclass(frozen=True, slots=True)
class Turn:
    """A range of the volume and where it lies: by bay, in bytes of its drive."""

    span: Span
    on: tuple[tuple[str, Span], ...]


@dataclass(frozen=True, slots=True)
class PairSeen:
    """How the drives of a case belong together.

    Args:
        candidates: the volumes they can make, the chosen one first.
        facts: what the file system on it says; None where there is none.
        turns: the first ranges of the volume in its order, one for each change from drive to drive; of a
            mirror, ranges of equal size over all of it.
        turn_bytes: how long one drive supplies the volume before the other does; 0 where they take no turns.
        apart: where halves in step were found to differ, in bytes of the volume.
        compared_bytes: how much of the halves was compared at most; None if they never were.
        uncompared_bytes: how much both gave that was not compared, where that is most of it.
    """

    candidates: tuple[Assembled, ...]
    facts: VolumeFacts | None
    turns: tuple[Turn, ...]
    turn_bytes: int
    apart: SpanSet
    compared_bytes: int | None
    uncompared_bytes: int


class PairsSeen:
    """What was seen of pairs, kept between requests."""

    def __init__(self) -> None:
        self._looks: Looks[PairSeen] = Looks(LOOK_SECONDS)

    def of(self, bench: Bench, number: int) -> PairSeen:
        """How the drives of a case belong together.

        Raises:
            NoSuchCase: the case has no image yet.
            CannotAssemble: the drives make no volume.
            CaseForgotten: it was forgotten.
        """
        case = remembered(bench, number)
        bays = bench.ledger.bays(number)
        glances: Hashable = tuple((one.bay, bench.images.glance(case, one.bay)) for one in bays)
        stamp = (glances, len(of_halves(bench, number)))
        return self._looks.of(number, stamp, bench.clock.steady_seconds, lambda: pair_seen(bench, number))


def pair_seen(bench: Bench, number: int) -> PairSeen:
    """How the drives of a case belong together; nothing is remembered or noted.

    Raises:
        NoSuchCase: the case has no image yet.
        CannotAssemble: the drives make no volume.
    """
    with case_images(bench, bench.ledger.case(number)) as stores:
        found = looked(bench, number, stores)
        chosen, volume = found.candidates[0], found.volume
        turns = turns_of(chosen)
        compared = [one.facts.get("compared_bytes") for one in of_halves(bench, number)]
        return PairSeen(
            candidates=found.candidates,
            facts=None if volume is None else volume.system.facts,
            turns=turns,
            turn_bytes=_turn_bytes(chosen, turns),
            apart=SpanSet() if volume is None else volume.apart,
            compared_bytes=max((one for one in compared if isinstance(one, int)), default=None),
            uncompared_bytes=0 if volume is None else uncompared_bytes(bench, number, volume),
        )


def _turn_bytes(chosen: Assembled, turns: tuple[Turn, ...]) -> int:
    if chosen.level is not Level.STRIPE or len(turns) < 3:
        return 0
    return turns[1].span.length  # the first may begin in the middle, where a partition does


def turns_of(one: Assembled) -> tuple[Turn, ...]:
    """How the bytes of a volume lie on its drives, in the order of the volume."""
    size = one.volume.size_bytes
    if size <= 0:
        return ()
    if one.level is Level.MIRROR:
        sector = one.volume.sector_bytes
        cuts = [size * at // MIRROR_PARTS // sector * sector for at in range(MIRROR_PARTS)]
        pairs = zip(cuts, [*cuts[1:], size], strict=True)
        return tuple(_turn(one.volume, Span(a, b)) for a, b in pairs if b > a)
    turns: list[Turn] = []
    at = 0
    while at < size and len(turns) < TURNS_SHOWN:
        stop = _end_of_turn(one.volume, at)
        turns.append(_turn(one.volume, Span(at, stop)))
        at = stop
    return tuple(turns)


def _turn(volume: Source, span: Span) -> Turn:
    found = volume.needs(SpanSet([span]))
    return Turn(span, tuple((bay, spans.hull()) for bay, spans in sorted(found.items()) if spans))


def _end_of_turn(volume: Source, start: int) -> int:
    """Where the drive changes that supplies the volume from `start` on; its end if it does not."""
    sector, size = volume.sector_bytes, volume.size_bytes

    def is_one(stop: int) -> bool:
        found = [spans for spans in volume.needs(SpanSet([Span(start, stop)])).values() if spans]
        if len(found) > 1 or any(len(spans) > 1 for spans in found):
            return False
        return sum(one.total_bytes for one in found) in (0, stop - start)

    low, step = min(start + sector, size), sector
    while low < size and is_one(min(start + 2 * step, size)):
        step *= 2
        low = min(start + step, size)
    high = min(start + 2 * step, size)
    if low >= size:
        return size
    while high - low > sector:
        middle = (low + high) // 2 // sector * sector
        if middle <= low:
            break
        low, high = (middle, high) if is_one(middle) else (low, middle)
    return low
