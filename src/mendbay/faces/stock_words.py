"""The stock of boards and donor drives in words, for every face."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mendbay.board.stock import StockItem
from mendbay.board.stock_alike import DESCRIBED
from mendbay.core.money import cost_text
from mendbay.core.quantity import count_text, counted

if TYPE_CHECKING:
    from mendbay.board.match import Alternative
    from mendbay.jobs.import_stock import Imported


def state_words(item: StockItem) -> str:
    """Its state, and for which case."""
    return f"{item.state}{f' for case {item.case}' if item.case else ''}"


def item_rows(item: StockItem) -> list[tuple[str, str]]:
    """All that is known of an item: what it is of, and what it is."""
    rows = [("kind", str(item.kind))]
    rows += [
        (str(field), getattr(item.description, name))
        for field, name in DESCRIBED.items()
        if getattr(item.description, name)
    ]
    rows += [
        (what, value)
        for what, value in (
            ("own id", item.own_id),
            ("lies at", item.location),
            ("condition", str(item.condition)),
            ("cost", cost_text(item.cost_minor, item.currency)),
            ("state", state_words(item)),
            ("pictures", ", ".join(item.photos)),
            ("notes", item.notes),
        )
        if value
    ]
    return rows


def accepted_words(one: Alternative) -> str:
    """What can stand for what."""
    where = f", for board {one.board_number} alone" if one.board_number else ""
    return (
        f"{one.attribute} {one.donor} for {one.wanted}{', and the reverse' if one.both_ways else ''}{where}"
    )


def import_sums(done: Imported) -> str:
    """How much a list brought, in a sentence."""
    verb = "added" if done.done else "would be added"
    return (
        f"{counted(len(done.plan.new), 'item')} {verb}, {count_text(len(done.plan.changed))} changed, "
        f"{count_text(done.plan.unchanged)} as they were."
    )


def import_changes(done: Imported) -> list[str]:
    """What changed of items that were known."""
    return [f"item {number}: {one.words()}" for number, one in done.plan.changes]


def import_kept(done: Imported) -> list[str]:
    """What was set by hand, and not undone by the list."""
    return [f"item {one.number}: {one.words()}" for one in done.plan.kept]


def import_unread(done: Imported) -> list[str]:
    """Columns that nothing was read from, with their place."""
    columns = enumerate(zip(done.table.headers, done.mapping.columns, strict=True), 1)
    return [f"{header} ({place})" for place, (header, field) in columns if field is None and header]


def import_troubles(done: Imported) -> list[str]:
    """Every row that was not taken, with its reason."""
    return [
        f"line {one.line}{f', {one.column}' if one.column else ''}: {one.reason}" for one in done.troubles
    ]
