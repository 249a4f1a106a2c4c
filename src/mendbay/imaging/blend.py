"""Rules for putting several images of one drive together."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet

PROVING_PLACES = 256
PROVING_BYTES = 4096


def worth_taking(mine: Coverage, theirs: Coverage) -> SpanSet:
    """What another image of the same drive can add: what it has read and this one has not. What this one
    has stays, so that every range keeps one origin."""
    return theirs.read - mine.read


def proving_places(common: SpanSet, sector_bytes: int) -> Iterator[Span]:
    """Places, spread evenly over what two images have in common, whose comparison shows whether they are
    of one drive: at most `PROVING_PLACES` of them, of up to `PROVING_BYTES` each, on sector borders."""
    if not common:
        return
    ends = np.cumsum(common.stops - common.starts)
    last = Span(0, 0)
    for at in np.linspace(0, int(ends[-1]) - 1, PROVING_PLACES).astype(np.int64).tolist():
        which = int(np.searchsorted(ends, at, side="right"))
        offset = int(common.stops[which]) - (int(ends[which]) - at)
        start = max(offset // sector_bytes * sector_bytes, int(common.starts[which]), last.stop)
        span = Span(start, max(start, min(start + PROVING_BYTES, int(common.stops[which]))))
        if span.length:
            yield span
            last = span
