"""The shop's prices as a form, one field for each, and forms to add a price and to take one out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from mendbay.case.price_list import Stage, packaged_prices
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer
from mendbay.faces.web.fields import Field, choice, flag, line, number, several, text
from mendbay.faces.web.views.setting_forms import earlier_words
from mendbay.faces.web.visit import Visit
from mendbay.jobs.price_form import (
    AMOUNTS,
    GENERAL,
    MEDIUM,
    PRICE,
    WORK,
    PriceEntry,
    price_form,
    priced_text,
    with_price,
    without_price,
)
from mendbay.jobs.quote_lines import PRICES, SETTINGS
from mendbay.jobs.shop_settings import keep_text
from mendbay.wiring import setting_check, shop_files

BOOK = Book()
MOST_VALUES = 470
"""Values of one form: a server takes no form with any number of fields. A longer list is edited as text."""
STAGES = {str(one): str(one) for one in Stage}
KINDS = {
    PRICE: "Prices that are picked by hand",
    MEDIUM: "What files are handed back on",
    WORK: "Work that triage may find needed",
}

LIST: tuple[Field, ...] = (
    line("currency", "Currency of the whole list, its code", required=True),
    line("hourly_rate", "An hour of work", required=True),
    line("diagnosis", "Diagnosis, due in any case", required=True),
    line("shipping", "Packing and shipping", required=True),
    line("parts_markup", "On top of what a part from the stock has cost, in per cent", required=True),
    number("valid_days", "A quote is valid for, in days", required=True, least=1, most=3650),
)
TAX: tuple[Field, ...] = (
    line("tax_name", "Name of the tax", required=True),
    line("rate", "Tax, in per cent", required=True),
)
INCLUDED = flag("included", "All prices here include the tax")
FREE = several("free", "Free if no wanted file comes back", STAGES)
NAMES = text("names", "Names of the values that follow, one on each line", limit=60_000)
VALUES = several("value", "Values in the order of their names", limit=MOST_VALUES, blanks=True)

ID = line("id", "Short name to pick it by: small letters, digits, hyphens", required=True)
WORDS = line("words", "Words on paper", required=True)
AMOUNT = line("amount", "Price", required=True)
STAGE = choice("stage", "Part of the quote", STAGES, required=True)
NEW_PRICE: tuple[Field, ...] = (
    WORDS,
    ID,
    STAGE,
    line("unit", "What one of it is, such as each, hour or GB", required=True),
    AMOUNT,
)
NEW_MEDIUM: tuple[Field, ...] = (
    WORDS,
    ID,
    number("holds_gb", "It holds, in GB", required=True, least=1),
    AMOUNT,
)
NEW_WORK: tuple[Field, ...] = (
    line("step", "Work of triage", required=True),
    WORDS,
    STAGE,
    line("fixed", "Fixed"),
    line("hours", "Hours of work"),
    line("parts_from", "Parts at least"),
    line("parts_to", "Parts at most"),
    flag("from_stock", "A part from the stock may take the place of one allowance"),
)
IN_CURRENCY = {*AMOUNTS, "amount", "fixed", "parts_from", "parts_to"}


def prices_form(said: str) -> dict[str, Any] | None:
    """What the page of the prices shows of their form; None if the text cannot be read, is too long for one,
    or would lose something by it."""
    try:
        found = price_form(said)
    except BadFormFile:
        return None
    if found is None or sum(len(one.cells) for one in found.entries) > MOST_VALUES:
        return None
    currency = found.currency
    steps = choice("step", "Work of triage", found.unpriced, required=True)
    new_work = tuple(steps if one.name == "step" else one for one in NEW_WORK)
    return {
        "general": [(_with_currency(one, currency), found.general[one.name]) for one in LIST],
        "invented": found.invented,
        "tax": [(one, found.general[one.name]) for one in TAX],
        "included": (INCLUDED, found.general["included"]),
        "free": (FREE, found.general["free"]),
        "kinds": [(words, _of_kind(found.entries, kind)) for kind, words in KINDS.items()],
        "names": "\n".join(cell.name for one in found.entries for cell in one.cells),
        "new": [
            (address, words, [_with_currency(one, currency) for one in fields])
            for address, words, fields in (
                ("add-price", "Add a price", NEW_PRICE),
                ("add-medium", "Add a medium", NEW_MEDIUM),
                ("add-work", "Add a work of triage", new_work if found.unpriced else ()),
            )
            if fields
        ],
        "entries": {one.name: one.words for one in found.entries},
    }


@BOOK.change(
    "/settings/prices/keep",
    "keep-prices",
    "Keeps the prices of a form; what else the shop's price list says stays.",
    [*LIST, *TAX, INCLUDED, FREE, NAMES, VALUES],
)
def keep_prices(visit: Visit) -> Answer:
    said = visit.said
    names = said["names"].split()
    if len(names) != len(said["value"]):
        raise UsageError("The form has not one value for each price.", "Load the page again.")
    general = {name: str(said[name]) if name in AMOUNTS else said[name] for name in GENERAL}
    cells = list(zip(names, said["value"], strict=True))
    return _keep(visit, "The prices are kept", lambda now: priced_text(now, general, cells), "settings")


@BOOK.change("/settings/prices/price", "add-price", "Adds a price that is picked by hand.", NEW_PRICE)
def add_price(visit: Visit) -> Answer:
    return _add(visit, PRICE)


@BOOK.change("/settings/prices/medium", "add-medium", "Adds a medium for files.", NEW_MEDIUM)
def add_medium(visit: Visit) -> Answer:
    return _add(visit, MEDIUM)


@BOOK.change("/settings/prices/work", "add-work", "Adds what a work of triage costs.", NEW_WORK)
def add_work(visit: Visit) -> Answer:
    return _add(visit, WORK)


@BOOK.change(
    "/settings/prices/take-out",
    "take-price-out",
    "Takes a price out of the list.",
    [line("entry", "Price", required=True)],
)
def take_price_out(visit: Visit) -> Answer:
    return _keep(visit, "The price is taken out", lambda now: without_price(now, visit.said["entry"]))


def _add(visit: Visit, kind: str) -> Answer:
    said: Mapping[str, Any] = visit.said
    return _keep(visit, f"{said['words']}: added", lambda now: with_price(now, kind, said))


def _keep(visit: Visit, told: str, change: Callable[[str], str], page: str = "setting") -> Answer:
    files = shop_files(visit.desk.home)
    with visit.desk.lock:
        own = files.text(SETTINGS, PRICES)
        visit.require_unchanged("the setting", own or "")
        text = change(packaged_prices() if own is None else own)
        kept = keep_text(files, SETTINGS, PRICES, text, setting_check(PRICES))
    told = f"{told}, and in force from now on.{earlier_words(kept)}"
    return visit.go(page, told, None, **({"file": PRICES} if page == "setting" else {}))


def _of_kind(entries: tuple[PriceEntry, ...], kind: str) -> list[PriceEntry]:
    return [one for one in entries if one.kind == kind]


def _with_currency(one: Field, currency: str) -> Field:
    return replace(one, words=f"{one.words}, in {currency}") if one.name in IN_CURRENCY else one
