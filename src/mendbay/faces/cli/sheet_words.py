"""The electrical sheet on the terminal: cautions first, then what stands, what was found, what is next."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from mendbay.board.electrical_form import Gate, Step
from mendbay.board.electrical_steps import StepState
from mendbay.board.electrical_summary import summary
from mendbay.core.cautions import Caution
from mendbay.faces import wording
from mendbay.faces.board_words import verdict_sentence
from mendbay.faces.cli.screen import WIDTH, Screen, table, wrapped
from mendbay.jobs.measure_board import Measured, cautions_of


def answer_sheet(screen: Screen, measured: Measured, case: int, bay: str, everything: bool) -> None:
    """Answers with the whole sheet; `everything` also lists steps that are not due."""
    lines = _changed_lines(measured, case, bay)
    if measured.common:
        lines += ["Most of the steps below ask for this:", *_caution_lines(measured.common), ""]
    lines += [_steps_table(measured, everything), *_found_lines(measured)]
    lines += _next_lines(measured, case, bay, frozenset(one.id for one in measured.common), "above")
    screen.answer(_sheet_json(measured, measured.common), "\n".join(lines))


def _changed_lines(measured: Measured, case: int, bay: str) -> list[str]:
    """What describing the sheet anew changed, and how to set it back."""
    old, new = measured.before, measured.sheet
    if not measured.told or old is None:
        return []
    words = []
    if old.size is not new.size:
        words.append(f"--size {old.size.value.removesuffix('-inch')}")
    if old.drive_at_hand != new.drive_at_hand:
        words.append("--drive" if old.drive_at_hand else "--no-drive")
    back = f"{wording.called_as()} board sheet {case} {bay} {' '.join(words)}"
    return [wrapped(f"CHANGED: {' '.join(measured.told)}"), f"To set it back: {back}", ""]


def answer_entry(screen: Screen, measured: Measured, case: int, bay: str, step: str) -> None:
    """Answers an entry: what it amounts to, the cautions of its step if they were not read, what is next."""
    lines = [wrapped(verdict_sentence(measured, step))]
    if measured.missed:
        lines += ["", f"{step} was not the step offered. Read what comes before it:"]
        lines += _caution_lines(measured.missed)
    lines += [*_found_lines(measured), *_next_lines(measured, case, bay, measured.read)]
    screen.answer(_sheet_json(measured, measured.missed), "\n".join(lines))


def step_text(step: Step, why: str, read: frozenset[str] = frozenset(), where: str = "before") -> list[str]:
    """A step as it is read before it is done: cautions first.

    Args:
        why: why it is this one, or why it cannot be done; may be empty.
        read: ids of cautions that were shown in full; they are only named.
        where: where they were shown.
    """
    lines = _caution_lines(one for one in cautions_of(step) if one.id not in read)
    again = [one.title for one in cautions_of(step) if one.id in read]
    if again:
        lines.append(wrapped(f"CAUTION as {where}: {'; '.join(again)}.", "  "))
    lines += [wrapped(f"{step.id}: {step.question}"), wrapped(step.how, "  ")]
    if step.choices:
        lines.append(wrapped(f"One of: {', '.join(one.word for one in step.choices)}.", "  "))
    if why:
        lines.append(wrapped(why if why.endswith(".") else f"{why}.", "  "))
    return lines


def step_json(step: Step) -> dict[str, object]:
    """A step as plain data."""
    return {
        "id": step.id,
        "phase": step.phase.value,
        "cautions": _cautions_json(cautions_of(step)),
        "question": step.question,
        "how": step.how,
        "choices": [one.word for one in step.choices],
    }


def _steps_table(measured: Measured, everything: bool) -> str:
    standing = measured.standing
    rows = []
    for one in standing.steps:
        judged = standing.judgements.get(one.step.id)
        if not everything and one.state in (StepState.NOT_FOR_THIS, StepState.WAITING):
            continue
        if not everything and one.step.optional and judged is None:
            continue
        stands = str(judged.value_class.value) if judged else str(one.state.value)
        rows.append((one.step.id, stands, one.step.question))
    head = ("step", "stands", "question")
    room = WIDTH - sum(max(len(row[at]) for row in (head, *rows)) + 2 for at in (0, 1))
    broken = []
    for step, stands, question in rows:
        first, *rest = textwrap.wrap(question, room) or [""]
        broken += [(step, stands, first), *(("", "", one) for one in rest)]
    return table(broken, head)


def _found_lines(measured: Measured) -> list[str]:
    standing = measured.standing
    lines = []
    for gate in Gate:
        closed = [f"{one.step}: {one.why}" for one in standing.closings if one.gate is gate]
        spite = " ".join(one.why for one in standing.overridden if one.gate is gate)
        if closed:
            lines.append(f"  {gate.value} is barred")
            lines += [wrapped(one, "    ") for one in closed]
            if spite:
                lines.append(wrapped(f"A person's word counts for this alone: {spite}", "    "))
        elif spite:
            allowed = f"{gate.value} is let through by a person's word in spite of: {spite}"
            lines.append(wrapped(allowed, "  "))
    lines += [wrapped(one.text, "  ") for one in standing.statements]
    lines += [wrapped(one, "  ") for one in standing.remarks]
    return ["", "Found", *lines] if lines else []


def _next_lines(
    measured: Measured, case: int, bay: str, read: frozenset[str], where: str = "before"
) -> list[str]:
    suggested = measured.standing.next
    if suggested is None:
        closed = [f"{one.gate.value}: {one.step}, {one.why}" for one in measured.standing.closings]
        if not closed:
            return ["", "Everything is measured that can be."]
        return [
            "",
            wrapped(f"Nothing more can be measured with what was found: {'; '.join(closed)}."),
            "Next: mend it and measure it again, or let power through in spite of it:",
            f"  {wording.called_as()} board override {case} {bay} GATE REASON",
        ]
    return [
        "",
        *step_text(suggested.step, suggested.why, read, where),
        f"Next: {wording.called_as()} board measure {case} {bay} {suggested.step.id} VALUE",
    ]


def _caution_lines(cautions: Iterable[Caution]) -> list[str]:
    """Cautions in full."""
    shown = tuple(cautions)
    lines = [wrapped(f"CAUTION, {one.title}: {one.text}", "  ") for one in shown]
    return lines + [wrapped(one, "  ") for one in dict.fromkeys(one.deferral for one in shown)]


def _sheet_json(measured: Measured, besides: tuple[Caution, ...]) -> dict[str, object]:
    """The sheet as plain data, with the cautions of the next step and those `besides`."""
    cautions = tuple(dict.fromkeys((*(one.id for one in besides), *(one.id for one in measured.cautions))))
    known = {one.id: one for one in (*besides, *measured.cautions)}
    return {
        **summary(measured.sheet),
        "cautions": _cautions_json(tuple(known[one] for one in cautions)),
        "told": list(measured.told),
    }


def _cautions_json(cautions: tuple[Caution, ...]) -> list[dict[str, str]]:
    return [
        {"id": one.id, "title": one.title, "text": one.text, "deferral": one.deferral} for one in cautions
    ]
