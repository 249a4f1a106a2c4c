"""What is withdrawn from a planner and put back: never read while it is off, always in the end."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.layout import Want
from mendbay.imaging.planner import Planner
from support.scripted_drive import ScriptedDrive, numbered

SECTOR, SECTORS = 512, 400
RANGE = st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 120)).map(
    lambda one: Span(one[0] * SECTOR, min(SECTORS, one[0] + one[1]) * SECTOR)
)
DEED = st.one_of(
    st.tuples(st.just("withdraw"), RANGE),
    st.tuples(st.just("put back"), RANGE),
    st.tuples(st.just("reweigh"), RANGE),
    st.tuples(st.just("waive"), RANGE),
    st.tuples(st.just("read"), st.integers(1, 6)),
)


@settings(max_examples=60, deadline=None)
@given(
    bad=st.sets(st.integers(0, SECTORS - 1), max_size=12),
    deeds=st.lists(DEED, max_size=14),
    seed=st.integers(0, 9),
)
def test_nothing_withdrawn_is_read_and_all_that_is_put_back_is(
    bad: set[int], deeds: list[tuple[str, object]], seed: int
) -> None:
    drive = ScriptedDrive(numbered(SECTORS), bad, largest_read_bytes=32 << 10)
    planner = Planner(Coverage(SECTORS * SECTOR, SECTOR), assumed=Assumptions(largest_read_bytes=32 << 10))
    off, waived, given = SpanSet(), SpanSet(), SpanSet()
    chance = random.Random(seed)

    def read(count: int) -> bool:
        nonlocal given
        for _ in range(count):
            offer = planner.offer()
            if offer is None:
                return False
            assert planner.open_within(SpanSet([offer.span])) == SpanSet([offer.span])
            span = planner.take(offer)
            assert span == offer.span
            assert not (off | waived).overlaps(span)
            assert not given.overlaps(span)
            assert planner.under_way() == SpanSet([span])
            if chance.random() < 0.1:
                planner.give_back(span)
                continue
            drive.ask(span)
            attempt = drive.answer()
            planner.learn(attempt)
            if attempt.data:
                given |= SpanSet([span])
            assert planner.given() == given
        return True

    for what, where in deeds:
        if isinstance(where, int):
            read(where)
            continue
        assert isinstance(where, Span)
        spans = SpanSet([where])
        match what:
            case "withdraw":
                planner.withdraw(spans)
                off |= spans
                assert planner.promise(spans) is None
            case "put back":
                planner.put_back(spans, factor=1.5)
                off -= spans
            case "reweigh":
                planner.reweigh([Want(spans, 50.0)], 1.0, left=off)
            case _:
                planner.waive(spans)
                planner.withdraw(off)
                waived |= spans
    whole = SpanSet([Span(0, SECTORS * SECTOR)])
    planner.put_back(whole)
    off = SpanSet()
    while read(50):
        pass
    lost = SpanSet(Span.at(one * SECTOR, SECTOR) for one in bad)
    assert given == whole - lost - (waived - given)
    assert planner.refused() == lost - waived | planner.refused() & waived
    assert planner.given_within(Span(0, SECTORS * SECTOR)) == given
    assert planner.refused_within(Span(0, SECTORS * SECTOR)) == planner.refused()
