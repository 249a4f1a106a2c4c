"""The journal overlay against a plain model: each byte comes from where the table of copies says."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.source import Lack, Mark, Outlook
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext_replay import Replayed
from support.sources import MemorySource


@given(
    homes=st.lists(st.integers(0, 19), unique=True, max_size=12).map(sorted),
    data=st.data(),
)
def test_the_overlay_serves_what_a_plain_copy_would(homes: list[int], data: st.DataObject) -> None:
    size = 16
    places = data.draw(st.lists(st.integers(20, 39), min_size=len(homes), max_size=len(homes), unique=True))
    doubtful = data.draw(st.lists(st.integers(0, 19), unique=True, max_size=4).map(sorted))
    refused = data.draw(st.lists(st.integers(0, 39), unique=True, max_size=6))
    start = data.draw(st.integers(0, 20 * size))
    stop = data.draw(st.integers(start, 20 * size + 5))
    volume = bytes(number for number in range(40) for _ in range(size))
    gaps = {Lack.REFUSED: SpanSet(Span.at(number * size, size) for number in refused)}
    source = Replayed(
        MemorySource(volume, gaps=gaps),
        size,
        np.array(homes, np.int64),
        np.array(places, np.int64),
        np.zeros(len(homes), np.int64),
        np.array(doubtful, np.int64),
    )
    moved = dict(zip(homes, places, strict=True))
    holder = [moved.get(at // size, at // size) for at in range(start, stop)]
    reading = source.read(Span(start, stop))
    assert list(reading.data) == [0 if number in refused else number for number in holder]
    missing, older = reading.missing(), reading.marked(Mark.POSSIBLY_OLDER)
    for at, number in zip(range(start, stop), holder, strict=True):
        assert (at in missing) == (number in refused)
        assert (at in older) == (at // size in doubtful and number not in refused)
    assert source.outlook(Span(start, stop)) == Outlook(reading.gaps, reading.marks)
    traced = {
        at: origin.at.start + at - origin.span.start
        for origin in source.trace(Span(start, stop))
        for at in range(origin.span.start, origin.span.stop)
    }
    expected = {
        at: number * size + at % size
        for at, number in zip(range(start, stop), holder, strict=True)
        if number not in refused
    }
    assert traced == expected
    needed = source.needs(SpanSet([Span(start, stop)])).get("1", SpanSet())
    assert set(expected.values()) <= {at for span in needed for at in range(span.start, span.stop)}
    assert needed.total_bytes <= stop - start
