"""Whatever cases are closed: the tables stay tables, order does not matter, and a fault found again never
loses share."""

from __future__ import annotations

import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.triage.closed_cases import ClosedCase
from mendbay.triage.learned import learned_tables
from mendbay.triage.tables import Seat
from support.closed import BOX, DRIVE, PACKAGED, case, cases


@settings(max_examples=40, deadline=None)
@given(cases())
def test_shares_and_chances_still_add_up_and_none_becomes_zero(closed: list[ClosedCase]) -> None:
    now = learned_tables(PACKAGED, closed).tables
    firsts = [(one.first.value, 2 if one.seat is Seat.BAY else 1) for one in now.faults.values()]
    assert now.sound.value + sum(share * times for share, times in firsts) == 1
    assert sum(one.share.value for one in now.happenings.values()) == 1
    assert sum(one.share.value for one in now.layouts.values()) == 1
    assert min(now.sound.value, *(share for share, _ in firsts)) > 0
    for sign in now.signs.values():
        for row in sign.rows:
            assert sum(one.value for one in row.chances) == 1
            assert min(one.value for one in row.chances) > 0


@settings(max_examples=40, deadline=None)
@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_the_cases_does_not_matter(closed: list[ClosedCase], chance: random.Random) -> None:
    mixed = chance.sample(closed, len(closed))
    assert learned_tables(PACKAGED, mixed) == learned_tables(PACKAGED, closed)


@settings(max_examples=60, deadline=None)
@given(cases(), st.data())
def test_one_more_case_of_a_fault_never_lowers_its_share(
    closed: list[ClosedCase], data: st.DataObject
) -> None:
    subject = data.draw(st.sampled_from([BOX, DRIVE]))
    seats = {Seat.CASE, Seat.BAY} | ({Seat.BOX} if subject.box else set())
    fault = data.draw(st.sampled_from([one for one in PACKAGED.faults.values() if one.seat in seats]))
    more = case(99, (fault.id, "1" if fault.seat is Seat.BAY else ""), subject=subject)
    before = learned_tables(PACKAGED, closed).tables.faults[fault.id].first.value
    after = learned_tables(PACKAGED, [*closed, more]).tables.faults[fault.id].first.value
    assert after >= before


@settings(max_examples=25, deadline=None)
@given(cases(3), st.integers(2, 40))
def test_a_case_that_is_met_often_counts_as_often(closed: list[ClosedCase], times: int) -> None:
    """Counts add up: so many equal cases count so many times one of them."""
    many = [replace(one, number=100 * at + one.number) for at in range(times) for one in closed]
    one, all_of_them = learned_tables(PACKAGED, closed).counts, learned_tables(PACKAGED, many).counts
    for name in PACKAGED.faults:
        assert abs(all_of_them.of_fault(name) - times * one.of_fault(name)) < 1e-9 * times
