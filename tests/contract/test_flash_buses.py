"""What every `FlashBus` promises, checked on the simulated one and on the FTDI adapter's.

The adapter's library is replaced by a port that passes every frame to the same simulated chip.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from mendbay.board.flash_bus import READ_ID, FlashBus, choose_voltage, identify, read_id
from mendbay.board.serial_flash import READ, SerialFlash
from mendbay.board.transfer import write
from mendbay.board.transfer_check import prepare
from mendbay.board.transfer_plan import Role, draw_up
from mendbay.core.errors import ProgrammerError
from mendbay.inlets.flash_programmer import FlashProgrammer
from mendbay.inlets.simulated_flash import SimulatedBus, SimulatedChip
from support.flash_bench import NOW as MADE_AT
from support.flash_bench import (
    SMALL_BYTES,
    SMALL_ID,
    VOLTS,
    MemoryJournal,
    evidence_for,
    now,
    rom,
    small_chip,
    with_faults,
)
from support.spi_port import ChipPort


@dataclass
class Clip:
    """A bus and the chip behind it."""

    bus: FlashBus
    chip: SimulatedChip


def simulated(chip: SimulatedChip) -> Clip:
    return Clip(SimulatedBus(chip), chip)


def adapter(chip: SimulatedChip) -> Clip:
    port = ChipPort(chip)
    bus = FlashProgrammer(port, "adapter on the bench")
    port.supply = lambda: bus.volts
    return Clip(bus, chip)


@pytest.fixture(params=[simulated, adapter])
def clip(request: pytest.FixtureRequest) -> Clip:
    make: Callable[[SimulatedChip], Clip] = request.param
    return make(small_chip(rom(1)))


def test_supply_is_unknown_until_somebody_says_it(clip: Clip) -> None:
    assert clip.bus.volts is None
    clip.bus.set_supply(VOLTS)
    assert clip.bus.volts == VOLTS


def test_it_has_a_name_and_a_clock(clip: Clip) -> None:
    assert clip.bus.name
    assert clip.bus.clock_hz > 0


def test_a_frame_gives_exactly_the_bytes_asked_for(clip: Clip) -> None:
    clip.bus.set_supply(VOLTS)
    assert clip.bus.exchange(bytes([READ_ID]), 3) == SMALL_ID
    assert clip.bus.exchange(bytes([READ_ID]), 0) == b""
    for count in (1, 255, SMALL_BYTES):
        assert clip.bus.exchange(bytes([READ, 0, 0, 0]), count) == rom(1)[:count]


def test_each_exchange_is_a_frame_of_its_own(clip: Clip) -> None:
    """The address of a read must not reach the chip in a second frame."""
    clip.bus.set_supply(VOLTS)
    clip.bus.exchange(bytes([READ, 0, 1, 0]), 0)
    assert clip.bus.exchange(bytes([READ_ID]), 3) == SMALL_ID


def test_longer_frames_than_promised_are_refused(clip: Clip) -> None:
    clip.bus.set_supply(VOLTS)
    for out, count in [(b"\x03\0\0\0", 65281), (b"\x02" * 65281, 0), (b"\x9f", -1)]:
        with pytest.raises(ProgrammerError):
            clip.bus.exchange(out, count)
    assert len(clip.bus.exchange(b"\x03\0\0\0", 65280)) == 65280


def test_a_wrong_supply_gives_no_chip(clip: Clip) -> None:
    clip.bus.set_supply(1.8)
    with pytest.raises(ProgrammerError, match="No chip answers"):
        read_id(clip.bus)


def test_a_closed_bus_has_no_confirmed_supply_and_may_be_closed_again(clip: Clip) -> None:
    clip.bus.set_supply(VOLTS)
    clip.bus.close()
    clip.bus.close()
    assert clip.bus.volts is None
    with pytest.raises(ProgrammerError):
        read_id(clip.bus)


def test_a_chip_is_identified_and_read(clip: Clip) -> None:
    facts = choose_voltage(clip.bus, lambda _question: True)
    assert clip.bus.volts == 3.3
    assert facts.size_bytes == SMALL_BYTES
    first, second = SerialFlash(clip.bus, facts).read_whole(2)
    assert first == second == rom(1)


@pytest.mark.parametrize("stuck", ["high", "low"])
def test_a_held_line_is_told(clip: Clip, stuck: str) -> None:
    clip.bus.set_supply(VOLTS)
    with_faults(clip.chip, stuck=stuck)
    with pytest.raises(ProgrammerError, match=stuck):
        identify(clip.bus)


def test_a_transfer_is_written_over_it(clip: Clip) -> None:
    patient = small_chip(rom(9))
    evidence = evidence_for(patient, clip.chip)
    plan = draw_up(evidence, patient_name="p", backup_name="b", volts=VOLTS, role=Role.DONOR, made_at=MADE_AT)
    clip.bus.set_supply(VOLTS)
    kept: list[bytes] = []
    done = write(
        prepare(plan, evidence), clip.bus, MemoryJournal(), role=Role.DONOR, now=now, keep=kept.extend
    )
    assert clip.chip.content == rom(9)
    assert done.adapter == clip.bus.name
