"""Take a list of the shop's spare boards and drives in, and write the stock out as one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.board.stock_alike import Alike
from mendbay.board.stock_csv import FILE_LIMIT_BYTES, Field, RowTrouble, Table, read_table, to_csv
from mendbay.board.stock_import import (
    ColumnMapping,
    DateOrder,
    ImportPlan,
    guess_mapping,
    import_items,
    plan_import,
)
from mendbay.core.errors import LedgerError, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.keep_stock import changes_by_hand, with_family
from mendbay.jobs.read_pictures import shop_forms

COLUMNS_NAMED = 4
"""Columns with one header that are told."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What a list came to.

    Args:
        table: as it was found.
        mapping: how its columns were read.
        remembered: whether the mapping was known from an earlier list with the same columns.
        plan: what is new and changed.
        troubles: every row that was not taken, with its line and reason.
        done: whether the stock was changed; False on a trial.
    """

    table: Table
    mapping: ColumnMapping
    remembered: bool
    plan: ImportPlan
    troubles: tuple[RowTrouble, ...]
    done: bool


def import_stock(
    bench: Bench,
    shop: ShopFiles,
    path: Path,
    *,
    columns: Mapping[str, Field | None] | None = None,
    date_order: DateOrder | None = None,
    currency: str = "",
    alike: Alike = Alike.ASK,
    trial: bool = False,
) -> Imported:
    """Takes a list in. Sound rows are taken, all in one step; every other row is told with its reason.

    What was set by hand stays where the list says what that took away.

    How the columns are read is remembered for the next list with the same header.

    Args:
        columns: header, or place from 1, to what the column holds, where the guess or the remembered mapping
            is wrong.
        date_order: of dates such as 03/04/2019.
        currency: of costs that name none.
        alike: what a row that names no item is, if only place, condition, cost or notes differ.
        trial: change nothing, only say what would be done.

    Raises:
        UsageError: the file cannot be read as a list, or it has no such column, or several.
    """
    data = bench.files.fetch(path, FILE_LIMIT_BYTES)
    return import_list(
        bench,
        shop,
        data,
        columns=columns,
        date_order=date_order,
        currency=currency,
        alike=alike,
        trial=trial,
    )


def import_list(
    bench: Bench,
    shop: ShopFiles,
    data: bytes,
    *,
    columns: Mapping[str, Field | None] | None = None,
    date_order: DateOrder | None = None,
    currency: str = "",
    alike: Alike = Alike.ASK,
    trial: bool = False,
) -> Imported:
    """The same for the bytes of a list.

    Raises:
        UsageError: they cannot be read as a list, or it has no such column, or several.
    """
    forms = shop_forms(shop)
    table = read_table(data)
    known = bench.shelf.mapping(table.fingerprint)
    mapping = _mapping_of(known, table) if known else guess_mapping(table)
    mapping = replace(
        mapping,
        date_order=date_order or mapping.date_order,
        currency=currency or mapping.currency,
    )
    for header, field in (columns or {}).items():
        mapping = mapping.assigned(_column(table, header), field)
    found = import_items(table, mapping)
    found = replace(found, items=tuple((line, with_family(forms, item)) for line, item in found.items))
    with bench.shelf.together():
        cases = {one.number for one in bench.ledger.cases()}
        plan = plan_import(bench.shelf.items(), found, mapping.columns, cases, alike, changes_by_hand(bench))
        if not trial:
            for item in plan.new:
                bench.shelf.add_item(item)
            for item in plan.changed:
                bench.shelf.amend_item(item)
            bench.shelf.remember_mapping(table.fingerprint, _mapping_text(mapping))
    troubles = sorted((*found.troubles, *plan.troubles), key=lambda one: one.line)
    return Imported(table, mapping, known is not None, plan, tuple(troubles), not trial)


def export_stock(bench: Bench) -> bytes:
    """The whole stock as a list that `import_stock` takes back unchanged, safe to open in a spreadsheet."""
    return to_csv(bench.shelf.items())


def _column(table: Table, name: str) -> int:
    """Which column (from 0) a person means: by its header or, as some stand twice or are empty, by its place
    from 1. A header that is a number is taken for the header."""
    wanted = name.strip()
    places = [at for at, one in enumerate(table.headers) if one.casefold() == wanted.casefold()]
    if len(places) == 1:
        return places[0]
    if places:
        written = " or ".join(f"{at + 1}=FIELD" for at in places[:COLUMNS_NAMED])
        raise UsageError(
            f"The list has {len(places)} columns {wanted[:60]!r}.",
            f"Give the place of the one meant: {written}.",
        )
    if wanted.isascii() and wanted.isdecimal() and 0 < int(wanted[:9]) <= len(table.headers):
        return int(wanted[:9]) - 1
    raise UsageError(
        f"The list has no column {wanted[:60]!r}.", f"Its columns are: {', '.join(table.headers)[:500]}."
    )


def _mapping_text(mapping: ColumnMapping) -> str:
    body = {
        "columns": [None if one is None else str(one) for one in mapping.columns],
        "date_order": str(mapping.date_order),
        "currency": mapping.currency,
    }
    return json.dumps(body, sort_keys=True)


def _mapping_of(text: str, table: Table) -> ColumnMapping:
    try:
        body = json.loads(text)
        columns = tuple(None if one is None else Field(one) for one in body["columns"])
        if len(columns) != len(table.headers):
            raise ValueError(f"{len(columns)} columns are remembered and {len(table.headers)} are there")
        return ColumnMapping(table.fingerprint, columns, DateOrder(body["date_order"]), body["currency"])
    except (ValueError, KeyError, TypeError) as trouble:
        raise LedgerError(
            f"The remembered reading of this list cannot be used: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble
