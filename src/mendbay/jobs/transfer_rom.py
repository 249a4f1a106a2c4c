"""Move a patient's ROM to another chip: draw the plan up, check it, write, prove; or put the backup back.

Everything a plan rests on lies in the case's folder and is proven by its digest each time. The plan, every
step of the journal and the certificate are kept; nothing here writes to a chip but `board.transfer.write`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, fields, replace

from mendbay.board.flash_id import ChipFacts, Supply
from mendbay.board.serial_flash import ReadProgress
from mendbay.board.transfer import BlockWritten, Certificate, write
from mendbay.board.transfer_check import VerifiedPlan, images_of, prepare, refusals
from mendbay.board.transfer_checklist import ChecklistStep, StepState, checklist
from mendbay.board.transfer_journal import JournalState, TransferJournal, is_start, outcome, replay
from mendbay.board.transfer_permit import may_be_left_by
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
    LedgerError,
    MendbayError,
    TransferIncomplete,
    TransferRefused,
)
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Journals, ShopFiles
from mendbay.jobs.clip import Clip
from mendbay.jobs.consents import (
    NOTHING_DUE,
    WordDue,
    nobody_asked,
    note_asked,
    refused_although,
    require_asked,
    word_due,
)
from mendbay.jobs.events import StepProgress
from mendbay.jobs.learn_rom import CheckedRom, failed_sentences
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.rom_doubts import (
    WhoseIsWhose,
    doubts_of_reads,
    failures_now,
    patients_before,
    whose_is_whose,
)
from mendbay.jobs.rom_reads import (
    RomRead,
    contents,
    newest_sitting,
    reads_of_shop,
    rom_reads,
    tell_reading,
    unfinished_plans,
)
from mendbay.jobs.transfer_notes import GIVEN_UP, RESTORED
from mendbay.jobs.withdraw import reason_of, require_reason, withdraw

NEEDED = ("board-swap",)
"""The customer's word that moving the ROM rests on (`consents.toml`). Putting a backup back rests on none."""
READ_HERE = "the chip, read by Mendbay"
READ_ELSEWHERE = "files made with another programmer"
READ_BEFORE = "files with what Mendbay read before"


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what speaks against it and its steps as a person does them."""

    plan: TransferPlan
    reasons: tuple[str, ...]
    steps: tuple[ChecklistStep, ...]
    restored: bool = False
    """Whether the backup was put back after it."""
    remarks: tuple[str, ...] = ()
    """What could not be checked, as sentences; it forbids nothing."""
    remark_step: str = ""
    """How it can be checked."""
    needs_word: bool = False
    """Whether writing asks for a person's word on whose chip is whose."""
    unfinished: bool = False
    """Whether a block was begun, and the chip not read back right since: it holds parts of both."""
    given_up: bool = False
    not_asked: tuple[str, ...] = ()
    """What nobody asked the customer about yet that it rests on, in words; it forbids nothing."""
    due: WordDue = NOTHING_DUE
    """What the customer's word asks for before it is written."""

    @property
    def may_write(self) -> bool:
        """Whether writing, or going on with it, is the step that can be taken now."""
        return not self.reasons and any(one.state is not StepState.DONE for one in self.steps)

    @property
    def may_undo(self) -> bool:
        """Whether the backup can be put back, or the transfer be given up: it was cut off."""
        return self.unfinished and not self.given_up

    def require_write(self) -> None:
        """
        Raises:
            TransferRefused: something speaks against the plan, or it is done.
        """
        if self.reasons:
            raise TransferRefused(
                f"Nothing was written. {' '.join(self.reasons)}", "Put that right, and plan anew."
            )
        if not self.may_write:
            raise TransferRefused("Nothing was written: the plan is carried out.", "Nothing is left to do.")

    def require_word(self, roles_checked: bool) -> None:
        """
        Args:
            roles_checked: a person's word that each chip was read under its own name.

        Raises:
            TransferRefused: that word is needed, and was not given.
        """
        if self.needs_word and not roles_checked:
            raise _word_missing(" ".join(self.remarks), self.remark_step)

    def require_undo(self) -> None:
        """
        Raises:
            TransferRefused: nothing is half done.
        """
        if not self.may_undo:
            raise TransferRefused(
                "There is nothing to undo: no transfer of this plan is half done.", "Look at its steps."
            )


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
    _refuse_unfinished(bench, journals, case, bay, contents(bench, case, backup)[0])
    failed = (
        *(failed_sentences(checked.judgement) if checked else ()),
        *doubts_of_reads(bench, case, patient),
    )
    evidence = _evidence(bench, case, patient, backup, failed)
    failed = (*failed, *patients_before(bench, case, bay, evidence))
    evidence = replace(evidence, failed_rules=failed)
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
    _refuse_given_up(bench, plan)
    whose = whose_is_whose(bench, case, bay, evidence)
    against = (*refusals(plan, evidence), *whose.mistaken)
    with bench.shelf.together():
        _note(bench, case, bay, NoteKind.PLAN, plan.job, plan.to_json())
        if override_reason and failed:
            doubts = "; ".join(failed)
            bench.custody(
                case,
                "doubts about a ROM overridden",
                f"{override_reason}; for nothing but: {doubts}",
            )
        said = (
            f"refused for {counted(len(against), 'reason')}"
            if against
            else f"{counted(len(plan.steps), 'block')} to change"
        )
        bench.note(case, "rom", f"Bay {bay}: transfer to the {target.chip} planned; {said}.")
    return Planned(
        plan,
        against,
        checklist(plan, refusals=against),
        remarks=_remarks(whose),
        remark_step=whose.next_step,
        needs_word=whose.needs_word,
        not_asked=_not_asked(bench, case),
        due=_word_due(bench, case, False),
    )


def give_up(bench: Bench, journals: Journals, case: int, bay: str, reason: str) -> TransferPlan:
    """Gives the newest transfer of a bay up: its chip died, or is put aside half written. Dump and backup
    stay in the case; the chip's reads are taken for no backup while it holds what the transfer left.

    Returns:
        The plan that was given up.

    Raises:
        TransferRefused: there is none, or none that was cut off.
        DestinationError: it is under way.
        UsageError: no reason is given.
    """
    plan = newest_plan(bench, case, bay)
    _refuse_given_up(bench, plan)
    record = bench.ledger.case(case)
    _require_half_done(journals.lines(record, plan.job), case, bay)
    require_reason(reason)
    with journals.open(record, plan.job) as journal, bench.shelf.together():
        _refuse_given_up(bench, plan)  # by somebody else meanwhile
        _require_half_done(journal.lines(), case, bay)  # what a start meanwhile came to
        withdraw(bench, [_job_subject(plan)], case, bay, reason)
        bench.custody(
            case,
            "ROM transfer given up",
            f"bay {bay}, plan {plan.digest}; {plan.target.chip_name} is left half written, its backup is "
            f"{plan.backup.name}: {reason.strip()}",
        )
        bench.note(case, "rom", f"Bay {bay}: the transfer that was cut off is given up: {reason.strip()}")
    return plan


def _require_half_done(lines: Sequence[str], case: int, bay: str) -> None:
    if not outcome(lines).unfinished:
        raise TransferRefused(
            f"There is nothing to give up: no transfer of bay {bay} is half done.",
            f"mendbay rom steps {case} {bay} shows how far the newest is.",
        )


def newest_plan(bench: Bench, case: int, bay: str) -> TransferPlan:
    """The plan drawn up last for a bay.

    Raises:
        TransferRefused: there is none.
    """
    bench.ledger.bay(case, bay)
    notes = bench.notes.of(NoteKind.PLAN, case, bay)
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
    lines = journals.lines(bench.ledger.case(case), plan.job)
    unfinished, given_up = outcome(lines).unfinished, _given_up(bench, plan)
    done = [] if unfinished else _certificates(bench, case, bay, plan)
    evidence = _evidence_of(bench, None if done else shop, case, bay, plan)
    whose = whose_is_whose(bench, case, bay, evidence)
    against = (*given_up, *refusals(plan, evidence), *whose.mistaken)
    certificate = certificate_of(done[-1]) if done and done[-1].subject == plan.job else None
    state: JournalState | None = None
    if not against and not done:
        state = replay(lines, plan.job, prepare(plan, evidence).images)
    return Planned(
        plan,
        against,
        checklist(plan, refusals=against, journal=state, certificate=certificate),
        restored=bool(done) and certificate is None,
        remarks=_remarks(whose),
        remark_step=whose.next_step,
        needs_word=whose.needs_word and certificate is None,
        unfinished=unfinished,
        given_up=bool(given_up),
        not_asked=_not_asked(bench, case),
        due=_word_due(bench, case, unfinished),
    )


def _not_asked(bench: Bench, case: int) -> tuple[str, ...]:
    return tuple(one.title for one in nobody_asked(bench, case, NEEDED))


def _word_due(bench: Bench, case: int, unfinished: bool) -> WordDue:
    """Going on with what was cut off is no new step: nobody is asked once more."""
    due = word_due(bench, case, NEEDED)
    return replace(due, asking="") if unfinished else due


def _remarks(whose: WhoseIsWhose) -> tuple[str, ...]:
    return (whose.remark,) if whose.remark else ()


@dataclass(frozen=True, slots=True)
class Proven:
    """What came of writing a chip.

    Args:
        certificate: of this run.
        kept: where it is kept in the case; None if an earlier one is, or if it does not prove the chip.
        next_step: how the chip on the clip is proven to be the target, if it may be the patient's own.
    """

    certificate: Certificate
    kept: KeptFile | None
    next_step: str = ""


def carry_out(
    bench: Bench,
    clip: Clip,
    shop: ShopFiles,
    journals: Journals,
    case: int,
    bay: str,
    *,
    restore: bool = False,
    same_chip: bool = False,
    put_away: bool = False,
    roles_checked: bool = False,
    right_chip: bool = False,
    plan_digest: str = "",
    although: str = "",
    asked: bool = False,
) -> Proven:
    """Writes what the newest plan says, or goes on where it was cut off, and proves the result.

    A chip that holds it already is only read; if that was certified before, no other certificate is added.

    Args:
        clip: on the chip to be written.
        restore: put the backup back instead.
        same_chip, put_away: a person's word, see `board.transfer.write`.
        roles_checked: a person's word that each chip was read under its own name. No transfer is written
            without it where no serial number tells whose chip is whose; putting the backup back needs none.
        right_chip: a person's word that the chip on the clip is the one to be written.
        plan_digest: of the plan that the person saw; empty for whichever is the newest.
        although: why it is written, where the customer refused that the ROM is moved; custody keeps it.
        asked: the customer, who wants to be asked each time before that, was asked and said yes.

    Raises:
        HeldBack: the customer refused that the ROM is moved, or wants to be asked before and was not; nothing
            was written.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
        UsageError: the reason names the customer or seems to hold a password.
        TransferRefused: there is no plan, or the newest is another than was seen; something speaks against
            it, the chip is another one, or a person's word is needed.
        ProgrammerError: the chip does not answer; nothing was written.
        TransferIncomplete: written in part, also if a person stopped it; the same call goes on.
        Interrupted: a person stopped it before anything was written.
    """
    plan = newest_plan(bench, case, bay)
    if plan_digest and plan.digest != plan_digest:
        raise TransferRefused(
            "Nothing was written: the transfer was planned anew meanwhile.", "Look at the newest plan first."
        )
    record = remembered(bench, case)
    with ExitStack() as held:
        # Locked first: what another start of the job may change is looked at only then.
        journal = held.enter_context(journals.open(record, plan.job))
        _refuse_given_up(bench, plan)
        done = _certificates(bench, case, bay, plan)
        unfinished = outcome(journal.lines()).unfinished
        certified = bool(done) and done[-1].subject == plan.job and not unfinished
        word = CustomersWord()
        if not (restore or certified):
            word = customers_word(bench, case, bay, although, asked, unfinished)
        evidence = _evidence_of(bench, None if restore or certified else shop, case, bay, plan)
        # Restoring asks nothing: it gives a chip that a transfer began on what this chip held before, also
        # if the two were mixed up, when that is the only copy.
        whose = WhoseIsWhose() if restore else whose_is_whose(bench, case, bay, evidence)
        on_word = _word_on_roles(whose, certified, roles_checked)
        if restore:
            plan = restoring(plan, evidence, bench.now())
        verified = prepare(plan, evidence)
        bus, _ = held.enter_context(clip.identified())
        run = _Run(bench, case, bay, verified, journal, clip.name, len(journal.lines()), on_word, word)
        with run.told():
            certificate = write(
                verified,
                bus,
                _Announced(journal, run.announce),
                role=plan.target.role,
                now=bench.now,
                keep=run.keep,
                clock=bench.clock,
                progress=lambda done: _tell(bench, done),
                same_chip=same_chip,
                put_away=put_away,
            )
            certificate = replace(
                certificate,
                patient_read_from=_read_from(bench, case, bay, plan.patient.name),
                backup_read_from=_read_from(bench, case, bay, plan.backup.name),
                remarks=_remarks(whose),
                roles_on_word=on_word,
                chip_on_word=right_chip,
                supply_on_word=True,  # no adapter is taken at its word: the clip asked before it gave any
                marking_on_word=clip.marking is Supply.HIGH,
            )
            kept = _note_done(bench, case, bay, plan, certificate, run.what)
    return Proven(certificate, kept, f"{run.again} --patient-put-away" if certificate.may_be_patients else "")


@dataclass(frozen=True, slots=True)
class CustomersWord:
    """What custody is told of the customer's word when the writing begins.

    Args:
        against: what they refused of it; although: why it is done all the same.
        asked: about what they were asked this time.
    """

    against: str = ""
    although: str = ""
    asked: str = ""


def customers_word(
    bench: Bench, case: int, bay: str, although: str, asked: bool, unfinished: bool
) -> CustomersWord:
    """
    Args:
        although, asked: as `carry_out` takes them.
        unfinished: it was cut off, and goes on; nobody is asked once more for that.

    Raises:
        HeldBack, CustodyBroken, UsageError: as `carry_out`.
    """
    instead = f"mendbay rom restore {case} {bay} puts the backup back" if unfinished else ""
    against = refused_although(bench, case, NEEDED, although, instead=instead)
    titles = "" if unfinished else require_asked(bench, case, NEEDED, asked)
    return CustomersWord(against, although.strip(), titles)


def _word_on_roles(whose: WhoseIsWhose, certified: bool, roles_checked: bool) -> bool:
    """Whether whose chip is whose rests on a person's word.

    Raises:
        TransferRefused: the chips seem mixed up, or the word is needed and was not given.
    """
    if whose.mistaken:
        raise TransferRefused(
            whose.mistaken[0], "Read both chips again, each by its own name, and plan anew."
        )
    if whose.needs_word and not certified and not roles_checked:
        raise _word_missing(whose.remark, whose.next_step)
    return whose.needs_word and roles_checked


def _word_missing(remark: str, next_step: str) -> TransferRefused:
    """That whose chip is whose could not be checked, and nobody gave their word on it."""
    return TransferRefused(
        f"Nothing was written. {remark}",
        f"{next_step} Or, if a person knows that each chip was read under its own name, say so with "
        "--roles-checked.",
    )


@dataclass(frozen=True, slots=True)
class _Announced:
    """A journal before whose first line custody is told that the writing begins."""

    journal: TransferJournal
    announce: Callable[[], None]

    def lines(self) -> Sequence[str]:
        return self.journal.lines()

    def append(self, line: str) -> None:
        if is_start(line):
            self.announce()
        self.journal.append(line)


@dataclass(frozen=True, slots=True)
class _Run:
    """One start of a transfer: what custody is told of it, however it ends.

    Args:
        clip: the name of the programmer.
        before: how many lines the journal had.
        roles_on_word: whose chip is whose rests on a person's word.
    """

    bench: Bench
    case: int
    bay: str
    verified: VerifiedPlan
    journal: TransferJournal
    clip: str
    before: int
    roles_on_word: bool = False
    word: CustomersWord = CustomersWord()

    @property
    def plan(self) -> TransferPlan:
        return self.verified.plan

    @property
    def what(self) -> str:
        return "backup put back" if self.plan.purpose is Purpose.RESTORE else "ROM written"

    @property
    def again(self) -> str:
        """The command that goes on."""
        verb = "restore" if self.plan.purpose is Purpose.RESTORE else "write"
        return f"mendbay rom {verb} {self.case} {self.bay} --programmer {self.clip}"

    def announce(self) -> None:
        """Tells custody that a block is about to be written."""
        chip = self.plan.target.chip_name
        word = "; whose chip is whose rests on a person's word" if self.roles_on_word else ""
        self.bench.custody(
            self.case, f"{self.what}: begun", f"bay {self.bay}, {chip}, plan {self.plan.digest}{word}"
        )
        said, thing = self.word, f"bay {self.bay}, {chip}"
        note_asked(self.bench, self.case, said.asked, [thing], "rom")
        if said.against:
            done = f"{self.what} although the customer refused {said.against}"
            self.bench.custody(self.case, done, f"{thing}; {said.although}")
            self.bench.note(self.case, "rom", f"{done[:1].upper()}{done[1:]}: {said.although}")

    def keep(self, reads: Sequence[bytes]) -> None:
        """Keeps what a chip with open blocks holds, before these are written again."""
        case = self.bench.ledger.case(self.case)
        for data in reads:
            kept = self.bench.files.keep(case, f"roms/bay-{self.bay}/found-{self.plan.job[:12]}.bin", data)
            self.bench.custody(
                self.case, "half written chip read before it is written again", f"bay {self.bay}, {kept.path}"
            )

    @contextmanager
    def told(self) -> Iterator[None]:
        """While open, whatever breaks the transfer off is told to custody, with where the chip stands."""
        try:
            yield
        except KeyboardInterrupt:
            stopped = self._stopped()
            self._broke_off(stopped.what)
            raise stopped from None
        except TransferIncomplete as trouble:
            self._broke_off(trouble.what)
            raise TransferIncomplete(trouble.what, f"{self.again} goes on with it{self._back}") from trouble
        except MendbayError as trouble:
            self._broke_off(trouble.what, "refused" if isinstance(trouble, TransferRefused) else "broken off")
            if isinstance(trouble, TransferRefused) and self._finished_restore:
                raise TransferRefused(
                    trouble.what, f"{trouble.next_step} {self._after_a_mix_up()}"
                ) from trouble
            raise
        except BaseException as trouble:
            self._broke_off(f"{type(trouble).__name__}: {trouble}")
            raise

    @property
    def _wrote(self) -> bool:
        return outcome(self.journal.lines()[self.before :]).touched

    @property
    def _back(self) -> str:
        if self.plan.purpose is Purpose.RESTORE:
            return ""
        return f"; {self.again.replace('rom write', 'rom restore', 1)} puts the backup back"

    @property
    def _finished_restore(self) -> bool:
        """Whether the backup of a transfer that was finished is to be put back, which is never done."""
        finished = outcome(self.journal.lines()).proven is Purpose.TRANSFER
        return self.plan.purpose is Purpose.RESTORE and finished

    def _after_a_mix_up(self) -> str:
        """What to do if the two chips of a finished transfer were read under each other's name."""
        plan, case, bay = self.plan, self.case, self.bay
        sittings = {one.file.path: one.sitting for one in rom_reads(self.bench, case, bay)}
        role = plan.target.role.value
        folder = self.bench.images.folder(self.bench.ledger.case(case))
        return (
            "If the two chips were read under each other's name, what was overwritten is kept as the backup. "
            f"Take both back: mendbay rom withdraw {case} {bay} patient {sittings[plan.patient.name]} REASON "
            f"and mendbay rom withdraw {case} {bay} {role} {sittings[plan.backup.name]} REASON. Keep the "
            f"good reads under their right name: mendbay rom keep {case} {bay} patient FILES, which lie in "
            f"{folder / plan.backup.name.rpartition('/')[0]}. Then read the chip that shall be written as it "
            f"is now (mendbay rom read {case} {bay} {role}), and plan anew."
        )

    def _broke_off(self, what: str, short: str = "broken off") -> None:
        how = "cut off" if self._wrote else f"{short}, nothing written this time"
        self.bench.custody(self.case, f"{self.what}: {how}", what)

    def _stopped(self) -> MendbayError:
        """What is to be told when a person, or the end of the session, stopped the writing of a chip."""
        plan, lines = self.plan, self.journal.lines()
        at = replay(lines, plan.job, self.verified.images)
        chip = plan.target.role.chip
        safe = (
            f"The patient's dump ({plan.patient.name}) and the backup of the {chip} ({plan.backup.name}) are "
            "safe in the case's folder."
        )
        if at.cut_off:
            state = f"the {chip} is half written, do not use it on a drive"
        elif not at.touched or at.content.tobytes() == self.verified.backup:
            state = f"the {chip} holds its backup"
        elif at.content.tobytes() != self.verified.images[Purpose.TRANSFER]:
            state = f"the {chip} is half written, do not use it on a drive"
        elif at.proven:
            state = f"the {chip} is written and was read back right, and its certificate not kept yet"
        else:
            state = f"the {chip} is written, and not proven yet"
        if not self._wrote:
            return Interrupted(
                f"Stopped before anything was written by this start: {state}. {safe}",
                f"{self.again} starts it again",
            )
        return TransferIncomplete(
            f"Stopped: {state}. {safe}", f"{self.again} goes on where it stopped{self._back}"
        )


def _read_from(bench: Bench, case: int, bay: str, name: str) -> str:
    """Where the reads of a dump come from, in words, with the adapter or the names of the files."""
    reads = rom_reads(bench, case, bay)
    first = next(one for one in reads if one.file.path == name)
    origins = [one.origin for one in reads if (one.role, one.sitting) == (first.role, first.sitting)]
    named = ", ".join(dict.fromkeys(origins))
    if first.by_mendbay:
        return f"{READ_HERE} ({named})"
    digests = {one.file.sha256 for one in reads if (one.role, one.sitting) == (first.role, first.sitting)}
    before = {
        one.file.sha256: f"case {at}, bay {where}, the {one.role.value}'s, sitting {one.sitting}"
        for at, where, one in reads_of_shop(bench)
        if one.by_mendbay and one.file.sha256 in digests
    }
    if len(before) < len(digests):
        return f"{READ_ELSEWHERE} ({named})"
    return f"{READ_BEFORE} ({named}): {'; '.join(dict.fromkeys(before.values()))}"


def _certificates(bench: Bench, case: int, bay: str, plan: TransferPlan) -> list[Note]:
    """The certificates of a plan's job, both ways, the oldest first."""
    return [
        note
        for note in bench.notes.of(NoteKind.CERTIFICATE, case, bay)
        if note.subject in (plan.job, _restored(plan))
    ]


def _note_done(
    bench: Bench, case: int, bay: str, plan: TransferPlan, certificate: Certificate, what: str
) -> KeptFile | None:
    """Keeps the certificate, unless an earlier one says the same or it does not prove which chip it is of."""
    earlier = _certificates(bench, case, bay, plan)
    subject = plan.job if plan.purpose is Purpose.TRANSFER else _restored(plan)
    where = f"bay {bay}, SHA-256 {certificate.image_sha256}"
    if not certificate.proves_chip:
        bench.custody(
            case, "chip only read: it holds the content, and may be the patient's own; not certified", where
        )
        return None
    if certificate.only_read and earlier and earlier[-1].subject == subject:
        whose = ", and may be the patient's own" if certificate.may_be_patients else ""
        if certificate.put_away:
            whose = "; that it is not the patient's own rests on a person's word"
        bench.custody(case, f"chip only read: it holds what was certified{whose}", where)
        return None
    body = json.dumps(certificate.as_record(), sort_keys=True, indent=2)
    kept = bench.files.keep(bench.ledger.case(case), certificate_path(bay, certificate), body.encode())
    said = f"{what}: read back and proven"
    if certificate.only_read:
        said = "chip only read: it holds the content already"
    if certificate.put_away:
        said += "; that it is not the patient's own rests on a person's word"
    if certificate.same_chip:
        said += "; that it is the chip that was cut off rests on a person's word"
    if certificate.roles_on_word:
        said += "; whose chip is whose rests on a person's word"
    with bench.shelf.together():
        _note(bench, case, bay, NoteKind.CERTIFICATE, subject, body)
        bench.custody(case, said, custody_item(bay, certificate, kept.path))
        bench.note(
            case,
            "rom",
            f"Bay {bay}: {'nothing written, content read' if certificate.only_read else what}, "
            f"{certificate.chip_name}, read back equal {len(certificate.read_back_sha256)} times.",
            {"blocks": certificate.blocks, "pages": certificate.pages},
        )
    return kept


def certificate_path(bay: str, certificate: Certificate) -> str:
    """Where a certificate is kept in its case's folder, but for the number it gets if others were before."""
    name = "certificate" if certificate.purpose == Purpose.TRANSFER.value else "certificate-of-restoring"
    return f"roms/bay-{bay}/{name}-{certificate.job[:12]}.json"


def custody_item(bay: str, certificate: Certificate, path: str) -> str:
    """What the entry of custody that tells of a certificate names: bay, content, and the file at `path`."""
    return f"bay {bay}, SHA-256 {certificate.image_sha256}, {path}"


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
                f"Nothing can be planned: the {role.chip} of bay {bay} was never read.",
                f"mendbay rom read {case} {bay} {role.value} --programmer NAME reads it.",
            )
    if _chip(backup) is None or not backup[0].by_mendbay:
        raise TransferRefused(
            f"Nothing can be planned: the newest reads of the {target.chip} (bay {bay}) are files.",
            f"mendbay rom read {case} {bay} {target.value} --programmer NAME reads the chip to be written.",
        )
    return patient, backup


def _refuse_unfinished(bench: Bench, journals: Journals, case: int, bay: str, backup: bytes) -> None:
    """A new plan would take a chip that was cut off in the middle for its own way back.

    Args:
        backup: the newest reads of the chip to be written.
    """
    for plan in unfinished_plans(bench, journals, case, bay):
        if not _given_up(bench, plan):
            raise TransferRefused(
                f"The transfer planned at {plan.made_at} was cut off and is not finished; its chip "
                "holds parts of both.",
                f"mendbay rom write {case} {bay} goes on with it; rom restore puts its backup back; if its "
                f"chip is dead, rom abandon {case} {bay} REASON gives it up.",
            )
        evidence = _evidence_of(bench, None, case, bay, plan)
        images = images_of(plan, evidence)
        state = replay(journals.lines(bench.ledger.case(case), plan.job), plan.job, images)
        if backup != images[Purpose.RESTORE] and may_be_left_by(state, backup, images, evidence.target):
            raise TransferRefused(
                "The newest reads of the chip to be written are what a transfer that was given up left on "
                "its chip: parts of both, and no way back.",
                f"Read the chip that shall be written instead; the backup of that one is {plan.backup.name}.",
            )


def _job_subject(plan: TransferPlan) -> str:
    return f"{GIVEN_UP}{plan.job}"


def _given_up(bench: Bench, plan: TransferPlan) -> tuple[str, ...]:
    """A sentence with the reason, if a transfer was given up."""
    notes = bench.notes.of(NoteKind.WITHDRAWAL, subject=_job_subject(plan))
    return (f"It was given up: {reason_of(notes[-1]).rstrip('.')}.",) if notes else ()


def _refuse_given_up(bench: Bench, plan: TransferPlan) -> None:
    for why in _given_up(bench, plan):
        raise TransferRefused(
            f"The newest transfer is not to be carried out. {why}",
            "Read the chip that shall be written instead, and plan anew.",
        )


def _restored(plan: TransferPlan) -> str:
    return f"{RESTORED}{plan.job}"


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
            f"The reads that the plan of bay {bay} rests on were withdrawn, or are not in the ledger.",
            "Draw it up anew.",
        )
    evidence = _evidence(bench, case, patient, backup, plan.failed_rules)
    if shop is None:
        return evidence
    failed = failures_now(bench, shop, case, patient, plan.family)
    return replace(evidence, failed_rules=(*failed, *patients_before(bench, case, bay, evidence)))


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


_PLAIN = {"str": (str,), "int": (int,), "float": (int, float), "bool": (bool,)}
"""What a field of a certificate may hold, by the name of its type."""


def certificate_of(note: Note) -> Certificate:
    """The certificate that a note of kind `CERTIFICATE` carries, every field of its own kind.

    Raises:
        LedgerError: the note is not one that Mendbay wrote.
    """
    try:
        record = json.loads(note.body)
        for name in ("read_back_sha256", "failed_rules"):
            record[name] = tuple(record[name])
        record["remarks"] = tuple(record.get("remarks", ()))
        record["unsettled"] = tuple((int(at), int(size)) for at, size in record["unsettled"])
        found = Certificate(**record)
        Purpose(found.purpose), Role(found.role)
        texts = (*found.read_back_sha256, *found.failed_rules, *found.remarks)
        wrong = [one.name for one in fields(found) if not _holds(getattr(found, one.name), str(one.type))]
        if wrong or not all(isinstance(one, str) for one in texts):
            raise ValueError(f"odd values: {', '.join(wrong)}")
        return found
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a certificate cannot be read: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def _holds(value: object, kind: str) -> bool:
    """Whether a value fits a field; `kind` is its type as written, tuples are looked at elsewhere."""
    return kind not in _PLAIN or isinstance(value, _PLAIN[kind])


def _note(bench: Bench, case: int, bay: str, kind: NoteKind, subject: str, body: str) -> None:
    bench.notes.add(Note(case, bay, kind, subject, bench.now(), bench.who, body))


def _tell(bench: Bench, done: ReadProgress | BlockWritten) -> None:
    if isinstance(done, BlockWritten):
        now = f"(block {done.done} of {done.blocks}, at {done.step.offset:06X}h)"
        bench.tell(StepProgress("writing the chip", done.done_bytes, done.total_bytes, now, in_bytes=True))
    else:
        tell_reading(bench, done.read_number - 1, done.reads, done)
