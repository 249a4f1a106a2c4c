"""A small transfer, broken off at every single exchange with the chip: what is known, and how it goes on.

Three ways to break off: the chip loses its power and answers nothing; the program dies while the chip
finishes what it was told; both at once. After each, the patient's chip and dump are as they were, the
journal knows every byte it claims to know, and the same plan, started again, ends right.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from mendbay.board.transfer import write
from mendbay.board.transfer_check import VerifiedPlan, prepare
from mendbay.board.transfer_journal import replay
from mendbay.board.transfer_plan import Evidence, Role, as_array, draw_up, restoring
from mendbay.core.errors import ProgrammerError, TransferIncomplete, TransferRefused
from mendbay.inlets.simulated_flash import SimulatedBus, SimulatedChip
from support.flash_bench import (
    NOW,
    UNIT,
    VOLTS,
    MemoryJournal,
    evidence_for,
    healthy,
    keep,
    now,
    rom,
    small_chip,
    with_faults,
)

SIZE = 3 * UNIT
PATIENT = rom(1, SIZE)
DONOR = rom(2, UNIT) + PATIENT[UNIT : UNIT + 2048] + rom(3, 2048) + b"\xff" * UNIT
"""A block that changes throughout, one that changes in its second half, and one that need not be erased."""
TRIES = 6

pytestmark = pytest.mark.slow


class Died(BaseException):
    """The program is gone: nothing in it may catch this."""


class CutBus(SimulatedBus):
    """A clip that is cut at one exchange, counted from 1 since `arm`."""

    at = 0
    chip_loses_power = False
    program_dies = False

    def arm(self, at: int) -> None:
        self.at = self.chip.frames + at

    def exchange(self, out: bytes, read_count: int) -> bytes:
        ours = self.chip.frames + 1 == self.at
        if ours and self.chip_loses_power:
            with_faults(self.chip, power_lost_at=self.at)
        answer = super().exchange(out, read_count)
        if ours and self.program_dies:
            raise Died
        return answer


def chip_only(bus: CutBus) -> None:
    bus.chip_loses_power = True


def program_only(bus: CutBus) -> None:
    bus.program_dies = True


def both(bus: CutBus) -> None:
    bus.chip_loses_power = bus.program_dies = True


def on_cut_clip(chip: SimulatedChip) -> CutBus:
    bus = CutBus(chip)
    bus.set_supply(VOLTS)
    return bus


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    return evidence_for(small_chip(PATIENT, SIZE), small_chip(DONOR, SIZE))


@pytest.fixture(scope="module")
def verified(evidence: Evidence) -> VerifiedPlan:
    return prepare(
        draw_up(evidence, patient_name="p", backup_name="b", volts=VOLTS, role=Role.DONOR, made_at=NOW),
        evidence,
    )


@pytest.fixture(scope="module")
def exchanges(verified: VerifiedPlan) -> int:
    """How many exchanges an undisturbed transfer has."""
    bus = on_cut_clip(small_chip(DONOR, SIZE))
    write(verified, bus, MemoryJournal(), role=Role.DONOR, now=now, keep=keep)
    return bus.chip.frames


def broken_off(
    verified: VerifiedPlan,
    chip: SimulatedChip,
    journal: MemoryJournal,
    at: int,
    how: Callable[[CutBus], None],
) -> bool:
    """Starts a write and breaks it off. Returns False if it had ended by then."""
    bus = on_cut_clip(chip)
    how(bus)
    bus.arm(at)
    try:
        write(verified, bus, journal, role=Role.DONOR, now=now, keep=keep)
    except (Died, ProgrammerError, TransferIncomplete):
        return True
    return False


def settle(chip: SimulatedChip) -> None:
    """The bench afterwards: a chip with power finishes what it does, one without gets its power back."""
    for _ in range(10):
        chip.frame(b"\x05", 1)
    healthy(chip)


def ends_right(verified: VerifiedPlan, chip: SimulatedChip, journal: MemoryJournal) -> None:
    """The same plan started again, a few times at most: half written cells may read unsteadily in between."""
    for _ in range(TRIES):
        try:
            done = write(verified, on_cut_clip(chip), journal, role=Role.DONOR, now=now, keep=keep)
        except (ProgrammerError, TransferIncomplete):
            continue
        assert chip.content == verified.image
        assert set(done.read_back_sha256) == {hashlib.sha256(verified.image).hexdigest()}
        return
    raise AssertionError("it never ended")


def journal_is_right(verified: VerifiedPlan, chip: SimulatedChip, journal: MemoryJournal) -> bool:
    """Every byte the journal claims to know is so; returns whether anything is unknown."""
    state = replay(journal.kept, verified.plan.job, verified.images)
    known = ~state.unknown
    assert np.array_equal(as_array(chip.content)[known], state.content[known])
    return state.cut_off


def test_the_transfer_has_every_kind_of_step(verified: VerifiedPlan, exchanges: int) -> None:
    assert [(one.erase, one.pages) for one in verified.plan.steps] == [(True, 15), (True, 16), (False, 16)]
    assert 300 < exchanges < 600


@pytest.mark.parametrize("how", [chip_only, program_only, both])
def test_broken_off_at_every_exchange_it_goes_on_and_ends_right(
    how: Callable[[CutBus], None], verified: VerifiedPlan, exchanges: int, tmp_path: Path
) -> None:
    dump = tmp_path / "patient.rom"
    dump.write_bytes(PATIENT)
    patient = small_chip(PATIENT, SIZE)
    open_blocks = 0
    for at in range(1, exchanges + 1):
        chip, journal = small_chip(DONOR, SIZE, seed=at), MemoryJournal()
        assert broken_off(verified, chip, journal, at, how) or at == exchanges, at
        settle(chip)
        open_blocks += journal_is_right(verified, chip, journal)
        not_written(verified, patient, journal)
        ends_right(verified, chip, journal)
    assert open_blocks > exchanges // 2
    assert dump.read_bytes() == patient.content == PATIENT
    assert patient.changes == 0


def not_written(verified: VerifiedPlan, patient: SimulatedChip, journal: MemoryJournal) -> None:
    """The patient's chip put on the clip by mistake, after any cut, is refused or only read."""
    with suppress(TransferRefused):
        write(
            verified,
            on_cut_clip(patient),
            MemoryJournal(list(journal.kept)),
            role=Role.DONOR,
            now=now,
            keep=keep,
        )
    assert patient.changes == 0


def test_broken_off_twice_it_still_ends_right(verified: VerifiedPlan, exchanges: int) -> None:
    for at in range(20, exchanges, 9):
        for again in (45, 70, 110, 160):
            chip, journal = small_chip(DONOR, SIZE, seed=at), MemoryJournal()
            broken_off(verified, chip, journal, at, chip_only)
            settle(chip)
            broken_off(verified, chip, journal, again, both)
            settle(chip)
            journal_is_right(verified, chip, journal)
            ends_right(verified, chip, journal)


def test_broken_off_anywhere_the_backup_can_be_put_back(
    evidence: Evidence, verified: VerifiedPlan, exchanges: int
) -> None:
    back = prepare(restoring(verified.plan, evidence, NOW), evidence)
    refused = 0
    for at in range(1, exchanges + 1, 3):
        chip, journal = small_chip(DONOR, SIZE, seed=at), MemoryJournal()
        broken_off(verified, chip, journal, at, chip_only)
        settle(chip)
        try:
            ends_right(back, chip, journal)
            assert chip.content == DONOR
        except TransferRefused:  # it holds all of the patient's data already
            assert chip.content == PATIENT
            refused += 1
    assert 0 < refused < exchanges // 9


def test_putting_back_can_be_broken_off_as_well(
    evidence: Evidence, verified: VerifiedPlan, exchanges: int
) -> None:
    back = prepare(restoring(verified.plan, evidence, NOW), evidence)
    for at in range(1, 200, 5):
        chip, journal = small_chip(DONOR, SIZE, seed=at), MemoryJournal()
        broken_off(verified, chip, journal, exchanges // 2, both)
        settle(chip)
        broken_off(back, chip, journal, at, chip_only)
        settle(chip)
        journal_is_right(back, chip, journal)
        ends_right(back, chip, journal)


def test_noise_on_the_clip_from_any_exchange_on_never_gives_a_wrong_certificate(
    verified: VerifiedPlan, exchanges: int
) -> None:
    certified = 0
    for at in range(1, exchanges + 1, 3):
        chip, journal = small_chip(DONOR, SIZE, seed=at), MemoryJournal()

        class NoisyFrom(SimulatedBus):
            first = at

            def exchange(self, out: bytes, read_count: int) -> bytes:
                with_faults(self.chip, noise=0.0005 if self.chip.frames >= self.first else 0.0)
                return super().exchange(out, read_count)

        bus = NoisyFrom(chip)
        bus.set_supply(VOLTS)
        try:
            write(verified, bus, journal, role=Role.DONOR, now=now, keep=keep)
            assert chip.content == PATIENT
            certified += 1
        except (ProgrammerError, TransferIncomplete, TransferRefused):
            pass
        settle(chip)
        ends_right(verified, chip, journal)
    assert certified < exchanges // 6


def test_a_journal_that_fails_at_every_line_leaves_a_state_it_knows(verified: VerifiedPlan) -> None:
    lines = 3 + 2 * len(verified.plan.steps)
    for number in range(1, lines + 1):
        chip, journal = small_chip(DONOR, SIZE), MemoryJournal(fail_at=number)
        with pytest.raises((ProgrammerError, TransferIncomplete)):
            write(verified, on_cut_clip(chip), journal, role=Role.DONOR, now=now, keep=keep)
        journal_is_right(verified, chip, journal)
        journal.fail_at = 0
        ends_right(verified, chip, journal)
