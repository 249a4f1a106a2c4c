"""The board in sentences, for every face: values of the electrical sheet, chips, plans of a transfer.

No logic: what is said here was decided elsewhere. No sentence is broken into lines.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mendbay.board.flash_id import ChipFacts, size_text
from mendbay.board.transfer_plan import Purpose, Role, TransferPlan
from mendbay.core.quantity import counted
from mendbay.jobs.measure_board import Measured
from mendbay.jobs.rom_reads import RomRead
from mendbay.jobs.transfer_rom import Planned, Proven

CHIP = ("static", "clip")
"""Cautions before a clip goes onto a chip."""
ROLES = {Role.PATIENT: "the patient's chip", Role.DONOR: "the donor's chip", Role.NEW: "a new chip"}
"""Whose chip it is."""


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
        f"{counted(plan.patient.reads, 'agreeing read')}) to the {plan.target.role.chip} "
        f"{plan.target.chip_name}, {counted(len(plan.steps), 'block')} to change."
    )


def customer_sentences(planned: Planned, case: int) -> list[str]:
    """What the customer said of moving the ROM and has to be heeded before it is written; none once it is."""
    if not planned.may_write:
        return []
    said = []
    if planned.not_asked:
        said.append(
            f"Nobody asked the customer yet about {' and '.join(planned.not_asked)}: mendbay case consent "
            f"{case}"
        )
    if planned.due.refused:
        said.append(
            f"The customer refused {planned.due.refused}: the chip is written only with a reason, which "
            "custody keeps (--although-refused)."
        )
    if planned.due.asking:
        said.append(
            f"The customer wants to be asked each time before {planned.due.asking}; custody keeps that you "
            "did (--customer-asked)."
        )
    return said


def rules_sentence(plan: TransferPlan) -> str:
    """Which rules the patient's dump was held against."""
    if plan.family:
        return f"The patient's dump was held against the rules of family {plan.family}."
    return "The patient's dump was not held against any family's rules."


def kept_sentence(reads: Sequence[RomRead]) -> str:
    """How many reads of one sitting were kept, and of whose chip."""
    first = reads[0]
    return f"Kept: {counted(len(reads), 'read')} of {ROLES[first.role]}, sitting {first.sitting}."


def proven_sentences(done: Proven) -> list[str]:
    """What came of writing a chip."""
    one = done.certificate
    if one.may_be_patients:
        return [
            "This may be the patient's own chip: it holds the same, and nothing tells them apart. Put the "
            "patient's board away and the written chip on the clip, say so, and start it again."
        ]
    back = one.purpose == Purpose.RESTORE
    what = "The backup is put back and proven" if back else "Written and proven"
    if one.only_read:
        what = f"Nothing was written: the chip already holds {'its backup' if back else 'it'}"
    return [f"{what}. {one.chip_name} reads back equal {counted(len(one.read_back_sha256), 'time')}."]


# ---------------------------------------------------------------------- for programs


def chip_json(facts: ChipFacts) -> dict[str, object]:
    """What a chip says it is."""
    return {
        "id": facts.id.text,
        "name": facts.name,
        "makers": [one.name for one in facts.id.makers],
        "size_bytes": facts.size_bytes,
        "page_bytes": facts.page_bytes,
        "supply": facts.supply.value,
        "sfdp_sha256": facts.sfdp_sha256 or None,
        "conflicts": list(facts.conflicts),
        "doubts": list(facts.doubts),
    }


def read_json(one: RomRead) -> dict[str, object]:
    """One read of a chip as the case keeps it."""
    return {
        "role": one.role.value,
        "sitting": one.sitting,
        "path": one.file.path,
        "size_bytes": one.file.size_bytes,
        "sha256": one.file.sha256,
        "at": one.at,
        "origin": one.origin,
        "chip_id": one.chip_id or None,
        "volts": one.volts or None,
        "withdrawn": one.withdrawn or None,
    }


def proven_json(done: Proven) -> Mapping[str, object]:
    """What came of writing a chip, with its certificate."""
    certificate = done.certificate
    return {
        "written": not certificate.only_read,
        "proven": certificate.proves_chip,
        "may_be_patients": certificate.may_be_patients,
        "kept": done.kept.path if done.kept else None,
        "certificate": certificate.as_record(),
    }
