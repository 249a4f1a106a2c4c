"""Lists of the shop's spare boards and drives taken in: looked at first, then taken as they are read."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from typing import Any

from mendbay.board.stock_alike import Alike
from mendbay.board.stock_csv import Field as ColumnField
from mendbay.board.stock_csv import Table
from mendbay.board.stock_import import DateOrder
from mendbay.core.errors import NoSuchItem, UsageError
from mendbay.faces import stock_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.fields import choice, files, line, several
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.visit import Visit
from mendbay.jobs.import_stock import Imported, import_list
from mendbay.wiring import shop_files

BOOK = Book()
KEPT = "lists of the stock"
MOST_KEPT = 4
LIST_BYTES = 16 << 20
"""The largest list that the server holds while somebody looks at it; the command line takes larger ones."""
CELL = 40
"""Letters of a value of the list that stand beside its column."""
SHOWN = 200
"""Rows told one by one."""
DATES = {"day": "day first, as 31/12/2025", "month": "month first, as 12/31/2025"}
DATE_ORDERS = {"day": DateOrder.DAY_FIRST, "month": DateOrder.MONTH_FIRST}
ALIKE = {
    str(Alike.ASK): "not taken until you say",
    str(Alike.SAME): "that item, moved or judged anew",
    str(Alike.NEW): "another one like it",
}


@dataclass(frozen=True, slots=True)
class HeldList:
    """A list that somebody looks at: its bytes, how it was read, and what came of it."""

    name: str
    data: bytes
    columns: dict[str, ColumnField | None]
    dates: str = ""
    currency: str = ""
    alike: str = str(Alike.ASK)
    done: Imported | None = None


@BOOK.page("/stock/list", "stock-list", "The form by which a list is taken in.")
def stock_list(visit: Visit) -> Answer:
    return Page("stock_list.html", {"held": None})


@BOOK.change(
    "/stock/list/look",
    "look-at-list",
    "Reads a list (CSV) and says what it would change; changes nothing.",
    [files("list", "List (CSV)", limit=1)],
)
def look(visit: Visit) -> Answer:
    sent = visit.said["list"][0]
    data = sent.file.read(LIST_BYTES + 1)
    if len(data) > LIST_BYTES:
        raise UsageError(
            f"The list is larger than {LIST_BYTES >> 20} MiB.",
            "Send it in parts: the same list in several pieces comes to the same.",
        )
    held = HeldList((sent.filename or "the list")[:120], data, {})
    token = secrets.token_hex(8)
    _kept(visit).put(token, _read(visit, held, trial=True))
    return visit.go("list-read", "Nothing is taken in yet.", token=token)


@BOOK.page("/stock/list/{token}", "list-read", "How a list is read, and what it brings.")
def list_read(visit: Visit) -> Answer:
    held = _held(visit)
    done = held.done
    if done is None:
        raise NoSuchItem("That list was not read.", "Choose its file again.")
    columns = list(zip(done.table.headers, done.mapping.columns, strict=True))
    told = {
        "sums": stock_words.import_sums(done),
        "changes": _cut(stock_words.import_changes(done)),
        "kept": _cut(stock_words.import_kept(done)),
        "unread": stock_words.import_unread(done),
        "troubles": _cut(stock_words.import_troubles(done)),
    }
    facts: dict[str, Any] = {
        "held": held,
        "done": done.done,
        "remembered": done.remembered,
        "asked": done.plan.asked,
        "columns": [
            (place, header, str(field) if field else "", _first_in(done.table, place))
            for place, (header, field) in enumerate(columns, 1)
        ],
        "fields": [str(one) for one in ColumnField],
        "told": told,
        "token": visit.path["token"],
    }
    return Page("stock_list.html", facts)


@BOOK.change(
    "/stock/list/{token}/take",
    "take-list",
    "Reads the list again as said, and takes it in if told so. The same list twice changes nothing.",
    [
        choice("then", "Then", {"look": "look again", "take": "take it in"}, required=True),
        several("column", "What columns hold", limit=500),
        choice("dates", "A date like 03/04/2019 is", DATES),
        line("currency", "Currency of costs that name none, like EUR", limit=8),
        choice("alike", "Rows that may be an item moved are", ALIKE, required=True),
    ],
)
def take(visit: Visit) -> Answer:
    said, held = visit.said, _held(visit)
    read_so = replace(
        held,
        columns=dict(_column(one) for one in said["column"]),
        dates=said["dates"],
        currency=said["currency"],
        alike=said["alike"],
    )
    take_in = said["then"] == "take"
    _kept(visit).put(visit.path["token"], _read(visit, read_so, trial=not take_in))
    told = "The list is taken in." if take_in else "Nothing is taken in yet."
    return visit.go("list-read", told)


def _read(visit: Visit, held: HeldList, *, trial: bool) -> HeldList:
    """The same list with what came of reading it so."""
    with visit.bench() as bench:
        done = import_list(
            bench,
            shop_files(visit.desk.home),
            held.data,
            columns=held.columns,
            date_order=DATE_ORDERS.get(held.dates),
            currency=held.currency,
            alike=Alike(held.alike),
            trial=trial,
        )
    return replace(held, done=done)


def _column(text: str) -> tuple[str, ColumnField | None]:
    """What `3=own id` says: the column's place, and what it holds; nothing behind the sign for nothing."""
    place, sign, name = text.partition("=")
    found = next((one for one in ColumnField if str(one) == name), None)
    if not sign or not place.isdecimal() or (name and found is None):
        raise UsageError(f"{text[:60]!r} says nothing of a column.", "Load the page again.")
    return place, found


def _first_in(table: Table, place: int) -> str:
    """What stands in a column first, cut; empty if nothing does."""
    cells = (row[place - 1].strip() for _, row in table.rows if len(row) >= place)
    first = next((one for one in cells if one), "")
    return first if len(first) <= CELL else f"{first[:CELL]}…"


def _cut(sentences: list[str]) -> tuple[list[str], int]:
    return sentences[:SHOWN], max(0, len(sentences) - SHOWN)


def _kept(visit: Visit) -> Lately[str, HeldList]:
    found: Lately[str, HeldList] = visit.desk.keep(KEPT, lambda: Lately(MOST_KEPT))
    return found


def _held(visit: Visit) -> HeldList:
    found = _kept(visit).get(visit.path["token"])
    if found is None:
        raise NoSuchItem("That list is not held any more.", "Choose its file again on the page of the stock.")
    return found
