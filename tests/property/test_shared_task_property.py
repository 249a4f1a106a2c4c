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
