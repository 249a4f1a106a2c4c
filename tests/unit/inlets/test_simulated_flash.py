"""The simulated chip behaves like a chip where it matters, and its faults are as described."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from mendbay.board.flash_bus import identify
from mendbay.board.serial_flash import BUSY, WRITE_ENABLED, SerialFlash
from mendbay.board.sfdp import EraseType, parse_sfdp
from mendbay.core.errors import UsageError
from mendbay.inlets.simulated_flash import (
    FlashDescription,
    SimulatedBus,
    SimulatedChip,
    make_sfdp,
)
from mendbay.inlets.simulated_flash_file import open_simulated_flash
from support.flash_bench import (
    PAGE,
    SMALL_BYTES,
    SMALL_ID,
    UNIT,
    VOLTS,
    on_clip,
    rom,
    small_chip,
    with_faults,
)

ENABLE, STATUS = b"\x06", b"\x05"


def settle(bus: SimulatedBus) -> int:
    """Polls until the chip is no longer busy; how often it said it was."""
    for polls in range(1000):
        if not bus.exchange(STATUS, 1)[0] & BUSY:
            return polls
    raise AssertionError("busy without end")


def program(bus: SimulatedBus, offset: int, data: bytes) -> None:
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x02" + offset.to_bytes(3, "big") + data, 0)
    settle(bus)


def erase(bus: SimulatedBus, opcode: int, offset: int) -> None:
    bus.exchange(ENABLE, 0)
    bus.exchange(bytes([opcode]) + offset.to_bytes(3, "big"), 0)
    settle(bus)


def test_programming_only_clears_bits() -> None:
    chip = small_chip()
    bus = on_clip(chip)
    program(bus, 10, b"\xf0")
    program(bus, 10, b"\x3c")
    assert chip.content[10] == 0x30


def test_programming_wraps_inside_its_page() -> None:
    chip = small_chip()
    program(on_clip(chip), PAGE + 254, b"\x01\x02\x03\x04")
    assert chip.content[PAGE : PAGE + 2] == b"\x03\x04"
    assert chip.content[2 * PAGE - 2 : 2 * PAGE] == b"\x01\x02"
    assert chip.content[2 * PAGE : 2 * PAGE + 2] == b"\xff\xff"


def test_nothing_is_written_without_write_enable_and_only_once_with_it() -> None:
    chip = small_chip(rom(1))
    bus = on_clip(chip)
    bus.exchange(b"\x20\0\0\0", 0)
    assert chip.changes == 0
    erase(bus, 0x20, 0)
    bus.exchange(b"\x20\0\x10\0", 0)
    assert chip.changes == 1
    assert chip.content == b"\xff" * UNIT + rom(1)[UNIT:]


def test_write_disable_takes_it_back() -> None:
    chip = small_chip(rom(1))
    bus = on_clip(chip)
    bus.exchange(ENABLE, 0)
    assert bus.exchange(STATUS, 1)[0] & WRITE_ENABLED
    bus.exchange(b"\x04", 0)
    bus.exchange(b"\x20\0\0\0", 0)
    assert chip.content == rom(1)


@pytest.mark.parametrize(("opcode", "size"), [(0x20, 4096), (0x52, 32768), (0xD8, 65536), (0xC7, 131072)])
def test_erasing_takes_the_whole_unit_around_the_address(opcode: int, size: int) -> None:
    content = rom(4, 131072)
    chip = SimulatedChip(FlashDescription(id=b"\xef\x40\x11", size_bytes=131072), content)
    bus = on_clip(chip)
    bus.exchange(ENABLE, 0)
    offset = 70000
    bus.exchange(bytes([opcode]) + (b"" if opcode == 0xC7 else offset.to_bytes(3, "big")), 0)
    settle(bus)
    start = offset - offset % size
    assert chip.content == content[:start] + b"\xff" * size + content[start + size :]


def test_busy_time_is_counted_and_other_commands_are_not_heard_meanwhile() -> None:
    chip = small_chip(rom(1), erase_polls=4)
    bus = on_clip(chip)
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x20\0\0\0", 0)
    assert bus.exchange(b"\x9f", 3) == b"\xff\xff\xff"
    assert settle(bus) == 3
    assert bus.exchange(b"\x9f", 3) == SMALL_ID


def test_sleeping_chip_answers_nothing_until_woken() -> None:
    bus = on_clip(small_chip())
    bus.exchange(b"\xb9", 0)
    assert bus.exchange(b"\x9f", 3) == b"\xff" * 3
    bus.exchange(b"\xab", 0)
    assert bus.exchange(b"\x9f", 3) == SMALL_ID


def test_reading_goes_on_at_the_start_and_fast_read_has_its_dummy() -> None:
    bus = on_clip(small_chip(rom(1)))
    last = (SMALL_BYTES - 1).to_bytes(3, "big")
    assert bus.exchange(b"\x03" + last, 2) == rom(1)[-1:] + rom(1)[:1]
    assert bus.exchange(b"\x0b\0\0\x05\0", 4) == rom(1)[5:9]


def test_addresses_of_four_bytes_by_mode_and_by_instruction() -> None:
    chip = SimulatedChip(FlashDescription(id=b"\xef\x40\x19", size_bytes=32 << 20))
    place = 20 << 20
    chip.memory[place : place + 3] = (1, 2, 3)
    bus = on_clip(chip)
    four = place.to_bytes(4, "big")
    assert bus.exchange(b"\x13" + four, 3) == b"\x01\x02\x03"
    bus.exchange(b"\xb7", 0)
    assert bus.exchange(b"\x03" + four, 3) == b"\x01\x02\x03"
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x20" + four, 0)
    settle(bus)
    assert bus.exchange(b"\x03" + four, 3) == b"\xff\xff\xff"
    bus.exchange(b"\xe9", 0)
    assert bus.exchange(b"\x03\0\0\0", 1) == b"\xff"
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x12" + four + b"\x77", 0)
    settle(bus)
    facts = identify(bus)
    assert SerialFlash(bus, facts).read(place, 1) == b"\x77"
    assert len(facts.erase_units) == 3


def test_protected_chip_changes_nothing() -> None:
    chip = small_chip(rom(1), protection=0b0001)
    bus = on_clip(chip)
    erase(bus, 0x20, 0)
    program(bus, 0, bytes(16))
    assert chip.content == rom(1)
    assert chip.changes == 0


def test_own_table_fits_the_chip() -> None:
    for size in (64 << 10, 32 << 20):
        table = parse_sfdp(make_sfdp(FlashDescription(id=b"\xef\x40\x10", size_bytes=size)))
        assert table.faults == ()
        assert table.size_bytes == size
        assert table.page_bytes == 256
        assert table.four_byte_instructions == (size > 1 << 24)


# faults


@pytest.mark.parametrize("volts", [0.0, 1.8, 2.69, 3.61, 5.0])
def test_wrong_voltage_gives_no_answer(volts: float) -> None:
    assert on_clip(small_chip(), volts).exchange(b"\x9f", 3) == b"\xff" * 3


def test_noise_flips_single_bits_about_as_often_as_said() -> None:
    bus = on_clip(with_faults(small_chip(bytes(SMALL_BYTES)), noise=0.01))
    data = np.frombuffer(bus.exchange(b"\x03\0\0\0", SMALL_BYTES), np.uint8)
    wrong = data[data != 0]
    assert set(np.bitwise_count(wrong)) == {1}
    assert 40 < wrong.size < 140  # 82 expected, deviation 9


def test_loose_contact_loses_whole_frames() -> None:
    bus = on_clip(with_faults(small_chip(), loose=0.3))
    answers = [bus.exchange(b"\x9f", 3) for _ in range(200)]
    assert set(answers) == {SMALL_ID, b"\xff" * 3}
    assert 30 < answers.count(b"\xff" * 3) < 90


def test_same_seed_behaves_the_same_again() -> None:
    def run() -> bytes:
        return on_clip(with_faults(small_chip(rom(1), seed=9), noise=0.05)).exchange(b"\x03\0\0\0", 4096)

    assert run() == run()
    assert run() != rom(1)[:4096]


@pytest.mark.parametrize("polls", [0, 1, 3])
def test_power_lost_while_erasing_leaves_a_mixture_in_that_block_only(polls: int) -> None:
    """In the frame of the command itself, or in a later one while the chip is busy."""
    chip = with_faults(small_chip(bytes(SMALL_BYTES)), power_lost_at=2 + polls)
    bus = on_clip(chip)
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x20\0\0\0", 0)
    for _ in range(8):
        bus.exchange(STATUS, 1)
    assert bus.exchange(b"\x9f", 3) == b"\xff" * 3
    block = np.frombuffer(chip.content[:UNIT], np.uint8)
    assert len(set(block.tolist())) > 100
    assert chip.content[UNIT:] == bytes(UNIT)
    chip.power_on()
    assert bus.exchange(b"\x9f", 3) == SMALL_ID
    first, second = (bus.exchange(b"\x03\0\0\0", UNIT) for _ in range(2))
    assert first != second, "a block that was cut off does not read steadily"
    erase(bus, 0x20, 0)
    assert bus.exchange(b"\x03\0\0\0", UNIT) == b"\xff" * UNIT


def test_power_lost_while_programming_clears_only_bits_that_were_to_be_cleared() -> None:
    chip = with_faults(small_chip(), power_lost_at=2)
    bus = on_clip(chip)
    wanted = rom(1)[:PAGE]
    bus.exchange(ENABLE, 0)
    bus.exchange(b"\x02\0\0\0" + wanted, 0)
    found = np.frombuffer(chip.content[:PAGE], np.uint8)
    assert not (~found & np.frombuffer(wanted, np.uint8)).any()
    assert found.tobytes() not in (wanted, b"\xff" * PAGE)


def test_worn_out_block_no_longer_erases_clean() -> None:
    chip = with_faults(small_chip(), endurance=3)
    bus = on_clip(chip)
    for _ in range(3):
        erase(bus, 0x20, 0)
        assert chip.content[:UNIT] == b"\xff" * UNIT
    erase(bus, 0x20, 0)
    assert chip.content[:UNIT] != b"\xff" * UNIT


# described by a file


def described(folder: Path, text: str, content: bytes | None = None) -> Path:
    if content is not None:
        (folder / "donor.rom").write_bytes(content)
    path = folder / "donor.toml"
    path.write_text(text)
    return path


def test_memory_outlives_the_chip(tmp_path: Path) -> None:
    path = described(tmp_path, 'memory = "donor.rom"\nid = "c2 99 0d"\n', rom(1))
    bus = open_simulated_flash(path)
    bus.set_supply(VOLTS)
    erase(bus, 0x20, UNIT)
    program(bus, UNIT, b"abc")
    expected = rom(1)[:UNIT] + b"abc" + b"\xff" * (UNIT - 3)
    assert (tmp_path / "donor.rom").read_bytes() == expected
    again = open_simulated_flash(path)
    assert again.chip.content == expected
    assert again.name == "simulated: donor.toml"
    assert [one.size_bytes for one in again.chip.description.erase] == [4096]


def test_new_memory_is_made_erased(tmp_path: Path) -> None:
    path = described(tmp_path, 'memory = "donor.rom"\nid = "ef4010"\nsize_bytes = 65536\n')
    assert open_simulated_flash(path).chip.content == b"\xff" * 65536


def test_everything_can_be_described(tmp_path: Path) -> None:
    text = (
        'memory = "donor.rom"\nid = "ef6010"\nsupply = [1.65, 2]\npage_bytes = 128\n'
        'erase = [[4096, 32], [8192, 82, 92]]\nprotection = 3\nseed = 4\nsfdp = ""\n'
        'faults = { noise = 0.5, stuck = "low", power_lost_at = 9, endurance = 2, loose = 0.1 }\n'
    )
    found = open_simulated_flash(described(tmp_path, text, rom(1))).chip.description
    assert found.supply == (1.65, 2.0)
    assert found.erase == (EraseType(4096, 32), EraseType(8192, 82, 92))
    assert (found.page_bytes, found.protection, found.seed, found.sfdp) == (128, 3, 4, b"")
    assert (found.faults.noise, found.faults.stuck, found.faults.power_lost_at) == (0.5, "low", 9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("nonsense", "donor.toml"),
        ('id = "ef4010"', "memory"),
        ('memory = "none.rom"\nid = "ef4010"', "none.rom"),
        ('memory = "donor.rom"', "`id` is missing"),
        ('memory = "donor.rom"\nid = "xy"', "donor.toml"),
        ('memory = "donor.rom"\nid = "ef4010"\nspead = 3', "`spead` is not known"),
        ('memory = "donor.rom"\nid = "ef4010"\nfaults = { nois = 1 }', "`nois` is not known"),
        ('memory = "donor.rom"\nid = "ef4010"\nfaults = 3', "faults"),
        ('memory = "donor.rom"\nid = "ef4010"\nsize_bytes = 5', "8192 bytes"),
        ('memory = "donor.rom"\nid = "ef"', "do not fit"),
        ('memory = "donor.rom"\nid = "ef4010"\nerase = [[3000, 32]]', "do not fit"),
        ('memory = "donor.rom"\nid = "ef4010"\nsupply = [3]', "donor.toml"),
        ('memory = "donor.rom"\nid = "ef4010"\nprotection = 77', "do not fit"),
        ('memory = "donor.rom"\nid = "ef4010"\nseed = "x"', "seed"),
    ],
)
def test_wrong_description_is_told(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        open_simulated_flash(described(tmp_path, text, rom(1)))


def test_content_of_another_length_is_refused() -> None:
    with pytest.raises(UsageError):
        small_chip(bytes(100))
