"""Where sectors were given: against a plain set of sector numbers."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mendbay.imaging import given_places
from mendbay.imaging.given_places import REGION, GivenPlaces

HIGH = 3 * REGION
places = st.one_of(st.integers(0, 200), st.integers(REGION - 100, REGION + 100), st.integers(0, HIGH - 400))
runs = st.lists(st.tuples(places, st.integers(1, 300)), max_size=15)


@given(runs, runs, st.lists(places, min_size=1, max_size=6))
def test_it_answers_like_a_set_of_sectors(
    earlier: list[tuple[int, int]], later: list[tuple[int, int]], asked: list[int]
) -> None:
    known = np.zeros(HIGH + 1, dtype=bool)
    for start, length in earlier:
        known[start : start + length] = True
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known)).astype(np.int8)))
    found = GivenPlaces(edges[::2].astype(np.int64), edges[1::2].astype(np.int64))
    for start, length in later:
        if not known[start : start + length].any():  # nothing is given twice
            found.add(start, start + length)
            known[start : start + length] = True
        at = asked[0]
        assert found.count(at - 96, at + 96) == int(known[max(0, at - 96) : at + 96].sum())
    for at in asked:
        below = np.flatnonzero(known[:at])
        run = found.before(at, 0)
        assert (run is None) == (below.size == 0)
        if run is not None:
            assert run[1] == below[-1] + 1
            assert known[run[0] : run[1]].all()
        above = np.flatnonzero(known[at:])
        run = found.behind(at, HIGH)
        assert (run is None) == (above.size == 0)
        if run is not None:
            assert run[0] == at + above[0]
            assert known[run[0] : run[1]].all()
    starts, stops = found.bounds()
    rebuilt = np.zeros(HIGH + 1, dtype=bool)
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        rebuilt[start:stop] = True
    assert np.array_equal(rebuilt, known)


def test_folding_up_forgets_nothing() -> None:
    found = GivenPlaces(np.array([5], np.int64), np.array([9], np.int64))
    regions = given_places._SPREAD_OUT + 10
    for region in range(regions):
        found.add(region * REGION + 10, region * REGION + 20)
    assert [found.count(region * REGION, region * REGION + 100) for region in range(regions)] == [
        14,
        *[10] * (regions - 1),
    ]
    found.add(20, 25)
    assert found.count(0, 100) == 19
    assert found.before(25, 0) == (10, 25)
