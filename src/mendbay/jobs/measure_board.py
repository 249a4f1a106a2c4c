"""The electrical sheet of a bay's board, filled in step by step and kept with the case."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from mendbay.board.electrical import Entry, Override, Record, Sheet, Standing
from mendbay.board.electrical_form import Gate, Phase, Size, Step, ValueClass
from mendbay.board.electrical_judge import Judgement
from mendbay.board.electrical_steps import StepState
from mendbay.board.electrical_units import Unit, amount_text
from mendbay.case.records import LOOSE_BOARD
from mendbay.core.cautions import Caution, cautions_for
from mendbay.core.errors import LedgerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.remembered import remembered

ABOUT = "sheet"
"""Subject of the note that says what the sheet is of; all others are named for their step or gate."""
_BARE = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
"""A number without a prefix or unit."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The sheet as it is now, with what follows from it and the cautions of the next step.

    Args:
        common: cautions that most of the steps ask for that can be taken now.
        read: ids of cautions that were shown with the step offered before the entry just made, to the same
            person; none where nothing was entered.
        missed: cautions of the step just entered that were not: it was not the one offered.
        told: what changed when the sheet was described anew, as sentences.
        before: the sheet before it was described anew; None otherwise.
    """

    sheet: Sheet
    standing: Standing
    cautions: tuple[Caution, ...]
    common: tuple[Caution, ...] = ()
    read: frozenset[str] = frozenset()
    missed: tuple[Caution, ...] = ()
    told: tuple[str, ...] = ()
    before: Sheet | None = None


def tell_sheet(bench: Bench, case: int, bay: str) -> Measured:
    """The electrical sheet of a bay.

    Raises:
        NoSuchCase: there is no such case or bay.
        CaseForgotten: it was forgotten.
    """
    remembered(bench, case)
    bench.ledger.bay(case, bay)
    return _measured(_sheet(bench, case, bay))


def begun_sheet(bench: Bench, case: int, bay: str) -> Measured | None:
    """The electrical sheet of a bay, or None if nothing was ever entered.

    Raises:
        NoSuchCase: there is no such case or bay.
        CaseForgotten: it was forgotten.
    """
    remembered(bench, case)
    bench.ledger.bay(case, bay)
    sheet = _sheet(bench, case, bay)
    return _measured(sheet) if sheet.records else None


def describe_board(
    bench: Bench, case: int, bay: str, size: Size | None = None, drive_at_hand: bool | None = None
) -> Measured:
    """Says what the sheet is of; every entry is judged anew by it.

    Args:
        size: of the drive; None leaves it.
        drive_at_hand: whether the drive is there too; None leaves it.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    with bench.ledger.together():
        before = tell_sheet(bench, case, bay)
        body = {
            "size": (size or before.sheet.size).value,
            "drive_at_hand": before.sheet.drive_at_hand if drive_at_hand is None else drive_at_hand,
        }
        _note(bench, case, bay, ABOUT, body)
        after = tell_sheet(bench, case, bay)
        told = _changes(before, after)
        if told:
            bench.note(case, "sheet", f"Bay {bay}, electrical sheet: {' '.join(told)}")
    return replace(after, told=told, before=before.sheet)


def _changes(before: Measured, after: Measured) -> tuple[str, ...]:
    """What describing a sheet anew changed, for one that has entries: everything is judged by it."""
    old, new = before.sheet, after.sheet
    if not old.records or (old.size, old.drive_at_hand) == (new.size, new.drive_at_hand):
        return ()
    said = [f"It is now judged as of {_about(new)}, before of {_about(old)}."]
    open_before = {one.step.id for one in before.standing.steps if not one.barred}
    unfit = [
        one.step.id
        for one in after.standing.steps
        if one.barred and one.state in (StepState.NOT_FOR_THIS, StepState.DONE) and one.step.id in open_before
    ]
    if unfit:
        said.append(f"Steps left out now, what was measured at them is kept: {', '.join(unfit)}.")
    lifted = {one.gate.value for one in before.standing.closings}
    lifted -= {one.gate.value for one in after.standing.closings}
    if lifted:
        said.append(f"No longer barred: {', '.join(sorted(lifted))}.")
    return tuple(said)


def _about(sheet: Sheet) -> str:
    size = "a drive of unknown size" if sheet.size is Size.UNKNOWN else f"a {sheet.size.value} drive"
    return size if sheet.drive_at_hand else f"the board alone of {size}"


def enter(bench: Bench, case: int, bay: str, step: str, text: str, note: str = "") -> Measured:
    """Enters what was measured or seen at a step.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: as `Sheet.with_entry`: no such step, no value for it, or a step that must not be done
            now; nothing is kept.
    """
    with bench.ledger.together():
        measured = _change(
            bench,
            case,
            bay,
            lambda sheet: sheet.with_entry(step, text, at=bench.now(), who=bench.who, note=note),
        )
        judged = measured.standing.judgements[step]
        said = _entered(step_of(measured.sheet, step), judged, text.strip())
        bench.note(case, "sheet", f"Bay {bay}, {step}: {said}.")
    return measured


def _entered(step: Step, judged: Judgement, text: str) -> str:
    """What was entered, as the story tells it: a bare number with its unit, and what it was judged to be."""
    bare = judged.typed is not None and step.unit is not Unit.CHOICE and _BARE.fullmatch(text) is not None
    value = amount_text(judged.typed, step.unit) if bare and judged.typed is not None else text
    usual = judged.value_class is ValueClass.WITHIN
    return f"{value}; {'within what is usual' if usual else judged.value_class.value}"


def skip(bench: Bench, case: int, bay: str, step: str, reason: str) -> Measured:
    """Leaves a step out, and says why.

    Raises:
        NoSuchCase, UsageError: as `enter`; also if the reason names the customer.
    """
    with bench.ledger.together():
        require_nameless(bench.ledger.case(case), reason)
        measured = _change(
            bench, case, bay, lambda sheet: sheet.with_skip(step, reason, at=bench.now(), who=bench.who)
        )
        bench.note(case, "sheet", f"Bay {bay}, {step}: left out; {reason.strip()}")
    return measured


def override(bench: Bench, case: int, bay: str, gate: Gate, reason: str) -> Measured:
    """Opens a closed gate by a person's word, which goes into the custody log.

    Raises:
        NoSuchCase, UsageError: as `enter`.
    """
    with bench.ledger.together():
        require_nameless(bench.ledger.case(case), reason)
        measured = _change(
            bench, case, bay, lambda sheet: sheet.with_override(gate, reason, at=bench.now(), who=bench.who)
        )
        bench.custody(
            case, "power allowed in spite of a finding", f"board of bay {bay}, {gate.value}: {reason}"
        )
        bench.note(case, "sheet", f"Bay {bay}: {gate.value} let through in spite of a finding; {reason}")
    return measured


def take_override_back(bench: Bench, case: int, bay: str, gate: Gate, reason: str) -> Measured:
    """Closes a gate again that a person's word opened.

    Raises:
        NoSuchCase, UsageError: as `enter`; also if no such word counts.
    """
    with bench.ledger.together():
        require_nameless(bench.ledger.case(case), reason)
        measured = _change(
            bench,
            case,
            bay,
            lambda sheet: sheet.with_override_taken_back(gate, reason, at=bench.now(), who=bench.who),
        )
        bench.custody(case, "power kept away again", f"board of bay {bay}, {gate.value}: {reason}")
        bench.note(case, "sheet", f"Bay {bay}: {gate.value} barred again; {reason}")
    return measured


def step_of(sheet: Sheet, step: str) -> Step:
    """A step of the sheet by its id.

    Raises:
        UsageError: it has no such step.
    """
    found = sheet.form.steps.get(step)
    if found is None:
        raise UsageError(f"The sheet has no step {step[:60]!r}.", "The sheet lists those it has.")
    return found


def cautions_of(step: Step) -> tuple[Caution, ...]:
    """What must be shown before a step."""
    return cautions_for(step.cautions)


def _change(bench: Bench, case: int, bay: str, make: Callable[[Sheet], Sheet]) -> Measured:
    """Adds the one record that `make` adds. Read and written in one step, so that two benches filling in one
    sheet cannot get past each other's findings."""
    with bench.ledger.together():
        before = tell_sheet(bench, case, bay).sheet
        after = make(before)
        record = after.records[-1]
        subject = record.step if isinstance(record, Entry) else record.gate.value
        body = (
            {"text": record.text, "note": record.note, "skipped": record.skipped}
            if isinstance(record, Entry)
            else {"gate": record.gate.value, "reason": record.reason, "taken_back": record.taken_back}
        )
        _note(bench, case, bay, subject, body, record.at)
    return _after_entry(before, after, record)


def _after_entry(before: Sheet, after: Sheet, record: Record) -> Measured:
    """The sheet after a new record, with what its writer has read and what not. Every answer offers the next
    step with its cautions, so what was read follows from the record before."""
    offered = before.standing().next
    same = bool(before.records) and before.records[-1].who == record.who
    read = frozenset(offered.step.cautions) if same and offered else frozenset()
    entered = isinstance(record, Entry) and not record.skipped
    asked = cautions_of(step_of(after, record.step)) if isinstance(record, Entry) and entered else ()
    missed = tuple(one for one in asked if one.id not in read)
    return replace(_measured(after), read=read | {one.id for one in missed}, missed=missed)


def _measured(sheet: Sheet) -> Measured:
    standing = sheet.standing()
    cautions = cautions_of(standing.next.step) if standing.next else ()
    return Measured(sheet, standing, cautions, _common(standing))


def _common(standing: Standing) -> tuple[Caution, ...]:
    ready = [one.step for one in standing.steps if one.state is StepState.READY and not one.step.optional]
    asked = Counter(caution for step in ready for caution in step.cautions)
    return cautions_for(caution for caution, steps in asked.items() if 2 * steps > len(ready))


def _sheet(bench: Bench, case: int, bay: str) -> Sheet:
    records: list[Record] = []
    size, at_hand, described = Size.UNKNOWN, True, False
    try:
        for note in bench.notes.of(NoteKind.MEASUREMENT, case, bay):
            body = json.loads(note.body)
            number = len(records) + 1
            if note.subject == ABOUT:
                size, at_hand, described = Size(body["size"]), bool(body["drive_at_hand"]), True
            elif "gate" in body:
                taken_back = bool(body.get("taken_back", False))
                records.append(
                    Override(number, Gate(body["gate"]), body["reason"], note.at, note.who, taken_back)
                )
            else:
                records.append(
                    Entry(
                        number, note.subject, body["text"], note.at, note.who, body["note"], body["skipped"]
                    )
                )
        sheet = Sheet(size, at_hand, tuple(records))
        return sheet if described else _as_came(bench, case, sheet)
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise LedgerError(
            f"The electrical sheet of bay {bay} in case {case} cannot be read: {trouble}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def _as_came(bench: Bench, case: int, sheet: Sheet) -> Sheet:
    """A sheet of which nobody said what it is of: of a loose board alone, where nothing of a drive was
    entered."""
    if bench.ledger.case(case).kind not in LOOSE_BOARD:
        return sheet
    entered = (sheet.form.steps.get(one.step) for one in sheet.records if isinstance(one, Entry))
    of_drive = any(one is not None and one.phase in (Phase.DRIVE, Phase.ATTACHED) for one in entered)
    return sheet if of_drive else replace(sheet, drive_at_hand=False)


def _note(bench: Bench, case: int, bay: str, subject: str, body: Mapping[str, object], at: str = "") -> None:
    text = json.dumps(body, ensure_ascii=False, sort_keys=True)
    bench.notes.add(Note(case, bay, NoteKind.MEASUREMENT, subject, at or bench.now(), bench.who, text))
