"""Two drives read as one task: whatever they refuse, nothing is lost, nothing is read twice for nothing."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.alike import sample
from mendbay.imaging.hazard import Condition
from support.shared_drives import SECTOR, Rig, drive, sectors

SHARED = 900

Bad = set[int]
bad_sectors = st.sets(
    st.one_of(st.integers(0, SHARED - 1), st.integers(400, 460)), max_size=20
)  # some alone, some close together
weak_sectors = st.dictionaries(st.integers(0, SHARED - 1), st.integers(1, 2), max_size=8)
condition = st.sampled_from(Condition)


@settings(max_examples=20, deadline=None)
@given(
    bad=st.tuples(bad_sectors, bad_sectors),
    weak=st.tuples(weak_sectors, weak_sectors),
    lead=st.tuples(st.integers(0, 70), st.integers(0, 70)),
    conditions=st.tuples(condition, condition),
    share=st.sampled_from([0.0, 0.05, 0.3]),
    seed=st.integers(0, 5),
)
def test_all_that_one_would_give_is_given_and_nothing_is_asked_twice_but_the_sample(
    bad: tuple[Bad, Bad],
    weak: tuple[dict[int, int], dict[int, int]],
    lead: tuple[int, int],
    conditions: tuple[Condition, Condition],
    share: float,
    seed: int,
) -> None:
    shared = SpanSet([Span.at(lead[0] * SECTOR, SHARED * SECTOR)])
    drawn = sample(shared, seed, share)
    drives = tuple(
        drive(
            SHARED + lead[side],
            {one + lead[side] for one in bad[side]},
            weak={one + lead[side]: count for one, count in weak[side].items() if one not in bad[side]},
        )
        for side in (0, 1)
    )
    starts = (lead[0] * SECTOR, lead[1] * SECTOR)
    rig = Rig(
        (drives[0], drives[1]), starts=starts, length=SHARED * SECTOR, sample=drawn, conditions=conditions
    )
    rig.begin().run()  # which comes to an end, or fails
    lost = sectors(*(one + lead[0] for one in bad[0] & bad[1]))
    assert (rig.shared(0) | rig.shared(1)) & shared == shared - lost
    for side in (0, 1):
        own = SpanSet([Span(0, starts[side])])
        assert rig.sides[side].given & own == own
    both = rig.shared(0) & rig.shared(1) & shared
    assert both & drawn == both, "only the sample was given twice"
    compared = SpanSet(pair.spans[0] for pair in rig.pairs)
    assert compared == both & drawn, "and all of that is told to be compared"
    _asked_for_a_reason(rig, drawn)


def _asked_for_a_reason(rig: Rig, drawn: SpanSet) -> None:
    """A sector that one drive gave is asked of the other afterwards only if it is sample, and then not again
    once it was refused alone. Replays both logs in the order in which the reads came back."""
    given = [SpanSet(), SpanSet()]
    refused = [SpanSet(), SpanSet()]
    for side, span, was_given in rig.order:
        here = SpanSet([span]) & rig.alike.spans(side)
        place = here if side == 0 else rig.alike.across(1, here)
        again = place & given[1 - side]
        assert again & drawn == again
        assert not again & refused[side]
        if was_given:
            given[side] |= place
        elif span.length == SECTOR:
            refused[side] |= place


UNIT = 8
"""Sectors of a physical sector."""
places = st.integers(0, SHARED // UNIT - 1)


@settings(max_examples=30, deadline=None)
@given(
    bad=st.tuples(bad_sectors, bad_sectors),
    lead=st.tuples(st.integers(0, 9), st.integers(0, 9)),
    cut=st.tuples(st.integers(0, UNIT - 1), st.integers(0, UNIT - 1)),
    drawn=st.sets(places, max_size=12),
    doubted=st.tuples(st.sets(st.integers(0, SHARED - 1), max_size=4), st.just(set())),
    conditions=st.tuples(condition, condition),
)
def test_planned_in_physical_sectors_whatever_lies_across_their_borders(
    bad: tuple[Bad, Bad],
    lead: tuple[int, int],
    cut: tuple[int, int],
    drawn: set[int],
    doubted: tuple[set[int], set[int]],
    conditions: tuple[Condition, Condition],
) -> None:
    """What is shared begins and ends inside physical sectors, and what is in doubt is a part of one."""
    lengths = [lead[side] * UNIT + SHARED // UNIT * UNIT for side in (0, 1)]
    first = [lead[side] * UNIT + cut[0] for side in (0, 1)]
    drives = tuple(
        drive(lengths[side], {one + lead[side] * UNIT for one in bad[side]} & set(range(lengths[side])))
        for side in (0, 1)
    )
    shared_sectors = SHARED // UNIT * UNIT - cut[0] - cut[1]
    units = SpanSet(Span.at((lead[0] + one) * UNIT * SECTOR, UNIT * SECTOR) for one in drawn)
    rig = Rig(
        (drives[0], drives[1]),
        starts=(first[0] * SECTOR, first[1] * SECTOR),
        length=shared_sectors * SECTOR,
        sample=units,
        in_doubt=(sectors(*doubted[0]), sectors()),
        conditions=conditions,
        unit_bytes=UNIT * SECTOR,
    )
    shared = rig.alike.spans(0)
    assert shared.narrow(UNIT * SECTOR) == shared
    rig.begin().run()
    failed = [
        sectors(*(one + lead[side] * UNIT for one in bad[side])).widen(UNIT * SECTOR) for side in (0, 1)
    ]
    lost = (failed[0] & shared) & rig.alike.across(1, failed[1])
    assert (rig.shared(0) | rig.shared(1)) & shared == shared - lost
    for side in (0, 1):
        own = SpanSet([Span(0, lengths[side] * SECTOR)]) - rig.alike.spans(side) - failed[side]
        assert rig.sides[side].given & own == own, "what it does not share it reads by itself"
        whole = SpanSet(span for span in rig.sides[side].asked())
        assert whole.narrow(UNIT * SECTOR) == whole
    both = rig.shared(0) & rig.shared(1) & shared
    again = (rig.task._in_doubt[0] & rig.sides[0].given).widen(UNIT * SECTOR)
    assert not both - units - again, "only the sample, and what is in doubt, was given twice"
