"""Set operations on spans against sets of plain integers."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet, union

TOP = 60
pairs = st.lists(
    st.tuples(st.integers(0, TOP), st.integers(0, TOP)).map(lambda two: (min(two), max(two))), max_size=12
)
one_span = st.tuples(st.integers(0, TOP), st.integers(0, TOP)).map(lambda two: Span(min(two), max(two)))


def made(ranges: list[tuple[int, int]]) -> SpanSet:
    return SpanSet(Span(*one) for one in ranges)


def naive(ranges: list[tuple[int, int]]) -> set[int]:
    return {offset for start, stop in ranges for offset in range(start, stop)}


def bytes_of(spans: SpanSet) -> set[int]:
    """The bytes of a set, after checking that its columns are in the one normal form."""
    starts, stops = spans.starts, spans.stops
    assert starts.dtype == stops.dtype == np.int64
    assert np.all(stops > starts), "an empty span"
    assert np.all(starts[1:] > stops[:-1]), "unsorted, overlapping or touching spans"
    return {offset for span in spans for offset in range(span.start, span.stop)}


@given(pairs)
def test_construction(ranges: list[tuple[int, int]]) -> None:
    assert bytes_of(made(ranges)) == naive(ranges)
    assert made(ranges) == SpanSet.from_bounds([a for a, _ in ranges], [b for _, b in ranges])
    assert made(ranges).total_bytes == len(naive(ranges))


@given(pairs, pairs)
def test_union_intersection_difference(one: list[tuple[int, int]], other: list[tuple[int, int]]) -> None:
    a, b = made(one), made(other)
    assert bytes_of(a | b) == naive(one) | naive(other)
    assert bytes_of(a & b) == naive(one) & naive(other)
    assert bytes_of(a - b) == naive(one) - naive(other)
    assert (a == b) == (naive(one) == naive(other))


@given(st.lists(pairs, max_size=5))
def test_union_of_any_number(sets: list[list[tuple[int, int]]]) -> None:
    every = [offset for one in sets for offset in naive(one)]
    assert bytes_of(union(made(one) for one in sets)) == set(every)


@given(pairs, one_span)
def test_clip_complement_covers_overlaps(ranges: list[tuple[int, int]], within: Span) -> None:
    held, window = naive(ranges), set(range(within.start, within.stop))
    assert bytes_of(made(ranges).clip(within)) == held & window
    assert bytes_of(made(ranges).complement(within)) == window - held
    assert made(ranges).covers(within) == (window <= held)
    assert made(ranges).overlaps(within) == bool(window & held)


@given(pairs, st.integers(0, TOP + 2))
def test_membership(ranges: list[tuple[int, int]], offset: int) -> None:
    assert (offset in made(ranges)) == (offset in naive(ranges))
    assert (np.int64(offset) in made(ranges)) == (offset in naive(ranges))


@given(pairs, st.integers(0, 1000))
def test_shift(ranges: list[tuple[int, int]], delta: int) -> None:
    assert bytes_of(made(ranges).shift(delta)) == {offset + delta for offset in naive(ranges)}
    assert made(ranges).shift(delta).shift(-delta) == made(ranges)


@given(pairs, st.integers(1, 9))
def test_widen_and_narrow(ranges: list[tuple[int, int]], unit: int) -> None:
    held = naive(ranges)
    blocks = [set(range(at, at + unit)) for at in range(0, TOP + unit, unit)]
    assert bytes_of(made(ranges).widen(unit)) == {o for block in blocks if block & held for o in block}
    assert bytes_of(made(ranges).narrow(unit)) == {o for block in blocks if block <= held for o in block}


@given(
    pairs,
    st.lists(st.integers(0, TOP), max_size=10, unique=True).map(sorted),
    st.lists(st.integers(0, 3 * TOP), min_size=5, max_size=5),
)
def test_map_through(ranges: list[tuple[int, int]], edges: list[int], targets: list[int]) -> None:
    """Pieces are every second stretch between the edges; their images may overlap."""
    starts, stops = edges[0 : len(edges) // 2 * 2 : 2], edges[1::2]
    lands = targets[: len(starts)]
    expected = {
        target + offset - start
        for start, stop, target in zip(starts, stops, lands, strict=True)
        for offset in naive(ranges) & set(range(start, stop))
    }
    assert bytes_of(made(ranges).map_through(starts, stops, lands)) == expected


@given(pairs, st.integers(1, 12))
def test_map_through_touching_pieces(ranges: list[tuple[int, int]], chunk: int) -> None:
    """The pieces of a stripe touch; every second chunk lands on one member, closed up."""
    starts = np.arange(0, TOP + 1, 2 * chunk)
    mapped = made(ranges).map_through(starts, starts + chunk, np.arange(starts.size) * chunk)
    expected = {
        offset // (2 * chunk) * chunk + offset % (2 * chunk)
        for offset in naive(ranges)
        if offset % (2 * chunk) < chunk
    }
    assert bytes_of(mapped) == expected


@given(pairs, st.lists(st.integers(0, TOP)))
def test_which_of_many_offsets_it_holds(ranges: list[tuple[int, int]], offsets: list[int]) -> None:
    held = made(ranges).holds(np.array(offsets, dtype=np.int64)).tolist()
    assert held == [one in naive(ranges) for one in offsets]
