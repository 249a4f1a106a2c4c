"""Where the halves of a mirror that count as being in step hold other bytes of a file."""

from __future__ import annotations

from mendbay.core.source import Mark, Marked
from mendbay.core.span import SpanSet, union
from mendbay.files.tree import Layout
from mendbay.pair.assemble import Assembled
from mendbay.pair.compare import compare_halves


def one_half_alone(assembled: Assembled, layout: Layout) -> tuple[Marked, ...]:
    """Marks the bytes of a file that not every half gave, for halves known to differ. Reads nothing."""
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


def halves_apart(assembled: Assembled, layout: Layout) -> tuple[Marked, ...]:
    """Reads a file's places on every half, as far as both have them, and marks the bytes of the file in which
    they differ. Nothing where there are no two halves in step."""
    if not assembled.halves_in_step:
        return ()
    first, *others = assembled.halves
    found = [
        compare_halves(first, other, SpanSet([where])).differing.shift(extent.file_span.start - where.start)
        for extent in layout.extents
        if (where := extent.volume_span) is not None
        for other in others
    ]
    return tuple(Marked(span, Mark.HALVES_DIFFER) for span in union(found))
