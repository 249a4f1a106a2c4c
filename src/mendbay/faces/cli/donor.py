"""`mendbay donor`: the stock of boards and donor drives, and what fits a patient."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from mendbay.board.description import BoardDescription
from mendbay.board.match import TEXT_ATTRIBUTES, Alternative, Match
from mendbay.board.stock import Condition, Kind, StockItem
from mendbay.board.stock_alike import DESCRIBED, Alike
from mendbay.board.stock_by_hand import Change
from mendbay.board.stock_csv import Field
from mendbay.board.stock_import import DateOrder
from mendbay.board.swap_odds import Level, Purpose
from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.money import cost_text, read_cost
from mendbay.core.quantity import chance_text, count_text
from mendbay.faces import stock_words, wording
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.jobs.alternatives import Accepted, accept_alternative, accepted, withdraw_alternative
from mendbay.jobs.find_donor import DonorSearch, agreement_with, cautions_before, find_donor
from mendbay.jobs.import_stock import Imported, export_stock, import_stock
from mendbay.jobs.keep_stock import (
    add_items,
    change_item,
    changes_by_hand,
    free,
    item_named,
    items_to_label,
    remove,
    reserve,
)
from mendbay.jobs.record_swaps import record_swap, withdraw_swap
from mendbay.jobs.search_stock import GONE
from mendbay.wiring import open_bench, shop_files, stock_labels, write_new_file

PURPOSES = {"board": Purpose.BOARD_SWAP, "heads": Purpose.HEAD_TRANSPLANT}
PURPOSE = click.option(
    "--for", "purpose", type=click.Choice(sorted(PURPOSES)), default="board", show_default=True,
    help="What the donor gives: its board, or its heads.",
)  # fmt: skip
ITEM = click.argument("item")
SHOWN = 12
HEADERS = ("item", "own id", "kind", "board or model", "condition", "where", "cost", "state")
ATTRIBUTES = {str(one).replace(" ", "-").lower(): one for one in TEXT_ATTRIBUTES}
DATE_ORDERS = {"day-first": DateOrder.DAY_FIRST, "month-first": DateOrder.MONTH_FIRST}


def _described(command: click.Command) -> click.Command:
    """Options for everything a board is described by; empty if not given."""
    return _with_description(command, "")


def _described_anew(command: click.Command) -> click.Command:
    """The same where an empty text says something: None if not given."""
    return _with_description(command, None)


def _with_description(command: click.Command, default: str | None) -> click.Command:
    for field, name in DESCRIBED.items():
        hint = "A date, like 2025-09-22." if field is Field.MADE_ON else None
        option = str(field).casefold().replace(" ", "-")
        command.params.append(click.Option([f"--{option}", name], default=default, help=hint))
    return command


@click.group(name="donor")
def command() -> None:
    """Keep the stock of boards and donor drives; find what fits a patient."""


@command.command(name="import")
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--column", "columns", multiple=True, metavar="HEADER=FIELD",
    help="What a column holds, where the guess is wrong; an empty FIELD leaves it out. Instead of a header "
    "that stands twice give the column's place: 3=FIELD. Repeat it.",
)  # fmt: skip
@click.option("--dates", type=click.Choice(sorted(DATE_ORDERS)), help="How to read 03/04/2019.")
@click.option("--currency", default="", help="Of costs that name none, like EUR.")
@click.option(
    "--alike", type=click.Choice([str(one) for one in Alike]), default=str(Alike.ASK), show_default=True,
    help="Rows without an id that are like an item but for place, condition, cost or notes: that item, moved "
    "(same), another one (new), or not to be taken before somebody says.",
)  # fmt: skip
@click.option("--try", "trial", is_flag=True, help="Change nothing, only say what would be done.")
@click.pass_obj
def import_(
    screen: Screen,
    path: Path,
    columns: tuple[str, ...],
    dates: str | None,
    currency: str,
    alike: str,
    trial: bool,
) -> None:
    """Take in a list of boards and drives (CSV). The same list twice, in any order, changes nothing."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        done = import_stock(
            bench,
            shop_files(screen.home),
            path,
            columns=dict(_column(one) for one in columns),
            date_order=DATE_ORDERS[dates] if dates else None,
            currency=currency,
            alike=Alike(alike),
            trial=trial,
        )
    screen.answer(_import_json(done), _import_text(done))
    if done.troubles:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="export")
@click.argument("path", type=click.Path(path_type=Path))
@click.pass_obj
def export(screen: Screen, path: Path) -> None:
    """Write the whole stock as a list (CSV) to a new file."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        data = export_stock(bench)
    write_new_file(path, data)
    screen.answer({"path": str(path), "bytes": len(data)}, f"The stock is written to {path}.")


@command.command(name="list")
@click.option("--all", "everything", is_flag=True, help="Used and removed ones too.")
@click.pass_obj
def list_(screen: Screen, everything: bool) -> None:
    """List the stock."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        items = [one for one in bench.shelf.items() if everything or one.state not in GONE]
    rows = [
        (
            str(one.number), one.own_id, str(one.kind), one.name, str(one.condition), one.location,
            cost_text(one.cost_minor, one.currency),
            str(one.state) + (f" ({one.case})" if one.case else ""),
        )
        for one in items
    ]  # fmt: skip
    empty = f"The stock is empty.\nNext: {wording.called_as()} donor import LIST.csv"
    screen.answer(
        [_item_json(one) for one in items],
        table(rows, HEADERS, right=(0, 6)) if rows else empty,
    )


@command.command(name="show")
@ITEM
@click.pass_obj
def show(screen: Screen, item: str) -> None:
    """Show one ITEM of the stock: its number, or the code or mark on its label.

    What was put right by hand is listed with the old and the new value.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = item_named(bench, item)
        by_hand = changes_by_hand(bench, found.number).get(found.number, ())
    lines = [_item_text(found), *["Put right by hand:"] * bool(by_hand)]
    lines += [wrapped(f"{one.at} {one.who}: {one.change.words()}", "  ") for one in by_hand]
    screen.answer(
        {
            **_item_json(found),
            "changes": [{**_change_json(one.change), "at": one.at, "who": one.who} for one in by_hand],
        },
        "\n".join(lines),
    )


@_described
@command.command(name="add")
@click.argument("kind", type=click.Choice(["board", "drive"]))
@click.option("--own-id", default="", help="The mark the shop has given it.")
@click.option("--location", default="", help="Shelf, drawer or box.")
@click.option(
    "--condition", type=click.Choice([str(one) for one in Condition]), default=str(Condition.UNTESTED),
    show_default=True, help="As far as known.",
)  # fmt: skip
@click.option("--cost", default="", help="What it cost, like 38.00 EUR.")
@click.option("--photo", "photos", multiple=True, help="File name of a picture of it; repeat it.")
@click.option("--notes", default="")
@click.pass_obj
def add(
    screen: Screen,
    /,
    kind: str,
    own_id: str,
    location: str,
    condition: str,
    cost: str,
    photos: tuple[str, ...],
    notes: str,
    **described: str,
) -> None:
    """Put a board or a donor drive on the shelf."""
    minor, currency = read_cost(cost.strip(), as_written=True)
    item = StockItem(
        0,
        _kind(kind),
        BoardDescription(**described),
        own_id=own_id,
        location=location,
        condition=Condition(condition),
        cost_minor=minor,
        currency=currency,
        photos=photos,
        notes=notes,
    )
    with open_bench(screen.home, tell=screen.tell) as bench:
        (added,) = add_items(bench, shop_files(screen.home), [item])
    screen.answer(
        _item_json(added),
        f"{_item_text(added)}\nNext: {wording.called_as()} donor labels labels.pdf {added.number}",
    )


@_described_anew
@command.command(name="change")
@ITEM
@click.option("--kind", type=click.Choice(["board", "drive"]), help="What it really is.")
@click.option("--own-id", help="The mark the shop has given it.")
@click.option("--location", help="Shelf, drawer or box.")
@click.option("--condition", type=click.Choice([str(one) for one in Condition]), help="As far as known.")
@click.option("--cost", help="What it cost, like 38.00 EUR.")
@click.option("--photo", "photos", multiple=True, help="File name of one more picture of it; repeat it.")
@click.option("--notes")
@click.pass_obj
def change(
    screen: Screen,
    /,
    item: str,
    kind: str | None,
    cost: str | None,
    photos: tuple[str, ...],
    **said: str | None,
) -> None:
    """Put right what the stock says of ITEM: its number, or the code or mark on its label.

    What is not given stays; an empty text ('') clears. The old and the new value are told and kept on record.
    """
    given = {name: value for name, value in said.items() if value is not None}
    described = {name: given.pop(name) for name in DESCRIBED.values() if name in given}
    others: dict[str, Any] = dict(given)
    if "condition" in others:
        others["condition"] = Condition(others["condition"])
    if kind:
        others["kind"] = _kind(kind)
    if cost is not None:
        others["cost_minor"], others["currency"] = read_cost(cost.strip(), as_written=True)
    if photos:
        others["photos"] = photos
    with open_bench(screen.home, tell=screen.tell) as bench:
        number = item_named(bench, item).number
        changed, changes = change_item(bench, shop_files(screen.home), number, described, others)
    told = [wrapped(one.words()) for one in changes] or ["Nothing changed: it was noted so already."]
    screen.answer(
        {**_item_json(changed), "changes": [_change_json(one) for one in changes]},
        "\n".join([*told, _item_text(changed)]),
    )


@_described
@command.command(name="find")
@click.argument("case", type=int)
@click.argument("bay")
@PURPOSE
@click.option(
    "--limit", default=5, show_default=True, type=click.IntRange(1, 100), help="How many to explain."
)
@click.option("--reasons", is_flag=True, help="Every attribute's part, also those that hardly count.")
@click.pass_obj
def find(
    screen: Screen, /, case: int, bay: str, purpose: str, limit: int, reasons: bool, **described: str
) -> None:
    """Rank the stock against the drive in BAY of CASE, with reasons.

    What its pictures show is used; what is given here stands in front of it.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = find_donor(
            bench,
            shop_files(screen.home),
            case,
            bay,
            purpose=PURPOSES[purpose],
            said=BoardDescription(**described),
            limit=limit,
        )
    screen.answer(_search_json(found), _search_text(found, case, bay, reasons))
    if not found.ranking.fitting:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="reserve")
@ITEM
@click.argument("case", type=int)
@PURPOSE
@click.pass_obj
def reserve_(screen: Screen, item: str, case: int, purpose: str) -> None:
    """Keep ITEM for CASE: its number, or the code or mark on its label.

    It is kept even if the ranking rules it out, but that is said.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        number = item_named(bench, item).number
        kept = reserve(bench, number, case)
        cautions = cautions_before(bench, shop_files(screen.home), case, number, PURPOSES[purpose])
    screen.answer(
        {**_item_json(kept), "cautions": list(cautions)},
        "\n".join(
            [
                *_caution_lines(kept, cautions),
                f"Item {kept.number} is reserved for case {case}; it lies at {kept.location or '?'}.",
                f"Next, once it is fitted: {wording.called_as()} donor used {kept.number} {case} BAY "
                "worked|failed",
            ]
        ),
    )


@command.command(name="free")
@ITEM
@click.pass_obj
def free_(screen: Screen, item: str) -> None:
    """Put a reserved or removed ITEM back: its number, or the code or mark on its label."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        freed = free(bench, item_named(bench, item).number)
    screen.answer(_item_json(freed), f"Item {freed.number} is free.")


@command.command(name="remove")
@ITEM
@click.argument("reason")
@click.pass_obj
def remove_(screen: Screen, item: str, reason: str) -> None:
    """Take ITEM off the stock: thrown away, sold, sent back. ITEM is its number, or the code or mark on its
    label.

    REASON says what became of it. The record stays; donor list --all shows it, donor free takes it back.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = remove(bench, item_named(bench, item).number, reason)
    screen.answer(
        _item_json(gone),
        f"Item {gone.number} is off the stock; {wording.called_as()} donor free {gone.number} takes it back.",
    )


@_described
@command.command(name="used")
@ITEM
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("outcome", type=click.Choice(["worked", "failed"]))
@PURPOSE
@click.option(
    "--rom", type=click.Choice(["moved", "not-moved", "not-needed", "unknown"]), default="unknown",
    show_default=True, help="What was done with the patient's ROM.",
)  # fmt: skip
@click.option("--remark", default="", help="Anything worth keeping; without the customer's name.")
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Note it although the customer refused it; custody keeps the reason.",
)
@CUSTOMER_ASKED
@click.pass_obj
def used(
    screen: Screen,
    /,
    item: str,
    case: int,
    bay: str,
    outcome: str,
    purpose: str,
    rom: str,
    remark: str,
    although_refused: str,
    customer_asked: bool,
    **described: str,
) -> None:
    """Say how the swap with ITEM went for the drive in BAY of CASE; the odds learn from it.

    ITEM is its number, or the code or mark on its label. Describe the patient as for the search; said
    again, the last word counts. What the ranking holds against ITEM is said.
    """
    levels = {
        "moved": Level.MOVED, "not-moved": Level.NOT_MOVED, "not-needed": Level.NOT_NEEDED,
        "unknown": Level.UNKNOWN,
    }  # fmt: skip
    with open_bench(screen.home, tell=screen.tell) as bench:
        number = item_named(bench, item).number
        agreement = agreement_with(
            bench,
            shop_files(screen.home),
            case,
            bay,
            number,
            PURPOSES[purpose],
            levels[rom],
            BoardDescription(**described),
        )
        cautions = cautions_before(
            bench,
            shop_files(screen.home),
            case,
            number,
            PURPOSES[purpose],
            bay=bay,
            rom=levels[rom],
            said=BoardDescription(**described),
        )
        done = record_swap(
            bench,
            number,
            case,
            bay,
            agreement,
            outcome == "worked",
            remark,
            although=although_refused,
            asked=customer_asked,
        )
    noted = f"Noted: the {agreement.purpose} with item {number} {outcome}; the item is used."
    screen.answer(
        {**_item_json(done), "cautions": list(cautions)},
        "\n".join(
            [*_caution_lines(done, cautions), noted, f"Next: {wording.called_as()} triage show {case}"]
        ),
    )


@command.command(name="withdraw")
@ITEM
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("reason")
@PURPOSE
@click.pass_obj
def withdraw(screen: Screen, item: str, case: int, bay: str, reason: str, purpose: str) -> None:
    """Take back what was said by mistake of the swap with ITEM in BAY of CASE; the odds forget it.

    The item is as it was before. The record stays; custody tells when, who and why.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        back = withdraw_swap(bench, item_named(bench, item).number, case, bay, PURPOSES[purpose], reason)
    where = f" for case {back.case}" if back.case else ""
    screen.answer(
        _item_json(back),
        f"Withdrawn: the {PURPOSES[purpose]} with item {back.number}; the item is {back.state}{where}.",
    )


@command.command(name="labels")
@click.argument("path", type=click.Path(path_type=Path))
@click.argument("items", nargs=-1, required=True)
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option("--skip", default=0, help="Places of the first sheet that are used up.")
@click.pass_obj
def labels(screen: Screen, path: Path, items: tuple[str, ...], paper: str, skip: int) -> None:
    """Write labels with a QR code for ITEMS to a new PDF file; none for what was removed from the stock."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = items_to_label(bench, items)
    write_new_file(path, stock_labels(found, paper, skip, screen.home))
    screen.answer(
        {"path": str(path), "labels": len(found)},
        f"{wording.counted(len(found), 'label')} in {path}.\n"
        "Next: print it in its true size, and cut along the dots.",
    )


@command.command(name="accept")
@click.argument("attribute", type=click.Choice(sorted(ATTRIBUTES)))
@click.argument("wanted")
@click.argument("donor")
@click.option("--both-ways", is_flag=True, help="The reverse holds too.")
@click.option("--board", default="", help="Only for patients with this board number.")
@click.option("--reason", default="", help="Where the shop has it from.")
@click.pass_obj
def accept(
    screen: Screen, attribute: str, wanted: str, donor: str, both_ways: bool, board: str, reason: str
) -> None:
    """Note that a donor with DONOR can stand for a patient with WANTED."""
    one = Alternative(ATTRIBUTES[attribute], wanted, donor, both_ways, board, reason)
    with open_bench(screen.home, tell=screen.tell) as bench:
        accept_alternative(bench, one)
    screen.answer(
        {"attribute": str(one.attribute), "wanted": wanted, "donor": donor, "both_ways": both_ways},
        f"{one.attribute} {donor} can stand for {wanted} from now on.",
    )


@command.command(name="accepted")
@click.pass_obj
def accepted_(screen: Screen) -> None:
    """List what can stand for what, by the shop's word."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = accepted(bench)
    lines = []
    for one in found:
        lines.append(wrapped(f"{one.number}: {stock_words.accepted_words(one.alternative)}"))
        reason = f"{one.alternative.reason} " if one.alternative.reason else ""
        lines.append(wrapped(f"{reason}({one.who}, {one.at})", "  "))
    called = wording.called_as()
    empty = (
        f"Nothing is noted that can stand for another.\nNext: {called} donor accept ATTRIBUTE WANTED DONOR"
    )
    screen.answer([_accepted_json(one) for one in found], "\n".join(lines) if lines else empty)


@command.command(name="unaccept")
@click.argument("number", type=int)
@click.argument("reason")
@click.pass_obj
def unaccept(screen: Screen, number: int, reason: str) -> None:
    """Take back what was accepted by mistake: the row NUMBER of donor accepted. The record stays."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = withdraw_alternative(bench, number, reason)
    screen.answer(
        _accepted_json(gone),
        wrapped(f"Withdrawn: {stock_words.accepted_words(gone.alternative)}. It counts no longer."),
    )


def _caution_lines(item: StockItem, cautions: Sequence[str]) -> list[str]:
    return [wrapped(f"CAUTION: item {item.number}: {one}") for one in cautions]


def _kind(said: str) -> Kind:
    return Kind.BOARD if said == "board" else Kind.DRIVE


# ---------------------------------------------------------------------- words


def _accepted_json(one: Accepted) -> dict[str, object]:
    return {
        "number": one.number,
        "attribute": str(one.alternative.attribute),
        "wanted": one.alternative.wanted,
        "donor": one.alternative.donor,
        "both_ways": one.alternative.both_ways,
        "board_number": one.alternative.board_number or None,
        "reason": one.alternative.reason or None,
        "at": one.at,
        "who": one.who,
    }


def _column(text: str) -> tuple[str, Field | None]:
    header, sign, name = text.rpartition("=")
    wanted = " ".join(name.replace("-", " ").casefold().split())
    if not sign:
        raise UsageError(f"'{text}' names no column.", 'Write it as "HEADER=FIELD".')
    if not wanted:
        return header, None
    found = next((one for one in Field if str(one).casefold() == wanted), None)
    if found is None:
        fields = ", ".join(one.replace(" ", "-") for one in Field)
        raise UsageError(f"A column cannot hold '{name}'.", f"Use one of: {fields}.")
    return header, found


def _item_text(item: StockItem) -> str:
    rows = stock_words.item_rows(item)
    width = max(len(what) for what, _ in rows)
    return "\n".join([f"Item {item.number}", *(f"  {what.ljust(width)}  {value}" for what, value in rows)])


def _item_json(item: StockItem) -> dict[str, object]:
    return {
        "item": item.number,
        "kind": str(item.kind),
        "own_id": item.own_id or None,
        **{name: getattr(item.description, name) or None for name in DESCRIBED.values()},
        "location": item.location or None,
        "condition": str(item.condition),
        "cost": cost_text(item.cost_minor, item.currency) or None,
        "state": str(item.state),
        "case": item.case or None,
        "photos": list(item.photos),
        "notes": item.notes or None,
    }


def _import_text(done: Imported) -> str:
    columns = list(enumerate(zip(done.table.headers, done.mapping.columns, strict=True), 1))
    named = [(str(place), header, str(field) if field else "left out") for place, (header, field) in columns]
    lines = [
        table(named, ("", "column", "read as" + (", as before" if done.remembered else "")), right=(0,)),
        "",
        stock_words.import_sums(done),
    ]
    lines += _cut(stock_words.import_changes(done))
    if done.plan.kept:
        lines.append("Set by hand, and not undone by the list:")
        lines += _cut(stock_words.import_kept(done))
    unread = stock_words.import_unread(done)
    if unread:
        words = "NOT READ, as nothing says what they hold or another column is read as that"
        lines.append(wrapped(f"{words}: {', '.join(unread)}."))
    if done.troubles:
        lines.append(f"{wording.counted(len(done.troubles), 'row')} not taken:")
        lines += _cut(stock_words.import_troubles(done))
    lines.append(wrapped(f"Next: {_after_import(done)}"))
    return "\n".join(lines)


def _cut(sentences: list[str]) -> list[str]:
    """The first of many sentences as lines, and how many more there are."""
    more = [f"  and {count_text(len(sentences) - SHOWN)} more (--json lists all)"]
    return [wrapped(one, "  ") for one in sentences[:SHOWN]] + more * (len(sentences) > SHOWN)


def _after_import(done: Imported) -> str:
    """What to do after a list was taken in, or tried."""
    asked = done.plan.asked
    steps = []
    if asked:
        steps.append("say what the rows are that may be an item moved: --alike same, or --alike new")
    if len(done.troubles) > asked:
        steps.append("put the other rows right in the list" if asked else "put these rows right in the list")
        steps.append('give --column "HEADER=FIELD" where a column is read wrongly')
    if done.troubles:
        return "; ".join(steps) + "; then give the list again, which doubles nothing"
    if done.plan.kept:
        number = done.plan.kept[0].number
        return f"if the list is right, {wording.called_as()} donor change {number} sets its value again"
    return f"{wording.called_as()} donor list" if done.done else "the same command without --try takes it in"


def _import_json(done: Imported) -> dict[str, object]:
    return {
        "done": done.done,
        "remembered": done.remembered,
        "columns": [
            {"place": place, "header": header, "field": str(field) if field else None}
            for place, (header, field) in enumerate(
                zip(done.table.headers, done.mapping.columns, strict=True), 1
            )
        ],
        "added": len(done.plan.new),
        "changed": len(done.plan.changed),
        "unchanged": done.plan.unchanged,
        "changes": [{"item": number, **_change_json(one)} for number, one in done.plan.changes],
        "kept": [
            {
                "item": one.number,
                "field": str(one.field),
                "listed": one.listed or None,
                "kept": one.kept or None,
            }
            for one in done.plan.kept
        ],
        "not_taken": [
            {"line": one.line, "column": one.column or None, "reason": one.reason} for one in done.troubles
        ],
    }


def _change_json(one: Change) -> dict[str, object]:
    return {"field": str(one.field), "old": one.old or None, "new": one.new or None}


def _search_text(found: DonorSearch, case: int, bay: str, reasons: bool) -> str:
    called = wording.called_as()
    patient = ", ".join(
        f"{field} {getattr(found.patient, name)}"
        for field, name in DESCRIBED.items()
        if getattr(found.patient, name)
    )
    lines = [wrapped(f"CAUTION: {one}") for one in found.contradictions]
    lines.append(wrapped(f"Patient: {patient}."))
    if found.model_from_take_in:
        lines.append(wrapped("The model is the one noted at take-in: no picture shows it.", "  "))
    for one in found.unsettled:
        lines.append(wrapped(f"Not compared, as it is not certain: {one.kind} {one.value}.", "  "))
    lines.append("")
    ranking = found.ranking
    for place, match in enumerate(ranking.fitting, 1):
        lines += _match_lines(f"{place}.", match, reasons)
    if not ranking.fitting:
        lines.append(f"Nothing in the stock fits ({wording.counted(found.stock, 'item')} looked through).")
    elif ranking.fitting_total > len(ranking.fitting):
        lines.append(f"{count_text(ranking.fitting_total - len(ranking.fitting))} more fit less well.")
    if ranking.stopped:
        lines += ["", "Ruled out, the nearest first:"]
        for match in ranking.stopped:
            why = " ".join(stop.words for stop in match.stops)
            lines.append(wrapped(f"item {match.item.number} ({match.item.name}): {why}", "  "))
        more = ranking.stopped_total - len(ranking.stopped)
        lines += [f"  and {count_text(more)} more (--limit shows more of them)"] * (more > 0)
    lines += ["", *_rom_lines(found)]
    if not ranking.fitting and found.supplier is not None:
        lines += [
            "",
            "To send to suppliers:",
            *(f"  {one}".rstrip() for one in found.supplier.text.splitlines()),
        ]
        lines += ["To search for:", *(f"  {one}" for one in found.supplier.searches)]
    if ranking.fitting:
        lines.append(f"Next: {called} donor reserve {ranking.fitting[0].item.number} {case}")
    else:
        lines.append(wrapped(f"Next: {_after_nothing(found, case, bay)}"))
    return "\n".join(lines)


def _after_nothing(found: DonorSearch, case: int, bay: str) -> str:
    """What to do where nothing in the stock fits."""
    called = wording.called_as()
    if found.contradictions:
        return f"{called} donor find {case} {bay} without what is in doubt goes by the pictures"
    if found.ranking.stopped:
        accept = f"{called} donor accept ATTRIBUTE WANTED DONOR"
        return f"ask suppliers; if the shop knows that one of those ruled out can stand in, {accept}"
    return f"ask suppliers; {called} donor add board puts what comes on the shelf"


def _match_lines(place: str, match: Match, reasons: bool) -> list[str]:
    item = match.item
    where = f", at {item.location}" if item.location else ""
    cost = f", {cost_text(item.cost_minor, item.currency)}" if item.cost_minor is not None else ""
    own = f" ({item.own_id})" if item.own_id else ""
    lines = [
        f"{place} item {item.number}{own}: {item.kind} {item.name}{where}{cost}",
        wrapped(f"{match.odds.words()}.", "   "),
    ]
    shown = match.weighed if reasons else match.telling
    if reasons:
        lines.append(wrapped(f"Before anything is compared {chance_text(match.start_chance)}.", "     "))
    lines += [wrapped(one.words, "     ") for one in shown]
    if reasons:
        together, shown_above = chance_text(match.sum_chance), chance_text(match.odds.chance)
        averaged = (
            f"Together {together} if all that were certain; the {shown_above} above is averaged over what is "
            "uncertain in it."
        )
        lines.append(wrapped(averaged, "     "))
    lines += [wrapped(one, "   ") for one in match.notes]
    return lines


def _rom_lines(found: DonorSearch) -> list[str]:
    rom = found.rom
    lines = [
        wrapped(f"ROM: {rom.need}. {rom.need_reason}"),
        wrapped(f"It sits: {rom.seat}. {rom.seat_reason}", "  "),
        wrapped(rom.how, "  "),
    ]
    if rom.odds is not None:
        lines.append(wrapped(rom.odds.words(), "  "))
    if rom.if_not_moved:
        lines.append(wrapped(rom.if_not_moved, "  "))
    lines.append(wrapped(rom.never, "  "))
    return lines


def _search_json(found: DonorSearch) -> dict[str, object]:
    return {
        "purpose": str(found.purpose),
        "patient": {name: getattr(found.patient, name) or None for name in DESCRIBED.values()},
        "model_from_take_in": found.model_from_take_in,
        "contradictions": list(found.contradictions),
        "not_compared": [{"kind": str(one.kind), "value": one.value} for one in found.unsettled],
        "stock": found.stock,
        "fitting_total": found.ranking.fitting_total,
        "ruled_out_total": found.ranking.stopped_total,
        "fitting": [_match_json(one) for one in found.ranking.fitting],
        "ruled_out": [_match_json(one) for one in found.ranking.stopped],
        "rom": {
            "need": str(found.rom.need),
            "need_reason": found.rom.need_reason,
            "seat": str(found.rom.seat),
            "seat_reason": found.rom.seat_reason,
            "how": found.rom.how,
            "if_not_moved": found.rom.if_not_moved or None,
            "chance": None if found.rom.odds is None else round(found.rom.odds.chance, 4),
            "never": found.rom.never,
        },
        "supplier": None
        if found.supplier is None
        else {
            "searches": list(found.supplier.searches),
            "text": found.supplier.text,
            "missing": list(found.supplier.missing),
        },
    }


def _match_json(match: Match) -> dict[str, object]:
    return {
        "item": _item_json(match.item),
        "chance": round(match.odds.chance, 4),
        "low": round(match.odds.low, 4),
        "high": round(match.odds.high, 4),
        "rests_on": match.odds.words(),
        "outcomes": match.odds.outcomes,
        "alike": match.odds.alike,
        "stops": [one.words for one in match.stops],
        "start_log_odds": round(match.start, 4),
        "start_chance": round(match.start_chance, 4),
        "sum_chance": round(match.sum_chance, 4),
        "parts": [
            {
                "attribute": str(one.attribute),
                "level": str(one.level),
                "patient": one.patient or None,
                "donor": one.donor or None,
                "log_odds": round(one.log_odds, 4),
                "words": one.words,
            }
            for one in match.parts
        ],
        "days_apart": match.days_apart,
        "notes": list(match.notes),
    }
