"""Rules for putting several images of one drive together."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet

PROVING_PLACES = 256
PROVING_BYTES = 4096
UNLIKE_SHARE = 1 / 16
"""Of the places compared, how many may differ between images whose drives have the same serial number: a few
are reads that went wrong unnoticed, more are another state of the drive (own choice, no source)."""


def worth_taking(mine: Coverage, theirs: Coverage) -> SpanSet:
    """What another image of the same drive can add: what it has read and this one has not. What this one
    has stays, so that every range keeps one origin."""
    return theirs.read - mine.read


def foreign_by_identity(mine: Identity, theirs: Identity) -> str:
    """Why two images cannot be of one drive, as far as what the drives say of themselves shows; empty if it
    does not."""
    if mine.size_bytes != theirs.size_bytes or mine.sector_bytes != theirs.sector_bytes:
        return (
            f"it is of a drive of {theirs.size_bytes} bytes in sectors of {theirs.sector_bytes}, this one "
            f"has {mine.size_bytes} in sectors of {mine.sector_bytes}"
        )
    if mine.serial and theirs.serial and mine.serial != theirs.serial:
        return f"its drive has the serial number {theirs.serial}, this one {mine.serial}"
    return ""


def foreign_by_content(compared: int, unlike: int, first_unlike: int, *, same_serial: bool) -> str:
    """Why two images cannot be of one drive, as far as the places compared show; empty if they do not.

    Args:
        compared: places, other than empty ones.
        unlike: how many of them differ.
        first_unlike: byte of the first difference.
        same_serial: both drives gave the same serial number.
    """
    if not unlike:
        return ""
    if not same_serial:
        return f"the two differ at byte {first_unlike}, which both hold"
    if unlike > compared * UNLIKE_SHARE:
        return (
            f"the serial number is the same, but of {compared} places compared {unlike} differ, the first at "
            f"byte {first_unlike}: something wrote to the drive between the two, or one is of a copy"
        )
    return ""


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
