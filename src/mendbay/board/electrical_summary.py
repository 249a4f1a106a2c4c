"""A sheet as plain data, for a page, a command or a report: texts, numbers, lists and dictionaries only.

Numbers are texts with their unit, exact; a value that is not known is None.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from mendbay.board.electrical import Override, Sheet, Standing
from mendbay.board.electrical_findings import Finding, Statement
from mendbay.board.electrical_form import Gate, Phase, ValueClass
from mendbay.board.electrical_judge import MotorReading, value_text
from mendbay.board.electrical_steps import Closing, StepStanding, StepState, Suggestion
from mendbay.board.electrical_units import Unit, amount_text

Plain = dict[str, object]


def progress(sheet: Sheet) -> Plain:
    """How far a sheet is: `done`, `skipped`, `open` (ready or waiting, optional steps left out), `closed`,
    the same per phase, and what is `next` (None when nothing can be done)."""
    standing = sheet.standing()
    return {
        **_counts(standing.steps),
        "phases": [
            {"phase": phase.value, **_counts(one for one in standing.steps if one.step.phase is phase)}
            for phase in Phase
        ],
        "next": _next(standing.next),
    }


@dataclass(frozen=True, slots=True)
class Short:
    """A sheet in few words.

    Args:
        found: what the findings say together, then those that stand alone and are not sound, then remarks.
        closed: gates that are closed, and why.
        overridden: gates that are open by a person's word alone, and why.
        done: how many steps are answered.
        left: ids of the steps still to be measured, optional ones left out.
        next: the id of the next; None if nothing can be done.
    """

    found: tuple[str, ...]
    closed: tuple[str, ...]
    overridden: tuple[str, ...]
    done: int
    left: tuple[str, ...]
    next: str | None


def short(sheet: Sheet) -> Short:
    """A sheet in few words."""
    standing = sheet.standing()
    spoken = {finding.observation for one in standing.statements for finding in one.findings}
    alone = [
        one.words
        for one in standing.findings
        if one.observation not in spoken and one.value_class is not ValueClass.WITHIN
    ]
    waiting = (StepState.READY, StepState.WAITING, StepState.NO_POWER)
    return Short(
        found=(*(one.text for one in standing.statements), *alone, *standing.remarks),
        closed=tuple(f"{one.gate.value}: {one.why}" for one in standing.closings),
        overridden=tuple(f"{one.gate.value}: {one.why}" for one in standing.overridden),
        done=sum(one.state is StepState.DONE for one in standing.steps),
        left=tuple(one.step.id for one in standing.steps if one.state in waiting and not one.step.optional),
        next=standing.next.step.id if standing.next else None,
    )


def summary(sheet: Sheet) -> Plain:
    """The whole sheet: `size`, `drive_at_hand`, `steps` (each with state, class, value, reason and the number
    of earlier entries it replaces), `gates`, `findings`, `statements`, `motor`, `remarks`, `overrides`,
    `unread` and `next`."""
    standing = sheet.standing()
    return {
        "size": sheet.size.value,
        "drive_at_hand": sheet.drive_at_hand,
        "steps": [_step(sheet, standing, one) for one in standing.steps],
        "gates": [_gate(gate, standing) for gate in Gate],
        "findings": [_finding(one) for one in standing.findings],
        "statements": [_statement(one) for one in standing.statements],
        "motor": _motor(standing.motor),
        "remarks": list(standing.remarks),
        "overrides": [
            {
                "gate": one.gate.value,
                "reason": one.reason,
                "who": one.who,
                "at": one.at,
                "taken_back": one.taken_back,
            }
            for one in sheet.records
            if isinstance(one, Override)
        ],
        "unread": [{"step": one.step, "text": one.text, "at": one.at} for one in standing.unread],
        "next": _next(standing.next),
    }


def _counts(steps: Iterable[StepStanding]) -> dict[str, int]:
    states = [one.state for one in steps if one.state is StepState.DONE or not one.step.optional]
    return {
        "done": states.count(StepState.DONE),
        "skipped": states.count(StepState.SKIPPED),
        "open": states.count(StepState.READY) + states.count(StepState.WAITING),
        "closed": states.count(StepState.NO_POWER),
    }


def _step(sheet: Sheet, standing: Standing, one: StepStanding) -> Plain:
    judged = standing.judgements.get(one.step.id)
    entries = sheet.entries(one.step.id)
    return {
        "id": one.step.id,
        "phase": one.step.phase.value,
        "question": one.step.question,
        "state": one.state.value,
        "barred": one.barred,
        "optional": one.step.optional,
        "class": (judged.value_class if judged else ValueClass.NOT_MEASURED).value,
        "typed": entries[-1].text if judged and entries else None,
        "value": value_text(judged, one.step.unit) if judged else None,
        "why": judged.why if judged else one.why,
        "note": entries[-1].note if entries else "",
        "replaces": max(0, len(entries) - 1),
    }


def _gate(gate: Gate, standing: Standing) -> Plain:
    return {
        "gate": gate.value,
        "closed": [_closing(one) for one in standing.closings if one.gate is gate],
        "overridden": [_closing(one) for one in standing.overridden if one.gate is gate],
    }


def _closing(one: Closing) -> Plain:
    return {"step": one.step, "entry": one.entry, "why": one.why}


def _finding(one: Finding) -> Plain:
    return {
        "observation": one.observation,
        "class": one.value_class.value,
        "weight": one.weight,
        "words": one.words,
        "why": one.why,
        "steps": list(one.steps),
    }


def _statement(one: Statement) -> Plain:
    return {
        "rule": one.rule,
        "text": one.text,
        "cautions": list(one.cautions),
        "observations": [finding.observation for finding in one.findings],
    }


def _motor(motor: MotorReading | None) -> Plain | None:
    if motor is None:
        return None
    return {
        "windings": [_ohms(one) for one in motor.phases],
        "leads": _ohms(motor.leads),
        "misfit": _ohms(motor.misfit),
    }


def _ohms(value: Fraction) -> str:
    """To the thousandth of an ohm, finer than any meter of the bench."""
    return amount_text(Decimal(round(value * 1000)).scaleb(-3), Unit.OHM)


def _next(suggested: Suggestion | None) -> Plain | None:
    if suggested is None:
        return None
    return {
        "step": suggested.step.id,
        "question": suggested.step.question,
        "how": suggested.step.how,
        "unit": suggested.step.unit.value,
        "choices": [one.word for one in suggested.step.choices],
        "cautions": list(suggested.step.cautions),
        "why": suggested.why,
        "again": suggested.again,
    }
