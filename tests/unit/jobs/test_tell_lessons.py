"""Lessons gathered from what is on record: withdrawn ones do not count, the latest word does."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import replace

import pytest
from pypdf import PdfReader

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import Agreement, Purpose
from mendbay.case.lessons import DAYS, GIVEN, HOURS, Axis, Ended, Row, table_of_cases
from mendbay.case.outcome import DataBack, End
from mendbay.case.outcome import said as said_outcome
from mendbay.case.personal import remaining
from mendbay.case.records import Bay, CaseKind, Image
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.faces.lesson_words import rests_on
from mendbay.jobs.bench import Bench
from mendbay.jobs.close_case import close_case
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.learn_triage import closed_cases, table_numbers
from mendbay.jobs.lessons import Lessons, lessons_csv, lessons_pdf, number_text, tell_lessons
from mendbay.jobs.practice import DRIVE, note_practice, practice_words
from mendbay.jobs.record_swaps import outcomes, record_swap, withdraw_swap
from mendbay.jobs.triage_case import answer, note_tried
from mendbay.jobs.withdraw import subject_of, withdraw
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked
from mendbay.wiring import lesson_plot

MOVED = {"board number": "same", "revision": "different", "ROM": "moved"}


def outcome(bench: Bench, case: int = 1, **changes: object) -> Note:
    body: dict[str, object] = {
        "found": [["heads", "1"]],
        "known": True,
        "sure": True,
        "end": "handed back",
        "data": "all",
        "remark": "",
    }
    said = json.dumps(body | changes)
    return bench.notes.add(Note(case, "", NoteKind.OUTCOME, "case", bench.now(), bench.who, said))


def counts(lessons: Lessons, axis: Axis) -> dict[tuple[str, str], tuple[int, int]]:
    (table,) = (one for one in lessons.tables if one.axis is axis)
    return {(row.group, row.what): (row.proportion.good, row.proportion.counted) for row in table.rows}


def told_sign(bench: Bench, sign: str, answer: str, bay: str = "") -> None:
    said = json.dumps({"answer": answer})
    bench.notes.add(Note(1, bay, NoteKind.SIGN, sign, bench.now(), bench.who, said))


def test_a_case_is_found_by_what_is_on_record_of_it(bench: Bench, shop: ShopFolder) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.BOX)
    bench.ledger.amend_bay(Bay(1, "1", model="AL20-HX4"))
    told_sign(bench, "sound", "silent", "1")
    told_sign(bench, "sound", "clicks", "1")
    told_sign(bench, "a sign of old", "so")
    outcome(bench, data="none")
    outcome(bench)  # the latest word counts
    told = tell_lessons(bench, shop)
    assert told.cases == 1
    assert counts(told, Axis.KIND) == {("", "two-bay box"): (1, 1)}
    assert counts(told, Axis.FAULT) == {("", "the heads or their preamplifier"): (1, 1)}
    assert counts(told, Axis.SYMPTOM) == {
        ("What does the drive sound like in the box?", "it clicks again and again"): (1, 1),
        ("a sign of old", "so"): (1, 1),
    }
    families = counts(told, Axis.FAMILY)
    assert families["Family", "ALdd-HX4"] == (1, 1)
    assert families["Board", "not known"] == (1, 1)
    assert counts(told, Axis.ENDING)["Data", "all"] == (1, 1)


def test_symptoms_are_those_it_came_in_with(bench: Bench, shop: ShopFolder) -> None:
    answer(bench, 1, Asked("lights"), "none")
    note_tried(bench, 1, "new-adapter")
    answer(bench, 1, Asked("lights"), "normal")
    close_case(bench, 1, said_outcome(["adapter"], end=End.REPAIRED, data=DataBack.NOT_ASKED))
    symptoms = counts(tell_lessons(bench, shop), Axis.SYMPTOM)
    assert [what for _, what in symptoms] == ["no light comes on"]


def test_outcomes_that_are_taken_back_or_not_known(bench: Bench, shop: ShopFolder) -> None:
    note = outcome(bench, known=False, found=[], sure=False)
    assert counts(tell_lessons(bench, shop), Axis.FAULT) == {("", "not found"): (1, 1)}
    withdraw(bench, [subject_of(note)], 1, "", "another case")
    assert tell_lessons(bench, shop).cases == 0


@pytest.mark.parametrize(
    "changes", [{"end": "eaten"}, {"data": 3}, {"found": [[]]}, {"found": 7}, {"known": True, "found": None}]
)
def test_a_note_that_mendbay_did_not_write_is_told(
    bench: Bench, shop: ShopFolder, changes: dict[str, object]
) -> None:
    note = outcome(bench, **changes)
    with pytest.raises(LedgerError, match=f"note {note.number} of an outcome"):
        tell_lessons(bench, shop)


def test_withdrawn_swaps_do_not_count_and_the_last_word_does(bench: Bench, shop: ShopFolder) -> None:
    board = BoardDescription(board_number="TB-4471")
    one, other = add_items(bench, shop, [StockItem(0, Kind.BOARD, board)] * 2)
    agreed = Agreement.from_words(Purpose.BOARD_SWAP, MOVED)
    record_swap(bench, one.number, 1, "1", agreed, False)
    record_swap(bench, one.number, 1, "1", agreed, True)
    record_swap(bench, other.number, 1, "2", agreed, False)
    found = counts(tell_lessons(bench, shop, by=Axis.DONOR), Axis.DONOR)
    assert found["board swap: revision", "different"] == (1, 2)
    withdraw_swap(bench, other.number, 1, "2", Purpose.BOARD_SWAP, "it was another bay")
    told = tell_lessons(bench, shop, by=Axis.DONOR)
    assert counts(told, Axis.DONOR)["board swap: ROM", "moved"] == (1, 1)
    assert told.swaps == 1
    assert [one.axis for one in told.tables] == [Axis.DONOR]
    assert told.spreads == ()


def image(bay: str, hours: int, read: int, refused: int) -> Image:
    end = f"2026-11-02T{8 + hours:02}:00:00Z"
    return Image(1, bay, f"bay-{bay}.img", "bridge", "2026-11-02T08:00:00Z", end, read, refused, 0, 5)


def test_times_and_what_drives_gave(bench: Bench, shop: ShopFolder) -> None:
    bench.ledger.amend_bay(Bay(1, "1", model="AL20-HX4"))
    bench.ledger.note_image(image("1", 2, 75, 25))
    bench.ledger.note_image(image("2", 4, 100, 0))
    spreads = {(one.measure, one.family): one for one in tell_lessons(bench, shop).spreads}
    hours = spreads[HOURS, "all drives"]
    assert (hours.counted, hours.median, hours.least, hours.most) == (2, 3.0, 2.0, 4.0)
    assert spreads[GIVEN, "ALdd-HX4"].median == 75.0
    assert (DAYS, "all drives") not in spreads
    outcome(bench)
    bench.note(1, "hand-back", "Files handed back.")
    days = next(one for one in tell_lessons(bench, shop).spreads if one.measure == DAYS)
    assert 0 <= days.median < 1
    assert tell_lessons(bench, shop, since="2026-11-03").spreads == (days, replace(days, family="ALdd-HX4"))


def test_since_a_day(bench: Bench, shop: ShopFolder) -> None:
    outcome(bench)
    today = bench.now()[:10]
    assert tell_lessons(bench, shop, since=today).cases == 1
    assert tell_lessons(bench, shop, since="2999-01-01").cases == 0
    with pytest.raises(UsageError, match="is not a day"):
        tell_lessons(bench, shop, since="yesterday")


def hostile() -> Lessons:
    kinds = ["=HYPERLINK(1)", " -1", 'a,"b"', "</svg><script>x</script>"]
    kinds += [f"kind {at:02}" for at in range(30)]
    every = [Ended(at, kind, "handed back", "all") for at, kind in enumerate(kinds)]
    return Lessons("", len(every), 0, (table_of_cases(Axis.KIND, every),), ())


def test_a_spreadsheet_takes_no_cell_for_a_formula() -> None:
    rows = list(csv.DictReader(io.StringIO(lessons_csv(hostile()).decode(), newline="")))
    assert len(rows) == 34
    assert {"'=HYPERLINK(1)", "' -1", 'a,"b"'} <= {one["what"] for one in rows}
    assert {(one["good"], one["counted"], one["share"], one["high"]) for one in rows} == {
        ("1", "1", "1.0000", "1.0000")
    }


def test_the_paper_shows_every_row_however_many_there_are(bench: Bench) -> None:
    drawn: list[str] = []

    def draw(title: str, rows: Sequence[Row]) -> str:
        drawn.extend(row.what for row in rows)
        return lesson_plot(title, rows)

    pdf = lessons_pdf(bench, hostile(), draw)
    said = " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())
    assert len(drawn) == 34
    assert "By what the case was about" in said
    for what in ("kind 29", "</svg><script>", "1 of 1; 22 to 100 %, too few to say"):
        assert what in said, said


def test_nothing_on_record_makes_a_paper_too(bench: Bench, shop: ShopFolder) -> None:
    pdf = lessons_pdf(bench, tell_lessons(bench, shop), lesson_plot)
    assert "Nothing is on record yet" in PdfReader(io.BytesIO(pdf)).pages[0].extract_text()


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (100, "%", "100 %"),
        (99.9999, "%", "99.99 %"),
        (99.5, "%", "99.50 %"),
        (12.4, "%", "12 %"),
        (3.14, "h", "3.1"),
    ],
)
def test_numbers_in_words(value: float, unit: str, said: str) -> None:
    assert number_text(value, unit) == said


def test_practice_teaches_nothing_and_is_told(bench: Bench, shop: ShopFolder) -> None:
    (item,) = add_items(bench, shop, [StockItem(0, Kind.BOARD, BoardDescription(board_number="TB-4471"))])
    record_swap(bench, item.number, 1, "1", Agreement.from_words(Purpose.BOARD_SWAP, MOVED), True)
    answer(bench, 1, Asked("lights"), "none")
    close_case(bench, 1, said_outcome(["adapter"], end=End.REPAIRED, data=DataBack.NOT_ASKED))
    assert tell_lessons(bench, shop).cases == 1
    assert [one.number for one in closed_cases(bench)] == [1]
    for _ in range(2):  # said once, however often it is read
        note_practice(bench, 1, "1", DRIVE)
    told = tell_lessons(bench, shop)
    assert (told.cases, told.swaps, told.spreads, told.practice) == (0, 0, (), {1})
    assert not closed_cases(bench)
    assert not outcomes(bench)
    assert len(bench.notes.of(NoteKind.PRACTICE)) == 1
    words = "1 practice case is left out (1): a simulated drive or chip was read."
    assert words in rests_on(told)
    assert words in table_numbers(bench).left_out
    pages = PdfReader(io.BytesIO(lessons_pdf(bench, told, lesson_plot))).pages
    assert words in " ".join(pages[0].extract_text().split())
    assert remaining(bench.notes.of(NoteKind.PRACTICE)[0]) is not None  # also once the case is forgotten


def test_of_many_practice_cases_some_are_named() -> None:
    assert practice_words(frozenset()) == ""
    assert practice_words(frozenset(range(1, 40))).startswith("39 practice cases are left out (1, 2, 3, ")
    assert ", 12, …)" in practice_words(frozenset(range(1, 40)))
