"""Donors for a bay's board in the browser: ranked with reasons, reserved, and how a swap went."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mendbay.board.description import BoardDescription
from mendbay.board.match import Match
from mendbay.board.stock_alike import DESCRIBED
from mendbay.board.swap_odds import Level, Purpose
from mendbay.core.errors import UsageError
from mendbay.core.money import cost_text
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.bay_choice import BAY, bay_choice, of_a_bay
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, line, number
from mendbay.faces.web.odds import odds_bar, odds_scale
from mendbay.faces.web.visit import Visit, seen
from mendbay.jobs.consents import word_due
from mendbay.jobs.find_donor import agreement_with, cautions_before, find_donor
from mendbay.jobs.keep_stock import reserve
from mendbay.jobs.record_swaps import last_swaps_of, record_swap, withdraw_swap, words_needed
from mendbay.wiring import shop_files

BOOK = Book()
PURPOSES = {"board": Purpose.BOARD_SWAP, "heads": Purpose.HEAD_TRANSPLANT}
PURPOSE_WORDS = {"board": "its board", "heads": "its heads"}
LEVELS = {
    "moved": Level.MOVED,
    "not-moved": Level.NOT_MOVED,
    "not-needed": Level.NOT_NEEDED,
    "unknown": Level.UNKNOWN,
}
LEVEL_WORDS = {
    "moved": "moved to the donor",
    "not-moved": "not moved",
    "not-needed": "not needed",
    "unknown": "not known",
}
OUTCOMES = {"worked": "the drive worked", "failed": "it did not work"}
SHOWN = 5
DESCRIPTION = [line(name, str(field)[:1].upper() + str(field)[1:]) for field, name in DESCRIBED.items()]
PURPOSE = choice("purpose", "The donor gives", PURPOSE_WORDS, default="board")
ITEM = number("item", "Item of the stock", required=True, least=1, most=10**9)


def _described(visit: Visit) -> BoardDescription:
    return BoardDescription(**{name: visit.said[name] for name in DESCRIBED.values()})


def _said(visit: Visit) -> dict[str, str]:
    """What was said of the patient, for links and forms that go on with it."""
    said = {name: visit.said[name] for name in DESCRIBED.values() if visit.said[name]}
    return {**said, **({"purpose": "heads"} if visit.said["purpose"] == "heads" else {})}


def _match(match: Match) -> Mapping[str, Any]:
    """A donor for a template, its parts the weightiest first."""
    item = match.item
    return {
        "match": match,
        "item": item,
        "cost": cost_text(item.cost_minor, item.currency) if item.cost_minor is not None else "",
        "odds": match.odds.words(),
        "shown": match.telling,
        "parts": match.weighed,
        "stops": [one.words for one in match.stops],
    }


@BOOK.page(
    "/case/{case:int}/board/donors",
    "board-donors",
    "The stock ranked against the drive of a bay, with reasons; whether the ROM must move.",
    [BAY, PURPOSE, *DESCRIPTION],
)
@of_a_bay
def donors(visit: Visit) -> Answer:
    case, purpose = visit.path["case"], PURPOSES[visit.said["purpose"]]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        kept = [one for one in bench.shelf.items() if one.case == case]
        swaps = last_swaps_of(bench, case, at.bay)
        try:
            found = find_donor(
                bench,
                shop_files(visit.desk.home),
                case,
                at.bay,
                purpose=purpose,
                said=_described(visit),
                limit=SHOWN,
            )
            unknown = None
        except UsageError as trouble:  # nothing is known of the patient yet: the page asks
            found, unknown = None, trouble
    said = _said(visit)
    facts = {
        "card": card,
        "at_bay": at,
        "unknown": unknown,
        "found": found,
        "fitting": [] if found is None else [_match(one) for one in found.ranking.fitting],
        "stopped": [] if found is None else [_match(one) for one in found.ranking.stopped],
        "patient": []
        if found is None
        else [
            (str(field), getattr(found.patient, name))
            for field, name in DESCRIBED.items()
            if getattr(found.patient, name)
        ],
        "purpose": visit.said["purpose"],
        "described": list(DESCRIBED.values()),
        "said": said,
        "query": {"bay": at.bay, **said},
        "kept": kept,
        "swaps": len(swaps),
        "bar": odds_bar,
        "scale": odds_scale,
    }
    return Page("board_donors.html", facts)


@BOOK.page(
    "/case/{case:int}/board/donor",
    "board-donor",
    "One item for a bay: what speaks against it, to be reserved, and how the swap went.",
    [BAY, ITEM, PURPOSE, *DESCRIPTION],
)
@of_a_bay
def donor(visit: Visit) -> Answer:
    case, number_ = visit.path["case"], visit.said["item"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        item = bench.shelf.item(number_)
        due = word_due(bench, case, words_needed(item, PURPOSES[visit.said["purpose"]]))
        cautions = cautions_before(
            bench,
            shop_files(visit.desk.home),
            case,
            number_,
            PURPOSES[visit.said["purpose"]],
            bay=at.bay,
            said=_described(visit),
        )
    rows = [
        (str(field), getattr(item.description, name))
        for field, name in DESCRIBED.items()
        if getattr(item.description, name)
    ]
    facts = {
        "card": card,
        "at_bay": at,
        "item": item,
        "rows": rows,
        "cost": cost_text(item.cost_minor, item.currency) if item.cost_minor is not None else "",
        "cautions": cautions,
        "purpose": visit.said["purpose"],
        "purpose_words": PURPOSE_WORDS[visit.said["purpose"]],
        "said": _said(visit),
        "query": {"bay": at.bay, **_said(visit)},
        "item_mark": seen(item.state, item.case),
        "is_ours": item.case == case,
        "due": due,
    }
    return Page("board_donor.html", facts)


@BOOK.change(
    "/case/{case:int}/board/reserve",
    "board-reserve",
    "Keeps an item of the stock for the case.",
    [BAY, ITEM, PURPOSE, *DESCRIPTION],
)
def keep(visit: Visit) -> Answer:
    case, number_ = visit.path["case"], visit.said["item"]
    with visit.bench() as bench, bench.shelf.together():
        at = bay_choice(visit, bench, case)
        item = bench.shelf.item(number_)
        visit.require_unchanged(f"item {number_}", item.state, item.case)
        kept = reserve(bench, number_, case)
    query = {"bay": at.bay, "item": number_, **_said(visit)}
    where = f"Item {kept.number} is reserved for case {case}; it lies at {kept.location or '?'}."
    return visit.go("board-donor", where, query)


@BOOK.change(
    "/case/{case:int}/board/swap",
    "board-swap",
    "Says how the swap with an item went; the odds learn from it.",
    [
        BAY,
        ITEM,
        PURPOSE,
        choice("outcome", "How it went", OUTCOMES, required=True),
        choice("rom", "What was done with the patient's ROM", LEVEL_WORDS, default="unknown"),
        line("remark", "Anything worth keeping, without the customer's name", limit=500),
        line("although", "Why it was done although the customer refused it", limit=500),
        CUSTOMER_ASKED,
        *DESCRIPTION,
    ],
)
def swap(visit: Visit) -> Answer:
    case, number_, shop = visit.path["case"], visit.said["item"], shop_files(visit.desk.home)
    purpose, rom = PURPOSES[visit.said["purpose"]], LEVELS[visit.said["rom"]]
    with visit.bench() as bench, bench.shelf.together():
        at = bay_choice(visit, bench, case)
        item = bench.shelf.item(number_)
        visit.require_unchanged(f"item {number_}", item.state, item.case)
        said = _described(visit)
        agreement = agreement_with(bench, shop, case, at.bay, number_, purpose, rom, said)
        cautions = cautions_before(bench, shop, case, number_, purpose, bay=at.bay, rom=rom, said=said)
        worked = visit.said["outcome"] == "worked"
        record_swap(
            bench,
            number_,
            case,
            at.bay,
            agreement,
            worked,
            visit.said["remark"],
            although=visit.said["although"],
            asked=visit.said["customer_asked"],
        )
    noted = f"Put down: the {agreement.purpose} with item {number_} {'worked' if worked else 'failed'}."
    return visit.go("board-donor", " ".join((noted, *cautions)), {"bay": at.bay, "item": number_})


@BOOK.change(
    "/case/{case:int}/board/swap-back",
    "board-swap-back",
    "Takes back what was said of a swap; the odds forget it.",
    [BAY, ITEM, PURPOSE, line("reason", "Why it is taken back", required=True, limit=500)],
)
def swap_back(visit: Visit) -> Answer:
    case, number_ = visit.path["case"], visit.said["item"]
    purpose = PURPOSES[visit.said["purpose"]]
    with visit.bench() as bench, bench.shelf.together():
        at = bay_choice(visit, bench, case)
        item = bench.shelf.item(number_)
        visit.require_unchanged(f"item {number_}", item.state, item.case)
        back = withdraw_swap(bench, number_, case, at.bay, purpose, visit.said["reason"])
    noted = f"Taken back: the {purpose} with item {back.number}; the item is {back.state}."
    return visit.go("board-donor", noted, {"bay": at.bay, "item": number_})
