"""The driver of 25-series chips: who is there, which supply, reading, and what it refuses to write."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from mendbay.board.flash_bus import (
    CAUTIONS,
    SupplyQuestion,
    WhySupply,
    choose_voltage,
    identify,
    read_id,
    read_sfdp,
)
from mendbay.board.flash_id import Addressing, ChipFacts, FlashId, Supply, chip_facts
from mendbay.board.serial_flash import ENTER_FOUR_BYTE, ReadProgress, SerialFlash
from mendbay.board.transfer_check import prepare
from mendbay.board.transfer_permit import WritePermit
from mendbay.board.transfer_plan import Role, draw_up
from mendbay.core.errors import ProgrammerError, TransferRefused, UsageError
from mendbay.inlets.simulated_flash import FlashDescription, SimulatedBus, SimulatedChip, make_sfdp
from support.flash_bench import (
    NOW,
    PAGE,
    SMALL_BYTES,
    SMALL_ID,
    UNIT,
    VOLTS,
    TransferBench,
    evidence_for,
    on_clip,
    rom,
    small_chip,
    transfer_bench,
    with_faults,
)

MIB = 1 << 20
LOW = (1.65, 1.95)
HIGH = (2.7, 3.6)


class Person:
    """Answers the questions about the supply, and keeps them."""

    def __init__(self, answer: Callable[[SupplyQuestion], bool] = lambda _: True) -> None:
        self.answer = answer
        self.asked: list[SupplyQuestion] = []

    def __call__(self, question: SupplyQuestion) -> bool:
        self.asked.append(question)
        return self.answer(question)


class HurryingClock:
    """A clock on which every look takes a second."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> datetime:
        return datetime(2026, 3, 2, tzinfo=UTC)

    def steady_seconds(self) -> float:
        self.seconds += 1
        return self.seconds


def chip_of(text: str, size: int = 64 << 10, **changes: object) -> SimulatedChip:
    return SimulatedChip(FlashDescription(id=bytes.fromhex(text), size_bytes=size, **changes))  # type: ignore[arg-type]


# which supply


def test_low_voltage_part_is_never_offered_more() -> None:
    person, bus = Person(), SimulatedBus(chip_of("ef6012", 256 << 10, supply=LOW))
    facts = choose_voltage(bus, person)
    assert [one.volts for one in person.asked] == [1.8]
    assert bus.volts == 1.8
    assert facts.supply is Supply.LOW


def test_part_of_no_listed_line_stays_at_the_lowest_if_it_answers_there() -> None:
    person, bus = Person(), SimulatedBus(chip_of("684010", supply=(1.65, 3.6)))
    assert choose_voltage(bus, person).supply is Supply.UNKNOWN
    assert [one.volts for one in person.asked] == [1.8]


def test_part_that_answers_low_and_is_a_3_v_part_by_its_id_goes_up() -> None:
    person, bus = Person(), SimulatedBus(chip_of("ef4012", 256 << 10, supply=(1.65, 3.6)))
    facts = choose_voltage(bus, person)
    assert [(one.volts, one.why) for one in person.asked] == [
        (1.8, WhySupply.LOWEST_FIRST),
        (3.3, WhySupply.ID_SAYS_SO),
    ]
    assert bus.volts == 3.3
    assert facts.supply is Supply.HIGH


@pytest.mark.parametrize(
    ("text", "marking", "asked"),
    [
        ("684012", Supply.HIGH, [WhySupply.LOWEST_FIRST, WhySupply.MARKING_SAYS_SO]),
        ("684012", Supply.LOW, [WhySupply.LOWEST_FIRST]),
        ("ef6012", Supply.HIGH, [WhySupply.LOWEST_FIRST]),
    ],
)
def test_marking_counts_only_where_the_id_says_nothing(
    text: str, marking: Supply, asked: list[WhySupply]
) -> None:
    person, bus = Person(), SimulatedBus(chip_of(text, 256 << 10, supply=(1.65, 3.6)))
    choose_voltage(bus, person, marking)
    assert [one.why for one in person.asked] == asked
    assert bus.volts == (3.3 if len(asked) == 2 else 1.8)


def test_part_that_is_silent_low_goes_up_only_on_a_persons_word() -> None:
    person, bus = Person(), SimulatedBus(chip_of("ef4012", 256 << 10))
    choose_voltage(bus, person)
    assert [one.why for one in person.asked] == [WhySupply.LOWEST_FIRST, WhySupply.NO_ANSWER]
    assert all(one.cautions == CAUTIONS for one in person.asked)
    refusing, bus = Person(lambda question: question.volts < 2), SimulatedBus(chip_of("ef4012", 256 << 10))
    with pytest.raises(ProgrammerError, match="confirmed") as caught:
        choose_voltage(bus, refusing)
    assert bus.volts == 1.8
    assert "asked for its id alone and gave no steady answer" in caught.value.what
    assert "--marked-3v" in caught.value.next_step


def test_nothing_is_sent_if_the_first_question_is_not_confirmed() -> None:
    chip = small_chip()
    with pytest.raises(ProgrammerError, match="nothing was sent"):
        choose_voltage(SimulatedBus(chip), Person(lambda _: False))
    assert chip.frames == 0


@pytest.mark.parametrize(("text", "marking"), [("ef4012", Supply.UNKNOWN), ("684012", Supply.HIGH)])
def test_what_was_sent_before_the_higher_supply_was_declined_is_said(text: str, marking: Supply) -> None:
    bus = SimulatedBus(chip_of(text, 256 << 10, supply=(1.65, 3.6)))
    with pytest.raises(ProgrammerError, match=r"at 1\.8 V it was asked for its id alone") as caught:
        choose_voltage(bus, Person(lambda question: question.volts < 2), marking)
    assert "--supply-checked 3.3" in caught.value.next_step
    assert "--marked-3v" not in caught.value.next_step


def test_low_voltage_part_that_only_answers_high_is_told_at_once() -> None:
    with pytest.raises(ProgrammerError, match=r"a 1\.8 V part"):
        choose_voltage(SimulatedBus(chip_of("ef6012", 256 << 10, supply=HIGH)), Person())


def test_failing_adapter_is_not_taken_for_a_silent_chip() -> None:
    class Unplugged(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            raise ProgrammerError("The adapter does not answer", "Plug it in again")

    person = Person()
    with pytest.raises(ProgrammerError, match="adapter does not answer"):
        choose_voltage(Unplugged(small_chip()), person)
    assert [one.volts for one in person.asked] == [1.8]


def test_other_id_at_the_higher_supply_is_refused() -> None:
    chip = chip_of("ef4012", 256 << 10, supply=(1.65, 3.6))
    other = chip_of("ef4013", 512 << 10, supply=(1.65, 3.6))
    bus = SimulatedBus(chip)

    def swap(question: SupplyQuestion) -> bool:
        bus.chip = other if question.volts > 2 else chip
        return True

    with pytest.raises(ProgrammerError, match="EF 40 12 and now as EF 40 13"):
        choose_voltage(bus, swap)


# who is there


@pytest.mark.parametrize(("stuck", "level"), [("high", "high"), ("low", "low")])
def test_absent_chip_is_told(stuck: str, level: str) -> None:
    with pytest.raises(ProgrammerError, match=f"stays {level}"):
        read_id(on_clip(with_faults(small_chip(), stuck=stuck)))


def test_sleeping_chip_is_woken() -> None:
    assert read_id(on_clip(small_chip(asleep=True))).code == SMALL_ID


def test_unsteady_id_is_told() -> None:
    with pytest.raises(ProgrammerError, match=r"not the same|not an id"):
        read_id(on_clip(with_faults(small_chip(), noise=0.2)), times=20)


def test_table_is_read_to_its_end_and_no_further() -> None:
    chip = small_chip()
    assert read_sfdp(on_clip(chip)) == make_sfdp(chip.description)
    assert read_sfdp(on_clip(small_chip(sfdp=b""))) == b""


def test_differing_tables_are_told() -> None:
    chip = small_chip()

    class Swapping(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            answer = super().exchange(out, read_count)
            return bytes(len(answer)) if out[0] == 0x5A and self.chip.frames > 8 else answer

    bus = Swapping(chip)
    bus.set_supply(VOLTS)
    with pytest.raises(ProgrammerError, match="table differ"):
        identify(bus)


# reading


def test_unknown_id_without_a_table_is_read_once_somebody_says_its_size() -> None:
    chip = small_chip(rom(1), sfdp=b"")
    bus = on_clip(chip)
    facts = identify(bus)
    assert facts.size_bytes is None
    with pytest.raises(UsageError, match="how large"):
        SerialFlash(bus, facts)
    assert SerialFlash(bus, facts, size_bytes=SMALL_BYTES).read_whole(1) == (rom(1),)


def test_chip_in_conflict_is_read_as_far_as_anything_says() -> None:
    table = make_sfdp(FlashDescription(id=b"\xef\x40\x11", size_bytes=64 << 10))
    chip = chip_of("ef4011", 128 << 10, sfdp=table)
    bus = on_clip(chip)
    facts = identify(bus)
    assert facts.conflicts
    assert SerialFlash(bus, facts).size_bytes == 128 << 10


@pytest.mark.parametrize("clock_hz", [4e6, 50e6])
def test_reading_any_part_gives_those_bytes(clock_hz: float) -> None:
    """A fast clock takes the read with a dummy byte."""
    content = rom(3, 64 << 10)
    chip = chip_of("ef4010")
    chip.memory[:] = bytearray(content)
    bus = SimulatedBus(chip, clock_hz=clock_hz)
    bus.set_supply(VOLTS)
    flash = SerialFlash(bus, identify(bus))
    for offset, count in [(0, 1), (255, 2), (0, 64 << 10), (65535, 1), (100, 40000), (5, 0)]:
        assert flash.read(offset, count) == content[offset : offset + count]
    for offset, count in [(-1, 2), (65535, 2), (0, -1)]:
        with pytest.raises(ValueError, match="not all"):
            flash.read(offset, count)


def test_whole_reads_are_given_as_they_came_with_progress() -> None:
    chip = with_faults(small_chip(rom(1)), noise=0.0)
    bus = on_clip(chip)
    flash = SerialFlash(bus, identify(bus))
    seen: list[ReadProgress] = []
    chip.faults = with_faults(chip, noise=0.002).faults
    reads = noisy_reads(flash, seen)
    assert len(reads) == 3
    assert len(set(reads)) > 1
    assert [(one.read_number, one.done_bytes) for one in seen] == [
        (number, SMALL_BYTES) for number in (1, 2, 3)
    ]


def noisy_reads(flash: SerialFlash, seen: list[ReadProgress]) -> tuple[bytes, ...]:
    """Three reads of a noisy chip; the looks at its id between them may fail, so it is tried a few times."""
    for _ in range(20):
        seen.clear()
        try:
            return flash.read_whole(3, seen.append)
        except ProgrammerError:
            continue
    raise AssertionError("never got through")


def test_chip_swapped_between_two_reads_is_noticed() -> None:
    bus = on_clip(small_chip(rom(1)))
    flash = SerialFlash(bus, identify(bus))

    def swap(_: ReadProgress) -> None:
        bus.chip = chip_of("ef4010")

    with pytest.raises(ProgrammerError, match="now as EF 40 10"):
        flash.read_whole(2, swap)


# addresses of four bytes


class LargeChip:
    """A chip of 32 MiB of which only its addressing is simulated: every byte tells its own address."""

    name, clock_hz, volts = "large", 4e6, 3.3

    def __init__(self, *, takes_mode: bool) -> None:
        self.takes_mode = takes_mode
        self.four = False
        self.commands: list[int] = []

    def set_supply(self, volts: float) -> None:
        raise AssertionError("the supply is not asked about here")

    def close(self) -> None:
        raise AssertionError("nobody closes it here")

    def exchange(self, out: bytes, read_count: int) -> bytes:
        self.commands.append(out[0])
        if out[0] == ENTER_FOUR_BYTE:
            self.four = self.takes_mode
        if out[0] == 0xE9:
            self.four = False
        if out[0] not in (0x03, 0x13):
            return bytes([2]) * read_count
        width = 4 if self.four or out[0] == 0x13 else 3
        start = int.from_bytes(out[1 : 1 + width], "big") + len(out) - 1 - width
        return bytes(self.at(start + number) for number in range(read_count))

    @staticmethod
    def at(address: int) -> int:
        return (address * 7 + (address >> 8) * 13 + (address >> 16) * 31) & 0xFF


def large_facts(*, instructions: bool) -> ChipFacts:
    raw = bytearray(make_sfdp(FlashDescription(id=b"\xef\x40\x19", size_bytes=32 * MIB)))
    if not instructions:
        raw[6] = 0  # the header of the four-byte instructions is no longer counted
    return chip_facts(FlashId(b"\xef\x40\x19"), bytes(raw))


def test_high_addresses_are_read_by_their_own_instruction_where_there_is_one() -> None:
    facts, bus = large_facts(instructions=True), LargeChip(takes_mode=False)
    assert facts.addressing is Addressing.FOUR_INSTRUCTIONS
    assert SerialFlash(bus, facts).read(20 * MIB, 3) == bytes(
        bus.at(20 * MIB + number) for number in range(3)
    )
    assert set(bus.commands) == {0x13}


def test_high_addresses_are_read_in_a_mode_that_is_entered_and_left() -> None:
    facts, bus = large_facts(instructions=False), LargeChip(takes_mode=True)
    assert facts.addressing is Addressing.FOUR_MODE
    flash = SerialFlash(bus, facts)
    assert flash.read(20 * MIB, 3) == bytes(bus.at(20 * MIB + number) for number in range(3))
    flash.leave()
    assert not bus.four


def test_chip_that_does_not_take_the_mode_is_not_read_shifted() -> None:
    with pytest.raises(ProgrammerError, match="four bytes"):
        SerialFlash(LargeChip(takes_mode=False), large_facts(instructions=False)).read(0, 16)


# writing


def writable() -> tuple[TransferBench, SerialFlash, WritePermit]:
    """A transfer whose chip was looked at, ready to be written by hand."""
    bench = transfer_bench()
    bus = on_clip(bench.donor)
    permit = bench.permit(bus)
    assert permit is not None
    return bench, SerialFlash(bus, bench.verified.target), permit


def test_nothing_but_a_permit_lets_the_driver_write() -> None:
    bench, flash, permit = writable()
    other_bus = SerialFlash(on_clip(bench.donor), bench.verified.target)
    forged = (
        None,
        object(),
        bench.verified.plan,
        bench.verified,
        copy.copy(permit),
        object.__new__(WritePermit),
    )
    tries = [(flash, one) for one in forged] + [(other_bus, permit)]
    for driver, one in tries:
        with pytest.raises(TransferRefused, match="no permit"):
            driver.erase(one, 0, UNIT)  # type: ignore[arg-type]
        with pytest.raises(TransferRefused, match="no permit"):
            driver.program(one, 0, bench.verified.image[:PAGE])  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="permit_writing"):
        WritePermit(bench.verified, flash.bus, permit.current, (), object())
    assert bench.donor.changes == 0


def test_a_permit_lets_the_driver_write_only_what_its_plan_holds() -> None:
    bench, flash, permit = writable()
    for offset, size in [(-UNIT, UNIT), (1, UNIT), (0, 2048), (SMALL_BYTES, UNIT), (0, 0), (UNIT, 8192)]:
        with pytest.raises(TransferRefused, match="does not hold"):
            flash.erase(permit, offset, size)
    page = bench.verified.image[:PAGE]
    for offset, data in [(0, bytes(PAGE)), (PAGE, page), (0, page + b"\0"), (0, b""), (-1, page[:1])]:
        with pytest.raises(TransferRefused, match="does not hold"):
            flash.program(permit, offset, data)
    with pytest.raises(TransferRefused, match="not blank"):
        flash.program(permit, 0, page)
    assert bench.donor.changes == 0
    flash.erase(permit, 0, UNIT)
    flash.program(permit, 0, page)
    assert bench.donor.content[:PAGE] == page
    assert bench.donor.content[PAGE:UNIT] == b"\xff" * (UNIT - PAGE)


def test_block_in_which_the_dumps_agree_is_not_for_writing() -> None:
    patient, donor = small_chip(rom(1)), small_chip(rom(2)[:UNIT] + rom(1)[UNIT:])
    evidence = evidence_for(patient, donor)
    plan = draw_up(evidence, patient_name="p", backup_name="b", volts=VOLTS, role=Role.DONOR, made_at=NOW)
    bench = TransferBench(patient, donor, evidence, prepare(plan, evidence))
    bus = on_clip(donor)
    permit, flash = bench.permit(bus), SerialFlash(bus, bench.verified.target)
    assert permit is not None
    for offset, size in [(UNIT, UNIT), (0, 2 * UNIT)]:
        with pytest.raises(TransferRefused, match="does not hold"):
            flash.erase(permit, offset, size)
    with pytest.raises(TransferRefused, match="does not hold"):
        flash.program(permit, UNIT, rom(1)[UNIT : UNIT + PAGE])
    flash.erase(permit, 0, UNIT)
    assert donor.changes == 1


def test_patients_chip_put_on_the_clip_after_the_look_is_not_written() -> None:
    bench, flash, permit = writable()
    assert isinstance(flash.bus, SimulatedBus)
    flash.bus.chip = bench.patient
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        flash.erase(permit, 0, UNIT)
    blank_page = 3 * PAGE
    with pytest.raises(TransferRefused, match="may be the patient's own"):
        flash.program(permit, blank_page, bench.verified.image[blank_page : blank_page + PAGE])
    assert bench.patient.changes == 0


def test_noise_does_not_make_the_patients_chip_look_like_another() -> None:
    bench, flash, permit = writable()
    assert isinstance(flash.bus, SimulatedBus)
    flash.bus.chip = with_faults(bench.patient, noise=0.002)
    for _ in range(200):
        with pytest.raises((TransferRefused, ProgrammerError)):
            flash.erase(permit, 0, UNIT)
        with pytest.raises((TransferRefused, ProgrammerError)):
            flash.program(permit, 3 * PAGE, bench.verified.image[3 * PAGE : 4 * PAGE])
    assert bench.patient.changes == 0


def test_other_chip_put_on_the_clip_after_the_look_is_not_written() -> None:
    _bench, flash, permit = writable()
    assert isinstance(flash.bus, SimulatedBus)
    flash.bus.chip = other = chip_of("ef4010")
    with pytest.raises(ProgrammerError, match="now as EF 40 10"):
        flash.erase(permit, 0, UNIT)
    assert other.changes == 0


def test_permit_does_not_serve_a_driver_that_takes_the_chip_for_another() -> None:
    bench, flash, permit = writable()
    other = replace(flash.facts, id=FlashId(b"\xef\x40\x10"))
    for driver in (
        SerialFlash(flash.bus, other),
        SerialFlash(flash.bus, flash.facts, size_bytes=2 * SMALL_BYTES),
    ):
        with pytest.raises(TransferRefused, match="does not hold"):
            driver.erase(permit, 0, UNIT)
    assert bench.donor.changes == 0


def test_protected_chip_is_refused_in_words() -> None:
    bench, flash, permit = writable()
    bench.donor.description = replace(bench.donor.description, protection=0b0101)
    with pytest.raises(TransferRefused, match="0101"):
        flash.erase(permit, 0, UNIT)
    assert bench.donor.changes == 0


def test_chip_that_does_not_take_write_enable_is_told() -> None:
    bench, flash, permit = writable()

    class HeldPin(SimulatedBus):
        def exchange(self, out: bytes, read_count: int) -> bytes:
            return super().exchange(b"\x04" if out == b"\x06" else out, read_count)

    bus = HeldPin(bench.donor)
    bus.set_supply(VOLTS)
    permit = bench.permit(bus) or permit
    with pytest.raises(ProgrammerError, match="status is 00h"):
        SerialFlash(bus, flash.facts).erase(permit, 0, UNIT)
    assert bench.donor.changes == 0


def test_waiting_has_an_end() -> None:
    bench, flash, permit = writable()
    bench.donor.description = replace(bench.donor.description, erase_polls=1_000_000)
    patient = SerialFlash(flash.bus, flash.facts, clock=HurryingClock())
    with pytest.raises(ProgrammerError, match="still busy after 10 s"):
        patient.erase(permit, 0, UNIT)


def test_chip_that_vanishes_while_it_works_is_told() -> None:
    bench, flash, permit = writable()
    frames = 2 + 1 + 1 + 1 + 1  # two ids, the block, write enable, the status, the erase itself
    with_faults(bench.donor, power_lost_at=bench.donor.frames + frames)
    with pytest.raises(ProgrammerError, match="No chip answers"):
        flash.erase(permit, 0, UNIT)
    assert bench.donor.changes == 1
