"""Preparing, writing, going on after a cut, restoring and certifying the transfer of a ROM."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mendbay.board.flash_id import chip_facts
from mendbay.board.transfer import BlockWritten, write
from mendbay.board.transfer_check import VerifiedPlan, prepare, refusals
from mendbay.board.transfer_checklist import StepState, checklist
from mendbay.board.transfer_journal import JournalState, outcome, replay
from mendbay.board.transfer_permit import WritePermit, on_the_way, permit_writing
from mendbay.board.transfer_plan import (
    BlockStep,
    Evidence,
    Padding,
    Purpose,
    Role,
    TransferPlan,
    as_array,
    draw_up,
    needed_steps,
    restoring,
)
from mendbay.core.errors import NoRoom, ProgrammerError, TransferIncomplete, TransferRefused, UsageError
from mendbay.inlets.simulated_flash import FlashDescription, SimulatedBus, SimulatedChip, make_sfdp
from support.flash_bench import (
    NOW,
    PAGE,
    SMALL_BYTES,
    SMALL_ID,
    UNIT,
    VOLTS,
    MemoryJournal,
    TransferBench,
    bench_of,
    evidence_for,
    facts_of,
    healthy,
    keep,
    now,
    on_clip,
    reads_of,
    rom,
    small_chip,
    transfer_bench,
    with_faults,
)


def plan_for(evidence: Evidence, **changes: Any) -> TransferPlan:
    words: dict[str, Any] = {
        "patient_name": "patient.rom",
        "backup_name": "donor-before.rom",
        "volts": VOLTS,
        "role": Role.DONOR,
        "made_at": NOW,
    }
    return draw_up(evidence, **(words | changes))


@pytest.fixture
def bench() -> TransferBench:
    return transfer_bench()


@pytest.fixture
def evidence() -> Evidence:
    return evidence_for(small_chip(rom(1)), small_chip(rom(2)))


# the plan


def test_plan_names_everything(evidence: Evidence) -> None:
    plan = plan_for(evidence)
    assert plan.patient.sha256 == hashlib.sha256(rom(1)).hexdigest()
    assert (plan.patient.size_bytes, plan.patient.reads, plan.backup.reads) == (SMALL_BYTES, 2, 2)
    assert plan.target.chip_id == SMALL_ID.hex()
    assert plan.steps == (BlockStep(0, 8192, True, 31),)
    prepare(plan, evidence)


def test_plan_survives_json_and_is_unverified_again(evidence: Evidence) -> None:
    plan = plan_for(evidence, override_reason="because of \u00fc")
    prepare(plan, evidence)
    again = TransferPlan.from_json(plan.to_json())
    assert again == plan
    assert again.digest == plan.digest
    bus = on_clip(small_chip(rom(2)))
    with pytest.raises(TransferRefused, match="not been verified"):
        write(again, bus, MemoryJournal(), role=Role.DONOR, now=now, keep=keep)  # type: ignore[arg-type]
    assert bus.chip.frames == 0
    prepare(again, evidence)


def broken_texts() -> list[str]:
    body = json.loads(plan_for(evidence_for(small_chip(rom(1)), small_chip(rom(2)))).to_json())
    changes: list[dict[str, Any]] = [
        {"format": "transfer plan 2"},
        {"purpose": "sell"},
        {"patient": {}},
        {"patient": {**body["patient"], "reads": -1}},
        {"patient": {**body["patient"], "reads": True}},
        {"target": {**body["target"], "role": "friend"}},
        {"target": {**body["target"], "volts": "3.3"}},
        {"steps": [[0, 4096, 1, 5]]},
        {"steps": "none"},
        {"made_at": 5},
        {"more": 1},
    ]
    missing = {key: value for key, value in body.items() if key != "backup"}
    deep = "[" * 100_000
    return ["", "7", deep, json.dumps(missing), *(json.dumps({**body, **one}) for one in changes)]


@pytest.mark.parametrize("text", broken_texts(), ids=lambda text: text[:20] or "empty")
def test_what_is_no_plan_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        TransferPlan.from_json(text)


def test_steps_take_only_what_changes() -> None:
    facts = facts_of(small_chip())
    before = np.frombuffer(rom(2), np.uint8).copy()
    before[5 * PAGE : 6 * PAGE] = 0xFF

    def steps(change: slice, value: int = 0x55) -> tuple[BlockStep, ...]:
        after = before.copy()
        after[change] = value
        return needed_steps(before, after, facts, last_bytes=SMALL_BYTES)

    assert needed_steps(before, before, facts, last_bytes=SMALL_BYTES) == ()
    assert steps(slice(5 * PAGE, 5 * PAGE + 3)) == (BlockStep(0, UNIT, False, 1),)
    assert steps(slice(0, 1)) == (BlockStep(0, UNIT, True, 14),)  # of 16 pages two are blank
    assert steps(slice(UNIT - 1, UNIT + 1)) == (BlockStep(0, 8192, True, 30),)
    again = np.zeros(SMALL_BYTES, np.bool_)
    again[UNIT] = True
    assert needed_steps(before, before, facts, last_bytes=SMALL_BYTES, again=again) == (
        BlockStep(UNIT, UNIT, True, 16),
    )


def test_filling_comes_before_what_the_dump_holds() -> None:
    """So that the chip equals the patient's in front only when nothing is left to do."""
    patient = small_chip(rom(1, UNIT), UNIT)
    donor = small_chip(rom(2, 3 * UNIT), 3 * UNIT)
    evidence = evidence_for(patient, donor)
    plan = plan_for(evidence, padding=Padding.FILL)
    assert [one.offset for one in plan.steps] == [UNIT, 2 * UNIT, 0]
    done = write(
        prepare(plan, evidence), on_clip(donor), MemoryJournal(), role=Role.DONOR, now=now, keep=keep
    )
    assert donor.content == rom(1, UNIT) + b"\xff" * 2 * UNIT
    assert done.patient_sha256 == hashlib.sha256(rom(1, UNIT)).hexdigest()


# refusals


def reasons(evidence: Evidence, **changes: Any) -> str:
    """All reasons; and prepare must say every one of them."""
    plan = plan_for(evidence, **changes)
    found = refusals(plan, evidence)
    if found:
        with pytest.raises(TransferRefused) as refused:
            prepare(plan, evidence)
        assert all(one in refused.value.what for one in found)
    return " ".join(found)


def test_nothing_speaks_against_a_good_plan(evidence: Evidence) -> None:
    assert reasons(evidence) == ""


def test_patients_chip_as_the_target_is_refused_by_role_and_by_content() -> None:
    patient = small_chip(rom(1))
    assert "patient's own: nothing is ever written" in reasons(
        evidence_for(patient, small_chip(rom(2))), role=Role.PATIENT
    )
    assert "already holds the patient's data" in reasons(evidence_for(patient, patient))


def test_shorter_dump_of_the_chip_on_the_clip_is_recognised_too() -> None:
    donor = small_chip(rom(1, SMALL_BYTES))
    evidence = Evidence(reads_of(small_chip(rom(1)[:UNIT], UNIT)), reads_of(donor), facts_of(donor))
    assert "already holds the patient's data" in reasons(evidence, padding=Padding.FILL)


@pytest.mark.parametrize("which", ["patient_reads", "backup_reads"])
def test_unverified_dumps_are_refused(evidence: Evidence, which: str) -> None:
    one, other = getattr(evidence, which)
    assert "0 whole reads" in reasons(replace(evidence, **{which: ()}))
    assert "1 whole read is" in reasons(replace(evidence, **{which: (one,)}))
    assert "1 whole read is" in reasons(replace(evidence, **{which: (one, one)})), (
        "one read given twice is one read"
    )
    assert "its reads differ" in reasons(replace(evidence, **{which: (one, other, flipped(one, 0))}))


def test_dump_that_is_not_the_plans_is_refused(evidence: Evidence) -> None:
    other = replace(evidence, patient_reads=reads_of(small_chip(rom(7))))
    found = " ".join(refusals(plan_for(evidence), other))
    assert "patient's dump is not the one the plan names" in found


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_blank_dump_is_refused(value: int) -> None:
    blank = small_chip(bytes([value]) * SMALL_BYTES)
    assert f"nothing but {value:02X}" in reasons(evidence_for(blank, small_chip(rom(2))))


def test_sizes_that_do_not_fit_are_refused() -> None:
    small, large = small_chip(rom(1, UNIT), UNIT), small_chip(rom(2))
    assert "the plan allows no filling" in reasons(evidence_for(small, large))
    assert reasons(evidence_for(small, large), padding=Padding.FILL) == ""
    assert "more than the chip's 4 KiB" in reasons(evidence_for(large, small), padding=Padding.FILL)


def test_dump_of_another_length_than_its_chip_is_refused(evidence: Evidence) -> None:
    by_table = replace(evidence, patient_chip=facts_of(small_chip(size=4 * UNIT)))
    assert "the own table of its chip says 16 KiB" in reasons(by_table)
    by_id = replace(evidence, patient_chip=chip_facts(type(evidence.target.id)(b"\xef\x40\x14"), b""))
    assert "the id of its chip says 1 MiB" in reasons(by_id)


def test_chip_in_conflict_is_refused_on_either_side() -> None:
    table = make_sfdp(FlashDescription(id=b"\xef\x40\x10", size_bytes=64 << 10))
    wrong = SimulatedChip(
        FlashDescription(id=b"\xef\x40\x11", size_bytes=64 << 10, sfdp=table), rom(2, 64 << 10)
    )
    good = SimulatedChip(FlashDescription(id=b"\xef\x40\x10", size_bytes=64 << 10), rom(1, 64 << 10))
    target = facts_of(wrong)
    short = Evidence(reads_of(good), (rom(2, 64 << 10), rom(2, 64 << 10)), target, facts_of(good))
    assert "Its id says 128 KiB, its own table says 64 KiB" in reasons(short)
    patient = Evidence(
        reads_of(good), reads_of(small_chip(rom(2, 64 << 10), 64 << 10)), facts_of(good), target
    )
    assert "Patient's chip: Its id says 128 KiB" in reasons(patient)


def test_voltage_that_does_not_fit_is_refused(evidence: Evidence) -> None:
    def evidence_of(patient_id: str, target_id: str) -> Evidence:
        facts = [facts_of(chip_with(one)) for one in (patient_id, target_id)]
        return Evidence(
            (rom(1, 256 << 10), rom(1, 256 << 10)), (rom(2, 256 << 10), rom(2, 256 << 10)), facts[1], facts[0]
        )

    def chip_with(text: str) -> SimulatedChip:
        return SimulatedChip(FlashDescription(id=bytes.fromhex(text), size_bytes=256 << 10))

    assert "gives the chip 3.3 V" in reasons(evidence_of("ef6012", "ef6012"))
    assert "gives the chip 1.8 V" in reasons(evidence_of("ef4012", "ef4012"), volts=1.8)
    assert reasons(evidence_of("ef4012", "ef4012")) == ""
    assert "one for 3 V" in reasons(evidence_of("ef6012", "ef4012"))
    assert "gives the chip 5 V" in reasons(evidence, volts=5.0)


def test_chip_that_nobody_knows_how_to_erase_is_refused() -> None:
    bare = chip_facts(facts_of(small_chip()).id, b"")
    found = reasons(Evidence((rom(1), rom(1, SMALL_BYTES)), (rom(2), rom(2, SMALL_BYTES)), bare))
    assert "size of the chip to be written is not known" in found
    assert "How the chip to be written is erased is not known" in found


def test_failed_rules_need_a_reason_which_is_carried(evidence: Evidence) -> None:
    failed = replace(evidence, failed_rules=("The sum of the head table is wrong.",))
    assert "no reason is given to do it all the same: The sum of the head table is wrong" in reasons(failed)
    assert "no reason" in reasons(failed, override_reason="  ")
    why = "Read from a chip whose head table was lost; agreed with the customer."
    plan = plan_for(failed, override_reason=why)
    donor = small_chip(rom(2))
    done = write(prepare(plan, failed), on_clip(donor), MemoryJournal(), role=Role.DONOR, now=now, keep=keep)
    assert (done.override_reason, done.failed_rules) == (why, failed.failed_rules)
    unsaid = " ".join(refusals(plan_for(evidence), failed))
    assert "is not what the plan names" in unsaid


def test_other_chip_than_the_plans_is_refused(evidence: Evidence) -> None:
    plan = plan_for(evidence)
    other_table = replace(evidence, target=facts_of(small_chip(page_bytes=128)))
    assert "another parameter table" in " ".join(refusals(plan, other_table))
    other = SimulatedChip(FlashDescription(id=b"\xef\x40\x10", size_bytes=64 << 10))
    assert "the plan names C2 99 0D" in " ".join(refusals(plan, replace(evidence, target=facts_of(other))))


def test_changed_steps_and_too_few_checks_are_refused(evidence: Evidence) -> None:
    plan = plan_for(evidence)
    assert refusals(replace(plan, steps=()), evidence) == (
        "The blocks the plan lists are not those that differ.",
    )
    assert "reads the chip back 1 times" in " ".join(refusals(replace(plan, verification_reads=1), evidence))


def test_all_reasons_are_given_at_once(evidence: Evidence) -> None:
    worst = replace(evidence, backup_reads=(), failed_rules=("It fails.",))
    plan = plan_for(worst, role=Role.PATIENT, volts=5.0)
    with pytest.raises(TransferRefused, match="for 5 reasons"):
        prepare(plan, worst)


def test_verified_plan_cannot_be_built_or_changed_by_hand(bench: TransferBench) -> None:
    good = bench.verified
    with pytest.raises(TypeError, match="prepare"):
        VerifiedPlan(good.plan, good.target, good.patient, good.backup, good.image, good.images, object())
    with pytest.raises(AttributeError):
        good.image = bytes(SMALL_BYTES)  # type: ignore[misc]
    with pytest.raises(TypeError):
        good.images[Purpose.TRANSFER] = b""  # type: ignore[index]
    forged = replace(
        good, image=bytes(SMALL_BYTES)
    )  # the seal goes along, but the object is not prepare's own
    with pytest.raises(TransferRefused, match="not been verified"):
        write(forged, on_clip(bench.donor), bench.journal, role=Role.DONOR, now=now, keep=keep)
    assert bench.donor.changes == 0


# writing


def test_transfer_is_written_verified_and_certified(bench: TransferBench) -> None:
    before = bench.patient.content
    seen: list[object] = []
    done = write(
        bench.verified,
        on_clip(bench.donor),
        bench.journal,
        role=Role.DONOR,
        now=now,
        keep=keep,
        progress=seen.append,
    )
    assert bench.donor.content == bench.patient.content == before
    assert bench.patient.changes == 0
    sha = hashlib.sha256(before).hexdigest()
    assert done.image_sha256 == done.patient_sha256 == sha
    assert done.read_back_sha256 == (sha, sha)
    assert (done.blocks, done.pages, done.interruptions, done.only_read, done.unsettled) == (
        1,
        31,
        0,
        False,
        (),
    )
    assert done.plan_sha256 == bench.verified.plan.digest
    assert [one for one in seen if isinstance(one, BlockWritten)] == [
        BlockWritten(bench.verified.plan.steps[0], 1, 1, *2 * [bench.verified.plan.steps[0].size_bytes])
    ]
    assert json.loads(json.dumps(done.as_record()))["chip_id"] == SMALL_ID.hex()
    words = [json.loads(line)["word"] for line in bench.journal.kept]
    assert words == ["start", "begun", "done", "written", "verified"]


def test_writing_again_only_reads(bench: TransferBench) -> None:
    bench.write()
    changes = bench.donor.changes
    done = bench.write()
    assert bench.donor.changes == changes
    assert (done.blocks, done.earlier_blocks, done.interruptions) == (0, 1, 0)
    assert (done.only_read, done.unsettled) == (True, ())
    assert (done.read_back_before, done.proves_chip) == (True, True)


def test_only_differing_blocks_are_written() -> None:
    donor = small_chip(rom(1)[:UNIT] + rom(2)[UNIT:])
    evidence = evidence_for(small_chip(rom(1)), donor)
    done = write(
        prepare(plan_for(evidence), evidence),
        on_clip(donor),
        MemoryJournal(),
        role=Role.DONOR,
        now=now,
        keep=keep,
    )
    assert done.blocks == 1
    assert donor.changes == 1 + 16
    assert donor.content == rom(1)


def refused(bench: TransferBench, bus: SimulatedBus, said: str, role: Role = Role.DONOR) -> None:
    changes = bus.chip.changes
    with pytest.raises(TransferRefused, match=said):
        bench.write(bus, role)
    assert bus.chip.changes == changes
    assert not [line for line in bench.journal.kept if '"begun"' in line]


def test_patients_chip_on_the_clip_is_never_written(bench: TransferBench) -> None:
    refused(bench, on_clip(bench.donor), "said to be the patient's", Role.PATIENT)
    refused(bench, on_clip(bench.patient), "reads as the patient's own")


def test_other_content_id_table_and_supply_are_refused(bench: TransferBench) -> None:
    changed = bytearray(bench.donor.content)
    changed[77] ^= 4
    refused(bench, on_clip(small_chip(bytes(changed))), "1 bytes differ, the first at 4Dh")
    refused(bench, on_clip(small_chip(bench.donor.content, page_bytes=128)), "another parameter table")
    other = SimulatedChip(FlashDescription(id=b"\xef\x40\x10", size_bytes=64 << 10))
    refused(bench, on_clip(other), "EF 40 10")
    refused(bench, on_clip(small_chip(bench.donor.content, protection=2)), "write-protected")
    refused(bench, SimulatedBus(bench.donor), "no confirmed supply")
    refused(bench, on_clip(bench.donor, 2.8), r"2\.8 V")


def test_noise_before_the_first_block_writes_nothing(bench: TransferBench) -> None:
    bus = on_clip(with_faults(bench.donor, noise=0.003))
    for _ in range(5):
        with pytest.raises((ProgrammerError, TransferRefused)):
            bench.write(bus)
    assert bench.donor.changes == 0


def test_journal_that_cannot_be_written_stops_before_the_block(bench: TransferBench) -> None:
    bench.journal.fail_at = 2
    with pytest.raises(TransferIncomplete, match="journal"):
        bench.write()
    assert bench.donor.changes == 0


def test_journal_of_another_job_is_refused(bench: TransferBench) -> None:
    other = transfer_bench(16384)
    other.write()
    bench.journal.kept = list(other.journal.kept)
    with pytest.raises(TransferRefused, match="another pair"):
        bench.write()
    assert bench.donor.changes == 0


def cut(bench: TransferBench, frames: int) -> None:
    """Takes the donor chip's power so many frames after the start of the write."""
    with_faults(bench.donor, power_lost_at=bench.donor.frames + frames)
    with pytest.raises(TransferIncomplete):
        bench.write()


def test_cut_off_write_is_known_and_goes_on() -> None:
    bench = transfer_bench(16384)
    cut(bench, 400)
    state = replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images)
    assert (state.cut_off, state.interruptions, state.blocks_done) == (True, 1, 1)
    assert np.flatnonzero(state.unknown).tolist() == list(range(8192, 16384)), "the second of two blocks"
    healthy(bench.donor)
    known = ~state.unknown
    assert np.array_equal(as_array(bench.donor.content)[known], state.content[known])
    done = bench.write()
    assert bench.donor.content == bench.patient.content
    assert (done.interruptions, done.earlier_blocks) == (1, state.blocks_done)


def test_what_a_chip_with_open_blocks_holds_is_kept_before_it_is_written_again() -> None:
    bench = transfer_bench(16384)
    cut(bench, 400)
    healthy(bench.donor)
    before, changes, kept = bench.donor.content, bench.donor.changes, list[bytes]()

    def full(reads: Sequence[bytes]) -> None:
        raise NoRoom("The disk is full", "Free some room")

    with pytest.raises(NoRoom):
        bench.write(keep=full)
    assert bench.donor.changes == changes
    bench.write(keep=kept.extend)
    assert bench.donor.changes > changes
    settled = ~replay(bench.journal.kept[:4], bench.verified.plan.job, bench.verified.images).unknown
    assert kept
    assert all(np.array_equal(as_array(one)[settled], as_array(before)[settled]) for one in kept)


@pytest.mark.parametrize("open_bytes", [UNIT, SMALL_BYTES])
def test_another_chip_whose_known_bytes_are_right_is_not_taken_for_the_one_that_was_cut_off(
    open_bytes: int,
) -> None:
    """Drives of one family share their code: only the block that was cut off tells their chips apart."""
    patient = rom(1)
    bench = bench_of(patient, rom(2)[:open_bytes] + patient[open_bytes:])
    cut(bench, 60)
    other = small_chip(rom(3)[:open_bytes] + patient[open_bytes:])
    with pytest.raises(TransferRefused, match="may be another chip"):
        bench.write(on_clip(other))
    assert other.changes == 0
    healthy(bench.donor)
    bench.write()
    assert bench.donor.content == patient


@pytest.mark.parametrize(
    ("read", "may_be"),
    [
        (b"\x0f\x30", True),
        (b"\x3f\xff", True),
        (b"\xff\xff", True),
        (b"\xf0\xcc", True),
        (b"\xf7\xff", True),
        (b"\x0f\xcc", False),
        (b"\x0e\x30", False),
        (b"\x00\x00", False),
    ],
)
def test_half_erased_sets_bits_only_and_half_programmed_leaves_them_set(read: bytes, may_be: bool) -> None:
    contents = [as_array(b"\xf0\xcc"), as_array(b"\x0f\x30")]
    assert on_the_way([as_array(read)] * 2, contents) is may_be


def test_bytes_that_do_not_read_alike_tell_nothing_of_a_block() -> None:
    reads = [as_array(one) for one in (b"\x00\x30", b"\x01\x30")]
    assert on_the_way(reads, [as_array(b"\x0f\x30")])


def test_finished_chip_is_told_from_the_patients_by_the_journal_or_a_persons_word() -> None:
    """Power goes in the reading back: the content is right, and nobody read it back on that chip."""
    bench = transfer_bench()

    class NoReadBack(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            if any('"written"' in line for line in bench.journal.kept):
                raise ProgrammerError("The chip is gone", "Press the clip on")
            return super().exchange(out, read_count)

    bus = NoReadBack(bench.donor)
    bus.set_supply(VOLTS)
    with pytest.raises(TransferIncomplete, match="could not be read back"):
        bench.write(bus)

    def state() -> JournalState:
        return replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images)

    assert outcome(bench.journal.kept).unfinished
    for chip in (bench.patient, bench.donor):
        looked = bench.write(on_clip(chip))
        assert (looked.only_read, looked.proves_chip) == (True, False)
        assert outcome(bench.journal.kept).unfinished
    said = bench.write(put_away=True)
    assert (said.only_read, said.put_away, said.proves_chip) == (True, True, True)
    assert state().proven is Purpose.TRANSFER
    again = bench.write()
    assert (again.put_away, again.read_back_before, again.proves_chip) == (False, True, True)
    assert bench.patient.changes == 0


def test_cut_off_write_can_be_put_back() -> None:
    bench = transfer_bench(16384)
    before = bench.donor.content
    cut(bench, 400)
    healthy(bench.donor)
    plan = restoring(bench.verified.plan, bench.evidence, NOW)
    assert plan.purpose is Purpose.RESTORE
    assert TransferPlan.from_json(plan.to_json()) == plan
    bench.verified = prepare(plan, bench.evidence)
    done = bench.write()
    assert bench.donor.content == before
    assert done.purpose == "restore"
    assert done.image_sha256 == bench.verified.plan.backup.sha256
    bench.verified = prepare(plan_for(bench.evidence), bench.evidence)
    bench.write()
    assert bench.donor.content == bench.patient.content


def test_patients_chip_is_not_taken_for_a_nearly_finished_target() -> None:
    """The last block was cut off: everything the journal knows of the target is equal to the patient's."""
    bench = transfer_bench(16384)
    one_block = bench.donor.content[:UNIT] + bench.patient.content[UNIT:]
    bench.donor.memory[:] = as_array(one_block)
    bench.evidence = evidence_for(bench.patient, bench.donor)
    bench.verified = prepare(plan_for(bench.evidence), bench.evidence)
    cut(bench, 60)
    patient = on_clip(bench.patient)
    done = bench.write(patient)  # it holds what is wanted, so it is read and nothing else
    assert (done.only_read, done.unsettled) == (True, ((0, UNIT),))
    assert bench.patient.changes == 0
    bench.verified = prepare(restoring(bench.verified.plan, bench.evidence, NOW), bench.evidence)
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        bench.write(patient)
    with_faults(bench.patient, noise=0.0005)
    for _ in range(30):
        with pytest.raises((TransferRefused, ProgrammerError)):
            bench.write(patient)
    assert bench.patient.changes == 0


def test_finished_target_is_not_put_back_since_it_may_be_the_patients(bench: TransferBench) -> None:
    bench.write()
    changes = bench.donor.changes
    bench.verified = prepare(restoring(bench.verified.plan, bench.evidence, NOW), bench.evidence)
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        bench.write()
    assert bench.donor.changes == changes


def test_noise_while_reading_back_gives_no_certificate_and_costs_no_write(bench: TransferBench) -> None:
    class LateNoise(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            written = any('"written"' in line for line in bench.journal.kept)
            with_faults(self.chip, noise=0.002 if written and out[0] == 0x03 else 0.0)
            return super().exchange(out, read_count)

    bus = LateNoise(bench.donor)
    bus.set_supply(VOLTS)
    with pytest.raises(TransferIncomplete, match="the clip is in doubt"):
        bench.write(bus)
    changes = bench.donor.changes
    healthy(bench.donor)
    done = bench.write()
    assert bench.donor.content == bench.patient.content
    assert len(set(done.read_back_sha256)) == 1
    assert bench.donor.changes == changes


def test_wrong_byte_in_only_one_read_back_gives_no_certificate(bench: TransferBench) -> None:
    class OneWrongRead(SimulatedBus):
        whole_reads = 0

        def exchange(self, out: bytes, read_count: int) -> bytes:
            answer = super().exchange(out, read_count)
            if out[0] == 0x03 and any('"written"' in line for line in bench.journal.kept):
                self.whole_reads += 1
                return flipped(answer, 70) if self.whole_reads == 2 else answer
            return answer

    bus = OneWrongRead(bench.donor)
    bus.set_supply(VOLTS)
    with pytest.raises(TransferIncomplete, match="wrong in 1 bytes; not every read"):
        bench.write(bus)
    assert bus.whole_reads == 2
    assert not replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images).cut_off


def test_byte_that_went_wrong_on_its_way_to_the_chip_leaves_its_block_open(bench: TransferBench) -> None:
    class WrongOnTheWay(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            place = out[:4] == b"\x02\0\x01\0"
            return super().exchange(flipped(out, 20) if place else out, read_count)

    bus = WrongOnTheWay(bench.donor)
    bus.set_supply(VOLTS)
    with pytest.raises(TransferIncomplete, match="block at 0h does not read back as it was written"):
        bench.write(bus)
    state = replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images)
    assert (state.cut_off, state.blocks_done) == (True, 0)
    bench.write()
    assert bench.donor.content == bench.patient.content


def test_worn_out_chip_is_told_and_can_be_tried_again(bench: TransferBench) -> None:
    with_faults(bench.donor, endurance=1)
    bench.donor._wear[:] = 1
    with pytest.raises(TransferIncomplete, match=r"is not blank|does not read back"):
        bench.write()
    healthy(bench.donor)
    bench.write()
    assert bench.donor.content == bench.patient.content


def test_block_that_went_wrong_after_its_check_is_open_again(bench: TransferBench) -> None:
    """A cell that drops its charge between the look at the block and the last reads."""

    class Dropping(SimulatedBus):
        done = False

        def exchange(self, out: bytes, read_count: int) -> bytes:
            if self.chip.changes == 32 and out[0] == 0x9F and not self.done and not self.chip._busy_frames:
                self.done = True
                self.chip.memory[100] ^= 0x10
            return super().exchange(out, read_count)

    bus = Dropping(bench.donor)
    bus.set_supply(VOLTS)
    with pytest.raises(TransferIncomplete, match="reads back wrong in 1 bytes"):
        bench.write(bus)
    assert replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images).cut_off
    with pytest.raises(TransferRefused, match="may be another chip"):
        bench.write()
    assert bench.write(same_chip=True).same_chip
    assert bench.donor.content == bench.patient.content


# the last look


def last_look(bench: TransferBench, first: bytes, second: bytes) -> WritePermit | None:
    """A look with these two reads, after a journal in which the first block was begun and everything else
    of the patient's is there."""
    content = as_array(bench.verified.image)
    unknown = np.zeros(SMALL_BYTES, np.bool_)
    unknown[:UNIT] = True
    state = JournalState(content, unknown, interruptions=1, blocks_done=1, touched=True, torn=0)
    reads = [as_array(first), as_array(second)]
    return permit_writing(
        bench.verified, object(), role=Role.DONOR, volts=VOLTS, reads=reads, state=state, same_chip=True
    )


def flipped(content: bytes, at: int, bit: int = 1) -> bytes:
    return content[:at] + bytes([content[at] ^ bit]) + content[at + 1 :]


def test_difference_that_does_not_read_alike_twice_is_no_difference(bench: TransferBench) -> None:
    image = bench.verified.image
    assert last_look(bench, image, image) is None
    assert last_look(bench, flipped(image, 5), image) is None
    assert last_look(bench, image, flipped(image, 5)) is None
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        last_look(bench, flipped(image, 5), flipped(image, 6))
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        last_look(bench, flipped(image, 5, 1), flipped(image, 5, 2))
    permit = last_look(bench, flipped(image, 5), flipped(image, 5))
    assert permit is not None
    assert permit.witnesses == (5,)


def test_witnesses_are_places_that_still_differ_once_the_backup_is_back(bench: TransferBench) -> None:
    image, backup = as_array(bench.verified.image), as_array(bench.verified.backup)
    same = int(np.flatnonzero(image[:UNIT] == backup[:UNIT])[0])
    other = int(np.flatnonzero(image[:UNIT] != backup[:UNIT])[-1])
    torn = flipped(bench.verified.image, same)
    permit = last_look(bench, torn, torn)
    assert permit is not None
    assert permit.witnesses == (same,)
    both = flipped(torn, other)
    permit = last_look(bench, both, both)
    assert permit is not None
    assert permit.witnesses == (other,)


def test_reads_that_differ_where_the_content_is_known_prove_nothing(bench: TransferBench) -> None:
    half = bytes(UNIT) + bench.verified.image[UNIT:]
    assert last_look(bench, half, half) is not None
    for first, second in [(half, flipped(half, UNIT)), (flipped(half, UNIT), half)]:
        with pytest.raises(ProgrammerError, match="Two reads of the chip differ"):
            last_look(bench, first, second)


# the journal


def test_torn_lines_are_skipped_and_counted(bench: TransferBench) -> None:
    bench.write()
    kept = bench.journal.kept
    images, job = bench.verified.images, bench.verified.plan.job
    changed = kept[2].replace('"at": 0', '"at": 1')
    state = replay([kept[0], kept[1], kept[2][:40], "", "[]", "7", "x" * 5000, changed], job, images)
    assert state.torn == 6
    assert state.unknown.all()
    assert state.blocks_done == 0
    assert replay(kept, job, images).content.tobytes() == bench.patient.content


# the checklist


def states(plan: TransferPlan, **known: Any) -> list[StepState]:
    return [one.state for one in checklist(plan, **known)]


def test_checklist_follows_the_work(bench: TransferBench) -> None:
    plan = bench.verified.plan
    done, open_, blocked = StepState.DONE, StepState.OPEN, StepState.BLOCKED
    assert states(plan) == [done] * 3 + [open_] + [blocked] * 3
    assert states(plan, refusals=()) == [done] * 4 + [open_, blocked, blocked]
    assert states(plan, refusals=("No.",)) == [done] * 3 + [blocked] * 4
    assert checklist(plan, refusals=("No.",))[3].why == ("No.",)
    certificate = bench.write()
    assert states(plan, refusals=(), certificate=certificate) == [done] * 7


def test_checklist_names_what_is_missing_and_the_cautions(bench: TransferBench) -> None:
    one = replace(bench.evidence, patient_reads=bench.evidence.patient_reads[:1])
    steps = checklist(plan_for(one))
    assert steps[0].state is StepState.OPEN
    assert steps[0].why == ("1 of 2 agreeing reads are there.",)
    assert any("1.8 V" in caution for caution in steps[4].cautions)
    cut(bench, 60)
    state = replay(bench.journal.kept, bench.verified.plan.job, bench.verified.images)
    assert "cut off" in checklist(bench.verified.plan, refusals=(), journal=state)[4].why[0]
    patients = checklist(plan_for(bench.evidence, role=Role.PATIENT), refusals=())
    assert patients[1].state is StepState.BLOCKED
