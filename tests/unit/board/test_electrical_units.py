"""What is typed off a meter becomes exactly that number, or is refused with the reason."""

from __future__ import annotations

from decimal import Decimal

import pytest

from mendbay.board.electrical_units import INFINITE, Unit, amount_text, parse_reading
from mendbay.core.errors import UsageError


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0.8", Unit.OHM, "0.8"),
        ("0,8", Unit.OHM, "0.8"),
        ("0R8", Unit.OHM, "0.8"),
        ("R47", Unit.OHM, "0.47"),
        ("4k7", Unit.OHM, "4700"),
        ("4K7", Unit.OHM, "4700"),
        ("4,7 kΩ", Unit.OHM, "4700"),
        ("4.7k\u2126", Unit.OHM, "4700"),
        ("1M2", Unit.OHM, "1200000"),
        ("34 MOhm", Unit.OHM, "34000000"),
        ("300 mohm", Unit.OHM, "0.3"),
        ("9.9e8", Unit.OHM, "990000000"),
        ("3.5E7", Unit.OHM, "35000000"),
        (".5", Unit.OHM, "0.5"),
        ("12.", Unit.OHM, "12"),
        ("1,200", Unit.OHM, "1.2"),
        ("12,1 V", Unit.VOLT, "12.1"),
        ("3V3", Unit.VOLT, "3.3"),
        ("-12.1", Unit.VOLT, "-12.1"),
        ("\u22125 V", Unit.VOLT, "-5"),
        ("300 mV", Unit.VOLT, "0.3"),
        ("5.02 V DC", Unit.VOLT, "5.02"),
        ("350mA", Unit.AMPERE, "0.35"),
        ("20 µA", Unit.AMPERE, "0.00002"),
        ("1A5", Unit.AMPERE, "1.5"),
        ("41,5\u2009°C", Unit.CELSIUS, "41.5"),
        ("-5 C", Unit.CELSIUS, "-5"),
    ],
)
def test_a_number_is_exactly_what_was_typed(text: str, unit: Unit, value: str) -> None:
    assert parse_reading(text, unit).exact == Decimal(value)


@pytest.mark.parametrize("text", ["OL", "0L", "O.L", "ol.", "0.L.", "overload", "∞", "open"])
def test_beyond_the_range_is_infinite(text: str) -> None:
    reading = parse_reading(text, Unit.OHM)
    assert (reading.least, reading.most, reading.exact) == (INFINITE, INFINITE, None)


def test_bounds_repeats_and_wandering() -> None:
    over = parse_reading(">20k", Unit.OHM)
    assert (over.least, over.most) == (Decimal(20000), INFINITE)
    under = parse_reading("< 0,5", Unit.OHM)
    assert (under.least, under.most) == (0, Decimal("0.5"))
    thrice = parse_reading("12,1; 12.0 ;11.95 V", Unit.VOLT)
    assert (thrice.least, thrice.most, thrice.count) == (Decimal("11.95"), Decimal("12.1"), 3)
    assert thrice.resolution == Decimal("0.1"), "the coarsest digit typed"
    assert parse_reading("drifts", Unit.VOLT).unsteady
    assert parse_reading("OL; 1.1", Unit.OHM).unsteady, "contact made and lost"
    assert not parse_reading("OL; OL", Unit.OHM).unsteady


@pytest.mark.parametrize(
    ("text", "resolution"),
    [("1", "1"), ("1.10", "0.01"), ("4k7", "100"), ("4.70k", "10"), ("300 m", "0.001")],
)
def test_the_last_digit_typed_is_the_resolution(text: str, resolution: str) -> None:
    assert parse_reading(text, Unit.OHM).resolution == Decimal(resolution)


@pytest.mark.parametrize(
    ("text", "unit", "why"),
    [
        ("", Unit.OHM, "nothing was typed"),
        ("   ", Unit.OHM, "nothing was typed"),
        ("beep", Unit.OHM, "a beep is no number"),
        ("12 V", Unit.OHM, "that is a voltage in volts, but this step asks for a resistance"),
        ("4k7", Unit.VOLT, "that is no voltage"),
        ("4.7 kOhm", Unit.VOLT, "that is a resistance"),
        ("1,234.5", Unit.OHM, "more than one separator"),
        ("1 234.5", Unit.OHM, "more than one separator"),
        ("-3", Unit.OHM, "a resistance is never negative"),
        ("4E7", Unit.OHM, "can stand for a decimal sign or for a power of ten"),
        ("1e99", Unit.OHM, "no meter shows"),
        ("1e-40", Unit.OHM, "no meter shows"),
        ("<-1", Unit.VOLT, "a bound must not be negative"),
        ("abc", Unit.OHM, "that is no resistance"),
        ("1.2.3", Unit.OHM, "more than one separator"),
        ("nan", Unit.OHM, "that is no resistance"),
        ("١٢", Unit.OHM, "that is no resistance"),
        ("1;", Unit.OHM, "that is no resistance"),
        ("1;1;1;1;1;1;1;1;1", Unit.OHM, "more than 8 readings"),
        ("9" * 81, Unit.OHM, "more than 80 characters"),
        ("9" * 30, Unit.OHM, "that is no resistance"),
        ("20 kC", Unit.CELSIUS, "that is no temperature"),
    ],
)
def test_nonsense_is_refused_with_the_reason(text: str, unit: Unit, why: str) -> None:
    with pytest.raises(UsageError) as refused:
        parse_reading(text, unit)
    assert why in refused.value.what
    assert refused.value.next_step


def test_a_choice_is_not_read_off_a_meter() -> None:
    with pytest.raises(ValueError, match="choice"):
        parse_reading("3", Unit.CHOICE)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        ("0.8", Unit.OHM, "0.8 Ohm"),
        ("0.05", Unit.OHM, "50 mOhm"),
        ("4700", Unit.OHM, "4.7 kOhm"),
        ("35000000", Unit.OHM, "35 MOhm"),
        ("1000000000", Unit.OHM, "1 GOhm"),
        ("0", Unit.OHM, "0 Ohm"),
        ("0.00002", Unit.AMPERE, "20 uA"),
        ("0.035", Unit.AMPERE, "35 mA"),
        ("12.60", Unit.VOLT, "12.6 V"),
        ("-0.5", Unit.VOLT, "-0.5 V"),
        ("41.5", Unit.CELSIUS, "41.5 C"),
        ("Infinity", Unit.OHM, "OL"),
    ],
)
def test_amounts_in_words(value: str, unit: Unit, text: str) -> None:
    assert amount_text(Decimal(value), unit, plain=True) == text
