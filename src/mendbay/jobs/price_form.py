"""The shop's price list as a form: what stands in it field by field, and its text with other values.

What a form does not know of the text, such as remarks, stays as it is; where that cannot be, the form is
refused and the text is to be edited.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn

from mendbay.case.price_list import HOUR, Stage
from mendbay.core.errors import UsageError
from mendbay.core.money import Money
from mendbay.core.toml_values import NotInPlace, Place, Value, with_table, with_values, without_table
from mendbay.jobs.quote_lines import price_list_of
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind

PRICE, MEDIUM, WORK = "price", "medium", "work"
IDS = {PRICE: "id", MEDIUM: "id", WORK: "step"}
"""The lists of the file, each with the key that tells its entries apart."""
AMOUNTS: Mapping[str, Place] = {one: (one,) for one in ("hourly_rate", "diagnosis", "shipping")}
AMOUNT_IDS: Mapping[str, str] = {"hourly_rate": HOUR, "diagnosis": "diagnosis", "shipping": "shipping"}
"""By which id the price list knows them."""
SHARES: Mapping[str, Place] = {"parts_markup": ("parts_markup",), "rate": ("tax", "rate")}
OTHERS: Mapping[str, Place] = {
    "currency": ("currency",),
    "valid_days": ("valid_days",),
    "tax_name": ("tax", "name"),
    "included": ("tax", "included"),
    "free": ("no_data_no_fee",),
}
LEFT_OUT: Mapping[str, Value] = {"included": False, "free": ()}
"""What holds where the file says nothing."""
GENERAL: Mapping[str, Place] = {**OTHERS, **AMOUNTS, **SHARES}
"""What holds for all, by name, and where it stands."""
WORK_AMOUNTS = ("fixed", "parts_from", "parts_to")
SAID: Mapping[str, str] = {"words": "Words on paper", "unit": "What one of it is"}
"""Lines of an entry that say what it is, with their labels."""
HOLDS = "holds_gb"


@dataclass(frozen=True, slots=True)
class PriceCell:
    """One value of an entry.

    Args:
        name: by which it is given back: `work.swap-board.fixed`.
        words: its label, with currency or unit.
        value: as the file has it; empty for a key that is left out.
        required: whether it must say something.
        kind: `line` for words, `whole` for a whole number, else `amount`.
    """

    name: str
    words: str
    value: str
    required: bool
    kind: str = "amount"


@dataclass(frozen=True, slots=True)
class PriceEntry:
    """One entry of the lists.

    Args:
        name: by which it is taken out: `work.swap-board`.
        words: as they stand on paper.
        invented: whether it costs exactly what it costs in our example, and is not free.
    """

    name: str
    kind: str
    words: str
    stage: Stage
    cells: tuple[PriceCell, ...]
    invented: bool


@dataclass(frozen=True, slots=True)
class PriceForm:
    """What the form shows.

    Args:
        general: by the names of `GENERAL`.
        unpriced: work of triage that the list has no price for, its id and words.
        invented: names of `AMOUNTS` that cost exactly what they cost in our example.
    """

    currency: str
    general: Mapping[str, Any]
    entries: tuple[PriceEntry, ...]
    unpriced: Mapping[str, str]
    invented: frozenset[str] = frozenset()


def price_form(text: str) -> PriceForm | None:
    """The form of a price list; None if a form would lose what else its text says.

    Raises:
        BadFormFile: it is not sound.
    """
    invented = price_list_of(text).invented
    top = tomllib.loads(text)
    currency = top["currency"]
    general = {name: _at(top, place, LEFT_OUT.get(name, "")) for name, place in GENERAL.items()}
    places = dict(_values(top))
    try:
        with_values(text, {**{GENERAL[name]: value for name, value in general.items()}, **places})
    except NotInPlace:
        return None
    entries = tuple(
        _entry(kind, raw, currency, raw[IDS[kind]] in invented) for kind in IDS for raw in top.get(kind, ())
    )
    steps = packaged_tables().steps.values()
    priced = {raw["step"] for raw in top.get(WORK, ())}
    unpriced = {one.id: one.words for one in steps if one.kind is not StepKind.TEST and one.id not in priced}
    same = frozenset(name for name in AMOUNTS if AMOUNT_IDS[name] in invented)
    return PriceForm(currency, general, entries, unpriced, same)


def priced_text(text: str, general: Mapping[str, Any], cells: Sequence[tuple[str, str]]) -> str:
    """The text of a price list with the values of a form.

    Args:
        general: by the names of `GENERAL`; what is not in it stays.
        cells: name and value of each; what is not among them stays. Amounts may be typed as people do.

    Raises:
        BadFormFile: the text, or what comes of it, is not sound.
        UsageError: a value is none, or stands where it cannot be changed without losing what else is said.
    """
    price_list_of(text)
    top = tomllib.loads(text)
    currency = str(general.get("currency", top["currency"])).strip().upper()
    if not re.fullmatch("[A-Z]{3}", currency):
        raise UsageError(f"{currency[:20]!r} is no currency.", "Write its code of ISO 4217, such as EUR.")
    wanted = dict(_general_changes(top, general, currency))
    named = {_name(kind, raw, key): (kind, number, key) for kind, number, raw, key in _cells(top)}
    given = dict(cells)
    if len(given) < len(cells) or not given.keys() <= named.keys():
        raise UsageError("The form has another price than the list, or one twice.", "Load the page again.")
    for name, typed in given.items():
        kind, number, key = named[name]
        raw = top[kind][number]
        least = given.get(_name(kind, raw, "parts_from"), raw.get("parts_from", ""))
        value = _cell_value(raw, key, typed, currency, least if key == "parts_to" else "")
        if value != raw.get(key, ""):
            wanted[kind, number, key] = value
    return _sound(lambda: with_values(text, wanted))


def with_price(text: str, kind: str, said: Mapping[str, Value]) -> str:
    """The text of a price list with one more entry at its end.

    Args:
        kind: `price`, `medium` or `work`.
        said: by the keys of `docs/formats/prices.md`; empty ones are left out, amounts may be typed as people
            do.

    Raises:
        BadFormFile: the text, or what comes of it, is not sound.
        UsageError: a value is none, or the text is written otherwise.
    """
    currency = price_list_of(text).currency
    values: dict[str, Value] = {}
    for key, one in said.items():
        if key in ("amount", *WORK_AMOUNTS) and isinstance(one, str) and one:
            values[key] = _amount(one, currency, str(said.get("words", "")) or kind)
        elif key == "hours" and isinstance(one, str):
            values[key] = one.strip().replace(",", ".")
        elif one not in ("", False):
            values[key] = one
    return _sound(lambda: with_table(text, kind, {key: one for key, one in values.items() if one != ""}))


def without_price(text: str, name: str) -> str:
    """The text of a price list without one entry.

    Args:
        name: of the entry: `work.swap-board`.

    Raises:
        BadFormFile: the text, or what comes of it, is not sound.
        UsageError: there is no such entry, or the text is written otherwise.
    """
    price_list_of(text)
    top = tomllib.loads(text)
    kind, _, wanted = name.partition(".")
    found = [at for at, raw in enumerate(top.get(kind, ())) if kind in IDS and raw[IDS[kind]] == wanted]
    if not found:
        raise UsageError(f"The price list has no {name[:60]!r}.", "Load the page again.")
    return _sound(lambda: without_table(text, kind, found[0]))


def _sound(make: Callable[[], str]) -> str:
    """What is made, if it is a price list."""
    try:
        text = make()
    except NotInPlace:
        _refuse_form()
    price_list_of(text)
    return text


def _refuse_form() -> NoReturn:
    raise UsageError(
        "The price list is written so that a form would lose what else it says: nothing is changed.",
        "Edit it as text.",
    )


def _at(top: Any, place: Place, left_out: Value) -> Any:
    for part in place:
        if part not in top:
            return left_out
        top = top[part]
    return top


def _cells(top: Mapping[str, Any]) -> Iterator[tuple[str, int, Mapping[str, Any], str]]:
    """Kind, number and entry of each value that the form has, and its key."""
    for kind in IDS:
        for number, raw in enumerate(top.get(kind, ())):
            for key in _keys(kind, raw):
                yield kind, number, raw, key


def _keys(kind: str, raw: Mapping[str, Any]) -> tuple[str, ...]:
    if kind == WORK:
        return ("words", "fixed", "hours", "parts_from", "parts_to")
    if kind == MEDIUM:
        return ("words", HOLDS, "amount")
    return ("words", "unit", "amount", "rate") if "rate" in raw else ("words", "unit", "amount")


def _values(top: Mapping[str, Any]) -> Iterator[tuple[Place, Value]]:
    for kind, number, raw, key in _cells(top):
        yield (kind, number, key), raw.get(key, "")


def _name(kind: str, raw: Mapping[str, Any], key: str) -> str:
    return f"{kind}.{raw[IDS[kind]]}.{key}"


def _entry(kind: str, raw: Mapping[str, Any], currency: str, invented: bool) -> PriceEntry:
    unit = raw.get("unit", "each")
    words = {
        **SAID,
        HOLDS: "It holds, in GB",
        "amount": f"Price {'each' if unit == 'each' else f'per {unit}'}, {currency}",
        "rate": "Its own tax, per cent",
        "fixed": f"Fixed, {currency}",
        "hours": "Hours of work",
        "parts_from": f"Parts from, {currency}",
        "parts_to": f"Parts to, {currency}",
    }
    return PriceEntry(
        f"{kind}.{raw[IDS[kind]]}",
        kind,
        raw["words"],
        Stage.MEDIA if kind == MEDIUM else Stage(raw["stage"]),
        tuple(
            PriceCell(
                _name(kind, raw, key),
                words[key],
                str(raw.get(key, "")),
                kind != WORK or key in SAID,
                "line" if key in SAID else "whole" if key == HOLDS else "amount",
            )
            for key in _keys(kind, raw)
        ),
        invented,
    )


def _general_changes(
    top: Mapping[str, Any], general: Mapping[str, Any], currency: str
) -> Iterator[tuple[Place, Value]]:
    for name, said in general.items():
        place = GENERAL[name]
        now = _at(top, place, LEFT_OUT.get(name, ""))
        value: Value = said
        if name == "currency":
            value = currency
        elif name in AMOUNTS:
            value = _amount(said, currency, name.replace("_", " "))
        elif name in SHARES:
            value = _per_cent(said)
        elif name == "free":
            value = now if set(said) == set(now) else [str(one) for one in Stage if one in said]
        if value != now:
            yield place, value


def _cell_value(raw: Mapping[str, Any], key: str, typed: str, currency: str, least: str) -> Value:
    """What the file is to say; empty for a key that stays left out.

    Args:
        least: what stands in place of nothing, if the file has the key; empty for no amount.
    """
    typed = typed.strip()
    if key in SAID:
        if not typed:
            raise UsageError(f"{raw['words'][:80]}: {SAID[key].lower()} must be said.", "Fill it in.")
        return typed
    if key == HOLDS:
        return _whole(typed, raw["words"])
    if key == "rate":
        return _per_cent(typed)
    if key == "hours":
        return typed.replace(",", ".") or ("0" if key in raw else "")
    if typed or key == "amount":
        return _amount(typed, currency, raw["words"])
    if key not in raw:
        return ""
    return _amount(least, currency, raw["words"]) if least.strip() else Money.none(currency).digits


def _amount(typed: str, currency: str, words: str) -> str:
    """An amount as the file has it."""
    try:
        found = Money.parse(typed, currency)
    except UsageError as trouble:
        raise UsageError(f"{words[:80]}: {trouble.what}", trouble.next_step) from None
    if found.currency != currency:
        raise UsageError(
            f"{words[:80]}: {typed[:40]!r} is not in {currency}.", f"The whole list is in {currency}."
        )
    return found.digits


def _whole(typed: str, words: str) -> int:
    if not re.fullmatch("[1-9][0-9]{0,8}", typed, re.ASCII):
        raise UsageError(
            f"{words[:80]}: {typed[:40]!r} is no number of GB.", "Write a whole number above 0, such as 1000."
        )
    return int(typed)


def _per_cent(typed: str) -> str:
    return typed.strip().removesuffix("%").strip().replace(",", ".")
