"""Prices by a form: values as people type them, and nothing else of the file is touched."""

from __future__ import annotations

from typing import Any

import pytest

from mendbay.case.price_list import packaged_prices
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.jobs.price_form import price_form, priced_text, with_price, without_price
from mendbay.jobs.quote_lines import price_list_of

EXAMPLE = packaged_prices()


def test_a_form_sent_as_it_was_shown_changes_nothing() -> None:
    form = price_form(EXAMPLE)
    assert form is not None
    cells = [(cell.name, cell.value) for one in form.entries for cell in one.cells]
    assert len(cells) == 3 * 5 + 3 * 3 + 5 * 14
    assert priced_text(EXAMPLE, form.general, cells) == EXAMPLE


def test_labels_say_currency_and_unit() -> None:
    form = price_form(EXAMPLE.replace('"EUR"', '"CHF"'))
    assert form is not None
    words = {cell.name: cell.words for one in form.entries for cell in one.cells}
    assert words["price.copying.amount"] == "Price per GB, CHF"
    assert words["work.new-fan.parts_to"] == "Parts to, CHF"


def test_amounts_are_typed_as_people_do() -> None:
    said = [
        ("price.courier.amount", "1 024,5"),
        ("work.new-fan.hours", "1,5"),
        ("work.new-fan.parts_from", "12"),
        ("work.new-fan.parts_to", ""),
        ("work.move-rom.fixed", ""),
        ("work.move-rom.parts_to", "7"),
    ]
    changed = priced_text(EXAMPLE, {"rate": "7,7 %", "hourly_rate": "70"}, said)
    found = price_list_of(changed)
    assert found.prices["courier"].low.text == "1024.50 EUR"
    assert (found.work["new-fan"].low.text, found.work["new-fan"].high.text) == ("117.00 EUR", "117.00 EUR")
    assert (found.work["move-rom"].low.text, found.work["move-rom"].high.text) == ("0.00 EUR", "7.00 EUR")
    assert str(found.rate) == "7.7"
    remarks = [line.partition("#")[2] for line in EXAMPLE.splitlines() if "#" in line]
    assert [line.partition("#")[2] for line in changed.splitlines() if "#" in line] == remarks


def test_words_and_units_are_changed_where_they_stand() -> None:
    said = [
        ("price.copying.words", ' Copying "onto" your disk '),
        ("price.copying.unit", "100 GB"),
        ("work.new-fan.words", "A fan, fitted"),
        ("medium.medium-64.words", "Stick"),
        ("medium.medium-64.holds_gb", "512"),
    ]
    changed = priced_text(EXAMPLE, {}, said)
    found = price_list_of(changed)
    assert (found.prices["copying"].words, found.prices["copying"].unit) == (
        'Copying "onto" your disk',
        "100 GB",
    )
    assert found.work["new-fan"].words == "A fan, fitted"
    stick = next(one for one in found.media if one.price.id == "medium-64")
    assert (stick.price.words, stick.holds_gb) == ("Stick", 512)
    assert found.costs() == price_list_of(EXAMPLE).costs()
    other = [one for one in zip(EXAMPLE.splitlines(), changed.splitlines(), strict=True) if one[0] != one[1]]
    assert len(other) == len(said), "each value on its own line, and nothing else"


@pytest.mark.parametrize(
    ("general", "cells", "words"),
    [
        ({}, [("price.courier.words", " ")], "Insured courier: words on paper must be said"),
        ({}, [("price.courier.unit", "")], "Insured courier: what one of it is must be said"),
        ({}, [("medium.medium-64.holds_gb", "0")], "no number of GB"),
        ({}, [("medium.medium-64.holds_gb", "1,5")], "no number of GB"),
        ({}, [("price.courier.amount", "")], "Insured courier: No amount"),
        ({}, [("price.courier.amount", "1.234")], "can be read as"),
        ({}, [("price.courier.amount", "12 USD")], "is not in EUR"),
        ({}, [("price.courier.amount", "-3")], "Insured courier"),
        ({}, [("price.nothing.amount", "3")], "another price"),
        ({}, [("price.courier.amount", "3"), ("price.courier.amount", "4")], "another price"),
        ({"currency": "euro"}, [], "no currency"),
        ({"hourly_rate": "much"}, [], "hourly rate"),
    ],
)
def test_what_is_no_price_is_named(general: dict[str, Any], cells: list[tuple[str, str]], words: str) -> None:
    with pytest.raises(UsageError) as refused:
        priced_text(EXAMPLE, general, cells)
    assert words in refused.value.what


@pytest.mark.parametrize(
    ("general", "cells"),
    [
        ({"currency": "JPY"}, []),  # the other amounts have cents
        ({"rate": "101"}, []),
        ({}, [("price.courier.words", "x" * 201)]),
        ({}, [("medium.medium-64.holds_gb", "999999999")]),
        ({"parts_markup": "a lot"}, []),
        ({}, [("work.new-fan.parts_from", "40")]),  # above parts_to
        ({}, [("work.new-fan.hours", "much")]),
    ],
)
def test_the_reader_of_quotes_has_the_last_word(
    general: dict[str, Any], cells: list[tuple[str, str]]
) -> None:
    with pytest.raises(BadFormFile):
        priced_text(EXAMPLE, general, cells)


@pytest.mark.parametrize(
    "other",
    [
        EXAMPLE.replace('[tax]\nname = "VAT"\nrate = "19"', '[tax]\n"na\\u006de" = "VAT"\nrate = "19"'),
        EXAMPLE.replace('["board", "reading"', '["board", # why\n"reading"'),
    ],
)
def test_a_file_that_a_form_would_spoil_has_none(other: str) -> None:
    assert other != EXAMPLE
    price_list_of(other)
    assert price_form(other) is None
    with pytest.raises(UsageError, match="lose what else it says"):
        priced_text(other, {"tax_name": "GST", "free": ()}, [])


def test_a_price_is_added_and_taken_out() -> None:
    said = {"words": "External drive, 2 TB", "id": "medium-2000", "holds_gb": 2000, "amount": "80"}
    more = with_price(EXAMPLE, "medium", said)
    assert price_list_of(more).medium_for(1500).low.text == "80.00 EUR"
    assert without_price(more, "medium.medium-2000").rstrip() == EXAMPLE.rstrip()
    with pytest.raises(BadFormFile, match="used already"):
        with_price(more, "medium", said)
    with pytest.raises(UsageError):
        without_price(EXAMPLE, "medium.medium-2000")
    with pytest.raises(UsageError):
        without_price(EXAMPLE, "tax.name")


def test_work_without_a_price_can_get_one() -> None:
    less = without_price(EXAMPLE, "work.new-fan")
    form = price_form(less)
    assert form is not None
    assert list(form.unpriced) == ["new-fan"]
    work = {
        "step": "new-fan",
        "words": "A fan",
        "stage": "board",
        "fixed": "",
        "hours": "0,5",
        "from_stock": False,
    }
    assert price_list_of(with_price(less, "work", work)).work["new-fan"].low.text == "34.00 EUR"
    with pytest.raises(BadFormFile, match="no such work"):
        with_price(less, "work", {**work, "step": "guess"})


def test_what_is_still_invented_is_known() -> None:
    form = price_form(priced_text(EXAMPLE, {}, [("price.courier.amount", "25")]))
    assert form is not None
    invented = {one.name: one.invented for one in form.entries}
    assert not invented["price.courier"]
    assert invented["price.copying"]
    assert not invented["work.give-back"]  # free
    assert form.invented == {"hourly_rate", "diagnosis", "shipping"}
    form = price_form(priced_text(EXAMPLE, {"hourly_rate": "68,50"}, []))
    assert form is not None
    assert form.invented == {"diagnosis", "shipping"}


def test_a_price_list_is_read_once_as_long_as_its_text_is_the_same() -> None:
    dearer = EXAMPLE.replace("valid_days = ", "valid_days = 1", 1)
    assert price_list_of(EXAMPLE) is price_list_of(str(EXAMPLE))
    assert price_list_of(dearer).valid_days != price_list_of(EXAMPLE).valid_days
