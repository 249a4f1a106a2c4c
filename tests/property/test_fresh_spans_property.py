"""Ranges that were added lately against sets of plain integers."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet
from mendbay.outlets.fresh_spans import FreshSpans

TOP = 40
places = st.tuples(st.integers(0, TOP), st.integers(0, TOP)).filter(lambda two: two[0] < two[1])


@given(st.lists(places, max_size=15), places)
def test_what_was_added_is_found_and_taken_once(added: list[tuple[int, int]], asked: tuple[int, int]) -> None:
    fresh = FreshSpans()
    expected = SpanSet()
    for one in added:
        fresh.add(Span(*one))
        expected = expected | SpanSet([Span(*one)])
        assert fresh.within(Span(*asked)) == expected.clip(Span(*asked))
    assert fresh.take() == expected
    assert not fresh.take()
    assert not fresh.within(Span(0, TOP))
