"""`mendbay bench lessons`: what the shop's own cases teach, with counts and intervals."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from mendbay.case.lessons import ENOUGH, Axis, Row, Spread, Table
from mendbay.core.proportion import LEVEL, interval_text
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.lesson_words import COUNTED_OF, practice_left_out, rests_on, spread_row
from mendbay.jobs.lessons import Lessons, lessons_csv, lessons_pdf, tell_lessons
from mendbay.wiring import lesson_plot, open_bench, shop_files, write_new_files

HANG = " " * 28
"""What stands before the name of a row."""


@click.command(name="lessons")
@click.option(
    "--by", type=click.Choice([str(one) for one in Axis]), help="Only this table; all of them without it."
)
@click.option(
    "--since", default="", metavar="DAY", help="Count what was noted from this day on, as 2026-01-31."
)
@click.option("--csv", "csv_file", type=click.Path(path_type=Path), help="Write the rows to this new file.")
@click.option("--plots", type=click.Path(path_type=Path), help="Write a picture (SVG) of each table here.")
@click.option(
    "--pdf", "pdf_file", type=click.Path(path_type=Path), help="Write all on paper to this new file."
)
@click.pass_obj
def lessons(
    screen: Screen,
    by: str | None,
    since: str,
    csv_file: Path | None,
    plots: Path | None,
    pdf_file: Path | None,
) -> None:
    """Tell what the shop's own cases teach: how many went well, and how sure that is.

    A case went well if all or most of its data was had; where none was asked for, if the thing was repaired
    or handed back. Cases that were declined, and enquiries, are left out. A swap went well if it worked.
    Cases for practice, in which a simulated drive or chip was read, are left out of everything.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = tell_lessons(bench, shop_files(screen.home), by=Axis(by) if by else None, since=since)
        pdf = lessons_pdf(bench, told, lesson_plot) if pdf_file else b""
    files: dict[Path, bytes] = {}
    if csv_file:
        files[csv_file] = lessons_csv(told)
    if plots:
        for one in told.tables:
            if one.rows:
                files[plots / f"{one.axis}.svg"] = lesson_plot(one.title, one.rows).encode()
    if pdf_file:
        files[pdf_file] = pdf
    written = write_new_files(files)
    screen.answer(_json(told, written), _text(told, written))


def _text(told: Lessons, written: Sequence[Path]) -> str:
    called = wording.called_as()
    if not told.cases and not told.swaps and not told.spreads:
        since = f" since {told.since}" if told.since else ""
        return "\n".join(
            [
                f"Nothing is on record{since}.",
                *([wrapped(practice)] if (practice := practice_left_out(told)) else ()),
                wrapped(
                    f"Next: {called} donor used tells how a swap went, {called} case close how a case ended."
                ),
                *(f"Written: {one}" for one in written),
            ]
        )
    parts = [
        wrapped(rests_on(told), hang=""),
        *(_table_text(one) for one in told.tables),
    ]
    if told.spreads:
        parts.append(_spreads_text(told.spreads))
    if written:
        parts.append("\n".join(f"Written: {one}" for one in written))
    return "\n\n".join(parts)


def _table_text(told: Table) -> str:
    heading = f"{told.title} ({wording.counted(told.counted, told.unit)})"
    lines = [heading, "-" * len(heading)]
    if not told.rows:
        return "\n".join([*lines, "Nothing is on record yet."])
    enough, few = ([row for row in told.rows if row.enough is kept] for kept in (True, False))
    if enough:
        first = "so many" if told.axis is Axis.ENDING else "good"
        lines += [f"{first:>10}  {'likely':>12}", *_row_lines(enough)]
    if few:
        lines += [f"Too few to say (under {ENOUGH}):", *_row_lines(few)]
    lines += [wrapped(one) for one in told.remarks]
    if told.left_out:
        lines.append(wrapped(f"Left out, as nothing was tried: {wording.counted(told.left_out, told.unit)}."))
    return "\n".join(lines)


def _row_lines(rows: Sequence[Row]) -> list[str]:
    lines: list[str] = []
    group = ""
    for row in rows:
        if row.group != group:
            group = row.group
            lines.append(wrapped(group, "  "))
        share = row.proportion
        before = f"{f'{share.good} of {share.counted}':>10}  {interval_text(share.interval):>12}"
        lines.append(before + wrapped(row.what, HANG, "")[len(before) :])
    return lines


def _spreads_text(spreads: Sequence[Spread]) -> str:
    rows = [spread_row(one) for one in spreads]
    heading = "How long it took, and what the drives gave"
    shown = table(rows, ("of", "median", "from least to most", "what"), right=(0, 1, 2))
    return "\n".join([heading, "-" * len(heading), shown, wrapped(COUNTED_OF)])


def _json(told: Lessons, written: Sequence[Path]) -> dict[str, Any]:
    return {
        "since": told.since or None,
        "cases": told.cases,
        "swaps": told.swaps,
        "practice_cases": sorted(told.practice),
        "level": LEVEL,
        "enough_from": ENOUGH,
        "tables": [
            {
                "by": str(one.axis),
                "unit": one.unit,
                "counted": one.counted,
                "left_out": one.left_out,
                "rows": [_row_json(row) for row in one.rows],
                "remarks": list(one.remarks),
            }
            for one in told.tables
        ],
        "spreads": [
            {
                "measure": one.measure,
                "unit": one.unit,
                "family": one.family,
                "counted": one.counted,
                "median": one.median,
                "least": one.least,
                "most": one.most,
            }
            for one in told.spreads
        ],
        "written": [str(one) for one in written],
    }


def _row_json(row: Row) -> dict[str, Any]:
    low, high = row.proportion.interval
    return {
        "group": row.group,
        "what": row.what,
        "counted": row.proportion.counted,
        "good": row.proportion.good,
        "share": row.proportion.share,
        "low": low,
        "high": high,
        "enough": row.enough,
    }
