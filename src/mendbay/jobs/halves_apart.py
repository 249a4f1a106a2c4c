"""Marks on the bytes of a file where the halves of its mirror differ. Nothing is read."""

from __future__ import annotations

from mendbay.core.source import Mark, Marked
from mendbay.core.span import SpanSet, union
from mendbay.files.tree import Layout
from mendbay.pair.assemble import Assembled


def both_gave(assembled: Assembled, spans: SpanSet) -> SpanSet:
    """The ranges of the volume, of these, that every half of a mirror in step gave; none for other volumes.
    Reads nothing."""
    if not assembled.halves_in_step:
        return SpanSet()
    return union(
        union(SpanSet(gap.span for gap in half.outlook(where).gaps) for half in assembled.halves).complement(
            where
        )
        for where in spans
    )


def one_half_alone(assembled: Assembled, layout: Layout) -> tuple[Marked, ...]:
    """Marks the bytes of a file that not every half gave, for halves known to differ."""
    if not assembled.halves_in_step:
        return ()
    found: list[SpanSet] = []
    for extent in layout.extents:
        where = extent.volume_span
        if where is None:
            continue
        lacking = [SpanSet(gap.span for gap in half.outlook(where).gaps) for half in assembled.halves]
        nowhere = lacking[0]
        for one in lacking[1:]:
            nowhere = nowhere & one
        found.append((union(lacking) - nowhere).shift(extent.file_span.start - where.start))
    return tuple(Marked(span, Mark.ONE_HALF_ALONE) for span in union(found))


def mapped(layout: Layout) -> SpanSet:
    """Where the bytes of a file lie on the volume."""
    return SpanSet(where for extent in layout.extents if (where := extent.volume_span) is not None)


def noted_apart(apart: SpanSet, layout: Layout) -> tuple[Marked, ...]:
    """Marks the bytes of a file that lie where the halves are known to differ.

    Args:
        apart: ranges of the volume.
    """
    if not apart:
        return ()
    found = union(
        apart.clip(where).shift(extent.file_span.start - where.start)
        for extent in layout.extents
        if (where := extent.volume_span) is not None
    )
    return tuple(Marked(span, Mark.HALVES_DIFFER) for span in found)
