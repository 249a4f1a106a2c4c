"""What every `Source` must hold to, as one suite: `check_source(source)` runs all of it.

For a read-through source the outlook is compared after the read, since the read itself changes what is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mendbay.core.source import Gap, Lack, Mark, Marked, Source
from mendbay.core.span import Span, SpanSet

TAIL_BYTES = 10_000


def check_source(source: Source, spans: Iterable[Span] | None = None) -> None:
    """Runs the whole suite over the given spans, by default over some that meet every border."""
    assert isinstance(source, Source)
    for span in spans if spans is not None else telling_spans(source):
        check_answers_agree(source, span)
        check_trace_is_exact(source, span)
        check_needs_cover_trace(source, span)
    check_beyond_the_end(source)
    check_empty_spans(source)
    check_parts_make_the_whole(source)


def telling_spans(source: Source) -> list[Span]:
    """The whole source, its ends, an unaligned stretch, and spans around the first gaps."""
    size = source.size_bytes
    whole = Span(0, size)
    found = [whole, Span(0, min(1, size)), Span(max(size - 1, 0), size), Span(size // 3, size - size // 5)]
    found.append(Span(min(size // 7 + 3, size), min(size // 7 + 8200, size)))
    for gap in source.outlook(whole).gaps[:8]:
        found.append(Span(max(gap.span.start - 700, 0), min(gap.span.stop + 700, size)))
    return [span for span in found if span.length]


def check_answers_agree(source: Source, span: Span) -> None:
    """A read gives as many bytes as asked; its gaps and marks are sorted, inside the span, and foretold."""
    reading = source.read(span)
    assert reading.span == span, f"asked {span}, answered {reading.span}"
    assert len(reading.data) == span.length
    _check_in_order(reading.gaps, span)
    previous = 0
    for gap in reading.gaps:
        assert gap.span.start >= previous, f"gaps overlap at {gap}"
        previous = gap.span.stop
        held = reading.data[gap.span.start - span.start : gap.span.stop - span.start]
        assert not any(held), f"bytes that are not there are not zero: {gap}"
    _check_in_order(reading.marks, span)
    missing = reading.missing()
    for mark in Mark:
        assert not reading.marked(mark) & missing, f"{mark} on bytes that are not there"
    outlook = source.outlook(span)
    for why in Lack:
        given = SpanSet(gap.span for gap in reading.gaps if gap.why is why)
        foretold = SpanSet(gap.span for gap in outlook.gaps if gap.why is why)
        assert given == foretold, f"{why}: read {given}, outlook {foretold}"
    for mark in Mark:
        foretold = SpanSet(one.span for one in outlook.marks if one.mark is mark)
        assert reading.marked(mark) == foretold, f"{mark}: read {reading.marked(mark)}, outlook {foretold}"


def _check_in_order(found: Sequence[Gap] | Sequence[Marked], span: Span) -> None:
    starts = [one.span.start for one in found]
    assert starts == sorted(starts), f"not in order: {found}"
    assert all(one.span.length and span.covers(one.span) for one in found), f"outside {span}: {found}"


def check_trace_is_exact(source: Source, span: Span) -> None:
    """The trace covers exactly the bytes that are there, once, in order, marked as the reading is."""
    reading = source.read(span)
    origins = source.trace(span)
    at = span.start
    for origin in origins:
        assert origin.span.start >= at, f"trace out of order or doubled at {origin}"
        assert origin.span.length == origin.at.length > 0, f"lengths differ: {origin}"
        at = origin.span.stop
    traced = SpanSet(origin.span for origin in origins)
    there = reading.missing().complement(span)
    assert traced == there, f"traced {traced}, there {there}"
    older = SpanSet(origin.span for origin in origins if origin.mark is Mark.POSSIBLY_OLDER)
    assert older == reading.marked(Mark.POSSIBLY_OLDER)
    other = SpanSet(origin.span for origin in origins if origin.mark is Mark.OTHER_HALF)
    assert other == reading.marked(Mark.OTHER_HALF) - older


def check_needs_cover_trace(source: Source, span: Span) -> None:
    """What could supply the bytes includes what does."""
    needs = source.needs(SpanSet((span,)))
    for origin in source.trace(span):
        assert origin.bay in needs, f"bay {origin.bay} gives bytes but is not among the needs"
        assert needs[origin.bay].covers(origin.at), f"{origin.at} of bay {origin.bay} is not among the needs"


def check_beyond_the_end(source: Source) -> None:
    """Beyond the end everything is absent, whether the span begins inside or not."""
    size = source.size_bytes
    for start in (max(size - 700, 0), size, size + TAIL_BYTES):
        span = Span(start, size + 2 * TAIL_BYTES)
        beyond = Span(max(start, size), span.stop)
        reading = source.read(span)
        assert len(reading.data) == span.length
        absent = SpanSet(gap.span for gap in reading.gaps if gap.why is Lack.ABSENT)
        assert absent.covers(beyond), f"beyond the end {beyond} only {absent} is absent"
        foretold = SpanSet(gap.span for gap in source.outlook(span).gaps if gap.why is Lack.ABSENT)
        assert foretold == absent
        assert all(origin.span.stop <= size for origin in source.trace(span))
        if start >= size:
            assert not any(reading.data)
            assert not source.trace(span)
            assert not any(source.needs(SpanSet((span,))).values())


def check_empty_spans(source: Source) -> None:
    """An empty span has an empty answer, wherever it lies."""
    for at in (0, source.size_bytes // 2, source.size_bytes, source.size_bytes + TAIL_BYTES):
        reading = source.read(Span(at, at))
        assert (reading.data, reading.gaps, reading.marks) == (b"", (), ()), f"at {at}: {reading}"
        assert source.outlook(Span(at, at)).gaps == ()
        assert source.trace(Span(at, at)) == ()
    assert not any(source.needs(SpanSet()).values())


def check_parts_make_the_whole(source: Source) -> None:
    """Reading in unaligned pieces gives the same bytes and gaps as reading at once."""
    whole = source.read(Span(0, source.size_bytes))
    step = max(source.size_bytes // 13, 1) | 1
    pieces = [
        source.read(Span(at, min(at + step, source.size_bytes))) for at in range(0, source.size_bytes, step)
    ]
    assert b"".join(piece.data for piece in pieces) == whole.data
    for why in Lack:
        apart = SpanSet(gap.span for piece in pieces for gap in piece.gaps if gap.why is why)
        assert apart == SpanSet(gap.span for gap in whole.gaps if gap.why is why)
