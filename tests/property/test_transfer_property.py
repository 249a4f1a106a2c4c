"""Whatever is called in whatever order: only a verified plan writes, and never to the patient's chip.

The machine has chips of the same id on its bench and swaps them on the clip at will. It lies about roles,
gives wrong dumps as backups, cuts the power, keeps journals or loses them, and calls the driver directly.
"""

from __future__ import annotations

import copy
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    multiple,
    precondition,
    rule,
)

from mendbay.board.flash_bus import identify, read_id
from mendbay.board.flash_id import FlashId
from mendbay.board.serial_flash import SerialFlash
from mendbay.board.transfer import write
from mendbay.board.transfer_check import VerifiedPlan, prepare
from mendbay.board.transfer_journal import replay
from mendbay.board.transfer_permit import WritePermit, permit_writing
from mendbay.board.transfer_plan import (
    Evidence,
    Padding,
    Purpose,
    Role,
    TransferPlan,
    as_array,
    draw_up,
    restoring,
)
from mendbay.core.errors import MendbayError
from mendbay.inlets.simulated_flash import SimulatedBus, SimulatedChip
from support.flash_bench import (
    NOW,
    PAGE,
    UNIT,
    VOLTS,
    MemoryJournal,
    healthy,
    keep,
    now,
    on_clip,
    rom,
    small_chip,
    with_faults,
)

SIZE = 2 * UNIT
PATIENT = rom(1, SIZE)
CONTENTS = {
    "patient": PATIENT,
    "donor": rom(2, SIZE),
    "near": rom(2, PAGE) + PATIENT[PAGE:],
    "blank": b"\xff" * SIZE,
}
"""`near` differs from the patient's in one page only."""
CHIPS = st.sampled_from(sorted(CONTENTS))
ROLES = st.sampled_from(list(Role))


class Bench(RuleBasedStateMachine):
    plans: Bundle[TransferPlan] = Bundle("plans")
    verified: Bundle[VerifiedPlan] = Bundle("verified")
    permits: Bundle[WritePermit] = Bundle("permits")

    @initialize(target=verified)
    def set_up(self) -> Any:
        """A bench with a good plan for each chip that may be written: something to spoil."""
        self.chips: dict[str, SimulatedChip] = {
            name: small_chip(content, SIZE, seed=number)
            for number, (name, content) in enumerate(CONTENTS.items())
        }
        self.bus: SimulatedBus = on_clip(self.chips["donor"])
        self.journals: dict[str, MemoryJournal] = {}
        self.evidence: dict[str, Evidence] = {}
        self.allowed = 0
        """Changes made by calls that were given something verified."""
        return multiple(*(self.good_plan(name) for name in sorted(set(CONTENTS) - {"patient"})))

    def good_plan(self, name: str) -> VerifiedPlan:
        bus = on_clip(self.chips[name])
        facts = identify(bus)
        patient = (PATIENT, bytes(bytearray(PATIENT)))
        evidence = Evidence(patient, SerialFlash(bus, facts).read_whole(2), facts)
        plan = draw_up(
            evidence, patient_name="p", backup_name=name, volts=VOLTS, role=Role.DONOR, made_at=NOW
        )
        self.evidence[plan.job] = evidence
        return prepare(plan, evidence)

    @property
    def changes(self) -> int:
        return sum(chip.changes for chip in self.chips.values())

    def tried(self, call: Any, *arguments: Any, writes: bool = False, **named: Any) -> Any:
        """Calls and lets Mendbay refuse. What was changed counts as allowed only if the call may write."""
        before = self.changes
        found = None
        with suppress(MendbayError, ValueError, TypeError):
            found = call(*arguments, **named)
        if writes:
            self.allowed += self.changes - before
        return found

    @rule(name=CHIPS)
    def swap(self, name: str) -> None:
        self.bus.chip = self.chips[name]

    @rule(name=CHIPS, frames=st.integers(1, 300))
    def power_will_be_lost(self, name: str, frames: int) -> None:
        chip = self.chips[name]
        with_faults(chip, power_lost_at=chip.frames + frames)

    @rule(name=CHIPS)
    def power_comes_back(self, name: str) -> None:
        healthy(self.chips[name])

    @rule(noise=st.sampled_from([0.0, 0.0001, 0.002]))
    def clip_gets_noisy(self, noise: float) -> None:
        with_faults(self.bus.chip, noise=noise)

    @rule(volts=st.sampled_from([VOLTS, VOLTS, VOLTS, 1.8]))
    def set_supply(self, volts: float) -> None:
        self.bus.set_supply(volts)

    @rule(name=CHIPS)
    def put_right(self, name: str) -> None:
        """A chip with power on a good clip."""
        self.bus.chip = healthy(self.chips[name])
        self.bus.set_supply(VOLTS)

    @rule()
    def look(self) -> None:
        self.tried(read_id, self.bus)
        facts = self.tried(identify, self.bus)
        if facts is not None:
            self.tried(SerialFlash(self.bus, facts).read_whole, 2)

    @rule(target=plans, backup=CHIPS, role=ROLES, fewer=st.booleans())
    def draw_up_a_plan(self, backup: str, role: Role, fewer: bool) -> Any:
        """The patient's dump is the patient's; all else may be wrong."""
        facts = self.tried(identify, self.bus)
        if facts is None:
            return multiple()
        content = self.chips[backup].content
        backups = (content, bytes(bytearray(content)))[: 1 if fewer else 2]
        evidence = Evidence((PATIENT, bytes(bytearray(PATIENT))), backups, facts)
        plan = draw_up(
            evidence,
            patient_name="p",
            backup_name="b",
            volts=VOLTS,
            role=role,
            made_at=NOW,
            padding=Padding.FILL,
        )
        if not fewer or plan.job not in self.evidence:
            self.evidence[plan.job] = evidence
        return plan

    @rule(target=plans, plan=plans)
    def store_and_load(self, plan: TransferPlan) -> TransferPlan:
        return TransferPlan.from_json(plan.to_json())

    @rule(target=plans, plan=plans)
    def turn_round(self, plan: TransferPlan) -> TransferPlan:
        return restoring(plan, self.evidence[plan.job], NOW)

    @rule(target=verified, plan=plans)
    def prepare_it(self, plan: TransferPlan) -> Any:
        found = self.tried(prepare, plan, self.evidence[plan.job])
        return multiple() if found is None else found

    @rule(plan=verified, role=ROLES, name=CHIPS, frames=st.integers(0, 400), same_chip=st.booleans())
    def write_on_a_good_bench(
        self, plan: VerifiedPlan, role: Role, name: str, frames: int, same_chip: bool
    ) -> None:
        """Any chip, said to be anything; the power may be lost on the way."""
        self.put_right(name)
        if frames:
            self.power_will_be_lost(name, frames)
        self.write_it(plan, role, False, 0, same_chip, False)

    @rule(target=permits, plan=verified, name=CHIPS)
    def take_a_permit_on_a_good_bench(self, plan: VerifiedPlan, name: str) -> Any:
        self.put_right(name)
        return self.take_a_permit(plan, Role.DONOR)

    @rule(target=verified, plan=verified)
    def turn_round_and_prepare(self, plan: VerifiedPlan) -> Any:
        evidence = self.evidence[plan.plan.job]
        found = self.tried(prepare, restoring(plan.plan, evidence, NOW), evidence)
        return multiple() if found is None else found

    @rule(
        plan=verified,
        role=ROLES,
        fresh=st.booleans(),
        dies_at=st.integers(0, 9),
        same_chip=st.booleans(),
        put_away=st.booleans(),
    )
    def write_it(
        self, plan: VerifiedPlan, role: Role, fresh: bool, dies_at: int, same_chip: bool, put_away: bool
    ) -> None:
        job = plan.plan.job
        if fresh:
            self.journals.pop(job, None)
        journal = self.journals.setdefault(job, MemoryJournal())
        journal.fail_at = len(journal.kept) + dies_at if dies_at else 0
        chip, kept = self.bus.chip, list[bytes]()
        before, changes, settled = as_array(chip.content), chip.changes, ~chip._unsettled
        state = self.tried(replay, tuple(journal.kept), job, plan.images)
        done = self.tried(
            write,
            plan,
            self.bus,
            journal,
            role=role,
            now=now,
            keep=kept.extend,
            same_chip=same_chip,
            put_away=put_away,
            writes=True,
        )
        if chip.changes > changes and not chip.faults.noise:
            known = [] if state.cut_off else [state.content]
            assert any(
                np.array_equal(one[settled], before[settled]) for one in (*known, *map(as_array, kept))
            ), "what the chip held is in nobody's hands"
        if done is not None and not self.bus.chip.faults.noise:
            assert self.bus.chip.content == plan.image
            assert role is not Role.PATIENT

    @rule(plan=plans, role=ROLES)
    def write_without_preparing(self, plan: TransferPlan, role: Role) -> None:
        assert self.tried(write, plan, self.bus, MemoryJournal(), role=role, now=now, keep=keep) is None

    @rule(plan=verified, role=ROLES)
    def write_a_copy(self, plan: VerifiedPlan, role: Role) -> None:
        for forged in (copy.copy(plan), replace(plan, image=bytes(SIZE))):
            assert self.tried(write, forged, self.bus, MemoryJournal(), role=role, now=now, keep=keep) is None

    @rule(target=permits, plan=verified, role=ROLES)
    def take_a_permit(self, plan: VerifiedPlan, role: Role) -> Any:
        reads = self.tried(SerialFlash(self.bus, plan.target).read_whole, 2)
        journal = self.journals.get(plan.plan.job, MemoryJournal())
        if reads is None:
            return multiple()
        state = self.tried(replay, journal.kept, plan.plan.job, plan.images)
        arrays = [as_array(one) for one in reads]
        volts = self.bus.volts
        found = self.tried(permit_writing, plan, self.bus, role=role, volts=volts, reads=arrays, state=state)
        return multiple() if found is None else found

    @rule(permit=permits, page=st.integers(-1, SIZE // PAGE), count=st.sampled_from([1, PAGE, PAGE + 1]))
    def program_by_hand(self, permit: WritePermit, page: int, count: int) -> None:
        at = page * PAGE
        data = permit.plan.image[max(at, 0) : max(at, 0) + count]
        flash = SerialFlash(self.bus, permit.plan.target)
        self.tried(flash.program, permit, at, data, writes=True)
        self.tried(flash.program, permit.plan, at, data)
        self.tried(flash.program, copy.copy(permit), at, data)

    @rule(permit=permits, block=st.integers(-1, 2), size=st.sampled_from([PAGE, UNIT, SIZE]))
    def erase_by_hand(self, permit: WritePermit, block: int, size: int) -> None:
        flash = SerialFlash(self.bus, permit.plan.target)
        self.tried(flash.erase, permit, block * UNIT, size, writes=True)
        self.tried(flash.erase, permit.plan, block * UNIT, size)
        self.tried(flash.erase, copy.copy(permit), block * UNIT, size)

    @precondition(lambda self: self.bus.volts == VOLTS)
    @rule()
    def write_with_nothing(self) -> None:
        facts = self.tried(identify, self.bus)
        if facts is not None:
            flash = SerialFlash(self.bus, facts)
            for forged in (None, FlashId(b"\xc2\x99\x0d"), Purpose.TRANSFER, object.__new__(WritePermit)):
                self.tried(flash.erase, forged, 0, UNIT)
                self.tried(flash.program, forged, 0, b"\0")

    @invariant()
    def patients_chip_is_as_it_was(self) -> None:
        if hasattr(self, "chips"):
            assert self.chips["patient"].changes == 0
            assert self.chips["patient"].content == PATIENT

    @invariant()
    def nothing_was_written_without_a_verified_plan(self) -> None:
        if hasattr(self, "chips"):
            assert self.changes == self.allowed


Bench.TestCase.settings = settings(
    max_examples=120, stateful_step_count=50, deadline=None, suppress_health_check=list(HealthCheck)
)
TestBench = Bench.TestCase
