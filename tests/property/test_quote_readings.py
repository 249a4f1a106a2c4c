"""Readings of one drive and of both, picked and likely in any mixture: no way pays twice for a drive."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.price_list import packaged_prices, read_prices
from mendbay.case.quote import Columns, Ending, Possible, When
from mendbay.jobs.quote_readings import one_or_both, read_once
from mendbay.jobs.work_on_record import BOTH, ONE

PRICES = read_prices(packaged_prices(), own=False)
DRIVES = 2
KEYS = (BOTH, f"{ONE}:1", f"{ONE}:2", "new-adapter")


def work(key: str, quantity: str = "1", when: When = When.NEEDED) -> Possible:
    price = PRICES.work[key.partition(":")[0]]
    return Possible(key, price.words, price, Decimal(quantity), when, frozenset({key}))


@st.composite
def endings(draw: st.DrawFn) -> tuple[Ending, ...]:
    needs = draw(st.lists(st.frozensets(st.sampled_from(KEYS)), min_size=1, max_size=5))
    return tuple(Ending(1 / len(needs), one, draw(st.booleans())) for one in needs)


@given(
    endings(), st.lists(st.sampled_from([(ONE, ""), (ONE, "2"), (BOTH, ""), ("new-adapter", "")]), max_size=3)
)
def test_no_way_pays_for_more_readings_than_there_are_drives_or_were_picked(
    ways: tuple[Ending, ...], picked: list[tuple[str, str]]
) -> None:
    known = read_once(PRICES, tuple(picked), [work(key) for key in KEYS], ways, DRIVES)
    taken = {BOTH} if any(name == BOTH for name, _ in picked) else set[str]()  # as it stands once, as picked
    likely = [one for one in known.works if one.key not in taken]
    by_hand = [
        work(f"{name}:picked-{number}", typed or "1", When.ALWAYS)
        for number, (name, typed) in enumerate(known.lines, 1)
    ]
    works, _ = one_or_both([*likely, *by_hand], DRIVES)
    singles = sum(int(typed or 1) for name, typed in picked if name == ONE)
    joints = sum(name == BOTH for name, _ in picked)
    for way in known.endings:
        lines, totals = Columns(works, [replace(way, chance=1.0)], (), True, PRICES.currency).made()
        due = {one.key: one.quantity for one in lines if one.chance == 1}
        both = sum(quantity for key, quantity in due.items() if key.startswith(BOTH))
        one = sum(quantity for key, quantity in due.items() if key.startswith(f"{ONE}:picked"))
        seen = sum(quantity for key, quantity in due.items() if key in KEYS[1:3])
        assert both >= joints
        if joints or BOTH in way.needs:
            assert one == max(0, singles - DRIVES), "only what no reading of both holds"
            assert seen == 0
        else:
            assert one == singles, "what was picked is due"
        for column, total in totals.items():
            assert sum(each.amounts[column].minor for each in lines) == total.gross.minor
