"""A mirror against its rules, applied one byte at a time."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.source import Lack, Mark
from mendbay.core.span import Span, SpanSet
from mendbay.pair.compare import compare_halves
from mendbay.pair.mirror import Half, Mirror
from support.sources import MemorySource

SIZE = 60
HOPE = [Lack.UNREAD, Lack.WAIVED, Lack.REFUSED, Lack.ABSENT]


def spans(size: int = SIZE) -> st.SearchStrategy[Span]:
    ends = st.tuples(st.integers(0, size), st.integers(0, size))
    return ends.map(lambda pair: Span(min(pair), max(pair)))


span_sets = st.lists(spans(), max_size=3).map(SpanSet)


@st.composite
def halves(draw: st.DrawFn, number: int) -> Half:
    size = draw(st.sampled_from([SIZE, SIZE, SIZE - 7]))
    gaps = {why: draw(span_sets) for why in (Lack.REFUSED, Lack.UNREAD, Lack.WAIVED, Lack.ABSENT)}
    marks = {mark: draw(span_sets) for mark in Mark} if draw(st.booleans()) else {}
    data = bytes(1 + (number * 80 + at) % 255 for at in range(size))
    source = MemorySource(data, gaps, bay=str(number), marks=marks, sector_bytes=1)
    return Half(source, draw(span_sets))


mirrors = st.tuples(halves(1), halves(2), halves(3)).map(list)


def lack_at(half: Half, at: int) -> Lack | None:
    source = half.source
    assert isinstance(source, MemorySource)
    if at >= source.size_bytes:
        return Lack.ABSENT
    return next((why for why, lacking in source.lacking.items() if at in lacking), None)


@settings(max_examples=400, deadline=None)
@given(mirrors, st.integers(1, 3), spans(SIZE + 10))
def test_every_byte_follows_the_rules(three: list[Half], count: int, span: Span) -> None:
    used = three[:count]
    reading = Mirror(used, SIZE, "m").read(span)
    marked = {mark: reading.marked(mark) for mark in Mark}
    reasons = {at: gap.why for gap in reading.gaps for at in range(gap.span.start, gap.span.stop)}
    for at in range(span.start, span.stop):
        lacks = [lack_at(half, at) for half in used]
        giver = lacks.index(None) if None in lacks and at < SIZE else None
        if giver is None:
            told = Lack.ABSENT if at >= SIZE else min((why for why in lacks if why), key=HOPE.index)
            assert reasons.get(at) is told, f"byte {at}: {lacks}"
            assert reading.data[at - span.start] == 0
            assert not any(at in held for held in marked.values())
            continue
        assert at not in reasons
        source = used[giver].source
        assert isinstance(source, MemorySource)
        assert reading.data[at - span.start] == source.data[at]
        below = source.read(Span.at(at, 1))
        older = at in used[giver].older or bool(below.marked(Mark.POSSIBLY_OLDER))
        assert (at in marked[Mark.POSSIBLY_OLDER]) == older
        other = giver > 0 or bool(below.marked(Mark.OTHER_HALF))
        assert (at in marked[Mark.OTHER_HALF]) == other


@settings(max_examples=200, deadline=None)
@given(mirrors, spans())
def test_a_half_is_asked_only_for_what_those_before_it_lack(three: list[Half], span: Span) -> None:
    Mirror(three, SIZE, "m").read(span)
    left = SpanSet((span,))
    for half in three:
        source = half.source
        assert isinstance(source, MemorySource)
        assert SpanSet(source.reads) == left
        left = left & (source.missing | SpanSet((Span(source.size_bytes, SIZE),)))


@settings(max_examples=300, deadline=None)
@given(halves(1), halves(2), span_sets, st.integers(1, 9), st.integers(1, 30), st.data())
def test_comparison_agrees_byte_by_byte(
    one: Half, other: Half, wanted: SpanSet, block: int, chunk: int, data: st.DataObject
) -> None:
    fresh, stale = one.source, other.source
    assert isinstance(fresh, MemorySource)
    assert isinstance(stale, MemorySource)
    changed = data.draw(st.sets(st.integers(0, SIZE - 1), max_size=5))
    copy = bytearray(fresh.data.ljust(stale.size_bytes, b"\1")[: stale.size_bytes])
    for at in changed & set(range(len(copy))):
        copy[at] ^= 0xFF
    stale = MemorySource(bytes(copy), stale.lacking)
    found = compare_halves(fresh, stale, wanted, block, chunk)
    asked = [at for span in wanted for at in range(span.start, span.stop)]
    both = {at for at in asked if lack_at(Half(fresh), at) is None and lack_at(Half(stale), at) is None}
    assert found.not_comparable == SpanSet(Span.at(at, 1) for at in asked if at not in both)
    unequal = {at // block for at in both if fresh.data[at] != stale.data[at]}
    # a block counts as differing for each span it is asked in, since spans are read apart
    differing = [
        at
        for span in wanted
        for at in range(span.start, span.stop)
        if at in both
        and any(
            fresh.data[b] != stale.data[b]
            for b in range(max(at // block * block, span.start), min(at // block * block + block, span.stop))
            if b in both
        )
    ]
    assert found.differing == SpanSet(Span.at(at, 1) for at in differing)
    assert {at // block for at in differing} == unequal
    assert found.equal | found.differing | found.not_comparable == wanted
    assert found.equal.total_bytes == wanted.total_bytes - len(differing) - (len(asked) - len(both))
