"""`mendbay case items` and its kin: the things of a case, where they are, and their labels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from mendbay.case.items import Item, Owner, What
from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.jobs.keep_items import (
    add_item,
    change_item,
    find_item,
    items_of,
    items_to_label,
    move_item,
    number_items,
)
from mendbay.jobs.put_down_wrongly import AS_TYPED, withdraw_item
from mendbay.wiring import item_labels, open_bench, write_new_file

CASE = click.argument("case", type=int)
ITEM = click.argument("item")
WHATS = click.Choice([str(one) for one in What])
OWNERS = {"customer": Owner.CUSTOMER, "shop": Owner.SHOP, "lent": Owner.LENT}
PLACES = {typed: where for where, typed in AS_TYPED.items()}


@click.command(name="items")
@CASE
@click.pass_obj
def items(screen: Screen, case: int) -> None:
    """List the things of CASE: what each is, whose it is, and where it is now."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        number_items(bench, case)  # a person may write the codes that are listed on the things
        found = items_of(bench, case)
    called = wording.called_as()
    lines = item_lines(found) or [f"Case {case} has no items yet."]
    lines.append(
        wrapped(
            f"Next: {called} case item-add {case} WHAT"
            + (f", or case labels {case} FILE.pdf" if found else "")
        )
    )
    screen.answer([item_json(one) for one in found], "\n".join(lines))


@click.command(name="item-add")
@CASE
@click.argument("what", type=WHATS)
@click.argument("words", default="")
@click.option("--bay", default="", help="The bay it belongs to.")
@click.option("--marks", default="", help="Model, serial number and other marks as seen.")
@click.option("--condition", default="", help="As seen.")
@click.option("--place", default="", help="Where it is put, such as a shelf.")
@click.option(
    "--of",
    "owner",
    type=click.Choice(list(OWNERS)),
    default="customer",
    show_default=True,
    help="Whose it is.",
)
@click.option("--another", is_flag=True, help="A second box, beside the one that is an item already.")
@click.pass_obj
def item_add(
    screen: Screen,
    case: int,
    what: str,
    words: str,
    bay: str,
    marks: str,
    condition: str,
    place: str,
    owner: str,
    another: bool,
) -> None:
    """Take a thing in: WHAT it is, and WORDS that tell it from others.

    The words stand on its label, so they name no person. In a case about a two-bay box, the box is an item
    from take-in on.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        added = add_item(
            bench,
            case,
            What(what),
            words,
            bay=bay,
            marks=marks,
            condition=condition,
            place=place,
            owner=OWNERS[owner],
            another=another,
        )
    next_step = f"Next: {wording.called_as()} case labels {case} {added.code} FILE.pdf"
    screen.answer(item_json(added), "\n".join([*item_lines([added]), next_step]))


@click.command(name="item-change")
@CASE
@ITEM
@click.option("--what", type=WHATS, help="What it is.")
@click.option("--words", help="Words that tell it from others.")
@click.option("--bay", help="The bay it belongs to; empty for none.")
@click.option("--marks", help="Model, serial number and other marks as seen.")
@click.option("--condition", help="As seen.")
@click.option("--of", "owner", type=click.Choice(list(OWNERS)), help="Whose it is.")
@click.pass_obj
def item_change(
    screen: Screen,
    case: int,
    item: str,
    what: str | None,
    words: str | None,
    bay: str | None,
    marks: str | None,
    condition: str | None,
    owner: str | None,
) -> None:
    """Put right what is noted of ITEM: its number, or the code on its label, typed or scanned."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        now, changes = change_item(
            bench,
            case,
            item,
            what=What(what) if what else None,
            words=words,
            bay=bay,
            marks=marks,
            condition=condition,
            owner=OWNERS[owner] if owner else None,
        )
    said = [wrapped(one) for one in changes] or ["Nothing changed: it was noted so already."]
    screen.answer({**item_json(now), "changes": [*changes]}, "\n".join([*item_lines([now]), *said]))


@click.command(name="item-move")
@CASE
@ITEM
@click.argument("where", type=click.Choice(list(PLACES)))
@click.option("--place", default="", help="On which shelf; or to whom it was sent on.")
@click.option("--why", default="", help="What it was used up for, or why it was destroyed.")
@click.option(
    "--mistake", default="", metavar="REASON", help="Put right whereabouts that were noted wrongly."
)
@click.pass_obj
def item_move(screen: Screen, case: int, item: str, where: str, place: str, why: str, mistake: str) -> None:
    """Note that ITEM is somewhere else now: here on another shelf, sent on, used up, destroyed.

    What passes through the shop's hands is a hand-over: case receive, case release. With customer, something
    that was sent away has reached the customer.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        now = move_item(bench, case, item, PLACES[where], place, why=why, mistake=mistake)
    screen.answer(item_json(now), "\n".join(item_lines([now])))


@click.command(name="item-withdraw")
@CASE
@ITEM
@click.option("--reason", required=True, help="Why; without the customer's name. Custody keeps it.")
@click.pass_obj
def item_withdraw(screen: Screen, case: int, item: str, reason: str) -> None:
    """Take back an ITEM that was entered by mistake, or twice, and was never handed over.

    Its number is not used again, and lists, labels and receipts show it no more.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = withdraw_item(bench, case, item, reason)
    screen.answer(
        item_json(gone),
        wrapped(f"Taken back: {gone.code}, {gone.named}. Custody tells it; take its label off.")
        + f"\nNext: {wording.called_as()} case items {case}",
    )


@click.command(name="find")
@click.argument("code")
@click.pass_obj
def find(screen: Screen, code: str) -> None:
    """Tell which case and item a CODE belongs to, typed or scanned."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        case, item = find_item(bench, code)
    text = [f"Case {case.number}: {case.customer}, {case.state.words}", *item_lines([item])]
    text.append(f"Next: {wording.called_as()} case show {case.number}")
    screen.answer(
        {"customer": case.customer, "state": str(case.state), "item": item_json(item)}, "\n".join(text)
    )


@click.command(name="labels")
@CASE
@click.argument("words", nargs=-1, required=True, metavar="[ITEM]... FILE.pdf")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option("--skip", default=0, help="Places of the first sheet that are used up.")
@click.pass_obj
def labels(screen: Screen, case: int, words: tuple[str, ...], paper: str, skip: int) -> None:
    """Write labels with a QR code for ITEMs of CASE, or for all, to a new PDF file.

    They name no person: a label travels with its thing.
    """
    path = Path(words[-1])
    if path.suffix.casefold() != ".pdf":
        raise UsageError(
            f"{words[-1][:60]!r} is not the name of a PDF file.", "Name the file last, as in labels.pdf."
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = items_to_label(bench, case, words[:-1])
    write_new_file(path, item_labels(found, paper, skip, screen.home))
    screen.answer(
        {"path": str(path), "labels": len(found)},
        f"{wording.counted(len(found), 'label')} in {path}.\n"
        "Next: print it in its true size, and cut along the dots.",
    )


COMMANDS = (items, item_add, item_change, item_move, item_withdraw, find, labels)


def item_lines(found: Sequence[Item], indent: str = "") -> list[str]:
    """Two lines for each item: its code and what it is; its marks, condition, owner and whereabouts."""
    lines: list[str] = []
    for one in found:
        marks = f": {one.marks}" if one.marks else ""
        lines.append(wrapped(f"{one.code}  {one.named}{marks}", indent))
        owner = (
            ""
            if one.owner is Owner.CUSTOMER
            else f"; {'of the shop' if one.owner is Owner.SHOP else one.owner}"
        )
        condition = f"; {one.condition}" if one.condition else ""
        lines.append(wrapped(f"{one.whereabouts}{owner}{condition}", f"{indent}    "))
    return lines


def item_json(one: Item) -> dict[str, Any]:
    """An item as the JSON answers tell it."""
    return {
        "case": one.case,
        "number": one.number,
        "code": one.code,
        "what": str(one.what),
        "words": one.words,
        "bay": one.bay,
        "marks": one.marks,
        "condition": one.condition,
        "where": str(one.where),
        "place": one.place,
        "owner": str(one.owner),
    }
