"""The table of chores, and the shop's own limits on waiting (`docs/formats/agenda.md`)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from mendbay.case.agenda import LIMITS, Chore, WaitsFor
from mendbay.core.errors import BadFormFile
from mendbay.core.figures import Figure, Table, read_tables

FILE = "agenda.toml"
LONGEST_WAIT = 3650
"""Days that can be set as a limit."""


@dataclass(frozen=True, slots=True)
class ChoreRow:
    """A kind of chore.

    Args:
        words, command: as of a `Chore`; `{case}` in the command stands for the number.
        chance: that it helps.
        share, amount: what it is then worth: that share of what the data is worth, and so much besides.
        minutes: of a person.
    """

    id: str
    words: str
    command: str
    chance: Figure
    share: Figure | None
    amount: Figure | None
    minutes: Figure

    def chore(self, case: int, worth: float, about: str = "") -> Chore:
        """The chore for a case.

        Args:
            worth: of its data.
            about: what it is about, told after the words.
        """
        value = float(self.share.value) * worth if self.share else 0.0
        value += float(self.amount.value) if self.amount else 0.0
        sources = (one.source for one in (self.chance, self.share, self.amount, self.minutes) if one)
        return Chore(
            self.id,
            f"{self.words}: {about}" if about else self.words,
            self.command.replace("{case}", str(case)),
            float(self.chance.value),
            value,
            float(self.minutes.value),
            "; ".join(dict.fromkeys(sources)),
        )


@dataclass(frozen=True, slots=True)
class ChoreTable:
    """All kinds of chores by id, and the minutes that steps of triage need of a person where a machine does
    the rest alone."""

    rows: Mapping[str, ChoreRow]
    alone: Mapping[str, Figure]


@cache
def packaged_chores() -> ChoreTable:
    """The table that comes with Mendbay."""
    return read_chores(files("mendbay.case").joinpath(FILE).read_text(encoding="utf-8"))


def read_chores(text: str) -> ChoreTable:
    """
    Raises:
        BadFormFile: a number without origin, a chance that is none, a chore that is worth nothing or takes no
            time, or an id used twice; the message names the entry.
    """
    top = read_tables(text, FILE)
    rows: dict[str, ChoreRow] = {}
    for table in top.tables("chore"):
        row = _row(table)
        if row.id in rows:
            table.refuse("uses an id that is taken", "Give every chore its own")
        rows[row.id] = row
    alone: dict[str, Figure] = {}
    for table in top.tables("alone"):
        step, minutes = table.id(), _minutes(table)
        table.done()
        if step in alone:
            table.refuse("is there twice", "Leave one out")
        alone[step] = minutes
    top.done()
    return ChoreTable(rows, alone)


def _row(table: Table) -> ChoreRow:
    row = ChoreRow(
        table.id(),
        table.text("words"),
        table.text("command"),
        table.figure("chance"),
        table.optional_figure("share"),
        table.optional_figure("amount"),
        _minutes(table),
    )
    table.done()
    if not 0 < row.chance.value <= 1:
        table.refuse(f"has the chance {row.chance.value}", "Use above 0 to 1")
    worth = [one.value for one in (row.share, row.amount) if one is not None]
    if not worth or min(worth) <= 0:
        table.refuse("is worth nothing", "Give share or amount, above 0")
    return row


def _minutes(table: Table) -> Figure:
    minutes = table.figure("minutes")
    if not 0 < minutes.value <= 10_000:
        table.refuse(f"takes {minutes.value} minutes", "Use above 0 to 10000")
    return minutes


def read_limits(text: str) -> Mapping[WaitsFor, int]:
    """The days a case may wait for each, from `settings/agenda.toml`; what it leaves out is ours.

    Raises:
        BadFormFile: not TOML, an unknown key, or a number of days that is none.
    """
    where = "settings/agenda.toml"
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as trouble:
        raise BadFormFile(f"{where} is not TOML: {str(trouble)[:200]}.", "Put that line right.") from None
    days = raw.get("wait_days", {})
    others = [one.value for one in LIMITS]
    names = set(days) if isinstance(days, dict) else {""}
    unknown = sorted((set(raw) - {"wait_days"}) | (names - set(others)))
    if unknown:
        raise BadFormFile(
            f"{where} has the unknown key {unknown[0][:40]!r}.", f"Use [wait_days] with {', '.join(others)}."
        )
    found = dict(LIMITS)
    for name, value in days.items():
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LONGEST_WAIT:
            raise BadFormFile(f"{where} has {name} = {value!r:.40}.", f"Use whole days, 0 to {LONGEST_WAIT}.")
        found[WaitsFor(name)] = value
    return found
