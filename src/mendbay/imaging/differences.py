"""Where two reads of one range did not bring the same bytes, though the drive gave both without an error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.core.span import Span, SpanSet


@dataclass(frozen=True, slots=True)
class Difference:
    """Two reads of `span` differ in every sector of it. The image holds what `first_run` gave.

    `at` is when it was found, UTC; `second_run` is the run that gave the other bytes.
    """

    span: Span
    first_run: int
    second_run: int
    at: str


def differing(span: Span, one: bytes | memoryview, two: bytes | memoryview, sector_bytes: int) -> SpanSet:
    """The sectors in which two readings of `span` differ. `span` starts on a border of sectors.

    Raises:
        ValueError: a reading is not as long as the span.
    """
    if len(one) != span.length or len(two) != span.length:
        raise ValueError(f"{len(one)} and {len(two)} bytes are no readings of {span}")
    if one == two:
        return SpanSet()
    unlike = np.flatnonzero(np.frombuffer(one, np.uint8) != np.frombuffer(two, np.uint8))
    sectors = np.unique(unlike // sector_bytes) * sector_bytes + span.start
    return SpanSet.from_bounds(sectors, np.minimum(sectors + sector_bytes, span.stop))
