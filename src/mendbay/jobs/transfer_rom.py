"""Move a patient's ROM to another chip: draw the plan up, check it, write, prove; or put the backup back.

Everything a plan rests on lies in the case's folder and is proven by its digest each time. The plan, every
step of the journal and the certificate are kept; nothing here writes to a chip but `board.transfer.write`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.flash_id import ChipFacts
from mendbay.board.note import BoardNote, NoteKind
from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.rom_fault_kinds import Standing
from mendbay.board.rom_reads import Verdict
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
from mendbay.core.errors import (
    DumpUnproven,
    MendbayError,
    ProgrammerError,
    TransferIncomplete,
    TransferRefused,
)
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Clip, Journals
from mendbay.jobs.events import StepProgress
from mendbay.jobs.judge_rom import judged_reads
from mendbay.jobs.learn_rom import CheckedRom, failed_sentences
from mendbay.jobs.read_pictures import corrections_of, identifiers_of
from mendbay.jobs.rom_reads import RomRead, contents, newest_sitting, rom_reads, tell_reading

SHORTEST_SERIAL = 6
"""Shorter texts stand in a ROM by chance."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what speaks against it and its steps as a person does them."""

    plan: TransferPlan
    reasons: tuple[str, ...]
    steps: tuple[ChecklistStep, ...]
    restored: bool = False
    """Whether the backup was put back after it."""


def plan_transfer(
    bench: Bench,
    journals: Journals,
    case: int,
    bay: str,
    target: Role,
    *,
    padding: Padding = Padding.REFUSE,
    checked: CheckedRom | None = None,
    override_reason: str = "",
) -> Planned:
    """Draws the transfer up from the newest reads of the patient's and of the target's chip, and keeps it.

    The plan is kept also if something speaks against it, so that the reasons can be looked at.

    Args:
        target: whose chip will be written.
        checked: the patient's dump held against its family (`check_rom`); None if none was learned.
        override_reason: why the dump is used although it fails them.

    Raises:
        TransferRefused: the target is the patient, one of the two was never read, the target not through an
            adapter, or an earlier transfer of the bay was cut off and not finished.
    """
    if target is Role.PATIENT:
        raise TransferRefused(
            "The patient's own chip cannot be the target: it holds the only copy.",
            "Choose the donor's chip or a new one.",
        )
    patient, backup = newest_reads(bench, case, bay, target)
    _refuse_unfinished(bench, journals, case, bay)
    failed = (
        *(failed_sentences(checked.judgement) if checked else ()),
        *doubts_of_reads(bench, case, patient),
    )
    evidence = _evidence(bench, case, patient, backup, failed)
    plan = draw_up(
        evidence,
        patient_name=patient[0].file.path,
        backup_name=backup[0].file.path,
        volts=backup[0].volts,
        role=target,
        made_at=bench.now(),
        padding=padding,
        override_reason=override_reason,
        family=checked.family if checked else "",
    )
    against = (*refusals(plan, evidence), *_mixed_up(bench, case, bay, evidence))
    with bench.shelf.together():
        _note(bench, case, bay, NoteKind.PLAN, plan.job, plan.to_json())
        if override_reason and failed:
            bench.custody(case, "doubts about a ROM overridden", f"{override_reason} ({'; '.join(failed)})")
        said = f"refused for {len(against)} reasons" if against else f"{len(plan.steps)} blocks will change"
        bench.note(case, "rom", f"Bay {bay}: transfer to the {target}'s chip planned; {said}.")
    return Planned(plan, against, checklist(plan, refusals=against))


def newest_plan(bench: Bench, case: int, bay: str) -> TransferPlan:
    """The plan drawn up last for a bay.

    Raises:
        TransferRefused: there is none.
    """
    bench.ledger.bay(case, bay)
    notes = bench.shelf.notes(NoteKind.PLAN, case, bay)
    if not notes:
        raise TransferRefused(
            f"No transfer is planned for bay {bay} of case {case}.",
            f"mendbay rom plan {case} {bay} donor draws one up.",
        )
    return TransferPlan.from_json(notes[-1].body)


def tell_plan(bench: Bench, journals: Journals, case: int, bay: str) -> Planned:
    """The newest plan, held against its dumps again, and how far it is.

    Raises:
        NoSuchCase: there is no such case or bay.
        TransferRefused: there is no plan.
    """
    plan = newest_plan(bench, case, bay)
    evidence = _evidence_of(bench, case, bay, plan)
    against = (*refusals(plan, evidence), *_mixed_up(bench, case, bay, evidence))
    done = [
        note
        for note in bench.shelf.notes(NoteKind.CERTIFICATE, case, bay)
        if note.subject in (plan.job, _restored(plan))
    ]
    certificate = _certificate_of(done[-1].body) if done and done[-1].subject == plan.job else None
    state: JournalState | None = None
    if not against and not done:
        lines = journals.lines(bench.ledger.case(case), plan.job)
        state = replay(lines, plan.job, prepare(plan, evidence).images)
    return Planned(
        plan,
        against,
        checklist(plan, refusals=against, journal=state, certificate=certificate),
        restored=bool(done) and certificate is None,
    )


def carry_out(
    bench: Bench,
    clip: Clip,
    journals: Journals,
    case: int,
    bay: str,
    *,
    restore: bool = False,
) -> Certificate:
    """Writes what the newest plan says, or goes on where it was cut off, and proves the result.

    Args:
        clip: on the chip to be written.
        restore: put the backup back instead.

    Raises:
        TransferRefused: there is no plan, something speaks against it, or the chip is another one.
        ProgrammerError: the chip does not answer; nothing was written.
        TransferIncomplete: written in part; the same call goes on.
    """
    plan = newest_plan(bench, case, bay)
    role = plan.target.role
    evidence = _evidence_of(bench, case, bay, plan)
    mixed_up = () if restore else _mixed_up(bench, case, bay, evidence)
    if mixed_up:
        raise TransferRefused(mixed_up[0], "Read both chips again, each by its own name, and plan anew.")
    if restore:
        plan = restoring(plan, evidence, bench.now())
    verified = prepare(plan, evidence)
    what = "backup put back" if restore else "ROM written"
    with clip.identified() as (bus, _), journals.open(bench.ledger.case(case), plan.job) as journal:
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
        except MendbayError as trouble:
            bench.custody(case, f"{what}: outcome not recorded, read the chip", trouble.what)
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
        subject = plan.job if plan.purpose is Purpose.TRANSFER else _restored(plan)
        _note(bench, case, bay, NoteKind.CERTIFICATE, subject, body)
        bench.custody(
            case,
            "chip only read: it holds the content already"
            if certificate.only_read
            else f"{what}: read back and proven",
            f"bay {bay}, SHA-256 {certificate.image_sha256}, {kept.path}",
        )
        bench.note(
            case,
            "rom",
            f"Bay {bay}: {'nothing written, content read' if certificate.only_read else what}, "
            f"{certificate.chip_name}, read back equal {len(certificate.read_back_sha256)} times.",
            {"blocks": certificate.blocks, "pages": certificate.pages},
        )


def newest_reads(
    bench: Bench, case: int, bay: str, target: Role
) -> tuple[tuple[RomRead, ...], tuple[RomRead, ...]]:
    """The newest sittings of the patient's and of the target's chip.

    Raises:
        NoSuchCase: there is no such case or bay.
        TransferRefused: one of them was never read, or the target's newest reads are not from an adapter.
    """
    patient = newest_sitting(bench, case, bay, Role.PATIENT)
    backup = newest_sitting(bench, case, bay, target)
    for role, reads in ((Role.PATIENT, patient), (target, backup)):
        if not reads:
            raise TransferRefused(
                f"Nothing can be planned: the {role.value}'s chip of bay {bay} was never read.",
                f"mendbay rom read {case} {bay} {role.value} --programmer NAME reads it.",
            )
    if _chip(backup) is None:
        raise TransferRefused(
            f"Nothing can be planned: the newest reads of the {target.value}'s chip (bay {bay}) are files.",
            f"mendbay rom read {case} {bay} {target.value} --programmer NAME reads the chip to be written.",
        )
    return patient, backup


def doubts_of_reads(bench: Bench, case: int, reads: Sequence[RomRead]) -> tuple[str, ...]:
    """What speaks against a patient's reads being the content of a ROM, as sentences: what is proven wrong
    with them, though they agree."""
    if not reads:
        return ()
    try:
        judged = judged_reads(contents(bench, case, reads), reads)
    except DumpUnproven as trouble:
        return (trouble.what,)
    if judged.verdict is not Verdict.UNUSABLE:
        return ()
    return tuple(one.what for one in judged.faults if one.standing is Standing.PROVEN)


def _mixed_up(bench: Bench, case: int, bay: str, evidence: Evidence) -> tuple[str, ...]:
    """Whether the two chips seem to have been read under each other's name: the patient's serial number
    stands in the backup and not in the patient's dump."""
    drive = bench.ledger.bay(case, bay)
    corrected = corrections_of(bench, case, bay, NumberKind.SERIAL)
    serials = {drive.serial, *(one.right_text for one in corrected[-1:])}
    serials |= {one.value for one in identifiers_of(bench, case, bay) if one.kind is NumberKind.SERIAL}
    for serial in sorted(one for one in serials if len(one) >= SHORTEST_SERIAL):
        spelled = {serial.encode(), serial.replace("-", "").replace(" ", "").encode()}
        spelled |= {_pair_swapped(one) for one in spelled}
        in_backup = any(one in evidence.backup_reads[0] for one in spelled if evidence.backup_reads)
        in_patient = any(one in evidence.patient_reads[0] for one in spelled if evidence.patient_reads)
        if in_backup and not in_patient:
            return (
                f"The patient's serial number {serial} stands in the chip to be written and not in the "
                "patient's dump: the two seem to have been mixed up.",
            )
    return ()


def _pair_swapped(text: bytes) -> bytes:
    """A text as it reads where the bytes of each word are swapped."""
    even = text + b" " * (len(text) % 2)
    return b"".join(even[at : at + 2][::-1] for at in range(0, len(even), 2))


def _refuse_unfinished(bench: Bench, journals: Journals, case: int, bay: str) -> None:
    """A new plan would take a chip that was cut off in the middle for its own way back."""
    finished = {note.subject for note in bench.shelf.notes(NoteKind.CERTIFICATE, case, bay)}
    for note in bench.shelf.notes(NoteKind.PLAN, case, bay):
        plan = TransferPlan.from_json(note.body)
        if plan.job in finished or _restored(plan) in finished:
            continue
        lines = journals.lines(bench.ledger.case(case), plan.job)
        if any('"word": "begun"' in line for line in lines):
            raise TransferRefused(
                f"The transfer planned at {plan.made_at} was cut off and is not finished; its chip "
                "holds parts of both.",
                f"mendbay rom write {case} {bay} goes on with it; rom restore puts its backup back.",
            )


def _restored(plan: TransferPlan) -> str:
    return f"restore {plan.job}"


def _evidence_of(bench: Bench, case: int, bay: str, plan: TransferPlan) -> Evidence:
    """What a plan rests on: the sittings its dumps are named after, whatever was read since."""
    reads = rom_reads(bench, case, bay)
    found = []
    for name in (plan.patient.name, plan.backup.name):
        first = next((one for one in reads if one.file.path == name), None)
        found.append(
            tuple(one for one in reads if first and (one.role, one.sitting) == (first.role, first.sitting))
        )
    patient, backup = found
    if not patient or _chip(backup) is None:
        raise TransferRefused(
            f"The reads that the plan of bay {bay} rests on are not in the ledger.", "Draw it up anew."
        )
    return _evidence(bench, case, patient, backup, plan.failed_rules)


def _evidence(
    bench: Bench,
    case: int,
    patient: Sequence[RomRead],
    backup: Sequence[RomRead],
    failed_rules: Sequence[str],
) -> Evidence:
    chip = _chip(backup)
    assert chip is not None
    return Evidence(
        patient_reads=contents(bench, case, patient),
        backup_reads=contents(bench, case, backup),
        target=chip,
        patient_chip=_chip(patient),
        failed_rules=tuple(failed_rules),
    )


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
        tell_reading(bench, done.read_number - 1, done.reads, done)
