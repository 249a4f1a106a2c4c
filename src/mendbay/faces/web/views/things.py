"""The things of a case: what each is, whose it is, where it is; their labels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from mendbay.case.hand_over import Role, can_come_in, can_leave, papers_of
from mendbay.case.items import MOVES, Item, Owner, What, Where
from mendbay.core.quantity import counted
from mendbay.faces.fetch_words import fetch_sentences
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, day, flag, line, number, several
from mendbay.faces.web.visit import Visit
from mendbay.jobs.consents import NOTHING_DUE, WordDue
from mendbay.jobs.fetch_things import ask_to_fetch, tell_fetching
from mendbay.jobs.hand_over_items import hand_overs_of, release_due
from mendbay.jobs.keep_items import add_item, change_item, item_named, items_of, items_to_label, move_item
from mendbay.jobs.put_down_wrongly import can_be_withdrawn, withdraw_item
from mendbay.wiring import item_labels

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

BOOK = Book()
WHATS = {str(one): "something else" if one is What.OTHER else str(one) for one in What}
OWNERS = {
    str(Owner.CUSTOMER): "the customer's",
    str(Owner.SHOP): "the shop's",
    str(Owner.LENT): "the shop's, lent",
}
WHERES = {str(one): str(one) for one in Where}
ITEM = line("item", "Item", required=True, limit=40)
WORDS = line("words", "Words that tell it from others; they stand on its label")
BAY = line("bay", "Bay it belongs to", limit=40)
MARKS = line("marks", "Model, serial number and other marks as seen")
CONDITION = line("condition", "Condition as seen")
PLACE = line("place", "Where it is put, such as a shelf")
NOTHING_SAID: Mapping[str, Any] = {"item": (), "role": "", "person": "", "words": ""}
"""A form of a hand-over to begin with."""
ROLES = {str(one): f"the {one.words}" for one in Role}


@BOOK.page("/case/{case:int}/things", "things", "The things of a case, their labels and hand-overs.")
def things(visit: Visit) -> Answer:
    return things_page(visit)


def things_page(
    visit: Visit, leaving: Mapping[str, Any] = NOTHING_SAID, due: WordDue = NOTHING_DUE
) -> Answer:
    """
    Args:
        leaving: what was said of a hand-over that needs something first.
        due: what it needs.
    """
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        items = items_of(bench, case)
        overs = hand_overs_of(bench, case)
        bays = bench.ledger.bays(case)
        word = released_against(bench, case)
        fetching = tell_fetching(bench, case)
    papered, labels = papers_of(overs), {one.bay for one in bays}
    return Page(
        "things.html",
        {
            "card": card,
            "items": items,
            "moves": {one.number: sorted(MOVES[one.where], key=str) for one in items},
            "bay_field": choice(BAY.name, BAY.words, {one.bay: one.bay for one in bays}),
            "overs": tuple(reversed(overs)),
            "can_come_in": [one for one in items if can_come_in(one, papered)],
            "can_leave": [one for one in items if can_leave(one)],
            "can_go": {one.number for one in items if can_be_withdrawn(one, papered, labels)},
            "mark_of": mark_of,
            "leaving": leaving,
            "due": due,
            "word": word,
            "fetching": fetching,
            "fetch_told": list(fetch_sentences(fetching)),
            "Where": Where,
        },
    )


def released_against(bench: Bench, case: int) -> tuple[str, ...]:
    """What the customer's word asks for before things are given to anybody, for the mark of a page."""
    return tuple(f"{one} {release_due(bench, case, one)}" for one in Role)


def mark_of(item: Item) -> tuple[object, ...]:
    """What a form about a thing was made of, so that another's change is not overwritten."""
    return item.what, item.words, item.bay, item.marks, item.condition, item.where, item.place, item.owner


@BOOK.change(
    "/case/{case:int}/things/add",
    "add-thing",
    "Takes a thing in under the next number.",
    [
        choice("what", "What it is", WHATS, required=True),
        WORDS,
        BAY,
        MARKS,
        CONDITION,
        PLACE,
        choice("owner", "Whose it is", OWNERS, default=str(Owner.CUSTOMER)),
        flag("another", "A second box, beside the one that is there"),
    ],
)
def add(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        made = add_item(
            bench,
            visit.path["case"],
            What(said["what"]),
            said["words"],
            bay=said["bay"],
            marks=said["marks"],
            condition=said["condition"],
            place=said["place"],
            owner=Owner(said["owner"]),
            another=said["another"],
        )
    return visit.go("things", f"{made.code} is taken in: {made.named}. Give it its label.")


@BOOK.change(
    "/case/{case:int}/things/change",
    "change-thing",
    "Puts right what is noted of a thing; custody tells old and new.",
    [
        ITEM,
        choice("what", "What it is", WHATS, required=True),
        WORDS,
        BAY,
        MARKS,
        CONDITION,
        choice("owner", "Whose it is", OWNERS, required=True),
    ],
)
def change(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        before = item_named(bench, case, said["item"])
        visit.require_unchanged(f"item {before.code}", *mark_of(before))
        given: dict[str, Any] = {"what": What(said["what"]), "owner": Owner(said["owner"])}
        given |= {name: said[name] for name in ("words", "bay", "marks", "condition")}
        # what stands in its bay and was not changed here goes on being told by the bay
        given = {name: value for name, value in given.items() if value != getattr(before, name)}
        if not given:
            return visit.go("things", f"{before.code} was noted so already.")
        now, changes = change_item(bench, case, before.code, **given)
    return visit.go("things", f"{now.code} put right: {'; '.join(changes)}.")


@BOOK.change(
    "/case/{case:int}/things/move",
    "move-thing",
    "Notes that a thing is somewhere else now, without a hand-over.",
    [
        ITEM,
        choice("where", "Where it is now", WHERES, required=True),
        line("place", "On which shelf; or to whom it was sent on"),
        line("why", "What it was used up for, or why it was destroyed"),
        line("mistake", "If this puts a mistake right: why"),
    ],
)
def move(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        before = item_named(bench, case, said["item"])
        visit.require_unchanged(f"item {before.code}", *mark_of(before))
        now = move_item(
            bench,
            case,
            before.code,
            Where(said["where"]),
            said["place"],
            why=said["why"],
            mistake=said["mistake"],
        )
    return visit.go("things", f"{now.code} is {now.whereabouts}.")


@BOOK.change(
    "/case/{case:int}/things/withdraw",
    "withdraw-thing",
    "Takes back a thing that was entered by mistake, or twice, and was never handed over.",
    [ITEM, line("reason", "Why, without the customer's name", required=True)],
)
def withdraw(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        before = item_named(bench, case, said["item"])
        visit.require_unchanged(f"item {before.code}", *mark_of(before))
        gone = withdraw_item(bench, case, before.code, said["reason"])
    return visit.go("things", f"Taken back: {gone.code}, {gone.named}. Custody tells it; take its label off.")


@BOOK.change(
    "/case/{case:int}/things/fetch",
    "ask-to-fetch",
    "Puts down by which day the customer was asked to fetch what is here; without a day, none is set.",
    [day("by", "Asked to fetch it by")],
)
def fetch(visit: Visit) -> Answer:
    case, until = visit.path["case"], visit.said["by"]
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("the day of fetching", tell_fetching(bench, case).until)
        ask_to_fetch(bench, case, until)
    said = f"The customer is waited for to fetch it by {until}." if until else "No day is set any more."
    return visit.go("things", said)


@BOOK.change(
    "/case/{case:int}/things/labels.pdf",
    "thing-labels",
    "Labels with a QR code for things of a case, or for all, as PDF; they name no person.",
    [
        several("item", "Items; none for all"),
        choice("paper", "Paper", {"A4": "A4", "Letter": "Letter"}, default="A4"),
        number("skip", "Places of the first sheet that are used up", most=1000, default=0),
    ],
)
def labels(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench:
        found = items_to_label(bench, case, said["item"])
    made = item_labels(found, said["paper"], said["skip"], visit.desk.home)
    return Blob(made, "application/pdf", f"labels-{case}-{counted(len(found), 'item').replace(' ', '-')}.pdf")
