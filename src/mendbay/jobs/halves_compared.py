"""What comparing the halves of a mirror byte by byte came to, kept with the case.

A listing reads nothing of the files. What a comparison of both images, `files show` or a hand-back found to
differ is noted as ranges of the volume, so that all of them say the same of a file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mendbay.case.records import Facts
from mendbay.core.quantity import count_text, counted
from mendbay.core.source import DOUBTS, Source
from mendbay.core.span import Span, SpanSet, union
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import StepProgress
from mendbay.jobs.other_half import COMPARED, found_differing, of_halves
from mendbay.jobs.volume import OpenVolume, open_volume
from mendbay.pair.assemble import Assembled
from mendbay.pair.compare import CHUNK_BYTES, compare_halves

MOST_RANGES = 20_000
"""How many ranges that differ are noted; of more, those with the smallest gaps between them become one, which
calls some bytes doubtful that are alike (own choice: a half megabyte of text)."""
ENOUGH = 0.5
"""Less than this share of what both halves gave was compared: then a listing says so (own choice). A joint
reading compares its sample, and little else comes from both."""


@dataclass(frozen=True, slots=True)
class HalvesCompared:
    """Where the halves were compared, as both gave bytes there, and where they differ: ranges of the volume,
    the latter in the blocks of `pair.compare`."""

    compared: SpanSet
    apart: SpanSet

    @property
    def compared_bytes(self) -> int:
        """How many bytes of the volume were compared, each counted once."""
        return self.compared.total_bytes


def joined(found: Sequence[HalvesCompared]) -> HalvesCompared:
    """What several comparisons came to together."""
    return HalvesCompared(union(one.compared for one in found), union(one.apart for one in found))


def open_case_volume(bench: Bench, number: int, drives: Mapping[str, Source]) -> OpenVolume:
    """The volume of a case's images with what is known of its halves.

    Raises:
        CannotAssemble, NoFileSystem: as `open_volume`.
    """
    return with_known(bench, number, open_volume(drives))


def with_known(bench: Bench, number: int, volume: OpenVolume) -> OpenVolume:
    """The volume with what the case knows of its halves at present."""
    apart = _noted(bench, number, volume) if volume.assembled.halves_in_step else SpanSet()
    return replace(volume, halves_differ=bool(found_differing(bench, number)), apart=apart)


def compare_all(bench: Bench, number: int, volume: OpenVolume) -> HalvesCompared | None:
    """Compares all that both halves of a mirror in step have, and notes it. The images are read.

    Args:
        volume: on images that fetch nothing, each held against its digests (`sources_of` with `check`): what
            is no longer what its drive gave accuses no half.

    Returns:
        What came of it; None if there are no two halves, or it was stopped, and nothing is noted.
    """
    if not volume.assembled.halves_in_step:
        return None
    size = volume.assembled.volume.size_bytes
    found = []
    for start in range(0, size, CHUNK_BYTES):
        if bench.stop():
            return None
        bench.tell(StepProgress("comparing the halves", start, size, in_bytes=True))
        part = SpanSet([Span(start, min(size, start + CHUNK_BYTES))])
        found.append(apart_in(volume.assembled, part))
    bench.tell(StepProgress("comparing the halves", size, size, in_bytes=True))
    result = joined(found)
    _note(bench, number, volume, result)
    return result


def apart_in(assembled: Assembled, spans: SpanSet) -> HalvesCompared:
    """Compares the halves in ranges of the volume, as far as both have them and nothing speaks against what
    one of them holds there. Nothing is compared where there are no two halves in step."""
    if not assembled.halves_in_step:
        return HalvesCompared(SpanSet(), SpanSet())
    first, *others = assembled.halves
    compared, found = SpanSet(), SpanSet()
    for other in others:
        seen = compare_halves(first, other, spans)
        doubted = _doubted(first, seen.differing) | _doubted(other, seen.differing)
        compared = compared | seen.equal | (seen.differing - doubted)
        found = found | (seen.differing - doubted)
    return HalvesCompared(compared, found)


def _doubted(half: Source, spans: SpanSet) -> SpanSet:
    return SpanSet(one.span for span in spans for one in half.outlook(span).marks if one.mark in DOUBTS)


def note_seen(
    bench: Bench,
    number: int,
    volume: OpenVolume,
    looked: SpanSet,
    seen: HalvesCompared,
    *,
    also_the_same: bool = False,
) -> OpenVolume:
    """Notes what comparing the halves in some ranges of the volume told, if it is news.

    Args:
        looked: the ranges.
        seen: what `apart_in` said of them.
        also_the_same: it is news too that more was compared than ever before.

    Returns:
        The volume with what is known now.
    """
    now = (volume.apart - looked) | seen.apart
    more = also_the_same and seen.compared_bytes > _most_compared(bench, number)
    if now == volume.apart and not more:
        return volume
    _note(bench, number, volume, HalvesCompared(seen.compared, now))
    return replace(with_known(bench, number, volume), apart=now)


def _noted(bench: Bench, number: int, volume: OpenVolume) -> SpanSet:
    """Where the halves of this volume are known to differ."""
    for event in reversed(of_halves(bench, number)):
        if event.kind == COMPARED and event.facts.get("volume") == volume.system.facts.uuid:
            return SpanSet(_spans(event.facts))
    return SpanSet()


def uncompared_bytes(bench: Bench, number: int, volume: OpenVolume) -> int:
    """How many bytes both halves of a mirror in step gave that were not compared; 0 if most were."""
    if not volume.assembled.halves_in_step:
        return 0
    whole = Span(0, volume.assembled.volume.size_bytes)
    lacking = union(SpanSet(gap.span for gap in half.outlook(whole).gaps) for half in volume.assembled.halves)
    both = whole.length - lacking.total_bytes
    compared = _most_compared(bench, number)
    return both - compared if compared < ENOUGH * both else 0


def _most_compared(bench: Bench, number: int) -> int:
    """How many bytes of the halves were compared at most in one go."""
    told = [one.facts.get("compared_bytes") for one in of_halves(bench, number)]
    return max((one for one in told if isinstance(one, int)), default=0)


def apart_words(compared: HalvesCompared) -> str:
    """What comparing came to, in a sentence."""
    if not compared.apart:
        return (
            f"The halves of the mirror were compared in {count_text(compared.compared_bytes)} bytes, and are "
            "the same there."
        )
    return (
        f"The halves of the mirror differ in {count_text(compared.apart.total_bytes)} bytes "
        f"({counted(len(compared.apart), 'range')}) that should be the same. One of them may hold an older "
        "state."
    )


def _note(bench: Bench, number: int, volume: OpenVolume, found: HalvesCompared) -> None:
    facts: Facts = {
        "differ": bool(found.apart),
        "compared_bytes": found.compared_bytes,
        "volume": volume.system.facts.uuid,
        "apart": tuple(f"{span.start}-{span.stop}" for span in _fewer(found.apart)),
    }
    bench.note(number, COMPARED, apart_words(found), facts)


def _spans(facts: Facts) -> Iterator[Span]:
    told = facts.get("apart")
    for one in told if isinstance(told, tuple) else ():
        start, _, stop = str(one).partition("-")
        yield Span(int(start), int(stop))


def _fewer(spans: SpanSet) -> SpanSet:
    """At most `MOST_RANGES` ranges that hold all of these."""
    if len(spans) <= MOST_RANGES:
        return spans
    between = spans.starts[1:] - spans.stops[:-1]
    kept = np.sort(np.argsort(between, kind="stable")[len(spans) - MOST_RANGES :])
    starts = np.concatenate((spans.starts[:1], spans.starts[1:][kept]))
    stops = np.concatenate((spans.stops[:-1][kept], spans.stops[-1:]))
    return SpanSet.from_bounds(starts, stops)
