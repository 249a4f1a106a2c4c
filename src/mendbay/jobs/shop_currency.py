"""In which currency the shop reckons, for whoever shows an amount without needing its prices."""

from __future__ import annotations

from contextlib import suppress

from mendbay.case.price_list import currency_of
from mendbay.core.errors import MendbayError
from mendbay.jobs.bench import Bench


def shop_currency(bench: Bench) -> str:
    """The currency of the shop's price list, as its ISO 4217 code; that of our example where the shop has no
    list, or none that can be read: its own page tells what is wrong with it."""
    with suppress(MendbayError):
        return currency_of(bench.shop_files.text("settings", "prices"))
    return currency_of(None)
