"""Quotes of any lines, rates and ways: what they show adds up as shown, against sums made apart."""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.bill import bill_of
from mendbay.case.price_list import Price, Stage
from mendbay.case.quote import QUANTILE, Column, Columns, Ending, Possible, Quote, When, total_of
from mendbay.case.quote_body import bill_body, bill_from, quote_body, quote_from
from mendbay.core.errors import UsageError
from mendbay.core.money import Money

RATES = st.sampled_from([Decimal(one) for one in ("0", "5", "7.7", "19", "25")])
CURRENCY = "EUR"


@st.composite
def columns(draw: st.DrawFn) -> Columns:
    """Some lines, some of them only sometimes needed, and some ways with chances that add up to 1."""
    possible = []
    for number in range(draw(st.integers(1, 6))):
        low = draw(st.integers(0, 50_000))
        high = low + draw(st.sampled_from([0, 1, 999, 40_000]))
        price = Price(
            f"p{number}",
            draw(st.sampled_from(Stage)),
            "work",
            "each",
            Money(low, CURRENCY),
            Money(high, CURRENCY),
            draw(RATES),
            Money(low, CURRENCY),
        )
        quantity = draw(st.decimals("0.001", "9", places=3))
        key = f"p{number}"
        possible.append(Possible(key, "work", price, quantity, draw(st.sampled_from(When)), frozenset({key})))
    shares = draw(st.lists(st.integers(1, 100), min_size=1, max_size=6))
    keys = st.frozensets(st.sampled_from([one.key for one in possible]))
    endings = [Ending(one / sum(shares), draw(keys), draw(st.booleans())) for one in shares]
    free = tuple(draw(st.frozensets(st.sampled_from(Stage))))
    return Columns(possible, endings, free, draw(st.booleans()), CURRENCY)


def quoted(made: Columns) -> Quote:
    lines, totals = made.made()
    return Quote(
        1,
        "2026-11-28",
        "2026-12-28",
        CURRENCY,
        True,
        True,
        "tax",
        made.included,
        made.free,
        lines,
        totals,
        (),
    )


@given(columns())
def test_what_is_shown_adds_up_as_shown(made: Columns) -> None:
    quote = quoted(made)
    for column in Column:
        total = quote.totals[column]
        by_rate: dict[Decimal, int] = {}
        for line in quote.lines:
            by_rate[line.rate] = by_rate.get(line.rate, 0) + line.amounts[column].minor
        shown = sum(line.amounts[column].minor for line in quote.lines)
        assert shown == (total.gross if made.included else total.net).minor
        assert total.gross.minor == total.net.minor + sum(one.tax.minor for one in total.taxes)
        for one in total.taxes:
            share = Fraction(one.rate) / 100
            if made.included:
                assert one.net.minor + one.tax.minor == by_rate[one.rate]
                exact_tax = Fraction(by_rate[one.rate]) * share / (1 + share)
                assert one.tax.minor == int(exact_tax + Fraction(1, 2)), "halves away from zero"
            else:
                exact = Decimal(by_rate[one.rate]) * one.rate / 100
                assert one.tax.minor == int(exact.quantize(Decimal(1), ROUND_HALF_UP))


@given(columns())
def test_columns_rise_and_are_quantiles_of_the_ways(made: Columns) -> None:
    totals = quoted(made).totals
    assert totals[Column.LOW].gross <= totals[Column.LIKELY].gross <= totals[Column.HIGH].gross
    assert totals[Column.NOTHING].gross <= totals[Column.HIGH].gross
    least = [(apart(made, one, Column.LOW), one.chance) for one in made.endings]
    most = [(apart(made, one, Column.HIGH), one.chance) for one in made.endings]
    low, high = totals[Column.LOW].gross.minor, totals[Column.HIGH].gross.minor
    assert sum(chance for total, chance in least if total < low) < QUANTILE + 1e-9
    assert sum(chance for total, chance in least if total <= low) >= QUANTILE - 1e-9
    assert sum(chance for total, chance in most if total > high) <= QUANTILE + 1e-9


@given(columns())
def test_what_the_paper_says_of_jobs_in_ten_holds(made: Columns) -> None:
    """The sentences of `wordings/quote.md`, over ways of which few share a total."""
    low, likely, high = (
        quoted(made).totals[one].gross.minor for one in (Column.LOW, Column.LIKELY, Column.HIGH)
    )

    def share(holds: Callable[[Ending], bool]) -> float:
        return sum(one.chance for one in made.endings if holds(one))

    assert share(lambda one: apart(made, one, Column.LOW) < low) <= 0.1 + 1e-9, "costs less"
    assert share(lambda one: apart(made, one, Column.LIKELY) <= likely) >= 0.5 - 1e-9, "at least half"
    assert share(lambda one: apart(made, one, Column.HIGH) > high) <= 0.1 + 1e-9, "may cost more"
    if low == likely == high:
        exact = share(lambda one: apart(made, one, Column.LOW) == low == apart(made, one, Column.HIGH))
        assert exact >= 0.8 - 1e-9, "at least eight in ten"


def apart(made: Columns, ending: Ending, column: Column) -> int:
    """What one way comes to, without the code of the columns."""
    sums: dict[Decimal, int] = {}
    for one in made.possible:
        gone = not ending.given and (one.price.stage in made.free or one.when is When.GIVEN)
        if gone or (one.when is When.NEEDED and one.key not in ending.needs):
            continue
        low, high = (
            int((Decimal(each.minor) * one.quantity).quantize(Decimal(1), ROUND_HALF_UP))
            for each in (one.price.low, one.price.high)
        )
        middle = int((Decimal(low + high) / 2).quantize(Decimal(1), ROUND_HALF_UP))
        amount = {Column.LOW: low, Column.LIKELY: middle}.get(column, high)
        sums[one.price.rate] = sums.get(one.price.rate, 0) + amount
    taxes = 0
    if not made.included:
        taxes = sum(
            int((Decimal(one) * rate / 100).quantize(Decimal(1), ROUND_HALF_UP)) for rate, one in sums.items()
        )
    return sum(sums.values()) + taxes


@given(st.lists(st.tuples(RATES, st.integers(0, 10**7)), max_size=12), st.booleans(), st.randoms())
def test_the_order_of_lines_does_not_matter(
    rows: list[tuple[Decimal, int]], included: bool, chance: object
) -> None:
    amounts = [(rate, Money(minor, CURRENCY)) for rate, minor in rows]
    before = total_of(amounts, included, CURRENCY)
    chance.shuffle(amounts)  # type: ignore[attr-defined]
    assert total_of(amounts, included, CURRENCY) == before


@given(columns(), st.booleans(), st.data())
def test_a_bill_never_passes_the_quote_and_both_survive_being_written(
    made: Columns, given_back: bool, data: st.DataObject
) -> None:
    quote = quoted(made)
    body = quote_body(quote)
    assert quote_body(quote_from(body)) == body
    done = {
        one.key: Money(data.draw(st.integers(one.least.minor, one.most.minor)), CURRENCY)
        for one in quote.lines
        if data.draw(st.booleans()) or one.when is not When.NEEDED
    }
    try:
        bill = bill_of(quote, done, given_back, "2026-11-28", data.draw(st.integers(1, 9)))
    except UsageError as trouble:
        bill, said = None, trouble.what
    if bill is None:
        assert "at most" in said
        return
    assert bill.total.gross <= quote.totals[Column.HIGH].gross
    assert (
        sum(one.amount.minor for one in bill.lines)
        == (bill.total.gross if made.included else bill.total.net).minor
    )
    assert bill_from(bill_body(bill)) == bill
