"""Money against sums made apart, with `decimal` and `fractions`."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.core.money import Money, minor_digits, net_of

CURRENCIES = st.sampled_from(["EUR", "JPY", "KWD", "CLF"])
MINORS = st.integers(-(10**15), 10**15)
RATES = st.decimals(0, 1, places=4)


def decimal_minor(exact: Decimal) -> int:
    """`decimal` rounds halves away from zero under this name."""
    return int(exact.quantize(Decimal(1), ROUND_HALF_UP))


@given(MINORS, st.decimals(-1000, 1000, places=4))
def test_times_is_what_decimal_makes_of_it(minor: int, factor: Decimal) -> None:
    with localcontext() as exact:
        exact.prec = 60
        assert Money(minor, "EUR").times(factor).minor == decimal_minor(Decimal(minor) * factor)


@given(MINORS, st.fractions(max_denominator=10_000))
def test_times_a_fraction_is_off_by_half_a_unit_at_most(minor: int, factor: Fraction) -> None:
    off = Money(minor, "EUR").times(factor).minor - minor * factor
    assert abs(off) <= Fraction(1, 2)
    assert Money(-minor, "EUR").times(factor) == -Money(minor, "EUR").times(factor)


@given(MINORS, RATES)
def test_net_and_tax_are_the_gross_amount(minor: int, rate: Decimal) -> None:
    gross = Money(minor, "EUR")
    net, tax = net_of(gross, rate)
    assert net + tax == gross
    exact = Fraction(minor) * Fraction(rate) / (1 + Fraction(rate))
    size = int(abs(exact) + Fraction(1, 2))  # halves away from zero
    assert tax.minor == (-size if exact < 0 else size)


@given(MINORS, st.lists(st.integers(0, 10**6), min_size=1, max_size=12).filter(any))
def test_shares_add_up_and_each_is_within_one_unit(minor: int, weights: list[int]) -> None:
    parts = Money(minor, "EUR").share(weights)
    assert sum(one.minor for one in parts) == minor
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part.minor - Fraction(minor * weight, sum(weights))) < 1


@given(st.lists(MINORS, max_size=20), st.randoms())
def test_the_order_of_what_is_added_does_not_matter(minors: list[int], chance: object) -> None:
    amounts = [Money(one, "EUR") for one in minors]
    before = Money.sum(amounts, "EUR")
    chance.shuffle(amounts)  # type: ignore[attr-defined]
    assert Money.sum(amounts, "EUR") == before == Money(sum(minors), "EUR")


@given(MINORS, CURRENCIES)
def test_the_digits_are_the_number_that_decimal_writes(minor: int, currency: str) -> None:
    amount, places = Money(minor, currency), minor_digits(currency)
    assert amount.digits == f"{Decimal(minor).scaleb(-places):.{places}f}"
    if minor >= 0:
        assert Money.parse(amount.text) == amount == Money.parse(amount.shown)


@given(
    st.text("0123456789", min_size=2, max_size=9), st.data(), st.sampled_from(["€", "EUR", "E", "x", " EUR "])
)
def test_nothing_but_marks_stands_within_an_amount(digits: str, data: st.DataObject, between: str) -> None:
    at = data.draw(st.integers(1, len(digits) - 1))
    rest = data.draw(st.sampled_from(["", " EUR", "UR"]))
    with pytest.raises(UsageError):
        Money.parse(digits[:at] + between + digits[at:] + rest, "EUR")
