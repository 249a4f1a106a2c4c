"""The electrical sheet of a bay's board in the browser."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.board.electrical import Entry
from mendbay.board.electrical_form import Gate, Phase, Size, Step, ValueClass
from mendbay.board.electrical_judge import expected_words, value_text
from mendbay.board.electrical_steps import Closing, StepState
from mendbay.board.electrical_units import Unit
from mendbay.faces.board_words import verdict_sentence
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.bay_choice import BAY, bay_choice, of_a_bay
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, flag, line
from mendbay.faces.web.visit import Visit, seen
from mendbay.jobs import measure_board
from mendbay.jobs.measure_board import Measured, cautions_of, step_of

BOOK = Book()
SIZES = {"3.5": Size.LARGE, "2.5": Size.SMALL, "unknown": Size.UNKNOWN}
SIZE_WORDS = {"3.5": "3.5 inches", "2.5": "2.5 inches", "unknown": "not known"}
DRIVE_WORDS = {"yes": "the drive is here too", "no": "the board alone"}
GATES = {str(one.value).replace(" ", "").lower(): one for one in Gate}
GATE_WORDS = {name: one.value for name, one in GATES.items()}
STEP = line("step", "Step", required=True, limit=60)
REASON = line("reason", "Why", required=True, limit=500)
GATE = choice("gate", "Where power is let through", GATE_WORDS, required=True)
MARKS = {
    ValueClass.WITHIN: "✓",
    ValueClass.LOW: "▽",
    ValueClass.HIGH: "△",
    ValueClass.SHORT: "✕",
    ValueClass.OPEN: "○",
    ValueClass.UNEQUAL: "≠",
    ValueClass.AMISS: "✕",
}
"""A sign for what a value is; beside it stands the word."""
HINTS = {
    Unit.OHM: "As the meter shows it, in ohms: 0.8, 4k7, 1.2M, OL. Repeated readings: 12.1; 12.0",
    Unit.VOLT: "As the meter shows it, in volts: 12.1, 5.02 V, 800m. Repeated readings: 12.1; 12.0",
    Unit.AMPERE: "As the meter shows it, in amperes: 0.35, 350m.",
    Unit.CELSIUS: "In degrees Celsius: 41.",
}
DUE = (StepState.READY, StepState.DONE, StepState.SKIPPED, StepState.NO_POWER)
"""Where a step stands that the sheet lists by itself."""


@dataclass(frozen=True, slots=True)
class ShownStep:
    """One step of the sheet with all that is known of it."""

    step: Step
    state: str
    mark: str
    sound: bool
    typed: str
    value: str
    verdict: str
    why: str
    barred: bool
    expected: tuple[str, ...]
    note: str
    earlier: tuple[Entry, ...]

    @property
    def hint(self) -> str:
        """How a value is typed."""
        return HINTS.get(self.step.unit, "")

    @property
    def by_choice(self) -> bool:
        """Whether a word is entered rather than a value."""
        return self.step.unit is Unit.CHOICE


@dataclass(frozen=True, slots=True)
class ShownGate:
    """A gate that is closed, or open by a person's word."""

    name: str
    words: str
    closed: tuple[str, ...]
    in_spite: tuple[str, ...]


def _shown(measured: Measured, step: str) -> ShownStep:
    standing, sheet = measured.standing, measured.sheet
    one, judged = standing.of(step), standing.judgements.get(step)
    entries = sheet.entries(step)
    value_class = judged.value_class if judged else None
    return ShownStep(
        one.step,
        str(value_class.value) if value_class else str(one.state.value),
        MARKS.get(value_class, "?") if value_class else "",
        value_class is ValueClass.WITHIN,
        entries[-1].text if judged and entries else "",
        value_text(judged, one.step.unit) if judged else "",
        _verdict(measured, step) if judged else "",
        one.why,
        one.barred,
        expected_words(one.step, sheet.size),
        (entries[-1].note or entries[-1].skipped) if entries else "",
        entries[:-1],
    )


def _verdict(measured: Measured, step: str) -> str:
    """What was entered amounts to, without the id of its step."""
    said = verdict_sentence(measured, step).removeprefix(step).lstrip(",: ")
    return said[:1].upper() + said[1:]


def _asked_and_found(measured: Measured, step: str) -> str:
    return f"{step_of(measured.sheet, step).question} {_verdict(measured, step)}"


def _phases(measured: Measured, everything: bool) -> Iterator[tuple[str, list[ShownStep]]]:
    for phase in Phase:
        rows = [
            _shown(measured, one.step.id)
            for one in measured.standing.steps
            if one.step.phase is phase
            and (
                everything
                or (one.state in DUE and not (one.step.optional and one.step.id not in _answered(measured)))
            )
        ]
        if rows:
            yield phase.value, rows


def _answered(measured: Measured) -> set[str]:
    return set(measured.standing.judgements)


def _because(measured: Measured, one: Closing) -> str:
    return f"{step_of(measured.sheet, one.step).question} {one.why[:1].upper()}{one.why[1:]}"


def _gates(measured: Measured) -> list[ShownGate]:
    standing = measured.standing
    found = []
    for name, gate in GATES.items():
        closed = tuple(_because(measured, one) for one in standing.closings if one.gate is gate)
        spite = tuple(_because(measured, one) for one in standing.overridden if one.gate is gate)
        if closed or spite:
            found.append(ShownGate(name, gate.value, closed, spite))
    return found


def _mark(measured: Measured) -> str:
    return seen(*_marks(measured))


@BOOK.page(
    "/case/{case:int}/board",
    "board",
    "The electrical sheet of a bay's board: what was measured, what it amounts to, what is next.",
    [BAY, flag("all", "Every step")],
)
@of_a_bay
def board(visit: Visit) -> Answer:
    case, everything = visit.path["case"], visit.said["all"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        measured = measure_board.tell_sheet(bench, case, at.bay)
    standing = measured.standing
    size = next(name for name, one in SIZES.items() if one is measured.sheet.size)
    facts = {
        "card": card,
        "at_bay": at,
        "size": size,
        "drive": "yes" if measured.sheet.drive_at_hand else "no",
        "phases": list(_phases(measured, everything)),
        "gates": _gates(measured),
        "found": [*(one.text for one in standing.statements), *standing.remarks],
        "next_step": _shown(measured, standing.next.step.id) if standing.next else None,
        "next_why": standing.next.why if standing.next else "",
        "cautions": measured.cautions,
        "sheet_mark": _mark(measured),
        "everything": everything,
        "begun": bool(measured.sheet.records),
    }
    return Page("board.html", facts)


@BOOK.page(
    "/case/{case:int}/board/step",
    "board-step",
    "How a step of the sheet is done: its cautions first, what is usual, what was entered.",
    [BAY, STEP],
)
@of_a_bay
def step(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        measured = measure_board.tell_sheet(bench, case, at.bay)
    found = step_of(measured.sheet, visit.said["step"])
    facts = {
        "card": card,
        "at_bay": at,
        "one": _shown(measured, found.id),
        "cautions": cautions_of(found),
        "sheet_mark": _mark(measured),
    }
    return Page("board_step.html", facts)


@BOOK.change(
    "/case/{case:int}/board/describe",
    "board-describe",
    "Says what the sheet is of; every value is judged anew by it.",
    [
        BAY,
        choice("size", "Size of the drive", SIZE_WORDS, required=True),
        choice("drive", "What is here", DRIVE_WORDS, required=True),
    ],
)
def describe(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench, bench.ledger.together():
        at = bay_choice(visit, bench, case)
        visit.require_unchanged("the sheet", *_marks(measure_board.tell_sheet(bench, case, at.bay)))
        size, drive = SIZES[visit.said["size"]], visit.said["drive"] == "yes"
        measured = measure_board.describe_board(bench, case, at.bay, size, drive)
    return visit.go("board", " ".join(measured.told) or "Put down what the sheet is of.", {"bay": at.bay})


def _marks(measured: Measured) -> tuple[object, ...]:
    sheet = measured.sheet
    return len(sheet.records), sheet.size, sheet.drive_at_hand


@BOOK.change(
    "/case/{case:int}/board/measure",
    "board-measure",
    "Enters what was measured or seen at a step.",
    [
        BAY,
        STEP,
        line("value", "What the meter shows, or what is seen", required=True, limit=200),
        line("note", "Anything worth keeping with it", limit=500),
    ],
)
def measure(visit: Visit) -> Answer:
    case, entered = visit.path["case"], visit.said["step"]
    with visit.bench() as bench, bench.ledger.together():
        at = bay_choice(visit, bench, case)
        visit.require_unchanged("the sheet", *_marks(measure_board.tell_sheet(bench, case, at.bay)))
        measured = measure_board.enter(bench, case, at.bay, entered, visit.said["value"], visit.said["note"])
    return visit.go("board", _asked_and_found(measured, entered), {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/skip", "board-skip", "Leaves a step out, and says why.", [BAY, STEP, REASON]
)
def skip(visit: Visit) -> Answer:
    case, left = visit.path["case"], visit.said["step"]
    with visit.bench() as bench, bench.ledger.together():
        at = bay_choice(visit, bench, case)
        visit.require_unchanged("the sheet", *_marks(measure_board.tell_sheet(bench, case, at.bay)))
        measured = measure_board.skip(bench, case, at.bay, left, visit.said["reason"])
    return visit.go("board", _asked_and_found(measured, left), {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/override",
    "board-override",
    "Allows power in spite of a finding; the reason goes into the custody log.",
    [BAY, GATE, REASON],
)
def override(visit: Visit) -> Answer:
    return _overridden(visit, take_back=False)


@BOOK.change(
    "/case/{case:int}/board/keep-off",
    "board-keep-off",
    "Bars again what a person's word let power through.",
    [BAY, GATE, REASON],
)
def keep_off(visit: Visit) -> Answer:
    return _overridden(visit, take_back=True)


def _overridden(visit: Visit, *, take_back: bool) -> Answer:
    case, gate = visit.path["case"], GATES[visit.said["gate"]]
    change = measure_board.take_override_back if take_back else measure_board.override
    with visit.bench() as bench, bench.ledger.together():
        at = bay_choice(visit, bench, case)
        visit.require_unchanged("the sheet", *_marks(measure_board.tell_sheet(bench, case, at.bay)))
        change(bench, case, at.bay, gate, visit.said["reason"])
    done = "is barred again" if take_back else "is let through in spite of what was found"
    return visit.go("board", f"{gate.value} {done}; custody keeps the reason.", {"bay": at.bay})
