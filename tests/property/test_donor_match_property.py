"""The search in columns against ranking donor by donor, and what an order of donors must always hold."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.board.match import Alternative, Wanted, rank
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_index import StockIndex, explained
from mendbay.board.swap_odds import (
    ATTRIBUTES,
    LEVELS,
    Agreement,
    Attribute,
    Purpose,
    SwapOdds,
    SwapOutcome,
    packaged_priors,
)

PRIORS = packaged_priors()
NUMBERS = ("", "BX 4471-02", "bx4471-02", "BX-4471-03", "T9", " - ")
WORDS = ("", "A", "rev a", "B", "c")
DATES = ("", "2019-03-28", "2019-04-01", "2019-06-28", "2019-12-31", "2020-03-28", "2021-01-01")


def descriptions() -> st.SearchStrategy[BoardDescription]:
    few = st.sampled_from(WORDS)
    return st.builds(
        BoardDescription,
        board_number=st.sampled_from(NUMBERS),
        revision=few,
        controller=few,
        motor_driver=few,
        family=few,
        model=few,
        firmware=few,
        site=few,
        made_on=st.sampled_from(DATES),
        heads_map=few,
    )


@st.composite
def items(draw: st.DrawFn) -> StockItem:
    state = draw(st.sampled_from(StockState))
    return StockItem(
        draw(st.integers(1, 60)),
        draw(st.sampled_from(Kind)),
        draw(descriptions()),
        condition=draw(st.sampled_from(Condition)),
        state=state,
        case=0 if state in (StockState.FREE, StockState.REMOVED) else draw(st.integers(1, 3)),
    )


stocks = st.lists(items(), max_size=25, unique_by=lambda one: one.number)
text_alternatives = st.builds(
    Alternative,
    st.sampled_from((Attribute.REVISION, Attribute.CONTROLLER, Attribute.FAMILY, Attribute.HEADS_MAP)),
    st.sampled_from(WORDS[1:]),
    st.sampled_from(WORDS[1:]),
    st.booleans(),
    st.sampled_from(NUMBERS[:3]),
)
number_alternatives = st.builds(
    Alternative,
    st.just(Attribute.BOARD_NUMBER),
    st.sampled_from(NUMBERS[1:5]),
    st.sampled_from(NUMBERS[1:5]),
    st.booleans(),
)


@st.composite
def wanteds(draw: st.DrawFn) -> Wanted:
    return Wanted(
        draw(descriptions()),
        draw(st.sampled_from(Purpose)),
        draw(st.sampled_from(LEVELS[Attribute.ROM])),
        tuple(draw(st.lists(text_alternatives | number_alternatives, max_size=10))),
        draw(st.integers(0, 3)),
    )


@st.composite
def outcomes(draw: st.DrawFn) -> SwapOutcome:
    purpose = draw(st.sampled_from(Purpose))
    levels = tuple(draw(st.sampled_from(LEVELS[one])) for one in ATTRIBUTES[purpose])
    return SwapOutcome(Agreement(purpose, levels), draw(st.booleans()))


@given(stocks, wanteds(), st.lists(outcomes(), max_size=5), st.integers(1, 12))
@settings(max_examples=60, deadline=None)
def test_columns_rank_as_one_by_one(
    stock: list[StockItem], wanted: Wanted, recorded: list[SwapOutcome], limit: int
) -> None:
    odds = SwapOdds(wanted.purpose, PRIORS, recorded)
    found = StockIndex.from_items(stock).search(wanted, odds, limit)
    one_by_one = rank(wanted, stock, odds, limit)
    assert explained(found, wanted, {one.number: one for one in stock}, odds) == one_by_one


@given(
    stocks, st.lists(st.tuples(items(), st.sampled_from(("add", "change", "state", "remove"))), max_size=8)
)
@settings(max_examples=40, deadline=None)
def test_an_index_kept_up_to_date_is_one_built_anew(
    stock: list[StockItem], steps: list[tuple[StockItem, str]]
) -> None:
    index, now = StockIndex.from_items(stock), {one.number: one for one in stock}
    for item, what in steps:
        if item.number not in now:
            index.add(item)
            now[item.number] = item
        elif what == "remove":
            index.remove(item.number)
            del now[item.number]
        elif what == "state":
            index.set_state(item.number, item.state, item.case)
            now[item.number] = replace(now[item.number], state=item.state, case=item.case)
        else:
            index.change(item)
            now[item.number] = item
    anew = StockIndex.from_items(now.values())
    patient = BoardDescription("BX4471-02", "A", "A", family="B", made_on="2019-04-01", heads_map="c")
    for purpose in Purpose:
        wanted, odds = Wanted(patient, purpose, case=2), SwapOdds(purpose, PRIORS)
        assert len(index) == len(now)
        assert index.search(wanted, odds, 60) == anew.search(wanted, odds, 60)


@given(stocks, wanteds())
@settings(max_examples=40, deadline=None)
def test_every_donor_is_explained_in_full(stock: list[StockItem], wanted: Wanted) -> None:
    odds = SwapOdds(wanted.purpose, PRIORS)
    ranking = rank(wanted, stock, odds, 100)
    assert {one.item.number for one in ranking.fitting + ranking.stopped} == {one.number for one in stock}
    for one in ranking.fitting + ranking.stopped:
        assert abs(one.start + sum(part.log_odds for part in one.parts) - one.odds.log_odds) < 1e-9
        assert one.odds.low <= one.odds.chance <= one.odds.high
        assert all(part.words.endswith(".") for part in one.parts)
    chances = [one.odds.chance for one in ranking.fitting]
    assert chances == sorted(chances, reverse=True)
    assert all(one.stops for one in ranking.stopped)


@given(st.text(st.characters(max_codepoint=0x24F), max_size=30))
def test_a_key_compares_as_itself(text: str) -> None:
    key = comparison_key(text)
    assert comparison_key(key) == key
    assert comparison_key(f" {text} -") == key


@given(st.from_regex("[0-9A-Za-z]{1,4}([ ./-][0-9A-Za-z]{1,4}){0,3}", fullmatch=True))
def test_a_key_keeps_every_letter_and_digit(text: str) -> None:
    plain = [one for one in text.lower() if one.isalnum()]
    assert [one for one in comparison_key(text) if one != "-"] == plain
    assert comparison_key(text.upper().replace(" ", "-")) == comparison_key(text)
