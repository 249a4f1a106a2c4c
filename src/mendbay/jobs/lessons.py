"""What the shop's own cases teach: outcomes gathered from all that is on record, and put on paper."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from mendbay.board.description import BoardDescription, comparison_key
from mendbay.case.lessons import (
    DAYS,
    GIVEN,
    HOURS,
    Axis,
    Ended,
    Measured,
    Row,
    Spread,
    Swapped,
    Table,
    spreads_of,
    table_of_cases,
    table_of_swaps,
)
from mendbay.case.outcome import from_json
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.core.texts import require_day
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.known_drives import KnownDrives
from mendbay.jobs.learn_triage import AT_CLOSING, OUTCOME
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.papers import frame
from mendbay.jobs.practice import practice_cases, practice_words
from mendbay.jobs.record_swaps import dated_swaps
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.table_file import packaged_tables

ROWS_OF_A_PICTURE = 14
"""Rows of one picture on paper: what fits on a page with its heading."""

Draw = Callable[[str, Sequence[Row]], str]
"""Draws rows under a title, as SVG."""


@dataclass(frozen=True, slots=True)
class Lessons:
    """
    Args:
        since: the first day counted, empty for all.
        cases: how many outcomes are on record.
        swaps: how many swaps.
        practice: the cases left out of all of it, as they were for practice.
    """

    since: str
    cases: int
    swaps: int
    tables: tuple[Table, ...]
    spreads: tuple[Spread, ...]
    practice: frozenset[int] = frozenset()


def tell_lessons(bench: Bench, shop: ShopFiles, *, by: Axis | None = None, since: str = "") -> Lessons:
    """What the outcomes, swaps and images on record teach, but those of cases that were for practice.

    Args:
        by: that table alone; None for all.
        since: the day from which outcomes, swaps and images count (by when they were noted), empty for all.

    Raises:
        UsageError: `since` is no day.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if since:
        require_day(since)
    cases, measured = _gathered(bench, shop, since)
    swaps = [
        Swapped(str(one.agreement.purpose), tuple(one.agreement.as_words().items()), one.worked)
        for at, one in dated_swaps(bench)
        if at[:10] >= since
    ]
    tables = tuple(
        table_of_swaps(swaps) if axis is Axis.DONOR else table_of_cases(axis, cases)
        for axis in Axis
        if by in (None, axis)
    )
    spreads = spreads_of(measured) if by is None else ()
    return Lessons(since, len(cases), len(swaps), tables, spreads, practice_cases(bench))


def _gathered(bench: Bench, shop: ShopFiles, since: str) -> tuple[list[Ended], list[Measured]]:
    practice = practice_cases(bench)
    spelled, records = _Spelling(), [one for one in bench.ledger.cases() if one.number not in practice]
    numbers = [one.number for one in records]
    known, bays_of = KnownDrives(bench, shop, numbers), bench.ledger.bays_of_several(numbers)
    images_of = bench.ledger.images_of_several(numbers)
    handed_back = bench.ledger.first_events(HAND_BACK)
    outcomes = {note.case: note for note in standing_notes(bench, NoteKind.OUTCOME, subject=OUTCOME)}
    symptoms = _symptoms(bench)
    ended: list[Ended] = []
    measured: list[Measured] = []
    for record in records:
        outcome = outcomes.get(record.number)
        counts = outcome is not None and outcome.at[:10] >= since
        images = [one for one in images_of.get(record.number, ()) if one.finished_at[:10] >= (since or "0")]
        if not counts and not images:
            continue
        drives = {
            bay.bay: _drive(known.of(record.number, bay), spelled) for bay in bays_of.get(record.number, ())
        }
        for one in images:
            families = frozenset({drives[one.bay][1]} - {""}) if one.bay in drives else frozenset()
            if one.read_bytes + one.refused_bytes:
                hours = _hours(one.started_at, one.finished_at)
                given = 100 * one.read_bytes / (one.read_bytes + one.refused_bytes)
                measured += [Measured(HOURS, families, hours), Measured(GIVEN, families, given)]
        if outcome is None or not counts:
            continue
        families = frozenset(family for _, family in drives.values() if family)
        boards = frozenset(board for board, _ in drives.values() if board)
        told = symptoms.get(record.number, frozenset())
        case = _ended(outcome, str(record.kind), boards, families, told)
        ended.append(case)
        if case.end in ("handed back", "repaired"):
            last = handed_back.get(record.number, outcome.at)
            measured.append(Measured(DAYS, families, _hours(record.opened_at, last) / 24))
    return ended, measured


class _Spelling:
    """One spelling for what is only written differently: the first that was met."""

    def __init__(self) -> None:
        self._met: dict[str, str] = {}

    def of(self, text: str) -> str:
        return self._met.setdefault(comparison_key(text), text.strip()) if comparison_key(text) else ""


def _drive(known: BoardDescription, spelled: _Spelling) -> tuple[str, str]:
    """Board number and family of a drive, as far as they are known."""
    return spelled.of(known.board_number), spelled.of(known.family)


def _symptoms(bench: Bench) -> dict[int, frozenset[tuple[str, str]]]:
    """What was answered in triage of each case as it came in, in the words of the tables as they are now; an
    answer that they no longer know stands as it was written. A closing keeps what was known before any
    repair; a case without that counts with its last answers."""
    last: dict[int, dict[tuple[str, str], str]] = {}
    for note in standing_notes(bench, NoteKind.SIGN):
        last.setdefault(note.case, {})[note.subject, note.bay] = str(
            body_of(note, "triage").get("answer", "")
        )
    for note in standing_notes(bench, NoteKind.SUBJECT, subject=AT_CLOSING):
        answers = body_of(note, "triage").get("answers")
        if isinstance(answers, list):
            last[note.case] = {(str(sign), str(bay)): str(said) for sign, bay, said in answers}
    signs = packaged_tables().signs
    found: dict[int, set[tuple[str, str]]] = {}
    for case, told in last.items():
        for (asked, _), said in told.items():
            sign = signs.get(asked)
            words = {one.id: one.words for one in sign.answers} if sign else {}
            found.setdefault(case, set()).add((sign.asks if sign else asked, words.get(said, said)))
    return {case: frozenset(told) for case, told in found.items()}


def _ended(
    note: Note,
    kind: str,
    boards: frozenset[str],
    families: frozenset[str],
    symptoms: frozenset[tuple[str, str]],
) -> Ended:
    faults = packaged_tables().faults
    try:
        outcome = from_json(note.body)
    except UsageError as trouble:
        raise unreadable(note, "an outcome", trouble) from trouble
    names = {one.fault for one in outcome.found} if outcome.known else set()
    found = frozenset(faults[one].words if one in faults else one for one in names)
    end, data = str(outcome.end), str(outcome.data)
    return Ended(note.case, kind, end, data, found, outcome.sure, boards, families, symptoms)


def _hours(start: str, end: str) -> float:
    """From one moment to a later one; 0 if the clock was turned back between them."""
    gone = datetime.fromisoformat(end) - datetime.fromisoformat(start)
    return max(0.0, gone.total_seconds() / 3600)


# ------------------------------------------------------------------ on paper and as a list


def lessons_pdf(bench: Bench, lessons: Lessons, draw: Draw) -> bytes:
    """The lessons as a paper of the shop, with their pictures.

    Raises:
        BadFormFile: the shop's own wording or file is not sound.
    """
    pictures: dict[str, str] = {}
    tables = []
    for table in lessons.tables:
        shown = []
        for at in range(0, len(table.rows), ROWS_OF_A_PICTURE):
            rows = table.rows[at : at + ROWS_OF_A_PICTURE]
            name = f"{table.axis}-{at // ROWS_OF_A_PICTURE + 1}"
            pictures[name] = draw(table.title, rows)
            shown.append({"name": name, "words": [_row_words(row) for row in rows]})
        tables.append(
            {
                "title": table.title,
                "counted": counted(table.counted, table.unit),
                "left_out": counted(table.left_out, table.unit) if table.left_out else "",
                "pictures": shown,
                "remarks": list(table.remarks),
            }
        )
    facts = {
        **frame(bench, "What our cases teach"),
        "since": lessons.since,
        "cases": counted(lessons.cases, "case"),
        "swaps": counted(lessons.swaps, "swap"),
        "practice": practice_words(lessons.practice),
        "tables": tables,
        "spreads": [
            {
                "measure": one.measure,
                "family": one.family,
                "counted": str(one.counted),
                "median": number_text(one.median, one.unit),
                "range": f"{number_text(one.least, one.unit)} to {number_text(one.most, one.unit)}",
            }
            for one in lessons.spreads
        ],
        "pictures": pictures,
    }
    return bench.stationery.pdf("lessons", facts)


def _row_words(row: Row) -> str:
    name = f"{row.group} {row.what}" if row.group else row.what
    return f"{name}: {row.proportion.words()}{'' if row.enough else ' (too few to say)'}"


def number_text(value: float, unit: str) -> str:
    """A measured value: per cent with two digits more above 99, where drives differ, never rounded to 100."""
    if unit == "%":
        return "100 %" if value == 100 else f"{min(value, 99.99):.2f} %" if value > 99 else f"{value:.0f} %"
    return f"{value:.1f}" if value < 100 else f"{value:.0f}"


_FORMULA = re.compile(r"[\s']*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
"""What a spreadsheet would take for a formula at the beginning of a cell."""


def lessons_csv(lessons: Lessons) -> bytes:
    """The rows of all tables as CSV (RFC 4180, UTF-8); shares from 0 to 1."""
    made = io.StringIO()
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow(
        ("by", "counted as", "group", "what", "counted", "good", "share", "low", "high", "enough")
    )
    writer.writerows(_safe(row) for row in _csv_rows(lessons.tables))
    return made.getvalue().encode()


def _csv_rows(tables: Iterable[Table]) -> Iterator[tuple[str, ...]]:
    for table in tables:
        for row in table.rows:
            share, (low, high) = row.proportion, row.proportion.interval
            yield (
                *(str(table.axis), table.unit, row.group, row.what),
                *(str(share.counted), str(share.good)),
                *(f"{one:.4f}" for one in (share.share, low, high)),
                "yes" if row.enough else "no",
            )


def _safe(row: Iterable[str]) -> list[str]:
    return [f"'{cell}" if _FORMULA.match(cell) else cell for cell in row]
