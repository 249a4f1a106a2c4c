"""Decimals of every active currency against list one of ISO 4217.

Source: the XML that the maintenance agency publishes, in the Python package iso4217 (`fetch_currencies.sh`).
"""

from __future__ import annotations

import re

import pytest

from mendbay.core.money import Money, minor_digits
from support.corpora import corpus_or_skip

PLACES = re.compile(r"<Ccy>([A-Z]{3})</Ccy>.*?<CcyMnrUnts>([^<]+)</CcyMnrUnts>", re.S)


@pytest.fixture(scope="module")
def published() -> dict[str, int]:
    """Decimals by code; what has none, such as gold, is left out."""
    text = (corpus_or_skip("currencies") / "table.xml").read_text("utf-8")
    entries = re.findall("<CcyNtry>.*?</CcyNtry>", text, re.S)
    found = dict(match.groups() for one in entries if (match := PLACES.search(one)))
    assert len(found) > 150
    return {code: int(places) for code, places in found.items() if places.isdigit()}


def test_every_currency_has_the_decimals_of_the_list(published: dict[str, int]) -> None:
    assert {code: minor_digits(code) for code in published} == published


def test_an_amount_in_every_currency_is_read_as_it_is_written(published: dict[str, int]) -> None:
    for code in published:
        for minor in (0, 1, 1500, 1_234_567):
            assert Money.parse(Money(minor, code).text) == Money(minor, code)
