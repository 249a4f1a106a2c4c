"""Where two drives hold the same bytes, and which of those ranges are read from both to see that they do."""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from mendbay.core.span import SameBytes, Span, SpanSet

SAMPLE_SHARE = 0.01
"""How much of what two drives share is read from both: own choice. A stale half differs in more places."""
SAMPLE_BYTES = 1 << 20
LEAST_SAMPLES = 16
_BLOCK = 4096


@dataclass(frozen=True)
class Alike:
    """All stretches that two drives hold alike; the sides are numbered 0 and 1.

    Args:
        stretches: disjoint on either side, in any order.
    """

    stretches: tuple[SameBytes, ...]

    def spans(self, side: int) -> SpanSet:
        """The ranges of one side that the other holds too."""
        return self._spans[side]

    @cached_property
    def _spans(self) -> tuple[SpanSet, SpanSet]:
        first, second = (
            SpanSet(Span.at(one.starts[side], one.length) for one in self.stretches) for side in (0, 1)
        )
        return first, second

    @cached_property
    def _maps(self) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]:
        made = []
        for side in (0, 1):
            rows = sorted((one.starts[side], one.length, one.starts[1 - side]) for one in self.stretches)
            starts, lengths, targets = np.array(rows, np.int64).reshape(-1, 3).T
            made.append((starts, starts + lengths, targets))
        return tuple(made)

    def across(self, side: int, spans: SpanSet) -> SpanSet:
        """Where ranges of one side lie on the other; what only one side has is left out."""
        return spans.map_through(*self._maps[side])


def sample(spans: SpanSet, seed: int, share: float = SAMPLE_SHARE) -> SpanSet:
    """Ranges drawn from `spans`, spread over all of it: one in each of many equal parts, placed by chance.

    Args:
        seed: the same one draws the same ranges.
        share: how much of `spans`, 0 to 1.
    """
    total = spans.total_bytes
    if share <= 0 or not total:
        return SpanSet()
    if share >= 1:
        return spans
    size = min(SAMPLE_BYTES, max(_BLOCK, int(total * share / LEAST_SAMPLES) // _BLOCK * _BLOCK))
    part = int(size / share)
    chance = random.Random(seed)  # noqa: S311 - a spread, no secret
    places = [at + chance.randrange(max(1, part - size)) for at in range(0, total, part)]
    ends = np.cumsum(spans.stops - spans.starts)
    found = []
    for place in places:
        if place >= total:
            break
        which = int(np.searchsorted(ends, place, side="right"))
        start = (int(spans.stops[which]) - (int(ends[which]) - place)) // _BLOCK * _BLOCK
        found.append(Span.at(start, size))
    return SpanSet(found) & spans


def lower_half(spans: SpanSet) -> SpanSet:
    """The first half of the bytes."""
    half = spans.total_bytes // 2
    ends = np.cumsum(spans.stops - spans.starts)
    which = int(np.searchsorted(ends, half))
    if which >= len(spans):
        return spans
    at = int(spans.stops[which]) - (int(ends[which]) - half)
    return spans.clip(Span(0, at // _BLOCK * _BLOCK))
