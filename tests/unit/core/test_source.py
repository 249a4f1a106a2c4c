"""Answers and how they are split and joined."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.source import (
    Gap,
    Identity,
    Lack,
    Mark,
    Marked,
    Origin,
    Outlook,
    PartOf,
    Reading,
    Source,
    absent_beyond,
    gaps_of,
    join_readings,
)
from mendbay.core.span import Span, SpanSet

NOWHERE = Span(0, 0)


class NumberedSource:
    """Byte k holds k % 251; one range is refused, one carries a mark, and the end is the end."""

    def __init__(self, size: int, refused: Span = NOWHERE, marked: Span = NOWHERE) -> None:
        self.size_bytes, self.sector_bytes = size, 4
        self.identity = Identity("test", "numbered", size, 4)
        self._refused, self._marked = refused, marked

    def read(self, span: Span) -> Reading:
        seen = self.outlook(span)
        missing = SpanSet(gap.span for gap in seen.gaps)
        data = bytes(0 if offset in missing else offset % 251 for offset in range(span.start, span.stop))
        return Reading(span, data, seen.gaps, seen.marks)

    def outlook(self, span: Span) -> Outlook:
        inside, beyond = absent_beyond(span, self.size_bytes)
        gaps = gaps_of(SpanSet([self._refused.clip(inside)]), Lack.REFUSED)
        marks = tuple(Marked(one, Mark.OTHER_HALF) for one in SpanSet([self._marked.clip(inside)]))
        return Outlook(gaps + beyond, marks)

    def trace(self, span: Span) -> tuple[Origin, ...]:
        inside = span.clip(Span(0, self.size_bytes))
        return (Origin(inside, "1", inside.shift(1000)),) if inside.length else ()

    def needs(self, spans: SpanSet) -> Mapping[str, SpanSet]:
        return {"1": spans.clip(Span(0, self.size_bytes)).shift(1000)}


class TestReading:
    def test_refuses_data_of_another_length(self) -> None:
        with pytest.raises(ValueError, match="3 bytes given for a span of 4"):
            Reading(Span(0, 4), b"abc")

    def test_the_reasons_stay_apart(self) -> None:
        gaps = tuple(Gap(Span(at, at + 1), why) for at, why in enumerate(Lack))
        answer = Reading(Span(0, 4), bytes(4), gaps)
        assert not answer.is_complete
        assert answer.missing() == SpanSet([Span(0, 4)])
        assert {gap.why for gap in answer.gaps} == set(Lack)

    def test_shift_moves_everything(self) -> None:
        answer = Reading(
            Span(10, 14),
            b"abcd",
            (Gap(Span(11, 12), Lack.WAIVED),),
            (Marked(Span(12, 14), Mark.POSSIBLY_OLDER),),
        )
        moved = answer.shift(-10)
        assert moved.span == Span(0, 4)
        assert moved.gaps == (Gap(Span(1, 2), Lack.WAIVED),)
        assert moved.marked(Mark.POSSIBLY_OLDER) == SpanSet([Span(2, 4)])
        assert not moved.marked(Mark.OTHER_HALF)
        assert moved.shift(10) == answer


class TestAbsentBeyond:
    @pytest.mark.parametrize(
        ("span", "inside", "gap"),
        [
            (Span(0, 100), Span(0, 100), None),
            (Span(20, 80), Span(20, 80), None),
            (Span(90, 120), Span(90, 100), Span(100, 120)),
            (Span(100, 120), Span(100, 100), Span(100, 120)),
            (Span(150, 170), Span(100, 100), Span(150, 170)),
            (Span(100, 100), Span(100, 100), None),
            (Span(150, 150), Span(150, 150), None),
        ],
    )
    def test_split(self, span: Span, inside: Span, gap: Span | None) -> None:
        expected = () if gap is None else (Gap(gap, Lack.ABSENT),)
        assert absent_beyond(span, 100) == (inside, expected)


class TestJoin:
    def test_merges_neighbours_with_one_reason_only(self) -> None:
        parts = [
            Reading(
                Span(5, 8), b"\0\0a", (Gap(Span(5, 7), Lack.UNREAD),), (Marked(Span(7, 8), Mark.OTHER_HALF),)
            ),
            Reading(
                Span(8, 10), b"b\0", (Gap(Span(9, 10), Lack.REFUSED),), (Marked(Span(8, 9), Mark.OTHER_HALF),)
            ),
            Reading(
                Span(10, 12), bytes(2), (Gap(Span(10, 11), Lack.REFUSED), Gap(Span(11, 12), Lack.WAIVED))
            ),
        ]
        whole = join_readings(Span(5, 12), parts)
        assert whole.data == b"\0\0ab\0\0\0"
        assert whole.gaps == (
            Gap(Span(5, 7), Lack.UNREAD),
            Gap(Span(9, 11), Lack.REFUSED),
            Gap(Span(11, 12), Lack.WAIVED),
        )
        assert whole.marks == (Marked(Span(7, 9), Mark.OTHER_HALF),)

    def test_refuses_parts_that_do_not_fit(self) -> None:
        with pytest.raises(ValueError, match="begins at 3, not at 2"):
            join_readings(Span(0, 4), [Reading(Span(0, 2), b"ab"), Reading(Span(3, 4), b"d")])
        with pytest.raises(ValueError, match="end at 2, not at 4"):
            join_readings(Span(0, 4), [Reading(Span(0, 2), b"ab")])

    def test_nothing_joined_is_an_empty_answer(self) -> None:
        assert join_readings(Span(3, 3), []) == Reading(Span(3, 3), b"")

    @given(st.integers(0, 30), st.lists(st.integers(1, 9), max_size=8), st.data())
    def test_reading_in_parts_equals_reading_at_once(
        self, start: int, lengths: list[int], data: st.DataObject
    ) -> None:
        edge = st.integers(0, 60)
        refused = sorted((data.draw(edge), data.draw(edge)))
        marked = sorted((data.draw(edge), data.draw(edge)))
        source = NumberedSource(50, Span(*refused), Span(*marked))
        parts, at = [], start
        for length in lengths:
            parts.append(source.read(Span.at(at, length)))
            at += length
        whole = Span(start, at)
        assert join_readings(whole, parts) == source.read(whole)


class TestPartOf:
    def test_is_a_source(self) -> None:
        assert isinstance(PartOf(NumberedSource(100), Span(10, 30), "p"), Source)
        assert isinstance(NumberedSource(1), Source)

    def test_reads_its_own_bytes_in_its_own_coordinates(self) -> None:
        part = PartOf(NumberedSource(100, refused=Span(14, 16)), Span(10, 30), "p")
        answer = part.read(Span(2, 8))
        assert answer.span == Span(2, 8)
        assert answer.data == bytes([12, 13, 0, 0, 16, 17])
        assert answer.gaps == (Gap(Span(4, 6), Lack.REFUSED),)
        assert part.identity == Identity("part", "p", 20, 4)

    def test_never_gives_what_lies_outside_it(self) -> None:
        answer = PartOf(NumberedSource(100), Span(10, 30), "p").read(Span(18, 24))
        assert answer.data == bytes([28, 29, 0, 0, 0, 0])
        assert answer.gaps == (Gap(Span(20, 24), Lack.ABSENT),)

    def test_a_part_that_reaches_past_the_end_keeps_its_size(self) -> None:
        part = PartOf(NumberedSource(100), Span(90, 120), "p")
        assert part.size_bytes == 30
        answer = part.read(Span(8, 32))
        assert answer.data[:2] == bytes([98, 99])
        assert answer.missing() == SpanSet([Span(10, 32)])
        assert {gap.why for gap in answer.gaps} == {Lack.ABSENT}

    @pytest.mark.parametrize("at", [0, 7, 20, 35])
    def test_an_empty_read_is_complete_wherever_it_is(self, at: int) -> None:
        answer = PartOf(NumberedSource(100), Span(10, 30), "p").read(Span(at, at))
        assert answer == Reading(Span(at, at), b"")

    @given(st.data())
    def test_outlook_read_trace_and_needs_agree(self, data: st.DataObject) -> None:
        edge = st.integers(0, 60)
        window, refused, marked, asked = (Span(*sorted((data.draw(edge), data.draw(edge)))) for _ in range(4))
        under = NumberedSource(50, refused, marked)
        part = PartOf(under, window, "p")
        answer, seen = part.read(asked), part.outlook(asked)
        assert (answer.gaps, answer.marks) == (seen.gaps, seen.marks)
        expected = bytes(
            (window.start + offset) % 251
            if offset < window.length and window.start + offset < 50 and window.start + offset not in refused
            else 0
            for offset in range(asked.start, asked.stop)
        )
        assert answer.data == expected
        placed = {
            (here, there)
            for one in part.trace(asked)
            for here, there in zip(
                range(one.span.start, one.span.stop), range(one.at.start, one.at.stop), strict=True
            )
        }
        inside = [o for o in range(asked.start, asked.stop) if o < window.length and window.start + o < 50]
        assert placed == {(offset, 1000 + window.start + offset) for offset in inside}
        assert part.needs(SpanSet([asked]))["1"] == SpanSet(
            Span.at(1000 + window.start + o, 1) for o in inside
        )
