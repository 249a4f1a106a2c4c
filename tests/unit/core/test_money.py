"""Money: what it refuses, how it rounds, and how it is written."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from mendbay.core.errors import UsageError
from mendbay.core.money import Money, net_of, read_cost

THIN = "\u2009"


def eur(minor: int) -> Money:
    return Money(minor, "EUR")


def test_currencies_are_never_mixed() -> None:
    for act in (
        lambda: eur(1) + Money(1, "JPY"),
        lambda: eur(1) - Money(1, "JPY"),
        lambda: eur(1) < Money(1, "JPY"),
        lambda: eur(1) >= Money(1, "JPY"),
        lambda: Money.sum([eur(1)], "JPY"),
    ):
        with pytest.raises(ValueError, match="not of one currency"):
            act()
    assert eur(1) != Money(1, "JPY")
    assert sorted([eur(3), eur(1)]) == [eur(1), eur(3)]


@pytest.mark.parametrize("currency", ["", "eur", "EURO", "E1R", "€"])
def test_what_is_no_currency(currency: str) -> None:
    with pytest.raises(ValueError, match="not a currency"):
        Money(1, currency)


def test_no_float_comes_in() -> None:
    with pytest.raises(TypeError):
        Money(1.0, "EUR")  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        eur(100).times(0.19)  # type: ignore[arg-type]


def test_halves_go_away_from_zero() -> None:
    half = Fraction(1, 2)
    assert [eur(one).times(half).minor for one in (1, 3, -1, -3, 2)] == [1, 2, -1, -2, 1]
    assert eur(1050).tax(Decimal("0.19")) == eur(200)  # 199.5


def test_an_amount_is_shared_to_the_last_cent() -> None:
    assert eur(100).share((1, 1, 1)) == (eur(34), eur(33), eur(33))
    assert eur(-100).share((1, 1, 1)) == (eur(-34), eur(-33), eur(-33))
    assert eur(5).share((0, 3, 1)) == (eur(0), eur(4), eur(1))
    for weights in ((), (0, 0), (2, -1)):
        with pytest.raises(ValueError, match="shared"):
            eur(1).share(weights)


def test_tax_in_a_price_is_what_is_left() -> None:
    assert net_of(eur(11900), Decimal("0.19")) == (eur(10000), eur(1900))
    assert net_of(eur(3), Decimal("0.19")) == (eur(3), eur(0))
    assert net_of(eur(3999), Decimal("0.2")) == (eur(3332), eur(667)), "6.665 goes away from zero"
    assert net_of(eur(173349), Decimal("0.2")) == (eur(144457), eur(28892)), "288.915"
    assert net_of(eur(-3999), Decimal("0.2")) == (eur(-3332), eur(-667))
    assert net_of(Money(1000, "JPY"), Fraction(1, 10)) == (Money(909, "JPY"), Money(91, "JPY"))


@pytest.mark.parametrize(
    ("amount", "text", "shown"),
    [
        (eur(123450), "1234.50 EUR", f"1{THIN}234.50 EUR"),
        (eur(-5), "-0.05 EUR", "-0.05 EUR"),
        (Money(1500, "JPY"), "1500 JPY", f"1{THIN}500 JPY"),
        (Money(1500, "KWD"), "1.500 KWD", "1.500 KWD"),
        (Money(15000, "CLF"), "1.5000 CLF", "1.5000 CLF"),
    ],
)
def test_amounts_in_words(amount: Money, text: str, shown: str) -> None:
    assert (amount.text, amount.shown) == (text, shown)
    if amount.minor > 0:
        assert Money.parse(text) == amount
        assert Money.parse(amount.digits, amount.currency) == amount
        assert Money.parse(shown) == amount


def test_what_is_no_amount_is_told() -> None:
    assert Money.parse(" 12,5 ", "EUR") == eur(1250)
    for text in ("", "  ", "-5 EUR", "much", "1e3 EUR", "5", "5,- EUR", ".50 EUR", "\u0661\u0662 EUR"):
        with pytest.raises(UsageError):
            Money.parse(text)


@pytest.mark.parametrize(
    "text", ["12€50", "1E2UR", "€12€", "EUR 12 EUR", "1 EUR 2", "E 12 UR", "E UR 12", "12-50 EUR"]
)
def test_the_currency_stands_beside_the_amount_and_once(text: str) -> None:
    for parse in (Money.parse, read_cost):
        with pytest.raises(UsageError) as refused:
            parse(text)
        assert refused.value.next_step


@pytest.mark.parametrize(
    ("text", "currency", "thousands", "decimals"),
    [
        ("50.555", "GBP", "50\u2009555.00 GBP", "50.555 GBP"),
        ("1,234", "EUR", "1\u2009234.00 EUR", "1.234 EUR"),
        ("1.500", "JPY", "1\u2009500 JPY", "1.500 JPY"),
        ("1,500", "KWD", "1\u2009500.000 KWD", "1.500 KWD"),
        ("1.500", "CLF", "1\u2009500.0000 CLF", "1.500 CLF"),
    ],
)
def test_a_typed_amount_with_two_readings_is_refused_with_both(
    text: str, currency: str, thousands: str, decimals: str
) -> None:
    with pytest.raises(UsageError) as said:
        Money.parse(f"{text} {currency}")
    assert said.value.what == f"{text!r} can be read as {thousands} or as {decimals}."
    assert "without marks between thousands" in said.value.next_step


def test_what_has_one_reading_is_taken() -> None:
    for text in ("1,234.50", "1.234,50", "1234.50", "1 234.50"):
        assert Money.parse(text, "EUR") == eur(123450)
    assert Money.parse("1.234.567", "EUR") == eur(123456700)
    assert read_cost("1.234", "EUR") == (123400, "EUR"), "a supplier's list"


def test_the_currency_stands_before_or_after() -> None:
    for text in ("12.50 EUR", "EUR 12.50", "12,50€", "€ 12.50", "12.50eur", "EUR\u00a012.50"):
        assert Money.parse(text) == eur(1250)
    assert Money.parse("1 234.50", "EUR") == eur(123450)
