"""Carrying a verified plan out: look again, write block by block with a journal, read back, certify.

Immediately before the first block the chip must be the one the plan was made for: same id, same table, and
content equal to the backup, or to what the journal of this job says. A chip whose content is the
patient's is never written, whatever anybody says it is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from hashlib import sha256

import numpy as np

from mendbay.board.flash_bus import FlashBus, identify
from mendbay.board.serial_flash import ReadProgress, SerialFlash
from mendbay.board.transfer_check import VerifiedPlan, require_verified
from mendbay.board.transfer_journal import (
    BEGUN,
    DONE,
    START,
    VERIFIED,
    WRITTEN,
    JournalState,
    TransferJournal,
    journal_line,
    replay,
)
from mendbay.board.transfer_permit import WritePermit, check_person_and_supply, permit_writing
from mendbay.board.transfer_plan import BLANK, BlockStep, Bytes, Purpose, Role, as_array, needed_steps
from mendbay.core.clock import Clock
from mendbay.core.errors import MendbayError, ProgrammerError, TransferIncomplete, TransferRefused

BLOCK_LOOKS = 3
"""How often a block is looked at before it counts as wrong: noise on the clip is not the chip's fault."""
OPEN_LOOKS = 3
"""How often blocks that were cut off are read besides the two whole reads: their cells may not be settled."""


@dataclass(frozen=True, slots=True)
class BlockWritten:
    """One more block was written and read back right: `done` of `blocks`, and their bytes."""

    step: BlockStep
    done: int
    blocks: int
    done_bytes: int
    total_bytes: int


Progress = Callable[[ReadProgress | BlockWritten], None]
Keep = Callable[[Sequence[bytes]], None]


@dataclass(frozen=True, slots=True)
class Certificate:
    """What was written where, with the proof. Hashes are SHA-256 in hexadecimal digits.

    `image_sha256` is what was to be written, `read_back_sha256` one hash for every whole read after it.
    `blocks` counts what this run changed, `earlier_blocks` what runs before it had changed
    since the backup was last put back, which was done `restored_before` times before this run. A run that
    changed nothing (`only_read`) proves what the chip on the clip holds, and by itself not that it is the
    chip written earlier: the patient's own holds the same (see `proves_chip`). `unsettled` then lists blocks
    (offset, bytes) whose step was cut off and could not be done again for that reason: if it is the target,
    their cells may be weak. `put_away` says that a person gave their word that the patient's chip was put
    away, `read_back_before` that the chip that was written had been read back right in an earlier run, and
    `same_chip` that a person gave their word that it is the chip that was cut off.
    `failed_rules` are exactly what `override_reason` is a reason for. `family` names the learned family
    whose rules the dump was held against; empty if none were. `patient_read_from` and `backup_read_from`
    say whether the chips were read by Mendbay, or the reads are files made elsewhere; empty if not known.
    `remarks` are sentences on what could not be checked. `roles_on_word` says that whose chip is whose
    rests on a person's word; `chip_on_word` the same of the chip on the clip being the one to be written,
    `supply_on_word` of its supply being set and checked, and `marking_on_word` of its being a 3 V part.
    """

    purpose: str
    plan_sha256: str
    job: str
    patient_sha256: str
    backup_sha256: str
    image_sha256: str
    read_back_sha256: tuple[str, ...]
    chip_id: str
    chip_name: str
    sfdp_sha256: str
    size_bytes: int
    volts: float
    adapter: str
    role: str
    started_at: str
    finished_at: str
    blocks: int
    pages: int
    earlier_blocks: int
    interruptions: int
    only_read: bool
    unsettled: tuple[tuple[int, int], ...]
    failed_rules: tuple[str, ...]
    override_reason: str
    family: str
    put_away: bool = False
    read_back_before: bool = False
    same_chip: bool = False
    patient_read_from: str = ""
    backup_read_from: str = ""
    remarks: tuple[str, ...] = ()
    roles_on_word: bool = False
    restored_before: int = 0
    chip_on_word: bool = False
    supply_on_word: bool = False
    marking_on_word: bool = False

    @property
    def proves_chip(self) -> bool:
        """Whether the content was proven on the chip that was to be written: this run wrote to it or an
        earlier one read it back; it holds what the patient's does not; or a person gave their word."""
        told_apart = self.purpose == Purpose.RESTORE.value
        return not self.only_read or told_apart or self.put_away or self.read_back_before

    @property
    def may_be_patients(self) -> bool:
        """Whether nothing tells the chip that was read from the patient's own, which holds the same: nothing
        was written to it in this run, and nobody gave their word that the patient's chip is put away. That
        the target was proven in an earlier run says nothing of the chip on the clip now."""
        return self.only_read and self.purpose == Purpose.TRANSFER.value and not self.put_away

    def as_record(self) -> dict[str, object]:
        """The fields by name, ready for JSON."""
        return asdict(self)


def write(
    plan: VerifiedPlan,
    bus: FlashBus,
    journal: TransferJournal,
    *,
    role: Role,
    now: Callable[[], str],
    keep: Keep,
    clock: Clock | None = None,
    progress: Progress = lambda _: None,
    same_chip: bool = False,
    put_away: bool = False,
) -> Certificate:
    """Carries a plan out, or goes on with it where it was cut off, and proves the result.

    Args:
        plan: what `prepare` gave.
        bus: the chip on the clip, its supply set.
        journal: of this job; empty for a first start.
        role: what the person says now that the chip on the clip is.
        now: the present, UTC, ISO 8601.
        keep: is given the whole reads of a chip with open blocks before these are written again, and keeps
            them for good; if it raises, nothing is written.
        clock: for the limits of waiting.
        same_chip: a person says that it is the chip that was cut off, whatever its open blocks hold.
        put_away: a person says that the patient's chip is not on the clip but put away. It opens no way to
            write; it is for a chip that holds the patient's data already.

    Raises:
        TransferRefused: the chip is not the plan's, holds the patient's data, or is protected; nothing was
            written by this call.
        ProgrammerError: the chip does not answer steadily; nothing was written by this call.
        TransferIncomplete: it was written in part, or reads back wrong; the same call goes on from there.
    """
    require_verified(plan)
    started = now()
    run = _Run(plan, bus, journal, now, clock, progress)
    try:
        state, permit = run.look(role, same_chip)
        steps = run.steps(state, permit)
        if permit and steps:
            run.flash.check_unprotected()
            if state.cut_off:
                keep(run.found)
            run.note(START)
            run.do(steps, permit)
            run.note(WRITTEN)
        hashes = run.read_back(steps)
        if permit or put_away:
            run.note(VERIFIED)
    finally:
        with suppress(ProgrammerError):  # a chip that is gone has left its mode with its supply
            run.flash.leave()
    done = _certificate(plan, bus, role, (started, now()), state, steps, hashes)
    return replace(done, put_away=put_away and permit is None, same_chip=same_chip and state.cut_off)


def _certificate(
    verified: VerifiedPlan,
    bus: FlashBus,
    role: Role,
    times: tuple[str, str],
    before: JournalState,
    steps: Sequence[BlockStep],
    hashes: tuple[str, ...],
) -> Certificate:
    plan, target = verified.plan, verified.plan.target
    return Certificate(
        purpose=plan.purpose.value,
        plan_sha256=plan.digest,
        job=plan.job,
        patient_sha256=plan.patient.sha256,
        backup_sha256=plan.backup.sha256,
        image_sha256=sha256(verified.image).hexdigest(),
        read_back_sha256=hashes,
        chip_id=target.chip_id,
        chip_name=target.chip_name,
        sfdp_sha256=target.sfdp_sha256,
        size_bytes=target.size_bytes,
        volts=target.volts,
        adapter=bus.name,
        role=role.value,
        started_at=times[0],
        finished_at=times[1],
        blocks=len(steps),
        pages=sum(one.pages for one in steps),
        earlier_blocks=before.blocks_done,
        interruptions=before.interruptions,
        restored_before=before.restores,
        only_read=not steps,
        unsettled=() if steps else _ranges(before),
        read_back_before=not steps and before.touched and before.proven is plan.purpose,
        failed_rules=plan.failed_rules,
        override_reason=plan.override_reason,
        family=plan.family,
    )


class _Run:
    """One call of `write`: what all its stages need."""

    def __init__(
        self,
        plan: VerifiedPlan,
        bus: FlashBus,
        journal: TransferJournal,
        now: Callable[[], str],
        clock: Clock | None,
        progress: Progress,
    ) -> None:
        self.plan, self.bus, self.journal = plan, bus, journal
        self.now, self.progress = now, progress
        self.image = as_array(plan.image)
        self.found: tuple[bytes, ...] = ()
        """The whole reads of the look, those that are alike once."""
        self.flash = SerialFlash(bus, plan.target, size_bytes=len(plan.image), clock=clock)

    def look(self, role: Role, same_chip: bool) -> tuple[JournalState, WritePermit | None]:
        """What the journal says, and the permit if the chip on the clip is the one."""
        check_person_and_supply(self.plan, role, self.bus.volts)
        found, target = identify(self.bus), self.plan.target
        if found != target:
            table = "" if found.id != target.id else " with another parameter table"
            raise TransferRefused(
                f"The chip on the clip is {found.name}{table}, and the plan is for {target.name}",
                "Nothing was written; put the chip the plan names on the clip",
            )
        state = replay(self.journal.lines(), self.plan.plan.job, self.plan.images)
        whole = self.flash.read_whole(2, self.progress)
        self.found = tuple(dict.fromkeys(whole))
        reads = [as_array(one) for one in whole]
        reads += [self._open_blocks(reads[0], state) for _ in range(OPEN_LOOKS if state.cut_off else 0)]
        permit = permit_writing(
            self.plan,
            self.bus,
            role=role,
            volts=self.bus.volts,
            reads=reads,
            state=state,
            same_chip=same_chip,
        )
        return state, permit

    def _open_blocks(self, whole: Bytes, state: JournalState) -> Bytes:
        """A whole read with the blocks that nobody knows read once more."""
        again = whole.copy()
        for offset, size in _ranges(state):
            again[offset : offset + size] = as_array(self.flash.read(offset, size))
        return again

    def steps(self, state: JournalState, permit: WritePermit | None) -> tuple[BlockStep, ...]:
        """What is left to do; nothing on a chip that may only be read."""
        if permit is None:
            return ()
        last = len(self.plan.patient)
        again = state.unknown if state.cut_off else None
        return needed_steps(permit.current, self.image, self.plan.target, last_bytes=last, again=again)

    def do(self, steps: Sequence[BlockStep], permit: WritePermit) -> None:
        """Writes the blocks. From the first on, what goes wrong leaves the chip written in part."""
        sizes = [one.size_bytes for one in steps]
        try:
            for number, step in enumerate(steps, 1):
                self.note(BEGUN, step)
                self._write_block(step, permit)
                self._check_block(step)
                self.note(DONE, step)
                self.progress(BlockWritten(step, number, len(steps), sum(sizes[:number]), sum(sizes)))
        except MendbayError as trouble:
            raise TransferIncomplete(
                f"The chip was written in part, up to block {number} of {len(steps)}: {trouble.what}",
                "The dump and the backup are safe; start the same plan again with the same journal",
            ) from trouble

    def read_back(self, steps: Sequence[BlockStep]) -> tuple[str, ...]:
        """Reads the whole chip again, as often as the plan says; the hash of each read."""
        try:
            reads = self.flash.read_whole(self.plan.plan.verification_reads, self.progress)
        except ProgrammerError as trouble:
            raise TransferIncomplete(
                f"The chip could not be read back: {trouble.what}",
                "Put the clip right and start the same plan again; what is written already is only read",
            ) from trouble
        wrong = [as_array(one) != self.image for one in reads]
        if not any(one.any() for one in wrong):
            return tuple(sha256(one).hexdigest() for one in reads)
        always = np.logical_and.reduce(wrong)
        for step in steps:
            if always[step.offset : step.offset + step.size_bytes].any():
                self.note(BEGUN, step)  # open again: the next start writes it anew
        count = max(int(one.sum()) for one in wrong)
        noise = "; not every read shows them: the clip is in doubt, not the chip" if not always.any() else ""
        raise TransferIncomplete(
            f"The chip reads back wrong in {count} bytes{noise}",
            "Put the clip right and start the same plan again with the same journal",
        )

    def note(self, word: str, step: BlockStep | None = None) -> None:
        """Puts a line into the journal."""
        place = (step.offset, step.size_bytes) if step else (0, 0)
        plan = self.plan.plan
        self.journal.append(journal_line(plan.job, plan.purpose, word, self.now(), *place))

    def _write_block(self, step: BlockStep, permit: WritePermit) -> None:
        page = self.plan.target.page_bytes or 0
        end = step.offset + step.size_bytes
        if step.erase:
            self.flash.erase(permit, step.offset, step.size_bytes)
        for offset in range(step.offset, end, page):
            wanted = self.image[offset : offset + page]
            present = permit.current[offset : offset + page]
            if (wanted != BLANK).any() and (step.erase or not np.array_equal(wanted, present)):
                self.flash.program(permit, offset, wanted.tobytes())

    def _check_block(self, step: BlockStep) -> None:
        wanted = self.plan.image[step.offset : step.offset + step.size_bytes]
        for _ in range(BLOCK_LOOKS):
            if self.flash.read(step.offset, step.size_bytes) == wanted:
                return
        raise ProgrammerError(
            f"The block at {step.offset:X}h does not read back as it was written",
            "Check the clip and the supply; the chip may also be worn out or protected",
        )


def _ranges(state: JournalState) -> tuple[tuple[int, int], ...]:
    """The unknown bytes as runs (offset, bytes)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], state.unknown, [False])).astype(np.int8)))
    return tuple((int(start), int(stop - start)) for start, stop in edges.reshape(-1, 2))
