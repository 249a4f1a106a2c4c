"""The price list: what the example holds, and that nothing in a file is guessed."""

from __future__ import annotations

from decimal import Decimal

import pytest

from mendbay.case.price_list import Stage, packaged_prices, quantity_of, read_prices
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.money import Money
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind

EXAMPLE = packaged_prices()


def test_the_example_prices_all_work_of_triage_and_says_it_is_invented() -> None:
    found = read_prices(EXAMPLE, own=False)
    work = {one.id for one in packaged_tables().steps.values() if one.kind is not StepKind.TEST}
    assert set(found.work) == work
    assert "INVENTED" in EXAMPLE.split("\n\n")[0]
    assert not found.own
    swap = found.work["swap-board"]
    assert (swap.low, swap.high, swap.work) == tuple(Money(one, "EUR") for one in (17000, 23000, 14000))
    assert found.work["copy-out"].low == Money(10200, "EUR")  # 1.5 h at 68.00


def test_the_smallest_medium_that_holds_it() -> None:
    found = read_prices(EXAMPLE, own=True)
    assert [found.medium_for(one).id for one in (1, 64, 65, 1000, 4000)] == [
        "medium-64",
        "medium-64",
        "medium-1000",
        "medium-1000",
        "medium-4000",
    ]
    with pytest.raises(UsageError, match="the largest holds 4000"):
        found.medium_for(4001)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('currency = "EUR"', 'currency = "Euro"', "has the currency"),
        ('currency = "EUR"', 'currency = "JPY"', "no amount in JPY"),
        ('hourly_rate = "68.00"', "hourly_rate = 68.00", "no text 'hourly_rate'"),
        ('hourly_rate = "68.00"', 'hourly_rate = "68"', "no amount in EUR"),
        ('hourly_rate = "68.00"', 'hourly_rate = "-68.00"', "no amount in EUR"),
        ('hourly_rate = "68.00"', 'hourly_rate = "6,800.00"', "no amount in EUR"),
        ('hourly_rate = "68.00"', "", "no text 'hourly_rate'"),
        ('rate = "19"', 'rate = "190"', "has the rate"),
        ('rate = "19"', 'rate = "19 %"', "has the rate"),
        ("valid_days = 30", 'valid_days = "30"', "no whole number"),
        ("valid_days = 30", "valid_days = 0", "no whole number"),
        ("valid_days = 30", "valid_days = true", "no whole number"),
        ('["board", "reading", "media"]', '["bord"]', "unknown stage 'bord'"),
        ('id = "copying"', 'id = "clean-casing"', "used already"),
        ('id = "copying"', 'id = "hour"', "used already"),
        ('id = "copying"', 'id = "diagnosis"', "used already"),
        ('unit = "GB"', 'unit = "GB"\ncolour = "red"', "unknown key 'colour'"),
        ('unit = "GB"', 'unit = "G\\nB"', "cannot stand on a line"),
        ("holds_gb = 64", "holds_gb = 64.5", "no whole number"),
        ('hours = "1.5"', 'hours = "long"', "has the hours"),
        ('parts_to = "35.00"', 'parts_to = "5.00"', "parts_to below parts_from"),
        ("[tax]", "[tax", "not TOML"),
    ],
)
def test_what_is_not_sound_is_refused_by_name(old: str, new: str, said: str) -> None:
    assert old in EXAMPLE
    with pytest.raises(BadFormFile, match=said):
        read_prices(EXAMPLE.replace(old, new, 1), own=True)


def test_a_rate_of_its_own_and_other_decimals() -> None:
    text = (
        'currency = "KWD"\nhourly_rate = "4.500"\ndiagnosis = "0.000"\nshipping = "1.250"\n'
        'parts_markup = "7.5"\n'
        'valid_days = 14\ntax = { name = "tax", rate = "5" }\n'
        '[[price]]\nid = "post"\nstage = "shipping"\nwords = "Post"\nunit = "each"\n'
        'amount = "2.000"\nrate = "0"\n'
    )
    found = read_prices(text, own=True)
    assert (found.prices["post"].rate, found.shipping.rate) == (Decimal(0), Decimal(5))
    assert found.hour.low == Money(4500, "KWD")
    assert found.prices["post"].stage is Stage.SHIPPING


@pytest.mark.parametrize("text", ["", "0", "0.000", "-1", "1e3", "1,5", "1.2345", "9999999", "NaN"])
def test_what_is_no_quantity(text: str) -> None:
    with pytest.raises(UsageError, match="no quantity"):
        quantity_of(text, "it")
