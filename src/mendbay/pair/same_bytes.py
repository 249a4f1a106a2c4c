"""Which bytes of two drives are the same because they are the halves of mirrors in step."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from mendbay.core.source import PartOf, Source
from mendbay.core.span import SameBytes, Span, SpanSet
from mendbay.pair.assemble import Assembled
from mendbay.pair.member import Withheld
from mendbay.pair.volume import Level


@dataclass(frozen=True, slots=True)
class _Placed:
    """A half that lies in one piece on a drive: byte 0 of it is byte `start` of the drive in `bay`. `usable`
    are the bytes of it that the set uses."""

    bay: str
    start: int
    usable: SpanSet


def same_bytes(
    volumes: Iterable[Assembled], bays: tuple[str, str], sector_bytes: int
) -> tuple[SameBytes, ...]:
    """What the halves of mirrors in step hold alike, in whole sectors, each byte once.

    A mirror counts if it has two halves on these two drives, neither of which may be older by what its set
    says, and if each lies on its drive in one piece: one whose copies are woven differently is left out.

    Args:
        volumes: what the drives make; where two speak of the same bytes the first counts.
        bays: of the two drives, in the order in which `SameBytes.starts` has them.
    """
    taken = (SpanSet(), SpanSet())
    found: list[SameBytes] = []
    for one in volumes:
        for same in _of(one, bays, sector_bytes):
            spans = [SpanSet([Span.at(same.starts[side], same.length)]) for side in (0, 1)]
            if any(taken[side] & spans[side] for side in (0, 1)):
                continue
            taken = (taken[0] | spans[0], taken[1] | spans[1])
            found.append(same)
    return tuple(found)


def _of(one: Assembled, bays: tuple[str, str], sector_bytes: int) -> Iterator[SameBytes]:
    if one.level is not Level.MIRROR or len(one.halves) != 2 or not one.halves_in_step:
        return
    placed = {half.bay: half for half in map(_placed, one.halves) if half is not None}
    if set(placed) != set(bays):
        return
    first, second = placed[bays[0]], placed[bays[1]]
    if (first.start - second.start) % sector_bytes:
        return
    common = first.usable & second.usable & SpanSet([Span(0, one.volume.size_bytes)])
    for span in common.shift(first.start).narrow(sector_bytes):
        yield SameBytes((span.start, span.start - first.start + second.start), span.length)


def _placed(half: Source) -> _Placed | None:
    """Where a half lies on its drive; None if it is woven of several pieces."""
    start, usable = 0, SpanSet([Span(0, half.size_bytes)])
    under = half
    while True:
        usable = usable & SpanSet([Span(0, max(0, under.size_bytes - start))])
        if not isinstance(under, (PartOf, Withheld)):
            break
        if isinstance(under, Withheld):
            usable = usable - _shifted_down(under.spans, start)
        else:
            start += under.span.start
        under = under.under
    whole = SpanSet([Span(0, under.size_bytes)])
    needs = under.needs(whole)
    if len(needs) != 1 or next(iter(needs.values())) != whole:
        return None
    return _Placed(next(iter(needs)), start, usable)


def _shifted_down(spans: SpanSet, by: int) -> SpanSet:
    """The set moved towards zero; what would come to lie before it is dropped."""
    if not spans:
        return spans
    return spans.clip(Span(by, max(by, int(spans.stops[-1])))).shift(-by)
