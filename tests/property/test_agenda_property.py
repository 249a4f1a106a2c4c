"""The order of the day's work, whatever the cases are."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.agenda import Chore, Entry, OpenCase, Wait, WaitsFor, agenda_of

TODAY = "2026-11-28"
days = st.integers(-40, 40).map(lambda off: (date.fromisoformat(TODAY) + timedelta(days=off)).isoformat())
past = st.integers(-40, 0).map(lambda off: (date.fromisoformat(TODAY) + timedelta(days=off)).isoformat())
sizes = st.floats(0, 1e6, allow_nan=False)
chores = st.builds(
    Chore,
    id=st.just("chore"),
    words=st.just("Do it"),
    command=st.just("case show 1"),
    chance=st.none() | st.floats(0, 1),
    value=sizes,
    minutes=st.floats(1, 1000),
    source=st.just("design value, no source"),
)
waits = st.builds(
    Wait,
    who=st.sampled_from((WaitsFor.CUSTOMER, WaitsFor.PART, WaitsFor.MACHINE)),
    what=st.just("a word"),
    since=past,
    until=st.just("") | days,
)


@st.composite
def cases(draw: st.DrawFn) -> tuple[OpenCase, ...]:
    return tuple(
        OpenCase(
            number,
            draw(st.just("") | days),
            waits=tuple(draw(st.lists(waits, max_size=2))),
            chore=draw(chores),
            nudge=draw(chores),
        )
        for number in range(1, draw(st.integers(2, 8)) + 1)
    )


def place_of(found: tuple[OpenCase, ...], number: int) -> int:
    """Where a case stands among the day's steps; behind all if it does not."""
    steps = [one.case.number for one in agenda_of(found, TODAY).steps]
    return steps.index(number) if number in steps else len(found)


def changed(found: tuple[OpenCase, ...], new: OpenCase) -> tuple[OpenCase, ...]:
    return tuple(new if one.number == new.number else one for one in found)


@given(cases(), sizes, st.floats(0, 1), st.floats(0, 1))
def test_more_value_more_chance_or_less_time_never_lowers_a_step(
    found: tuple[OpenCase, ...], more: float, chance: float, shorter: float
) -> None:
    first = found[0]
    assert first.chore is not None
    assert first.nudge is not None
    for better in (
        lambda one: replace(one, value=one.value + more),
        lambda one: replace(one, chance=max(chance, 1.0 if one.chance is None else one.chance)),
        lambda one: replace(one, minutes=max(0.5, one.minutes * shorter)),
    ):
        new = replace(first, chore=better(first.chore), nudge=better(first.nudge))
        assert place_of(changed(found, new), 1) <= place_of(found, 1)


@given(cases(), days, days)
def test_a_deadline_moved_nearer_never_lowers_a_case(
    found: tuple[OpenCase, ...], one_day: str, other: str
) -> None:
    near, far = sorted((one_day, other))
    first = found[0]
    assert place_of(changed(found, replace(first, due_on=near)), 1) <= place_of(
        changed(found, replace(first, due_on=far)), 1
    )


@given(cases())
def test_what_waits_for_somebody_else_is_no_chore_until_it_is_late(found: tuple[OpenCase, ...]) -> None:
    agenda = agenda_of(found, TODAY)
    for one in agenda.steps:
        if one.case.waits:
            assert one.late or one.case.due_on == TODAY
            assert one.chore is one.case.nudge
        else:
            assert one.chore is one.case.chore
    assert {one.case.number for one in agenda.waiting} == {one.number for one in found if one.waits}


@given(cases(), st.randoms(use_true_random=False))
def test_the_order_is_the_same_whichever_way_the_cases_come(found: tuple[OpenCase, ...], shuffle) -> None:  # type: ignore[no-untyped-def]
    mixed = list(found)
    shuffle.shuffle(mixed)
    assert agenda_of(mixed, TODAY).steps == agenda_of(found, TODAY).steps
    same = tuple(replace(one, due_on="", waits=(), chore=found[0].chore) for one in found)
    assert [one.case.number for one in agenda_of(same, TODAY).steps] == [one.number for one in found]


@given(cases())
def test_late_stands_before_due_today_before_the_rest_and_then_worth_decides(
    found: tuple[OpenCase, ...],
) -> None:
    steps: tuple[Entry, ...] = agenda_of(found, TODAY).steps
    for one, following in pairwise(steps):
        assert one.chore is not None
        assert following.chore is not None
        assert one.place <= following.place
        if one.place == following.place:
            assert one.chore.worth >= following.chore.worth - 1e-8
