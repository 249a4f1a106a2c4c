"""In which order a sheet is filled in: what is ready, what waits, what is closed and why, what is next.

Safe and cheap comes first: the form lists the steps in that order. A measured short, or a stop under
power, closes a gate; while it is closed no step that sends power through it is offered. It opens again
when the place is measured anew and is sound, or when a person says with a reason that it shall.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.electrical_form import CONCLUSIVE, ElectricalForm, Gate, Phase, Size, Step
from mendbay.board.electrical_judge import Judgement


class StepState(StrEnum):
    """Where a step stands."""

    DONE = "done"
    """It has an entry, whatever that amounts to."""
    SKIPPED = "skipped"
    READY = "ready"
    WAITING = "waiting"
    """Other steps must be answered first."""
    NO_POWER = "no power"
    """Power must not go there."""
    NOT_FOR_THIS = "not for this drive"


@dataclass(frozen=True, slots=True)
class Closing:
    """One reason for which a gate is closed: the entry `entry` at `step`."""

    gate: Gate
    step: str
    entry: int
    why: str


@dataclass(frozen=True, slots=True)
class StepStanding:
    """One step, where it stands, and why if it is not simply ready or done.

    `barred` says that no entry is taken for it now, also if it has one already.
    """

    step: Step
    state: StepState
    why: str
    barred: bool


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The step to do next and why it is this one; `again` if it has an entry that does not settle it."""

    step: Step
    why: str
    again: bool


@dataclass(frozen=True, slots=True)
class Answers:
    """What a sheet has been told, as far as the order of steps depends on it.

    Args:
        size: the drive's size.
        drive_at_hand: whether the drive itself is there, or only its board.
        judgements: by step, of the latest entry; steps without entry are missing.
        skipped: steps whose latest entry skips them, with the reason.
        closings: what keeps gates closed now, overridden ones left out.
        faulty: the leads and the wrist strap, by step, whose latest word is that they are out of their range.
    """

    size: Size
    drive_at_hand: bool
    judgements: Mapping[str, Judgement]
    skipped: Mapping[str, str]
    closings: Sequence[Closing]
    faulty: Mapping[str, Judgement]


def stand(form: ElectricalForm, answers: Answers) -> tuple[StepStanding, ...]:
    """Every step with where it stands, in the order of the form."""
    return tuple(_stand(form, step, answers) for step in form.steps.values())


def suggest(form: ElectricalForm, answers: Answers, standings: Sequence[StepStanding]) -> Suggestion | None:
    """What to do next; None when nothing is left that could be done.

    Leads or a wrist strap out of their range come before all: nothing can be measured with them. Once there
    is a short, a look that may show it and then steps that may find it come before all others;
    then the form's order; then what must be measured again: a place that closes a gate, or an answer that
    others wait for.
    """
    for tool in (form.leads, form.strap):
        if tool in answers.faulty:
            why = f"{_tool(form, tool)} out of range, and what needs it waits"
            return Suggestion(form.steps[tool], why, again=True)
    ready = [one.step for one in standings if one.state is StepState.READY and not one.step.optional]
    closed = {one.gate for one in answers.closings}
    for step in ready:
        if closed and step.finds_shorts:
            return Suggestion(step, f"A look may show what shorts {_gates_text(closed)}", again=False)
    for step in ready:
        if step.phase in (Phase.BOARD, Phase.DRIVE) and closed & set(step.guards):
            return Suggestion(step, f"It may find what shorts {_gates_text(closed)}", again=False)
    if ready:
        return Suggestion(ready[0], "It is the next in the order, safe and cheap first", again=False)
    barred = {one.step.id for one in standings if one.barred}
    for closing in answers.closings:
        if closing.step not in barred:
            why = f"{closing.gate.value} stays closed until this is measured again and sound"
            return Suggestion(form.steps[closing.step], why, again=True)
    return _unsettled(form, answers, standings, barred)


def gates_of(step: Step) -> tuple[Gate, ...]:
    """The gates that a short or stop at this step closes."""
    return step.guards or step.needs


def _unsettled(
    form: ElectricalForm, answers: Answers, standings: Sequence[StepStanding], barred: set[str]
) -> Suggestion | None:
    for one in standings:
        if one.state is not StepState.WAITING or one.step.optional:
            continue
        for earlier in one.step.after:
            if earlier not in barred and not _settled(earlier, answers):
                return Suggestion(form.steps[earlier], f"{one.step.question} waits for it", again=True)
    return None


def _stand(form: ElectricalForm, step: Step, answers: Answers) -> StepStanding:
    barrier = _barrier(form, step, answers)
    if step.id in answers.judgements:
        return StepStanding(step, StepState.DONE, barrier[1] if barrier else "", barrier is not None)
    if step.id in answers.skipped:
        return StepStanding(step, StepState.SKIPPED, answers.skipped[step.id], barrier is not None)
    if barrier:
        return StepStanding(step, *barrier, barred=True)
    return StepStanding(step, StepState.READY, "", barred=False)


def _barrier(form: ElectricalForm, step: Step, answers: Answers) -> tuple[StepState, str] | None:
    """Why no entry can be made at a step, or None. A closed gate outweighs waiting: it is the danger."""
    unfit = _unfit(step, answers)
    if unfit:
        return StepState.NOT_FOR_THIS, unfit
    closing = next((one for one in answers.closings if one.gate in step.needs), None)
    if closing:
        return StepState.NO_POWER, f"No power to {closing.gate.value}: {closing.step}, {closing.why}"
    for tool, needed in ((form.leads, step.measured), (form.strap, step.strapped)):
        if needed and tool in answers.faulty and step.id != tool:
            return StepState.WAITING, f"{_tool(form, tool)} out of range: {answers.faulty[tool].why}"
    condition = step.only_if
    if condition and condition.step not in answers.judgements:
        return StepState.WAITING, f"First: {form.steps[condition.step].question}"
    for earlier in step.after:
        asked = form.steps[earlier]
        if not _unfit(asked, answers) and not _settled(earlier, answers):
            return StepState.WAITING, f"First: {asked.question}"
    return None


def _tool(form: ElectricalForm, tool: str) -> str:
    return "The meter's leads are" if tool == form.leads else "The wrist strap is"


def _unfit(step: Step, answers: Answers) -> str:
    if answers.size is not Size.UNKNOWN and answers.size not in step.sizes:
        return f"A {answers.size.value} drive has no such place"
    if not answers.drive_at_hand and step.phase in (Phase.DRIVE, Phase.ATTACHED):
        return "Only the board is at hand"
    condition = step.only_if
    if condition is None:
        return ""
    if condition.step in answers.skipped:
        return f"{condition.step} was skipped"
    judged = answers.judgements.get(condition.step)
    if judged is not None and judged.chosen.casefold() != condition.choice.casefold():
        return f"Only for the answer {condition.choice!r} at {condition.step}"
    return ""


def _settled(step: str, answers: Answers) -> bool:
    judged = answers.judgements.get(step)
    return judged is not None and judged.value_class in CONCLUSIVE


def _gates_text(gates: set[Gate]) -> str:
    return " and ".join(gate.value for gate in Gate if gate in gates)
