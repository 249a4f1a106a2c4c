"""Spans and sets of them: the definitions, and the edges where off-by-one lives."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.core.span import Span, SpanSet


def spans(*pairs: tuple[int, int]) -> SpanSet:
    return SpanSet(Span(*pair) for pair in pairs)


class TestSpan:
    @pytest.mark.parametrize(("start", "stop"), [(-1, 0), (5, 4), (-3, -1)])
    def test_refuses_what_is_no_span(self, start: int, stop: int) -> None:
        with pytest.raises(ValueError, match="not a span"):
            Span(start, stop)

    def test_at_takes_a_length(self) -> None:
        assert Span.at(7, 5) == Span(7, 12)
        assert Span.at(7, 5).length == 5
        assert Span.at(7, 0).length == 0

    def test_is_half_open(self) -> None:
        assert [offset in Span(3, 5) for offset in (2, 3, 4, 5)] == [False, True, True, False]

    def test_membership_takes_numpy_integers(self) -> None:
        """A column's element must not silently be "not in" because of its type."""
        assert np.int64(4) in Span(3, 5)
        assert np.int64(5) not in Span(3, 5)
        assert "4" not in Span(3, 5)

    def test_covers(self) -> None:
        assert Span(2, 8).covers(Span(2, 8))
        assert not Span(2, 8).covers(Span(2, 9))
        assert not Span(2, 8).covers(Span(1, 3))
        assert Span(2, 8).covers(Span(100, 100)), "an empty span has no byte that could lie outside"

    def test_overlaps_needs_a_common_byte(self) -> None:
        assert Span(2, 8).overlaps(Span(7, 9))
        assert not Span(2, 8).overlaps(Span(8, 9))
        assert not Span(2, 8).overlaps(Span(5, 5))

    @pytest.mark.parametrize(
        ("one", "other", "expected"),
        [
            (Span(2, 8), Span(4, 6), Span(4, 6)),
            (Span(2, 8), Span(0, 100), Span(2, 8)),
            (Span(2, 8), Span(6, 100), Span(6, 8)),
            (Span(2, 8), Span(20, 30), Span(20, 20)),
            (Span(20, 30), Span(2, 8), Span(8, 8)),
        ],
    )
    def test_clip(self, one: Span, other: Span, expected: Span) -> None:
        assert one.clip(other) == expected

    def test_shift_and_widen(self) -> None:
        assert Span(2, 8).shift(-2) == Span(0, 6)
        with pytest.raises(ValueError, match="not a span"):
            Span(2, 8).shift(-3)
        assert Span(513, 1024).widen(512) == Span(512, 1024)
        assert Span(513, 1025).widen(512) == Span(512, 1536)
        assert Span(513, 513).widen(512) == Span(513, 513)


class TestSpanSet:
    def test_merges_overlapping_and_touching_and_forgets_empty(self) -> None:
        assert list(spans((5, 9), (0, 2), (2, 3), (8, 12), (20, 20))) == [Span(0, 3), Span(5, 12)]

    def test_a_span_inside_a_longer_one_does_not_shorten_it(self) -> None:
        assert list(spans((0, 100), (10, 20), (50, 60))) == [Span(0, 100)]

    def test_empty(self) -> None:
        empty = SpanSet()
        assert not empty
        assert len(empty) == 0
        assert empty.total_bytes == 0
        assert empty.hull() == Span(0, 0)
        assert list(empty.complement(Span(3, 9))) == [Span(3, 9)]
        assert empty.covers(Span(5, 5))
        assert not empty.covers(Span(5, 6))

    def test_an_empty_range_has_nothing_in_common_with_a_set(self) -> None:
        """A clip to an empty range inside a span must not leave an empty span behind."""
        inside = spans((0, 10)).clip(Span(5, 5))
        assert not inside
        assert inside == SpanSet()
        assert not spans((0, 10)).overlaps(Span(5, 5))
        assert not spans((0, 10)).complement(Span(5, 5))

    def test_from_bounds_refuses_bad_columns(self) -> None:
        with pytest.raises(ValueError, match="2 starts but 1 stops"):
            SpanSet.from_bounds([1, 2], [3])
        with pytest.raises(ValueError, match="before its start"):
            SpanSet.from_bounds([5], [4])

    def test_membership_takes_numpy_integers(self) -> None:
        held = spans((3, 5), (9, 10))
        assert [np.int64(offset) in held for offset in (2, 3, 5, 9, 10)] == [False, True, False, True, False]
        assert None not in held

    def test_shift_refuses_to_cross_zero(self) -> None:
        assert list(spans((3, 5)).shift(-3)) == [Span(0, 2)]
        with pytest.raises(ValueError, match="before zero"):
            spans((3, 5)).shift(-4)

    def test_widen_joins_and_narrow_drops(self) -> None:
        held = spans((1, 3), (6, 7), (8, 24))
        assert list(held.widen(4)) == [Span(0, 24)]
        assert list(held.narrow(4)) == [Span(8, 24)]

    def test_map_through_reaches_several_pieces_and_drops_what_no_piece_holds(self) -> None:
        held = spans((5, 25), (95, 200))
        mapped = held.map_through([0, 10, 20], [10, 20, 100], [1000, 0, 500])
        assert list(mapped) == [Span(0, 10), Span(500, 505), Span(575, 580), Span(1005, 1010)]

    def test_equal_sets_hash_alike(self) -> None:
        assert hash(spans((0, 5), (5, 9))) == hash(spans((0, 9)))
        assert spans((0, 9)) != spans((0, 8))
        assert spans((0, 9)) != "0-9"

    def test_operations_leave_their_operands_alone(self) -> None:
        one, other = spans((0, 10), (20, 30)), spans((5, 25))
        _ = one | other, one & other, one - other, one.complement(Span(0, 40)), one.widen(7), one.shift(3)
        assert one == spans((0, 10), (20, 30))
        assert other == spans((5, 25))

    def test_repr_stays_short(self) -> None:
        many = SpanSet.from_bounds(np.arange(0, 10**6, 2), np.arange(1, 10**6, 2))
        assert len(repr(many)) < 200
        assert repr(spans((1, 2))) == "SpanSet(1-2)"
