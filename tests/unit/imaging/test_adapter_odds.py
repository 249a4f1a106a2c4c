"""How adapters fared on one another's refusals, counted and reckoned by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.adapter_odds import (
    AdapterOdds,
    AdapterRecord,
    Counts,
    Pair,
    Sitting,
    together,
    worth_trying,
)
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.lacking import Refusal
from mendbay.imaging.layout import Want
from mendbay.imaging.planner import WEIGHT_REST, WEIGHT_WANTED, Planner
from mendbay.imaging.retries import ELSEWHERE, Retries
from mendbay.imaging.trouble import Trouble

BRIDGE, PORT = "bridge", "port"
THERE: Pair = (BRIDGE, PORT)


def refusal(run: int, first: int, sectors: int = 1) -> Refusal:
    span = Span(first * 512, (first + sectors) * 512)
    return Refusal(span, run, 3.0, "EIO", Trouble.UNKNOWN, "2026-05-04T10:00:00Z")


def sectors(*numbers: int) -> SpanSet:
    return SpanSet(Span(one * 512, (one + 1) * 512) for one in numbers)


def record(
    adapters: list[str], refusals: list[Refusal], given_by_run: dict[int, SpanSet] | None = None
) -> AdapterRecord:
    """Runs 1, 2 and so on, one hour apart."""
    sittings = [Sitting(at + 1, name, f"2026-05-04T{at:02}:00:00Z") for at, name in enumerate(adapters)]
    return AdapterRecord(sittings, refusals, given_by_run or {}, 512)


def test_counts_of_what_was_asked_later() -> None:
    """The bridge refuses 1 to 5; the port gives 1 and 2, and refuses 3 alone and 4 within a longer read."""
    found = record(
        ["USB bridge", "usb-bridge ", "Port"],
        [*(refusal(1, one) for one in (1, 2, 3, 4, 5)), refusal(3, 3), refusal(3, 4, 2)],
        {3: sectors(1, 2)},
    ).counts()
    assert found == {("usbbridge", PORT): Counts(2, 3)}
    assert found["usbbridge", PORT].chance == pytest.approx((2 + 0.4) / (3 + 4))


def test_what_was_refused_in_the_other_order_says_nothing() -> None:
    """The port refused 1 before the bridge did: of the port's chances that says nothing, of the bridge's it
    does."""
    found = record(["port", "bridge"], [refusal(1, 1), refusal(1, 2), refusal(2, 1)], {2: sectors(2)})
    assert found.counts() == {(PORT, BRIDGE): Counts(1, 2)}


def test_the_order_is_that_of_time_and_not_of_the_numbers() -> None:
    """A run blended in late has a high number and its own time."""
    sittings = [Sitting(1, "port", "2026-05-04T10:00:00Z"), Sitting(2, "bridge", "2026-05-03T10:00:00Z")]
    found = AdapterRecord(sittings, [refusal(2, 1)], {1: sectors(1)}, 512)
    assert found.counts() == {THERE: Counts(1, 1)}


def test_what_the_first_gave_itself_in_the_end_is_no_gain_of_the_second() -> None:
    """Sector 1 was weak: the bridge gave it on its second try; a comparing run read it through the port."""
    found = record(["bridge", "port"], [refusal(1, 1)], {1: sectors(1), 2: sectors(1)})
    assert found.counts() == {}


def test_an_adapter_not_stated_has_no_odds() -> None:
    found = record(["not stated", "port", ""], [refusal(1, 1), refusal(3, 2)], {2: sectors(1, 2)})
    assert found.counts() == {}
    assert found.names == {PORT: "port"}
    assert found.refused_by(np.array([512, 1024])) == (("",), ("",))


def test_two_bays_of_one_case_teach_each_other() -> None:
    assert together([{THERE: Counts(2, 3)}, {THERE: Counts(0, 1)}]) == {THERE: Counts(2, 4)}


def test_chances_by_hand_and_learning() -> None:
    """One in ten before anything is counted, with the weight of four; the least of several counts."""
    refused_by = {1: (BRIDGE,), 2: ("third",), 3: (BRIDGE, "third")}
    odds = AdapterOdds(PORT, {THERE: Counts(8, 16)}, refused_by)
    assert odds.chance(1) == odds.best == pytest.approx(8.4 / 20)
    assert odds.chance(2) == odds.chance(3) == odds.chance(99) == pytest.approx(0.1)
    odds.note(1, True)
    assert odds.chance(1) == pytest.approx(9.4 / 21)
    odds.note(2, False)
    assert odds.chance(2) == odds.chance(3) == pytest.approx(0.4 / 5)


def test_retries_through_the_same_adapter_are_as_ever() -> None:
    """By hand: 4 x 0.05 of 4 at first; the place then draws it, also by what was refused elsewhere."""
    retries = Retries(0.05, 16_384, AdapterOdds(PORT, {}, {5: (BRIDGE,)}))
    assert retries.chance(5, 1) == pytest.approx(0.05)
    assert retries.chance(5, ELSEWHERE) == pytest.approx(0.1)
    retries.note(5, ELSEWHERE, True)
    assert retries.chance(100_000, 1) == pytest.approx(0.05), "far away nothing changed for the same adapter"
    assert retries.chance(5, ELSEWHERE) == pytest.approx((1 + 4 * 1.4 / 5) / 5)


def test_which_adapter_is_worth_trying() -> None:
    """Of 130 sectors 30 were refused by the port already: 100 x 9.4 / 102 = 9.2 may come."""
    refused_by = [(BRIDGE,)] * 100 + [(BRIDGE, PORT)] * 30
    names = {BRIDGE: "USB bridge", PORT: "port"}
    (found,) = worth_trying(refused_by, {THERE: Counts(9, 98)}, names, BRIDGE)
    assert (found.adapter, found.sectors, found.given, found.asked) == ("port", 100, 9, 98)
    assert found.expected == pytest.approx(100 * 9.4 / 102)


def test_less_than_a_sector_is_not_worth_it() -> None:
    names = {BRIDGE: "bridge", PORT: "port"}
    assert worth_trying([(BRIDGE,)] * 10, {THERE: Counts(9, 98)}, names, BRIDGE) == ()


def test_where_only_one_adapter_is_known_another_may_help() -> None:
    (found,) = worth_trying([(BRIDGE,)] * 50, {}, {BRIDGE: "bridge"}, BRIDGE)
    assert (found.adapter, found.sectors, found.asked) == ("", 50, 0)
    assert found.expected == pytest.approx(5.0)
    assert worth_trying([("", BRIDGE)] * 50, {}, {BRIDGE: "bridge"}, BRIDGE) == (), "it may have been any"


@given(st.integers(0, 500), st.integers(0, 500), st.integers(0, 50), st.lists(st.booleans(), max_size=30))
def test_more_successes_never_lower_the_odds(good: int, bad: int, more: int, outcomes: list[bool]) -> None:
    few, many = {THERE: Counts(good, good + bad)}, {THERE: Counts(good + more, good + bad + more)}
    refused_by = {1: (BRIDGE,), 2: (BRIDGE, "third")}
    fewer, richer = AdapterOdds(PORT, few, refused_by), AdapterOdds(PORT, many, refused_by)
    for outcome in outcomes:
        fewer.note(1, outcome)
        richer.note(1, True)
    for at in refused_by:
        assert 0 < fewer.chance(at) <= richer.chance(at) < 1
    left = [(BRIDGE,)] * 90
    kept, raised = (worth_trying(left, counts, {PORT: "p"}, BRIDGE) for counts in (few, many))
    assert sum(one.expected for one in kept) <= sum(one.expected for one in raised) + 1e-9


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 9), st.booleans()), max_size=23))
def test_counts_of_any_log_are_those_of_a_plain_loop(log: list[tuple[str, int, bool]]) -> None:
    """Every entry is a run of its own: an adapter, a sector, whether it was given."""
    refusals = [refusal(at + 1, place) for at, (_, place, good) in enumerate(log) if not good]
    given_by_run = {at + 1: sectors(place) for at, (_, place, good) in enumerate(log) if good}
    expected: dict[Pair, Counts] = {}
    for pair in ((one, other) for one in "abc" for other in "abc" if one != other):
        total = Counts()
        for place in range(10):
            mine = [
                (at, good) for at, (name, where, good) in enumerate(log) if (name, where) == (pair[0], place)
            ]
            first = next((at for at, good in mine if not good), None)
            if first is not None and not any(good for _, good in mine):
                later = log[first + 1 :]
                theirs = [good for name, where, good in later if (name, where) == (pair[1], place)]
                total += Counts(int(any(theirs)), int(bool(theirs)))
        if total.asked:
            expected[pair] = total
    assert record([name for name, _, _ in log], refusals, given_by_run).counts() == expected


PLACES = {one * 1000: (BRIDGE,) for one in range(1, 11)}


def planner(odds: AdapterOdds, wanted: SpanSet | None = None) -> Planner:
    """Of 200 000 sectors the last 50 000 are unread; of the others ten were refused through the bridge."""
    refused = np.array(sorted(PLACES), dtype=np.int64) * 512
    holes = SpanSet.from_bounds(refused, refused + 512)
    read = SpanSet([Span(0, 150_000 * 512)]) - holes
    coverage = Coverage(200_000 * 512, 512, read, refused, np.zeros(10, dtype=np.int64))
    past = [(span.start, span.stop, 3.0) for span in holes]
    wants = [] if wanted is None else [Want(wanted, WEIGHT_WANTED)]
    return Planner(coverage, past, wants, WEIGHT_REST, elsewhere=odds)


def order(one: Planner, refuses: frozenset[int] = frozenset()) -> list[int]:
    """First sectors in the order in which they are asked for."""
    found = []
    while (span := one.choose()) is not None:
        at = span.start // 512
        found.append(at)
        outcome, seconds = (Outcome.REFUSED, 3.0) if at in refuses else (Outcome.GIVEN, 0.01)
        one.learn(Attempt(span, outcome, memoryview(b""), seconds))
    return found


def test_what_another_adapter_refused_waits_while_little_comes_of_it() -> None:
    asked = order(planner(AdapterOdds(PORT, {}, PLACES)))
    assert sorted(asked[-10:]) == sorted(PLACES)


def test_what_is_wanted_and_likely_through_this_adapter_goes_first() -> None:
    odds = AdapterOdds(PORT, {THERE: Counts(95, 100)}, PLACES)
    assert order(planner(odds, sectors(7000)))[0] == 7000


def test_every_sector_has_its_tries_through_the_present_adapter() -> None:
    one = planner(AdapterOdds(PORT, {}, PLACES))
    asked = order(one, frozenset(PLACES))
    assert {at: asked.count(at) for at in PLACES} == dict.fromkeys(PLACES, 3)
    assert one.evidence.retries.elsewhere.chance(1000) == pytest.approx(0.4 / 14)


def test_a_change_of_values_in_mid_read_loses_no_try() -> None:
    one = planner(AdapterOdds(PORT, {THERE: Counts(95, 100)}, PLACES), sectors(*PLACES))
    span = one.choose()
    assert span is not None
    one.reweigh([], WEIGHT_REST)
    one.learn(Attempt(span, Outcome.REFUSED, memoryview(b""), 3.0))
    first = span.start // 512
    assert first in PLACES
    assert order(one, frozenset(PLACES)).count(first) == 2
