"""A transfer as the person at the bench does it: ordered steps, each done, open or held up by something."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.flash_bus import CAUTIONS
from mendbay.board.flash_id import size_text
from mendbay.board.transfer import Certificate
from mendbay.board.transfer_journal import JournalState
from mendbay.board.transfer_plan import FEWEST_READS, Purpose, Role, TransferPlan
from mendbay.core.quantity import counted

PUT_AWAY = "Put the patient's board away first, marked as the only copy."


class StepState(StrEnum):
    """How far one step is."""

    DONE = "done"
    OPEN = "open"
    """It can be done now."""
    BLOCKED = "blocked"
    """Something before it is missing, or speaks against it."""


@dataclass(frozen=True, slots=True)
class ChecklistStep:
    """One step. `why` says what holds it up, `cautions` what to heed before it."""

    text: str
    state: StepState
    why: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def checklist(
    plan: TransferPlan,
    *,
    refusals: Sequence[str] | None = None,
    journal: JournalState | None = None,
    certificate: Certificate | None = None,
) -> tuple[ChecklistStep, ...]:
    """The steps of a plan, in order.

    Args:
        refusals: what `transfer_check.refusals` said; None if the plan was not held against its dumps yet.
        journal: what was done so far, if the write was ever started.
        certificate: of the finished transfer.
    """
    chip, dump = plan.target, plan.patient
    restore = plan.purpose is Purpose.RESTORE
    what = "the backup" if restore else "the patient's data"
    wrote = certificate is not None and certificate.proves_chip
    pages = sum(one.pages for one in plan.steps)
    patients = chip.role is Role.PATIENT
    rows = (
        _reads(f"Read the patient's chip whole, at least {FEWEST_READS} times, as {dump.name}", dump.reads),
        _Row(
            f"Choose the chip to be written: the {chip.role.chip}, {chip.chip_name}, "
            f"{size_text(chip.size_bytes)}, with {chip.volts:g} V.",
            not patients and plan.backup.reads > 0,
            against=("It is said to be the patient's own.",) if patients else (),
        ),
        _reads(f"Read its present content whole as {plan.backup.name}, the way back", plan.backup.reads),
        _Row("Check the plan against the dumps.", refusals == (), against=tuple(refusals or ())),
        _Row(
            f"Write {what}: {counted(len(plan.steps), 'block')}, {counted(pages, 'page')}.",
            wrote,
            note=_cut_off(journal, wrote),
            cautions=(PUT_AWAY, *CAUTIONS),
        ),
        _Row(f"Read the chip back {plan.verification_reads} times and compare.", wrote),
        _Row("Keep the backup, and the certificate in the custody log.", wrote),
    )
    return _with_states(rows)


@dataclass(frozen=True, slots=True)
class _Row:
    """A step before its state is known: `note` says what is missing, `against` what forbids it."""

    text: str
    done: bool
    note: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def _reads(text: str, reads: int) -> _Row:
    enough = reads >= FEWEST_READS
    return _Row(
        f"{text}.", enough, () if enough else (f"{reads} of {FEWEST_READS} agreeing reads are there.",)
    )


def _cut_off(journal: JournalState | None, wrote: bool) -> tuple[str, ...]:
    if journal is None or wrote or not journal.touched or journal.proven is Purpose.RESTORE:
        return ()
    if not journal.cut_off and journal.blocks_done:
        return ("What was written is not proven yet: start the same plan again.",)
    return (f"It was cut off after {counted(journal.blocks_done, 'block')}: start the same plan again.",)


def _with_states(rows: Sequence[_Row]) -> tuple[ChecklistStep, ...]:
    """The first step that is not done is open unless something speaks against it; what follows waits."""
    steps: list[ChecklistStep] = []
    waits_for = ""
    for row in rows:
        why = (*row.note, *row.against)
        if waits_for:
            steps.append(
                ChecklistStep(row.text, StepState.BLOCKED, (*why, f"First: {waits_for}"), row.cautions)
            )
        elif row.done:
            steps.append(ChecklistStep(row.text, StepState.DONE, (), row.cautions))
        else:
            state = StepState.BLOCKED if row.against else StepState.OPEN
            steps.append(ChecklistStep(row.text, state, why, row.cautions))
            waits_for = row.text
    return tuple(steps)
