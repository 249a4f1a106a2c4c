"""What the shop's own cases teach: counts with intervals, numbers of triage, misread characters."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from mendbay.case.lessons import ENOUGH, TITLES, Axis, Table
from mendbay.core.proportion import interval_text
from mendbay.faces import lesson_words, number_words, reckon_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.fields import choice, day, decimal, line, number
from mendbay.faces.web.gatherer import Gathered
from mendbay.faces.web.visit import Visit
from mendbay.jobs.corrections import lessons as misread_lessons
from mendbay.jobs.corrections import unlearn
from mendbay.jobs.learn_triage import TableNumbers, table_numbers
from mendbay.jobs.lessons import Lessons, lessons_csv, lessons_pdf, tell_lessons
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.table_numbers import Number
from mendbay.wiring import lesson_plot, lesson_plots, open_bench, shop_files

BOOK = Book()
BY = {str(one): words for one, words in TITLES.items()}
SINCE = day("since", "Count what was noted from the day on")
AXIS = choice("by", "Sorted", BY)
INKS = {name: f"var(--{name})" for name in ("ink", "slate", "sand", "teal")} | {"ground": "var(--paper)"}
"""Colours of a plot as the page has them, light or dark."""
ROWS_OF_A_PLOT = 40
"""Rows that are drawn; the table below has all."""
MOVED = 20
"""Numbers of triage that are told to have moved most."""


@BOOK.page(
    "/lessons", "lessons", "What the shop's own cases teach, with counts and intervals.", [AXIS, SINCE]
)
def lessons(visit: Visit) -> Answer:
    said = visit.said
    gathered = _taught(visit, said["by"], said["since"])
    if gathered is None:
        return Page("gathering.html", {"what": "What our cases teach"})
    told = gathered.found
    facts = {
        "as_of": gathered.at if gathered.is_old else "",
        "asked": {"by": said["by"], "since": said["since"]},
        "empty": not (told.cases or told.swaps or told.spreads),
        "rests_on": lesson_words.rests_on(told),
        "practice": lesson_words.practice_left_out(told),
        "tables": [_table_facts(one) for one in told.tables],
        "without": [one.title for one in told.tables if not one.rows],
        "spreads": [lesson_words.spread_row(one) for one in told.spreads],
        "counted_of": lesson_words.COUNTED_OF,
        "enough": ENOUGH,
    }
    return Page("lessons.html", facts)


def _taught(visit: Visit, by: str, since: str) -> Gathered[Lessons] | None:
    """What the cases teach, kept until the ledger changes; None while it is gathered the first time.

    Raises:
        UsageError: `since` is no day.
    """
    desk = visit.desk

    def gather() -> tuple[Lessons, str]:
        with open_bench(desk.home) as bench:
            told = tell_lessons(bench, shop_files(desk.home), by=Axis(by) if by else None, since=since)
            return told, bench.now()

    place = f"lessons {by} {since}"
    with desk.lock:  # of those since a day, the one asked for last is kept
        if since and (last := desk.kept.get("lessons since")) != place:
            desk.kept["lessons since"] = place
            before = desk.kept.pop(last or "", None)
            if before is not None:
                before.end()
    return desk.gathered(place, gather)


@BOOK.page("/lessons/rows.csv", "lessons-csv", "The rows as a list (CSV).", [AXIS, SINCE])
def rows(visit: Visit) -> Answer:
    told = _taught_now(visit)
    if told is None:
        return Page("gathering.html", {"what": "What our cases teach", "as_file": True})
    return Blob(lessons_csv(told), "text/csv; charset=utf-8", "lessons.csv")


@BOOK.page("/lessons/paper", "lessons-paper", "The same on paper, as PDF.", [AXIS, SINCE])
def paper(visit: Visit) -> Answer:
    told = _taught_now(visit)
    if told is None:
        return Page("gathering.html", {"what": "What our cases teach", "as_file": True})
    with visit.bench() as bench:
        data = lessons_pdf(bench, told, lesson_plot)
    return Blob(data, "application/pdf", "lessons.pdf")


def _taught_now(visit: Visit) -> Lessons | None:
    """What the cases teach as of now, for what leaves the bench; None while it is being gathered."""
    gathered = _taught(visit, visit.said["by"], visit.said["since"])
    return None if gathered is None or gathered.is_old else gathered.found


@BOOK.page(
    "/lessons/triage",
    "triage-numbers",
    "The numbers of triage, where each comes from, and what closed cases made of it.",
    [line("topic", "Topic")],
)
def triage_numbers(visit: Visit) -> Answer:
    topic = visit.said["topic"]
    with visit.bench() as bench:
        told = table_numbers(bench, topic)
    shown = list(told.numbers) if topic else _moved(told)
    facts = {
        "topic": topic,
        "topics": {one: number_words.topic_words(packaged_tables(), one) for one in told.topics},
        "rests_on": lesson_words.tables_rest_on(told),
        "left_out": told.left_out,
        "rows": [_number_row(one) for one in shown],
        "counted_words": lesson_words.SHARES_COUNTED if any(one.counted for one in shown) else "",
    }
    return Page("lessons_triage.html", facts)


@BOOK.page("/lessons/reading", "misread", "What the shop has learned of misread characters.")
def misread(visit: Visit) -> Answer:
    with visit.bench() as bench:
        found = misread_lessons(bench)
    return Page("lessons_reading.html", {"rows": found})


@BOOK.change(
    "/lessons/reading/{lesson:int}/unlearn",
    "unlearn",
    "Takes a lesson of misread characters back; its correction holds for its own bay.",
    [line("reason", "Why it teaches something wrong", required=True)],
)
def unlearn_(visit: Visit) -> Answer:
    with visit.bench() as bench:
        gone = unlearn(bench, visit.path["lesson"], visit.said["reason"])
    one = gone.correction
    return visit.go(
        "misread",
        f"Taken back: {one.kind} {one.right_text} read as {one.read_text}. Bay {gone.bay} of case "
        f"{gone.case} keeps its correction.",
    )


AFR = decimal("afr", "Of such drives so many per cent fail in a year", most=100)


@BOOK.page(
    "/lessons/reckon",
    "reckon",
    "How likely drives fail or hold back a sector, and when to stop reading.",
    [
        choice(
            "what",
            "Reckon",
            {"death": "death", "whole-read": "a whole read", "mirror": "a mirror", "go-on": "going on"},
        ),
        decimal("hours", "It runs for so many hours", most=1_000_000),
        AFR,
        number("gb", "Size in GB, as the drive is sold", least=1, most=100_000),
        number("bits", "One error in 10 to so many bits", least=12, most=18, default=14),
        decimal("days", "Until a failed drive is replaced, in days", most=100_000),
        decimal("brings", "Worth of what an hour brings"),
        decimal("costs", "What an hour of the bench costs"),
        decimal("dies", "Per cent an hour that it dies", most=100),
        decimal("at_risk", "Worth of what a clean room could still save"),
    ],
)
def reckon(visit: Visit) -> Answer:
    said = visit.said
    found = RECKON[said["what"]](said) if said["what"] else None
    return Page("lessons_reckon.html", {"asked": said, "found": found})


def _death(said: Any) -> reckon_words.Reckoned | None:
    return reckon_words.death(said["hours"], said["afr"]) if _has(said, "hours") and _is_share(said) else None


def _whole_read(said: Any) -> reckon_words.Reckoned | None:
    return reckon_words.whole_read(said["gb"], said["bits"]) if _has(said, "gb") else None


def _mirror(said: Any) -> reckon_words.Reckoned | None:
    return reckon_words.mirror(said["days"], said["afr"]) if said["days"] and _is_share(said) else None


def _go_on(said: Any) -> reckon_words.Reckoned | None:
    if not said["hours"] or not _has(said, "brings", "costs", "dies", "at_risk"):
        return None
    return reckon_words.go_on(said["hours"], said["brings"], said["costs"], said["dies"], said["at_risk"])


RECKON: dict[str, Callable[[Any], reckon_words.Reckoned | None]] = {
    "death": _death,
    "whole-read": _whole_read,
    "mirror": _mirror,
    "go-on": _go_on,
}


def _has(said: Any, *names: str) -> bool:
    return all(said[one] is not None for one in names)


def _is_share(said: Any) -> bool:
    """Whether the share that fails in a year is more than none and less than all."""
    return said["afr"] is not None and 0 < said["afr"] < 100


def _table_facts(told: Table) -> dict[str, Any]:
    drawn = told.rows[:ROWS_OF_A_PLOT]
    return {
        "by": str(told.axis),
        "title": told.title,
        "counted": told.counted,
        "unit": told.unit,
        "left_out": told.left_out,
        "remarks": told.remarks,
        "first": "so many" if told.axis is Axis.ENDING else "good",
        # drawn by ourselves, with every name in it escaped
        "plots": [Markup(one) for one in lesson_plots(told.title, drawn, INKS)] if drawn else [],  # noqa: S704
        "rows": [
            (
                one.group,
                one.what,
                f"{one.proportion.good} of {one.proportion.counted}",
                interval_text(one.proportion.interval),
                one.enough,
            )
            for one in told.rows
        ],
    }


def _moved(told: TableNumbers) -> list[Number]:
    """The numbers that closed cases moved most."""
    moved = [one for one in told.numbers if one.now != one.packaged]
    return sorted(moved, key=lambda one: -abs(float(one.now.value - one.packaged.value)))[:MOVED]


def _number_row(one: Number) -> dict[str, Any]:
    return {
        "topic": one.topic,
        "of": number_words.topic_words(packaged_tables(), one.topic),
        "entry": number_words.entry_words(packaged_tables(), one),
        "part": number_words.part_words(packaged_tables(), one),
        "packaged": one.packaged.text,
        "counted": "" if one.counted is None else f"{one.counted:.1f}",
        "now": f"{float(one.now.value):.4g}",
        "moved": one.now != one.packaged,
        "source": one.now.source,
    }
