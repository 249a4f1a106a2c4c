"""Compares what two images of one drive hold: the reads that brought them, not only the bytes on disk now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.block_digests import Claim
from mendbay.imaging.differences import differing
from mendbay.jobs.events import StepProgress, Tell
from mendbay.jobs.ports import ImageStore


@dataclass(frozen=True, slots=True)
class Unlike:
    """A range of which both images hold other bytes, though the drive gave both without an error."""

    span: Span
    my_run: int
    their_run: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two images have in common. `unlike` are differences between reads; `unsound` is where one of the
    images no longer holds what its drive gave, so that nothing can be said of the reads."""

    compared_bytes: int
    unlike: tuple[Unlike, ...]
    unsound: SpanSet


def compare_images(mine: ImageStore, theirs: ImageStore, tell: Tell) -> Comparison:
    """Compares every range that both have read: by the digests noted at reading where both have one of the
    same piece, by the bytes elsewhere."""
    common = (mine.coverage().read & theirs.coverage().read).total_bytes
    unlike: list[Unlike] = []
    unsound: list[Span] = []
    compared = 0
    for my, their in _overlaps(mine.claims(), theirs.claims()):
        span = my.span.clip(their.span)
        compared += span.length
        tell(StepProgress("comparing", compared, common, in_bytes=True))
        if my.span == their.span and my.digest is not None and my.digest == their.digest:
            continue
        here, there = mine.take(my.span), theirs.take(their.span)
        at, there_at = span.start - my.span.start, span.start - their.span.start
        found = differing(
            span,
            here[at : at + span.length],
            there[there_at : there_at + span.length],
            mine.identity.sector_bytes,
        )
        sound = my.is_held_by(here) is not False and their.is_held_by(there) is not False
        if not sound:
            unsound.append(span)
            continue
        unlike += [Unlike(one, my.run, their.run) for one in found]
    return Comparison(compared, tuple(unlike), SpanSet(unsound))


def _overlaps(mine: Iterator[Claim], theirs: Iterator[Claim]) -> Iterator[tuple[Claim, Claim]]:
    """Every two claims that have bytes in common, in order of place."""
    my, their = next(mine, None), next(theirs, None)
    while my is not None and their is not None:
        if my.span.overlaps(their.span):
            yield my, their
        if my.span.stop <= their.span.stop:
            my = next(mine, None)
        else:
            their = next(theirs, None)
