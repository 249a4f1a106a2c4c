"""Compares the halves of a mirror block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mendbay.core.source import Reading, Source
from mendbay.core.span import Span, SpanSet, union

BLOCK_BYTES = 4096
CHUNK_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class Comparison:
    """What came of comparing two halves; the three sets are disjoint and fill what was asked for.

    `differing` and `equal` are in whole blocks, less what was not asked for or cannot be compared;
    `not_comparable` are the bytes that at least one half lacks.
    """

    equal: SpanSet
    differing: SpanSet
    not_comparable: SpanSet


def compare_halves(
    fresh: Source,
    stale: Source,
    spans: SpanSet,
    block_bytes: int = BLOCK_BYTES,
    chunk_bytes: int = CHUNK_BYTES,
) -> Comparison:
    """Compares two halves in the given ranges of their data, and reads nothing else.

    A block with a gap in it is judged by the bytes that both have.

    Args:
        spans: in bytes of the data, which both halves hold at the same places.
        block_bytes: blocks begin at multiples of it.
        chunk_bytes: how much to read at a time.
    """
    differing: list[SpanSet] = []
    lacking: list[SpanSet] = []
    for part in _portions(spans, max(chunk_bytes // block_bytes, 1) * block_bytes):
        one, other = fresh.read(part), stale.read(part)
        missing = one.missing() | other.missing()
        blocks = _differing_blocks(one, other, missing, block_bytes)
        differing.append(blocks.clip(part) - missing)
        lacking.append(missing)
    different, missing = union(differing), union(lacking)
    return Comparison(spans - different - missing, different, missing)


def _portions(spans: SpanSet, portion_bytes: int) -> Iterator[Span]:
    """The spans cut at multiples of `portion_bytes`."""
    for span in spans:
        at = span.start
        while at < span.stop:
            stop = min(span.stop, (at // portion_bytes + 1) * portion_bytes)
            yield Span(at, stop)
            at = stop


def _differing_blocks(one: Reading, other: Reading, missing: SpanSet, block_bytes: int) -> SpanSet:
    """The blocks in which the two readings of one span differ outside `missing`."""
    lead = one.span.start % block_bytes
    blocks = -(-(lead + one.span.length) // block_bytes)
    unequal = np.zeros(blocks * block_bytes, bool)
    np.not_equal(
        np.frombuffer(one.data, np.uint8),
        np.frombuffer(other.data, np.uint8),
        out=unequal[lead : lead + one.span.length],
    )
    for span in missing:
        unequal[span.start - one.span.start + lead : span.stop - one.span.start + lead] = False
    found = np.flatnonzero(unequal.reshape(blocks, block_bytes).any(axis=1)).astype(np.int64)
    starts = one.span.start - lead + found * block_bytes
    return SpanSet.from_bounds(starts, starts + block_bytes)
