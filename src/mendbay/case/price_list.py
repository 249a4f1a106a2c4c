"""What the shop charges: the price list as data (`docs/formats/prices.md`), read strictly.

A misspelt key, an id used twice or an amount with other decimals than its currency has is refused: a quote
must not rest on what somebody meant to write.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from importlib.resources import files

from mendbay.core.errors import UsageError
from mendbay.core.figures import Table, read_tables
from mendbay.core.money import Money, minor_digits
from mendbay.core.texts import require_line

HOUR = "hour"
"""Id under which an hour of work can be picked."""
KEEPING = "keeping"
"""Id of the price of keeping things that are not fetched by the day a customer was asked by."""
KEPT_BY: Mapping[str, int] = {"day": 1, "week": 7}
"""The units that price can have, in days."""
_WHOLE_LIMIT = 10
"""Digits before the decimal point of an amount in a price list."""
_RATE = re.compile(r"[0-9]{1,3}(?:\.[0-9]{1,4})?")
_QUANTITY = re.compile(r"[0-9]{1,6}(?:\.[0-9]{1,3})?")
_MOST_DAYS = 3650
_LARGEST_MEDIUM_GB = 10**7


class Stage(StrEnum):
    """The parts a quote is made of, in their order."""

    DIAGNOSIS = "diagnosis"
    BOARD = "board"
    """Repairs: of the box, and of a drive's board."""
    READING = "reading"
    MEDIA = "media"
    """What the files are handed back on."""
    SHIPPING = "shipping"
    LABORATORY = "laboratory"


@dataclass(frozen=True, slots=True)
class Price:
    """Something with a price.

    Args:
        id: how it is picked.
        unit: what one of it is: `each`, `hour`, `GB`.
        low, high: the least and the most that one of it costs.
        rate: of tax, in per cent.
        from_stock: it takes parts from the stock, in place of what it may cost beside the work.
        work: what of it is work; the rest up to `low` and `high` is the allowance for parts.
    """

    id: str
    stage: Stage
    words: str
    unit: str
    low: Money
    high: Money
    rate: Decimal
    work: Money
    from_stock: bool = False


@dataclass(frozen=True, slots=True)
class Medium:
    """What files are handed back on: its price, and how much it holds (in 10^9 bytes)."""

    price: Price
    holds_gb: int


@dataclass(frozen=True, slots=True)
class PriceList:
    """
    Args:
        own: whether the prices are the shop's, and not those of our invented example.
        tax_name: such as `VAT`.
        included: whether the prices include the tax.
        markup: on what a part has cost, as a share.
        free: stages that are free when no wanted file comes back.
        prices: what can be picked by its id.
        work: what each step of triage costs, by the step's id; they can be picked too.
        media: rising by what they hold.
        invented: ids of what is not free and costs exactly what it costs in our example.
    """

    own: bool
    currency: str
    hour: Price
    diagnosis: Price
    shipping: Price
    tax_name: str
    rate: Decimal
    included: bool
    markup: Fraction
    valid_days: int
    free: tuple[Stage, ...]
    prices: Mapping[str, Price]
    work: Mapping[str, Price]
    media: tuple[Medium, ...]
    invented: frozenset[str] = frozenset()

    @property
    def keeping(self) -> Price | None:
        """What keeping things costs that nobody fetches, each full day or week; None if the shop asks
        nothing for it."""
        return self.prices.get(KEEPING)

    def same_amounts(self, other: PriceList) -> bool:
        """Whether both have the same ids with the same amounts, whatever else they say."""
        return self.costs() == other.costs()

    def costs(self) -> dict[str, tuple[int, int]]:
        """What each costs at least and at most, in the smallest unit of the currency, by its id."""
        media = [one.price for one in self.media]
        listed = [
            self.hour,
            self.diagnosis,
            self.shipping,
            *media,
            *self.prices.values(),
            *self.work.values(),
        ]
        return {one.id: (one.low.minor, one.high.minor) for one in listed}

    def held_against(self, example: PriceList) -> PriceList:
        """The list with what it says of itself, own and invented, held against our example."""
        theirs, mine = example.costs(), self.costs()
        same = frozenset(one for one, cost in mine.items() if any(cost) and theirs.get(one) == cost)
        return replace(self, own=not self.same_amounts(example), invented=same)

    def picked(self, name: str) -> Price:
        """What is picked by an id.

        Raises:
            UsageError: the list has no such id.
        """
        media = {one.price.id: one.price for one in self.media}
        known = {HOUR: self.hour, **self.prices, **media, **self.work}
        if name not in known:
            raise UsageError(f"The price list has no {name[:60]!r}.", f"Use one of: {', '.join(known)}.")
        return known[name]

    def medium_for(self, gigabytes: int) -> Price:
        """The smallest medium that holds so much.

        Raises:
            UsageError: none does.
        """
        for one in self.media:
            if one.holds_gb >= gigabytes:
                return one.price
        most = max((one.holds_gb for one in self.media), default=0)
        raise UsageError(
            f"No medium of the price list holds {gigabytes} GB: the largest holds {most}.",
            "Add one to the list, or pick several with --line.",
        )


def packaged_prices() -> str:
    """The text of our example."""
    return files("mendbay.case").joinpath("prices.toml").read_text(encoding="utf-8")


def read_prices(text: str, own: bool, name: str = "settings/prices.toml") -> PriceList:
    """The price list that a file describes.

    Args:
        own: whether it is the shop's own.
        name: of the file, for messages.

    Raises:
        BadFormFile: it is not sound; the message names the entry.
    """
    return _Reader(read_tables(text, name), own).read()


@lru_cache(8)
def currency_of(text: str | None) -> str:
    """The currency of a price list, the rest of which need not be sound: our example's for None, and where a
    list has none that could be one."""
    for one in (text, packaged_prices()):
        try:
            found = tomllib.loads(one or "").get("currency", "")
        except ValueError:
            continue
        if isinstance(found, str) and re.fullmatch("[A-Z]{3}", found):
            return found
    return ""


def quantity_of(text: str, words: str) -> Decimal:
    """A number of units as a person types it.

    Args:
        words: what it is a number of, for the message.

    Raises:
        UsageError: not above 0, too large, or with more than three decimals.
    """
    if not _QUANTITY.fullmatch(text) or not Decimal(text):
        raise UsageError(f"{text[:40]!r} is no quantity of “{words[:60]}”.", "Write it as 2 or 1.5.")
    return Decimal(text)


class _Reader:
    """One reading of a file, key by key."""

    def __init__(self, top: Table, own: bool) -> None:
        self._top = top
        self._own = own
        self._currency = top.text("currency")
        if not re.fullmatch("[A-Z]{3}", self._currency):
            top.refuse(f"has the currency {self._currency[:20]!r}", "Use its code of ISO 4217, such as EUR")
        tax = top.table("tax")
        self._tax_name = self._line(tax, "name")
        self._rate = self._per_cent(tax, "rate", 100)
        self._included = tax.flag("included")
        tax.done()
        self._seen = {HOUR}

    def read(self) -> PriceList:
        top = self._top
        hour = self._amount(top, "hourly_rate")
        found = PriceList(
            own=self._own,
            currency=self._currency,
            hour=self._fixed(HOUR, Stage.BOARD, "Work by the hour", HOUR, hour),
            diagnosis=self._single("diagnosis", Stage.DIAGNOSIS, "Diagnosis"),
            shipping=self._single("shipping", Stage.SHIPPING, "Packing and shipping"),
            tax_name=self._tax_name,
            rate=self._rate,
            included=self._included,
            markup=Fraction(self._per_cent(top, "parts_markup", 1000)) / 100,
            valid_days=top.whole("valid_days", 1, _MOST_DAYS),
            free=self._free(),
            prices={one.id: one for one in map(self._price, top.tables("price"))},
            media=self._media(),
            work={one.id: one for one in (self._work(table, hour) for table in top.tables("work"))},
        )
        top.done()
        return found

    def _single(self, key: str, stage: Stage, words: str) -> Price:
        self._seen.add(key)
        return self._fixed(key, stage, words, "each", self._amount(self._top, key))

    def _fixed(self, name: str, stage: Stage, words: str, unit: str, amount: Money) -> Price:
        return Price(name, stage, words, unit, amount, amount, self._rate, amount)

    def _price(self, table: Table) -> Price:
        amount = self._amount(table, "amount")
        found = Price(
            id=self._new_id(table, "id"),
            stage=self._stage(table),
            words=self._line(table, "words"),
            unit=self._line(table, "unit"),
            low=amount,
            high=amount,
            rate=self._per_cent(table, "rate", 100) if table.has("rate") else self._rate,
            work=amount,
        )
        if found.id == KEEPING and found.unit not in KEPT_BY:
            table.refuse(f"has the unit {found.unit[:20]!r} for keeping things", 'Use "day" or "week"')
        table.done()
        return found

    def _work(self, table: Table, hour: Money) -> Price:
        fixed = self._amount(table, "fixed", optional=True)
        hours = self._hours(table)
        least = self._amount(table, "parts_from", optional=True)
        most = self._amount(table, "parts_to") if table.has("parts_to") else least
        if most < least:
            table.refuse("has parts_to below parts_from", "Write the smaller one first")
        work = fixed + hour.times(hours)
        found = Price(
            id=self._new_id(table, "step"),
            stage=self._stage(table),
            words=self._line(table, "words"),
            unit="each",
            low=work + least,
            high=work + most,
            rate=self._rate,
            work=work,
            from_stock=table.flag("from_stock"),
        )
        table.done()
        return found

    def _hours(self, table: Table) -> Decimal:
        text = table.text("hours", "0")
        if not _QUANTITY.fullmatch(text):
            table.refuse(f"has the hours {text[:20]!r}", 'Write them as a text, such as "1.5"')
        return Decimal(text)

    def _media(self) -> tuple[Medium, ...]:
        found: list[Medium] = []
        for table in self._top.tables("medium"):
            name, words = self._new_id(table, "id"), self._line(table, "words")
            price = self._fixed(name, Stage.MEDIA, words, "each", self._amount(table, "amount"))
            found.append(Medium(price, table.whole("holds_gb", 1, _LARGEST_MEDIUM_GB)))
            table.done()
        return tuple(sorted(found, key=lambda one: (one.holds_gb, one.price.low)))

    def _free(self) -> tuple[Stage, ...]:
        names = self._top.ids("no_data_no_fee")
        unknown = [one for one in names if one not in list(Stage)]
        if unknown:
            self._top.refuse(f"has the unknown stage {unknown[0][:40]!r}", f"Use {', '.join(Stage)}")
        return tuple(Stage(one) for one in names)

    def _stage(self, table: Table) -> Stage:
        name = table.text("stage")
        if name not in list(Stage):
            table.refuse(f"has the unknown stage {name[:40]!r}", f"Use {', '.join(Stage)}")
        return Stage(name)

    def _new_id(self, table: Table, key: str) -> str:
        name = table.id(key)
        if name in self._seen:
            table.refuse("has an id that is used already", "Give every price an id of its own")
        self._seen.add(name)
        return name

    def _line(self, table: Table, key: str) -> str:
        text = table.text(key)
        try:
            require_line(text, key)
        except UsageError as trouble:
            table.refuse(f"has a {key!r} that cannot stand on a line: {trouble.what}", "Shorten it")
        return text

    def _amount(self, table: Table, key: str, optional: bool = False) -> Money:
        if optional and not table.has(key):
            return Money.none(self._currency)
        text, digits = table.text(key), minor_digits(self._currency)
        decimals = rf"\.[0-9]{{{digits}}}" if digits else ""
        if not re.fullmatch(rf"[0-9]{{1,{_WHOLE_LIMIT}}}{decimals}", text):
            example = Money(25 * 10**digits, self._currency).digits
            table.refuse(
                f"has the {key} {text[:40]!r}, which is no amount in {self._currency}",
                f'Write it as a text with {digits} decimals, such as "{example}"',
            )
        return Money(int(text.replace(".", "")), self._currency)

    def _per_cent(self, table: Table, key: str, most: int) -> Decimal:
        text = table.text(key)
        if not _RATE.fullmatch(text) or Decimal(text) > most:
            table.refuse(
                f"has the {key} {text[:40]!r}", f'Write per cent as a text up to {most}, as in "7.7"'
            )
        return Decimal(text)
