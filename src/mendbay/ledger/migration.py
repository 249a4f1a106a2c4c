"""The numbered steps that bring a ledger from any earlier form to the present one.

`migrations/NNNN_name.sql` holds step NNNN; steps begin at 1 without holes, and one that has been
released is never edited. `PRAGMA user_version` of a ledger is the number of its last step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: its number, its name and its SQL."""

    number: int
    name: str
    sql: str


@cache
def all_migrations() -> tuple[Migration, ...]:
    """Every step in order.

    Raises:
        ValueError: the numbers do not run from 1 without holes.
    """
    found = []
    for file in resources.files("mendbay.ledger").joinpath("migrations").iterdir():
        if file.name.endswith(".sql"):
            number, _, name = file.name.removesuffix(".sql").partition("_")
            found.append(Migration(int(number), name, file.read_text(encoding="utf-8")))
    found.sort(key=lambda one: one.number)
    if [one.number for one in found] != list(range(1, len(found) + 1)):
        raise ValueError(f"the migrations are numbered {[one.number for one in found]}")
    return tuple(found)


def newest() -> int:
    """The number of the last step this Mendbay knows."""
    return len(all_migrations())


def pending(version: int) -> tuple[Migration, ...]:
    """The steps a ledger at `version` has still to take."""
    return all_migrations()[version:]


def statements(sql: str) -> Iterator[str]:
    """The single statements of a script; those of a trigger's body stay with their trigger.

    `executescript` will not do: it commits the open transaction first.

    Raises:
        ValueError: the script ends inside a statement.
    """
    gathered = ""
    for line in sql.splitlines(keepends=True):
        if not gathered.strip() and line.lstrip().startswith("--"):
            continue
        gathered += line
        if sqlite3.complete_statement(gathered):
            yield gathered.strip()
            gathered = ""
    if gathered.strip():
        raise ValueError(f"the script ends inside a statement: {gathered.strip()[:60]}")
