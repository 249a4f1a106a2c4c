"""Whatever the stock holds, its own list gives it back to the letter and changes nothing."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date

import hypothesis.strategies as st
from hypothesis import given, settings

from mendbay.board.description import BoardDescription
from mendbay.board.stock import LARGEST_NUMBER, Condition, Kind, StockItem, StockState
from mendbay.board.stock_csv import read_table, to_csv
from mendbay.board.stock_import import guess_mapping, import_items, plan_import
from mendbay.core.texts import LINE_LIMIT

HARD = st.sampled_from(
    [
        *("none", "NA", "?", "n/a", "--", " ", "  lead", "trail  ", "=1+1", "'=x", "''-", "'", "sep=,"),
        *('"', '""', '","', ",", ";", "a;b", "\u00a0", "\uff1d1", "\ufeff", "1.500", "\u00b2", "\U0001f529"),
    ]
)
CHARACTERS = st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"])
LINES = (HARD | st.text(CHARACTERS, max_size=20) | st.lists(HARD).map("".join)).filter(
    lambda one: len(one) <= LINE_LIMIT
)
NOTES = st.lists(LINES | st.sampled_from(["", "\t", "\u2028"]), max_size=5).map("\n".join)
NAMES = LINES.filter(lambda one: one.strip() and one not in (".", "..") and not {"/", "\\"} & set(one))
DESCRIPTIONS = st.builds(
    BoardDescription,
    **{one.name: LINES for one in fields(BoardDescription) if one.name != "made_on"},
    made_on=st.just("") | st.dates(date.min, date.max).map(date.isoformat),
)
CURRENCIES = st.sampled_from(["EUR", "USD", "JPY", "KWD", "TND", "QQQ"])
COSTS = st.just((None, "")) | st.tuples(st.integers(0, 2**53 - 1) | st.integers(0, 10**7), CURRENCIES)
STATES = st.sampled_from([(StockState.FREE, 0), (StockState.REMOVED, 0)]) | st.tuples(
    st.sampled_from([StockState.RESERVED, StockState.USED]), st.integers(1, 2**31 - 1)
)


@st.composite
def items(draw: st.DrawFn) -> StockItem:
    minor, currency = draw(COSTS)
    state, case = draw(STATES)
    return StockItem(
        draw(st.integers(1, LARGEST_NUMBER)),
        draw(st.sampled_from(Kind)),
        draw(DESCRIPTIONS),
        own_id=draw(LINES),
        location=draw(LINES),
        condition=draw(st.sampled_from(Condition)),
        cost_minor=minor,
        currency=currency,
        state=state,
        case=case,
        photos=tuple(draw(st.lists(NAMES, max_size=3))),
        notes=draw(NOTES),
    )


@settings(deadline=None, max_examples=300)
@given(st.lists(items(), max_size=4, unique_by=(lambda one: one.number, lambda one: one.own_id)))
def test_the_stock_comes_back_from_its_own_list(stock: list[StockItem]) -> None:
    table = read_table(to_csv(stock))
    mapping = guess_mapping(table)
    found = import_items(table, mapping)
    assert found.troubles == ()
    assert [one for _, one in found.items] == stock
    plan = plan_import(stock, found, mapping.columns)
    assert (plan.new, plan.changed, plan.unchanged, plan.troubles) == ((), (), len(stock), ())
    emptied = [replace(one, own_id="") for one in stock]
    assert plan_import(emptied, import_items(read_table(to_csv(emptied)), mapping)).unchanged == len(stock)
