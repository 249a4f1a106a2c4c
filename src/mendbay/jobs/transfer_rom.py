"""Move a patient's ROM to another chip: draw the plan up, check it, write, prove; or put the backup back.

Everything a plan rests on lies in the case's folder and is proven by its digest each time. The plan, every
step of the journal and the certificate are kept; nothing here writes to a chip but `board.transfer.write`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

from mendbay.board.flash_id import ChipFacts
from mendbay.board.note import BoardNote, NoteKind
from mendbay.board.serial_flash import ReadProgress
from mendbay.board.transfer import BlockWritten, Certificate, write
from mendbay.board.transfer_check import VerifiedPlan, prepare, refusals
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
    Interrupted,
    MendbayError,
    ProgrammerError,
    TransferIncomplete,
    TransferRefused,
)
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Clip, Journals, ShopFiles
from mendbay.jobs.events import StepProgress
from mendbay.jobs.learn_rom import CheckedRom, failed_sentences
from mendbay.jobs.rom_doubts import doubts_of_reads, failures_now, mixed_up
from mendbay.jobs.rom_reads import RomRead, contents, newest_sitting, rom_reads, tell_reading

READ_HERE = "the chip, read by Mendbay"
READ_ELSEWHERE = "files made with another programmer"


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
        override_reason=override_reason if failed else "",  # a reason is for what failed then
        family=checked.family if checked else "",
    )
    against = (*refusals(plan, evidence), *mixed_up(bench, case, bay, evidence))
    with bench.shelf.together():
        _note(bench, case, bay, NoteKind.PLAN, plan.job, plan.to_json())
        if override_reason and failed:
            doubts = "; ".join(failed)
            bench.custody(
                case,
                "doubts about a ROM overridden",
                f"{override_reason}; for nothing but: {doubts}",
            )
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


def tell_plan(bench: Bench, shop: ShopFiles, journals: Journals, case: int, bay: str) -> Planned:
    """The newest plan, held against its dumps and what is known of their family again, and how far it is.

    Raises:
        NoSuchCase: there is no such case or bay.
        TransferRefused: there is no plan.
    """
    plan = newest_plan(bench, case, bay)
    done = _certificates(bench, case, bay, plan)
    evidence = _evidence_of(bench, None if done else shop, case, bay, plan)
    against = (*refusals(plan, evidence), *mixed_up(bench, case, bay, evidence))
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
    shop: ShopFiles,
    journals: Journals,
    case: int,
    bay: str,
    *,
    restore: bool = False,
) -> Certificate:
    """Writes what the newest plan says, or goes on where it was cut off, and proves the result.

    A chip that holds it already is only read; if that was certified before, no other certificate is added.

    Args:
        clip: on the chip to be written.
        restore: put the backup back instead.

    Raises:
        TransferRefused: there is no plan, something speaks against it, or the chip is another one.
        ProgrammerError: the chip does not answer; nothing was written.
        TransferIncomplete: written in part, also if a person stopped it; the same call goes on.
        Interrupted: a person stopped it before anything was written.
    """
    plan = newest_plan(bench, case, bay)
    role = plan.target.role
    recheck = not restore and not _certificates(bench, case, bay, plan)
    evidence = _evidence_of(bench, shop if recheck else None, case, bay, plan)
    mistaken = () if restore else mixed_up(bench, case, bay, evidence)
    if mistaken:
        raise TransferRefused(mistaken[0], "Read both chips again, each by its own name, and plan anew.")
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
        except KeyboardInterrupt:
            verb = "restore" if restore else "write"
            again = f"mendbay rom {verb} {case} {bay} --programmer {clip.name}"
            stopped = _stopped(verified, journal.lines(), again)
            bench.custody(case, f"{what}: cut off", stopped.what)
            raise stopped from None
    certificate = replace(
        certificate,
        patient_read_from=_read_from(bench, case, bay, plan.patient.name),
        backup_read_from=_read_from(bench, case, bay, plan.backup.name),
    )
    _note_done(bench, case, bay, plan, certificate, what)
    return certificate


def _stopped(verified: VerifiedPlan, lines: Sequence[str], again: str) -> MendbayError:
    """What is to be told when a person, or the end of the session, stopped the writing of a chip.

    Args:
        lines: of the journal, as far as it came.
        again: the command that goes on.
    """
    plan = verified.plan
    at = replay(lines, plan.job, verified.images)
    chip = f"the {plan.target.role.value}'s chip"
    safe = (
        f"The patient's dump ({plan.patient.name}) and the {plan.target.role.value}'s backup "
        f"({plan.backup.name}) are safe in the case's folder"
    )
    if not at.touched:
        return Interrupted(f"Stopped before anything was written to {chip}. {safe}", again)
    state = (
        f"{chip} is half written, do not use it on a drive"
        if at.cut_off or at.content.tobytes() != verified.image
        else f"{chip} is written, and not proven yet"
    )
    back = (
        ""
        if plan.purpose is Purpose.RESTORE
        else f"; {again.replace('rom write', 'rom restore', 1)} puts the backup back"
    )
    return TransferIncomplete(f"Stopped: {state}. {safe}", f"{again} goes on where it stopped{back}")


def _read_from(bench: Bench, case: int, bay: str, name: str) -> str:
    """Where the reads of a dump come from, in words, with the adapter or the names of the files."""
    reads = rom_reads(bench, case, bay)
    first = next(one for one in reads if one.file.path == name)
    origins = [one.origin for one in reads if (one.role, one.sitting) == (first.role, first.sitting)]
    said = READ_HERE if first.by_mendbay else READ_ELSEWHERE
    return f"{said} ({', '.join(dict.fromkeys(origins))})"


def _certificates(bench: Bench, case: int, bay: str, plan: TransferPlan) -> list[BoardNote]:
    """The certificates of a plan's job, both ways, the oldest first."""
    return [
        note
        for note in bench.shelf.notes(NoteKind.CERTIFICATE, case, bay)
        if note.subject in (plan.job, _restored(plan))
    ]


def _note_done(
    bench: Bench, case: int, bay: str, plan: TransferPlan, certificate: Certificate, what: str
) -> None:
    earlier = _certificates(bench, case, bay, plan)
    subject = plan.job if plan.purpose is Purpose.TRANSFER else _restored(plan)
    if certificate.only_read and earlier and earlier[-1].subject == subject:
        bench.custody(
            case,
            "chip only read: it still holds what was certified",
            f"bay {bay}, SHA-256 {certificate.image_sha256}",
        )
        return
    body = json.dumps(certificate.as_record(), sort_keys=True)
    name = "certificate" if plan.purpose is Purpose.TRANSFER else "certificate-of-restoring"
    kept = bench.files.keep(
        bench.ledger.case(case), f"roms/bay-{bay}/{name}-{plan.job[:12]}.json", body.encode()
    )
    with bench.shelf.together():
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
    if _chip(backup) is None or not backup[0].by_mendbay:
        raise TransferRefused(
            f"Nothing can be planned: the newest reads of the {target.value}'s chip (bay {bay}) are files.",
            f"mendbay rom read {case} {bay} {target.value} --programmer NAME reads the chip to be written.",
        )
    return patient, backup


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


def _evidence_of(bench: Bench, shop: ShopFiles | None, case: int, bay: str, plan: TransferPlan) -> Evidence:
    """What a plan rests on: the sittings its dumps are named after, whatever was read since.

    Args:
        shop: holds the patient's dump against its family again; None takes what failed from the plan.
    """
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
    failed = failures_now(bench, shop, case, patient, plan.family) if shop else plan.failed_rules
    return _evidence(bench, case, patient, backup, failed)


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
