"""The shop's own settings as forms: name and address, how long cases may wait, how long copies are kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mendbay.case.agenda import LIMITS, WaitsFor
from mendbay.case.agenda_tables import LONGEST_WAIT, read_limits
from mendbay.case.shop import MOST_LINES, PAGES, Shop, read_shop
from mendbay.core.errors import BadFormFile
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer
from mendbay.faces.web.fields import Field, choice, line, number, text
from mendbay.faces.web.visit import Visit
from mendbay.handback.keeping import MOST_DAYS, read_keeping
from mendbay.jobs.papers import shop_of
from mendbay.jobs.quote_lines import SETTINGS
from mendbay.jobs.shop_settings import KeptText, keep_text, keeping_text, limits_text, renewed_text, shop_text
from mendbay.wiring import setting_check, shop_files

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

BOOK = Book()
SHOP: tuple[Field, ...] = (
    line("name", "Name of the shop"),
    text("lines", f"Lines below it, at most {MOST_LINES}"),
    choice("page", "Paper in the printer", {one: one for one in PAGES}, required=True),
)
WHOM = {WaitsFor.CUSTOMER: "the customer", WaitsFor.PART: "a part", WaitsFor.MACHINE: "a machine"}
WAITING: tuple[Field, ...] = tuple(
    number(who.value, f"Days that a case may wait for {WHOM[who]}", required=True, most=LONGEST_WAIT)
    for who in LIMITS
)
KEEPING: tuple[Field, ...] = (
    number("days", "Days after the hand-back, or the closing without one", required=True, most=MOST_DAYS),
)


SHOP_VARIABLE = "MENDBAY_SHOP"
"""Where the command line finds the shop's name for papers."""


def shop_name(bench: Bench) -> str:
    """The shop's name for papers: the environment's, as on the command line, else that of its own settings;
    empty where neither says one, or these cannot be read."""
    try:
        return os.environ.get(SHOP_VARIABLE, "") or shop_of(bench).name
    except BadFormFile:
        return ""


@dataclass(frozen=True, slots=True)
class SettingForm:
    """A form for a file of the shop.

    Args:
        address: where it is sent.
        fields: what it asks for.
        values: what a text says, field by field; raises `BadFormFile` where it cannot be read.
        hint: how to fill it.
        try_address: where it is sent to be tried out; empty for nowhere.
    """

    address: str
    fields: Sequence[Field]
    values: Callable[[str], Mapping[str, Any]]
    hint: str = ""
    try_address: str = ""


def _shop_values(said: str) -> Mapping[str, Any]:
    shop = read_shop(said)
    return {"name": shop.name, "lines": "\n".join(shop.lines), "page": shop.page}


FORMS = {
    "shop": SettingForm(
        "keep-shop",
        SHOP,
        _shop_values,
        "Address, telephone and tax number as they are to stand on paper; without a name papers name none.",
        "try-shop",
    ),
    "agenda": SettingForm(
        "keep-waiting",
        WAITING,
        lambda said: {who.value: days for who, days in read_limits(said).items()},
        "After more days it is told as late.",
    ),
    "keeping": SettingForm(
        "keep-keeping",
        KEEPING,
        lambda said: {"days": read_keeping(said).days},
        "They hold where nothing else was agreed with the customer.",
    ),
}
"""By the name of the file."""


def form_facts(name: str, said: str) -> dict[str, Any] | None:
    """What the page of a setting shows of its form; None if it has none, or the text cannot be read.

    Args:
        said: the text in force, or the one to begin with.
    """
    form = FORMS.get(name)
    if form is None:
        return None
    try:
        values = form.values(said)
    except BadFormFile:
        return None
    return {
        "address": form.address,
        "fields": [(one, values[one.name]) for one in form.fields],
        "hint": form.hint,
        "try_address": form.try_address,
    }


@BOOK.change("/settings/shop/keep", "keep-shop", "Keeps name and address of the shop.", SHOP)
def keep_shop(visit: Visit) -> Answer:
    return _keep(visit, "shop", said_shop(visit))


def said_shop(visit: Visit) -> str:
    """The text of `settings/shop.toml` that a form says."""
    said = visit.said
    lines = [one.strip() for one in said["lines"].splitlines() if one.strip()]
    return shop_text(Shop(said["name"], tuple(lines), said["page"]))


@BOOK.change("/settings/waiting/keep", "keep-waiting", "Keeps how long cases may wait.", WAITING)
def keep_waiting(visit: Visit) -> Answer:
    return _keep(visit, "agenda", limits_text({who: visit.said[who.value] for who in LIMITS}))


@BOOK.change("/settings/keeping/keep", "keep-keeping", "Keeps how long copies are kept.", KEEPING)
def keep_keeping(visit: Visit) -> Answer:
    return _keep(visit, "keeping", keeping_text(visit.said["days"]))


def _keep(visit: Visit, name: str, said: str) -> Answer:
    """Keeps what a form says, with the remarks of the file in force."""
    files = shop_files(visit.desk.home)
    with visit.desk.lock:
        now = files.text(SETTINGS, name)
        visit.require_unchanged("the setting", now or "")
        renewed = said if now is None else renewed_text(now, said)
        kept = keep_text(files, SETTINGS, name, said if renewed is None else renewed, setting_check(name))
    anew = " It was written anew: remarks of yours are in the earlier one only." if renewed is None else ""
    return visit.go("settings", f"It is kept, and in force from now on.{earlier_words(kept)}{anew}")


def earlier_words(kept: KeptText) -> str:
    """Where the text lies that was in force before, as a sentence to follow another; empty for none."""
    return f" The earlier one is kept beside it as {kept.earlier.name}." if kept.earlier else ""
