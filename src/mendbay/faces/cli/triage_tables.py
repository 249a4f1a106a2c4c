"""`mendbay triage tables`: every number of triage, where it comes from, and what closed cases made of it."""

from __future__ import annotations

from collections.abc import Sequence

import click

from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.lesson_words import SHARES_COUNTED, tables_rest_on
from mendbay.jobs.learn_triage import TableNumbers, table_numbers
from mendbay.triage.table_numbers import Number
from mendbay.wiring import open_bench


@click.command(name="tables")
@click.argument("topic", metavar="[SIGN|faults|events|layouts|steps]", default="")
@click.pass_obj
def tables(screen: Screen, topic: str) -> None:
    """Show the numbers of triage, with their origin and what closed cases made of them.

    Without a topic: what there is, and what moved most.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = table_numbers(bench, topic)
    screen.answer(_json(told), _of_topic(told, topic) if topic else _overview(told))


def _overview(told: TableNumbers) -> str:
    lines = _rests_on(told)
    moved = sorted((one for one in told.numbers if one.now != one.packaged), key=_move)[:12]
    if moved:
        lines += ["", "What moved most:", _table(moved, with_topic=True), *_counted(moved)]
    lines += ["", wrapped(f"There are numbers of: {', '.join(told.topics)}.")]
    lines.append(f"Next: {wording.called_as()} triage tables faults")
    return "\n".join(lines)


def _of_topic(told: TableNumbers, topic: str) -> str:
    lines = [*([told.asks] if told.asks else []), *_rests_on(told), ""]
    lines += [_table(told.numbers, with_topic=False), *_counted(told.numbers)]
    lines += ["", "Origin:"]
    for source in dict.fromkeys(one.now.source for one in told.numbers):
        named = [f"{one.entry or 'otherwise'} {one.part}" for one in told.numbers if one.now.source == source]
        lines.append(wrapped(f"{source}: {_named(named)}.", "  "))
    return "\n".join(lines)


def _named(names: Sequence[str]) -> str:
    """The entries that share an origin; many are counted."""
    return ", ".join(names) if len(names) <= 4 else wording.counted(len(names), "number")


def _rests_on(told: TableNumbers) -> list[str]:
    lines = [wrapped(tables_rest_on(told))]
    return lines + [wrapped(f"Left out: {one}", "  ") for one in told.left_out]


def _counted(numbers: Sequence[Number]) -> list[str]:
    """How cases are counted, where any were: not as `bench lessons` does."""
    return [wrapped(SHARES_COUNTED)] if any(one.counted for one in numbers) else []


def _move(one: Number) -> float:
    return -abs(float(one.now.value - one.packaged.value))


def _table(numbers: Sequence[Number], *, with_topic: bool) -> str:
    rows = []
    for one in numbers:
        entry = one.entry or "otherwise"
        entry = f"{one.topic}: {entry}" if with_topic else entry
        met = "" if one.counted is None else f"{one.counted:.1f}"
        now = f"{float(one.now.value):.4g}"
        rows.append((_short(entry), _short(one.part), one.packaged.text, met, now))
    return table(rows, ("", "", "table", "counted", "now"), right=(2, 3, 4))


def _short(text: str) -> str:
    return text if len(text) <= 24 else f"{text[:23]}…"


def _json(told: TableNumbers) -> dict[str, object]:
    return {
        "closed_cases": told.rests_on,
        "left_out": list(told.left_out),
        "topics": list(told.topics),
        "numbers": [
            {
                "topic": one.topic,
                "entry": one.entry,
                "part": one.part,
                "table": float(one.packaged.value),
                "table_source": one.packaged.source,
                "counted": None if one.counted is None else round(one.counted, 6),
                "now": float(one.now.value),
                "source": one.now.source,
            }
            for one in told.numbers
        ],
    }
