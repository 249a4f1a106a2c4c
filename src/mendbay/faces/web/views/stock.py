"""The stock of boards and donor drives: found, shown, put right, kept for a case, taken off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mendbay.board.description import BoardDescription
from mendbay.board.match import TEXT_ATTRIBUTES, Alternative
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_alike import DESCRIBED
from mendbay.board.stock_csv import Field as ColumnField
from mendbay.board.swap_odds import Attribute, Purpose
from mendbay.core.money import cost_text, read_cost
from mendbay.core.texts import TEXT_LIMIT
from mendbay.faces import stock_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Go, Page
from mendbay.faces.web.fields import Field, choice, flag, line, number, several, text
from mendbay.faces.web.visit import Visit
from mendbay.jobs.alternatives import accept_alternative, accepted, withdraw_alternative
from mendbay.jobs.find_donor import cautions_before
from mendbay.jobs.import_stock import export_stock
from mendbay.jobs.keep_stock import (
    add_items,
    change_item,
    changes_by_hand,
    free,
    items_to_label,
    remove,
    reserve,
)
from mendbay.jobs.search_stock import search_stock
from mendbay.wiring import shop_files, stock_labels

BOOK = Book()
ON_A_PAGE = 50
KINDS = {"board": "a board", "drive": "a whole donor drive"}
KIND_OF = {"board": Kind.BOARD, "drive": Kind.DRIVE}
PURPOSES = {"board": Purpose.BOARD_SWAP, "heads": Purpose.HEAD_TRANSPLANT}
FIRST = ("board_number", "revision", "model", "family")
"""What a person describes an item by first; the rest is asked below."""
DESCRIPTION: tuple[Field, ...] = tuple(
    line(
        name,
        f"{str(field)[:1].upper()}{str(field)[1:]}"
        + (", like 2025-09-22" if field is ColumnField.MADE_ON else ""),
    )
    for field, name in DESCRIBED.items()
)
KEPT: tuple[Field, ...] = (
    choice("kind", "It is", KINDS, required=True),
    *DESCRIPTION,
    line("own_id", "Mark the shop has given it"),
    line("location", "Shelf, drawer or box"),
    choice("condition", "Condition", {str(one): str(one) for one in Condition}, required=True),
    line("cost", "What it cost, like 38.00 EUR"),
    line("photo", "File name of a picture of it"),
    text("notes", "Notes", limit=TEXT_LIMIT),
)


@BOOK.page(
    "/stock",
    "stock",
    "The stock, found by words.",
    [
        line("words", "Find by words, marks or the code of a label"),
        choice("kind", "Kind", {"board": "boards", "drive": "donor drives"}),
        choice("state", "State", {str(one): str(one) for one in StockState}),
        number("start", "After so many", default=0),
    ],
)
def stock(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        found = search_stock(
            bench,
            said["words"],
            kind=KIND_OF.get(said["kind"]),
            state=StockState(said["state"]) if said["state"] else None,
            start=said["start"],
            most=ON_A_PAGE,
        )
    last = found.start + len(found.items)
    asked = {name: said[name] for name in ("words", "kind", "state")}
    facts = {
        "rows": [_row(one) for one in found.items],
        "asked": asked,
        "is_asked": any(asked.values()),
        "first": found.start + 1,
        "last": last,
        "total": found.total,
        "before": {**asked, "start": max(0, found.start - ON_A_PAGE)} if found.start else None,
        "after": {**asked, "start": last} if last < found.total and found.items else None,
    }
    return Page("stock.html", facts)


@BOOK.page("/stock/add", "new-item", "The form for a new item of the stock.")
def new_item(visit: Visit) -> Answer:
    return Page("stock_add.html", {"first": FIRST, "rest": _rest()})


@BOOK.change("/stock/add/now", "add-stock-item", "Puts a board or a donor drive on the shelf.", KEPT)
def add(visit: Visit) -> Answer:
    said = visit.said
    minor, currency = read_cost(said["cost"], as_written=True)
    item = StockItem(
        0,
        KIND_OF[said["kind"]],
        BoardDescription(**{name: said[name] for name in DESCRIBED.values()}),
        own_id=said["own_id"],
        location=said["location"],
        condition=Condition(said["condition"]),
        cost_minor=minor,
        currency=currency,
        photos=(said["photo"],) if said["photo"] else (),
        notes=said["notes"],
    )
    with visit.bench() as bench:
        (added,) = add_items(bench, shop_files(visit.desk.home), [item])
    return visit.go("stock-item", f"Item {added.number} is on the shelf.", item=added.number)


@BOOK.page("/stock/item/{item:int}", "stock-item", "One item, and what was put right of it.")
def shown(visit: Visit) -> Answer:
    with visit.bench() as bench:
        item = bench.shelf.item(visit.path["item"])
        by_hand = changes_by_hand(bench, item.number).get(item.number, ())
    facts = {
        "item": item,
        "rows": stock_words.item_rows(item),
        "by_hand": by_hand,
        "values": _values(item),
        "first": FIRST,
        "rest": _rest(),
        "removed": item.state is StockState.REMOVED,
        "used": item.state is StockState.USED,
        "is_free": item.state is StockState.FREE,
        "item_mark": _mark(item),
    }
    return Page("stock_item.html", facts)


@BOOK.change(
    "/stock/item/{item:int}/change", "change-stock-item", "Puts right what the stock says of an item.", KEPT
)
def change(visit: Visit) -> Answer:
    said, wanted = visit.said, visit.path["item"]
    with visit.bench() as bench, bench.shelf.together():
        item = bench.shelf.item(wanted)
        now = _values(item)
        visit.require_unchanged("the item", *_mark(item))
        described = {name: said[name] for name in DESCRIBED.values() if said[name] != now[name]}
        others: dict[str, Any] = {
            name: said[name] for name in ("own_id", "location", "notes") if said[name] != now[name]
        }
        if said["condition"] != now["condition"]:
            others["condition"] = Condition(said["condition"])
        if said["kind"] != now["kind"]:
            others["kind"] = KIND_OF[said["kind"]]
        if said["cost"] != now["cost"]:
            others["cost_minor"], others["currency"] = read_cost(said["cost"], as_written=True)
        if said["photo"]:
            others["photos"] = (said["photo"],)
        if not described and not others:
            return _at(visit, "Nothing changed: it was noted so already.")
        _, changes = change_item(bench, shop_files(visit.desk.home), wanted, described, others)
    told = "; ".join(one.words().replace(" -> ", " \N{RIGHTWARDS ARROW} ") for one in changes)
    return _at(visit, f"Put right: {told}." if told else "Nothing changed: it was noted so already.")


@BOOK.change(
    "/stock/item/{item:int}/reserve",
    "reserve-item",
    "Reserves an item for a case, even if the ranking rules it out; that is said.",
    [
        number("case", "For case", required=True, least=1, most=2**31 - 1),
        choice(
            "purpose",
            "It gives",
            {"board": "its board", "heads": "its heads"},
            required=True,
            default="board",
        ),
    ],
)
def keep_for(visit: Visit) -> Answer:
    wanted, case = visit.path["item"], visit.said["case"]
    with visit.bench() as bench:
        with bench.shelf.together():
            visit.require_unchanged("the item", *_mark(bench.shelf.item(wanted)))
            kept = reserve(bench, wanted, case)
        cautions = cautions_before(
            bench, shop_files(visit.desk.home), case, wanted, PURPOSES[visit.said["purpose"]]
        )
    told = f"Item {kept.number} is reserved for case {case}; it lies at {kept.location or '?'}."
    return _at(visit, " ".join([*(f"Caution: {one}" for one in cautions), told]))


@BOOK.change("/stock/item/{item:int}/free", "free-item", "Puts a reserved or removed item back.")
def free_(visit: Visit) -> Answer:
    with visit.bench() as bench, bench.shelf.together():
        visit.require_unchanged("the item", *_mark(bench.shelf.item(visit.path["item"])))
        freed = free(bench, visit.path["item"])
    return _at(visit, f"Item {freed.number} is free.")


@BOOK.change(
    "/stock/item/{item:int}/remove",
    "remove-item",
    "Takes an item off the stock; its record stays.",
    [line("reason", "What became of it", required=True)],
)
def remove_(visit: Visit) -> Answer:
    with visit.bench() as bench, bench.shelf.together():
        visit.require_unchanged("the item", *_mark(bench.shelf.item(visit.path["item"])))
        gone = remove(bench, visit.path["item"], visit.said["reason"])
    return _at(visit, f"Item {gone.number} is off the stock. To free it takes that back.")


@BOOK.page("/stock/export", "export-stock", "The whole stock as a list (CSV).")
def export(visit: Visit) -> Answer:
    with visit.bench() as bench:
        data = export_stock(bench)
    return Blob(data, "text/csv; charset=utf-8", "stock.csv")


@BOOK.page(
    "/stock/labels",
    "stock-labels",
    "Labels with a code for items, as PDF.",
    [
        several("item", "Items", required=True),
        choice("paper", "Paper", {"A4": "A4", "Letter": "Letter"}, default="A4"),
        number("skip", "Places of the first sheet that are used up", most=200, default=0),
    ],
)
def labels(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        found = items_to_label(bench, said["item"])
    data = stock_labels(found, said["paper"], said["skip"], visit.desk.home)
    return Blob(data, "application/pdf", "labels.pdf")


@BOOK.page("/stock/stand-ins", "stand-ins", "What can stand for what, by the shop's word.")
def stand_ins(visit: Visit) -> Answer:
    with visit.bench() as bench:
        found = accepted(bench)
    facts = {
        "rows": [
            (one.number, stock_words.accepted_words(one.alternative), one.alternative.reason, one.who, one.at)
            for one in found
        ]
    }
    return Page("stock_stand_ins.html", facts)


@BOOK.change(
    "/stock/stand-ins/accept",
    "accept-stand-in",
    "Notes that a donor with one value can stand for a patient with another.",
    [
        choice("attribute", "Marking", {str(one): str(one) for one in TEXT_ATTRIBUTES}, required=True),
        line("wanted", "The patient has", required=True),
        line("donor", "The donor has", required=True),
        flag("both_ways", "The reverse holds too"),
        line("board", "Only for patients with this board number"),
        line("reason", "Where the shop has it from"),
    ],
)
def accept(visit: Visit) -> Answer:
    said = visit.said
    one = Alternative(
        Attribute(said["attribute"]),
        said["wanted"],
        said["donor"],
        said["both_ways"],
        said["board"],
        said["reason"],
    )
    with visit.bench() as bench:
        accept_alternative(bench, one)
    return visit.go("stand-ins", f"{one.attribute} {one.donor} can stand for {one.wanted} from now on.")


@BOOK.change(
    "/stock/stand-ins/{row:int}/back",
    "unaccept-stand-in",
    "Takes back what was accepted by mistake; the record stays.",
    [line("reason", "Why it was a mistake", required=True)],
)
def unaccept(visit: Visit) -> Answer:
    with visit.bench() as bench:
        gone = withdraw_alternative(bench, visit.path["row"], visit.said["reason"])
    told = stock_words.accepted_words(gone.alternative)
    return visit.go("stand-ins", f"Taken back: {told}. It counts no longer.")


def _at(visit: Visit, notice: str) -> Go:
    return visit.go("stock-item", notice, item=visit.path["item"])


def _rest() -> list[str]:
    return [name for name in DESCRIBED.values() if name not in FIRST]


def _row(item: StockItem) -> Mapping[str, Any]:
    return {
        "number": item.number,
        "own_id": item.own_id,
        "kind": str(item.kind),
        "name": item.name or str(item.kind),
        "model": item.description.model,
        "condition": str(item.condition),
        "location": item.location,
        "cost": cost_text(item.cost_minor, item.currency),
        "state": str(item.state),
        "case": item.case,
    }


def _mark(item: StockItem) -> list[object]:
    """What the page of an item shows of it, for whoever acts on that."""
    return [item.state, item.case, item.photos, *_values(item).values()]


def _values(item: StockItem) -> dict[str, str]:
    """The fields of an item as its form has them."""
    return {
        "kind": "board" if item.kind is Kind.BOARD else "drive",
        **{name: getattr(item.description, name) for name in DESCRIBED.values()},
        "own_id": item.own_id,
        "location": item.location,
        "condition": str(item.condition),
        "cost": cost_text(item.cost_minor, item.currency),
        "notes": item.notes,
        "photo": "",
    }
