"""Move a patient's ROM to another chip: draw the plan up, check it, write, prove; or put the backup back.

Everything a plan rests on lies in the case's folder and is proven by its digest each time. The plan, every
step of the journal and the certificate are kept; nothing here writes to a chip but `board.transfer.write`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.flash_bus import choose_voltage
from mendbay.board.flash_id import ChipFacts
from mendbay.board.note import BoardNote, NoteKind
from mendbay.board.serial_flash import ReadProgress
from mendbay.board.transfer import BlockWritten, Certificate, write
from mendbay.board.transfer_check import prepare, refusals
from mendbay.board.transfer_checklist import ChecklistStep, checklist
from mendbay.board.transfer_journal import JournalState, replay
from mendbay.board.transfer_plan import (
    Evidence,
    Padding,
    Purpose,
    Role,
    TransferPlan,
    draw_up,
    restoring,
)
from mendbay.core.errors import ProgrammerError, TransferIncomplete, TransferRefused
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Journals, Programmers
from mendbay.jobs.events import StepProgress
from mendbay.jobs.rom_reads import Confirm, RomRead, contents, newest_sitting


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what speaks against it and its steps as a person does them."""

    plan: TransferPlan
    reasons: tuple[str, ...]
    steps: tuple[ChecklistStep, ...]


def plan_transfer(
    bench: Bench,
    case: int,
    bay: str,
    target: Role,
    *,
    padding: Padding = Padding.REFUSE,
    failed_rules: Sequence[str] = (),
    override_reason: str = "",
) -> Planned:
    """Draws the transfer up from the newest reads of the patient's and of the target's chip, and keeps it.

    The plan is kept also if something speaks against it, so that the reasons can be looked at.

    Args:
        target: whose chip will be written.
        failed_rules: the rules of its family the patient's dump fails, as sentences.
        override_reason: why the dump is used although it fails them.

    Raises:
        TransferRefused: the target is the patient, or one of the two was never read through an adapter.
    """
    if target is Role.PATIENT:
        raise TransferRefused(
            "The patient's own chip cannot be the target: it holds the only copy.",
            "Choose the donor's chip or a new one.",
        )
    evidence, reads, backup = _evidence(bench, case, bay, target, failed_rules)
    plan = draw_up(
        evidence,
        patient_name=reads[0].file.path if reads else "",
        backup_name=backup[0].file.path,
        volts=backup[0].volts,
        role=target,
        made_at=bench.now(),
        padding=padding,
        override_reason=override_reason,
    )
    against = refusals(plan, evidence)
    with bench.shelf.together():
        _note(bench, case, bay, NoteKind.PLAN, plan.job, plan.to_json())
        if override_reason and failed_rules:
            bench.custody(case, "ROM rules overridden", f"{override_reason} ({'; '.join(failed_rules)})")
        said = f"refused for {len(against)} reasons" if against else f"{len(plan.steps)} blocks will change"
        bench.note(case, "rom", f"Bay {bay}: transfer to the {target}'s chip planned; {said}.")
    return Planned(plan, against, checklist(plan, refusals=against))


def newest_plan(bench: Bench, case: int, bay: str) -> TransferPlan:
    """The plan drawn up last for a bay.

    Raises:
        TransferRefused: there is none.
    """
    notes = bench.shelf.notes(NoteKind.PLAN, case, bay)
    if not notes:
        raise TransferRefused(
            f"No transfer is planned for bay {bay} of case {case}.",
            f"mendbay rom plan {case} {bay} draws one up.",
        )
    return TransferPlan.from_json(notes[-1].body)


def tell_plan(
    bench: Bench, journals: Journals, case: int, bay: str, failed_rules: Sequence[str] = ()
) -> Planned:
    """The newest plan, held against its dumps again, and how far it is.

    Raises:
        TransferRefused: there is no plan.
    """
    plan = newest_plan(bench, case, bay)
    evidence, _, _ = _evidence(bench, case, bay, plan.target.role, failed_rules)
    against = refusals(plan, evidence)
    state: JournalState | None = None
    if not against:
        verified = prepare(plan, evidence)
        with journals.open(bench.ledger.case(case), plan.job) as journal:
            state = replay(journal.lines(), plan.job, verified.images)
    done = bench.shelf.notes(NoteKind.CERTIFICATE, case, bay, plan.job)
    certificate = _certificate_of(done[-1].body) if done else None
    return Planned(plan, against, checklist(plan, refusals=against, journal=state, certificate=certificate))


def carry_out(
    bench: Bench,
    programmers: Programmers,
    journals: Journals,
    case: int,
    bay: str,
    programmer: str,
    confirm: Confirm,
    *,
    restore: bool = False,
    failed_rules: Sequence[str] = (),
) -> Certificate:
    """Writes what the newest plan says, or goes on where it was cut off, and proves the result.

    Args:
        programmer: the adapter with the chip to be written on its clip.
        restore: put the backup back instead.

    Raises:
        TransferRefused: there is no plan, something speaks against it, or the chip is another one.
        ProgrammerError: the chip does not answer; nothing was written.
        TransferIncomplete: written in part; the same call goes on.
    """
    plan = newest_plan(bench, case, bay)
    role = plan.target.role
    evidence, _, _ = _evidence(bench, case, bay, role, failed_rules)
    if restore:
        plan = restoring(plan, evidence, bench.now())
    verified = prepare(plan, evidence)
    what = "backup put back" if restore else "ROM written"
    with programmers.open(programmer) as bus, journals.open(bench.ledger.case(case), plan.job) as journal:
        choose_voltage(bus, confirm)
        bench.custody(case, f"{what}: begun", f"bay {bay}, {plan.target.chip_name}, plan {plan.digest}")
        try:
            certificate = write(
                verified,
                bus,
                journal,
                role=role,
                now=bench.now,
                clock=bench.clock,
                progress=lambda done: _tell(bench, done),
            )
        except TransferIncomplete as trouble:
            bench.custody(case, f"{what}: cut off", trouble.what)
            raise
        except (TransferRefused, ProgrammerError) as trouble:
            bench.custody(case, f"{what}: refused, nothing written", trouble.what)
            raise
    _note_done(bench, case, bay, plan, certificate, what)
    return certificate


def _note_done(
    bench: Bench, case: int, bay: str, plan: TransferPlan, certificate: Certificate, what: str
) -> None:
    body = json.dumps(certificate.as_record(), sort_keys=True)
    name = "certificate" if plan.purpose is Purpose.TRANSFER else "certificate-of-restoring"
    kept = bench.files.keep(
        bench.ledger.case(case), f"roms/bay-{bay}/{name}-{plan.job[:12]}.json", body.encode()
    )
    with bench.shelf.together():
        subject = plan.job if plan.purpose is Purpose.TRANSFER else f"restore {plan.job}"
        _note(bench, case, bay, NoteKind.CERTIFICATE, subject, body)
        bench.custody(
            case,
            f"{what}: read back and proven",
            f"bay {bay}, SHA-256 {certificate.image_sha256}, {kept.path}",
        )
        bench.note(
            case,
            "rom",
            f"Bay {bay}: {what} to {certificate.chip_name} and read back equal "
            f"{len(certificate.read_back_sha256)} times.",
            {"blocks": certificate.blocks, "pages": certificate.pages},
        )


def _evidence(
    bench: Bench, case: int, bay: str, target: Role, failed_rules: Sequence[str]
) -> tuple[Evidence, tuple[RomRead, ...], tuple[RomRead, ...]]:
    patient = newest_sitting(bench, case, bay, Role.PATIENT)
    backup = newest_sitting(bench, case, bay, target)
    chip = _chip(backup)
    if not patient or not backup or chip is None:
        missing = "the patient's chip" if not patient else f"the {target}'s chip"
        how = "" if not backup or chip is not None or not patient else " through an adapter"
        role = Role.PATIENT if not patient else target
        raise TransferRefused(
            f"Nothing can be planned: {missing} of bay {bay} was never read{how}.",
            f"mendbay rom read {case} {bay} {role.value} --programmer NAME reads it.",
        )
    evidence = Evidence(
        patient_reads=contents(bench, case, patient),
        backup_reads=contents(bench, case, backup),
        target=chip,
        patient_chip=_chip(patient),
        failed_rules=tuple(failed_rules),
    )
    return evidence, patient, backup


def _chip(reads: Sequence[RomRead]) -> ChipFacts | None:
    return reads[0].chip() if reads else None


def _certificate_of(body: str) -> Certificate:
    record = json.loads(body)
    for name in ("read_back_sha256", "failed_rules"):
        record[name] = tuple(record[name])
    record["unsettled"] = tuple((int(at), int(size)) for at, size in record["unsettled"])
    return Certificate(**record)


def _note(bench: Bench, case: int, bay: str, kind: NoteKind, subject: str, body: str) -> None:
    bench.shelf.note(BoardNote(case, bay, kind, subject, bench.now(), bench.who, body))


def _tell(bench: Bench, done: ReadProgress | BlockWritten) -> None:
    if isinstance(done, BlockWritten):
        bench.tell(StepProgress("writing the chip:", done.done, done.blocks, f"{done.step.offset:06X}h"))
    else:
        bench.tell(
            StepProgress(
                "reading the chip:",
                (done.read_number - 1) * done.total_bytes + done.done_bytes,
                done.reads * done.total_bytes,
                f"read {done.read_number} of {done.reads}",
            )
        )
