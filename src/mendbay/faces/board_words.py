"""The board in sentences, for every face: values of the electrical sheet, chips, plans of a transfer.

No logic: what is said here was decided elsewhere. No sentence is broken into lines.
"""

from __future__ import annotations

from mendbay.board.flash_id import ChipFacts, size_text
from mendbay.board.transfer_plan import TransferPlan
from mendbay.core.quantity import counted
from mendbay.jobs.measure_board import Measured

CHIP = ("static", "clip")
"""Cautions before a clip goes onto a chip."""


def verdict_sentence(measured: Measured, step: str) -> str:
    """What was entered at a step amounts to."""
    judged = measured.standing.judgements.get(step)
    if judged is None:
        return f"{step}: left out."
    value_class = judged.value_class.value
    if f": {value_class}" in judged.why:
        return f"{step}, {judged.why}"
    return f"{step}: {value_class}. {judged.why}"


def chip_sentences(facts: ChipFacts) -> list[str]:
    """What a chip says it is, and what of that does not fit together."""
    first = (
        f"The chip is {facts.name}: {size_text(facts.size_bytes)}, pages of {facts.page_bytes or '?'} bytes, "
        f"{facts.supply.value}."
    )
    return [first, *(f"CONFLICT: {one}" for one in facts.conflicts), *facts.doubts]


def plan_sentence(plan: TransferPlan) -> str:
    """What a plan moves, from where to where."""
    return (
        f"{plan.purpose.value.capitalize()} of {plan.patient.name} ({size_text(plan.patient.size_bytes)}, "
        f"{counted(plan.patient.reads, 'agreeing read')}) to the {plan.target.role.value}'s chip "
        f"{plan.target.chip_name}, {counted(len(plan.steps), 'block')} to change."
    )


def rules_sentence(plan: TransferPlan) -> str:
    """Which rules the patient's dump was held against."""
    if plan.family:
        return f"The patient's dump was held against the rules of family {plan.family}."
    return "The patient's dump was not held against any family's rules."
