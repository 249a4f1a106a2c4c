"""The map of a ROM and its picture."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from mendbay.board.rom_map import Grain, map_rom, map_words
from mendbay.outlets.rings import LIGHT
from mendbay.outlets.rom_picture import CURVE_HEIGHT, LEAST_PERCENT, rom_drawn, rom_svg

CHANCE = np.random.default_rng(3)
NOISE = CHANCE.integers(0, 256, 4096, np.uint8).tobytes()
TEXT = (b"servo lock lost\0retry limit reached\0" * 200)[:4096]


def image() -> bytes:
    return NOISE + TEXT + bytes(4096) + NOISE + b"\xff" * 4096


def test_each_part_has_its_grain() -> None:
    rom = map_rom(image(), block=1024)
    found = [(one.start, one.stop, one.grain) for one in rom.stretches]
    assert found == [
        (0, 4096, Grain.DENSE),
        (4096, 8192, Grain.PLAIN),
        (8192, 12288, Grain.ZERO),
        (12288, 16384, Grain.DENSE),
        (16384, 20480, Grain.ERASED),
    ]


def test_entropy_is_shannons() -> None:
    rom = map_rom(bytes(range(256)) + bytes([0, 1]) * 128, block=256)
    assert rom.entropy.tolist() == pytest.approx([8.0, 1.0])


def test_repeated_blocks_name_the_first_place_and_filler_repeats_nothing() -> None:
    rom = map_rom(image(), block=1024)
    assert rom.first[12:16].tolist() == [0, 1, 2, 3]
    assert rom.first[16:].tolist() == [16, 17, 18, 19]
    assert rom.repeated_blocks == 4
    again = next(one for one in rom.stretches if one.start == 12288)
    assert again.repeats == 0


def test_filler_share_counts_bytes_of_a_short_last_block() -> None:
    rom = map_rom(b"\x55" * 1000 + b"\xff" * 500, block=1000)
    assert rom.filler_share == pytest.approx(1 / 3)


def test_words_say_every_stretch() -> None:
    words = map_words(map_rom(image(), block=1024))
    assert len(words) == 6
    assert "the same bytes as from 000000h" in words[3]
    assert "4 of 20 blocks of 1024 bytes repeat" in words[-1]


def test_blocks_stay_few_for_large_chips() -> None:
    rom = map_rom(bytes(16 << 20))
    assert rom.entropy.size == 256
    assert rom.block == 64 << 10


def test_no_data_is_refused() -> None:
    with pytest.raises(ValueError, match="data"):
        map_rom(b"")


SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_has_a_line_a_region_with_a_bar_where_it_lies() -> None:
    rom = map_rom(image(), block=1024)
    root = ET.fromstring(rom_svg(rom, "k1", LIGHT))
    described = root.find(f"{SVG}desc")
    assert described is not None
    assert described.text is not None
    assert "compressed or enciphered" in described.text
    said = ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]
    assert [one for one in said if "erased (FF)" in one] == [
        "004000h to 004FFFh  erased (FF), 0.00 bits a byte"
    ]
    bars = [rom_bars(one) for one in root.findall(f"{SVG}svg")[1:]]
    assert bars == [[(0, 20)], [(20, 20)], [(40, 20)], [(0, 20), (60, 20)], [(80, 20)]]


def rom_bars(drawn: ET.Element) -> list[tuple[float, float]]:
    """From where, and how far, bars of a line reach, in per cent; that of the same bytes earlier first."""
    found = [(one.get("x"), one.get("width", "")) for one in drawn.findall(f"{SVG}rect")]
    return [(float(at.rstrip("%")), float(wide.rstrip("%"))) for at, wide in found if at is not None]


def test_the_smallest_region_can_be_seen_also_at_the_end() -> None:
    root = ET.fromstring(rom_svg(map_rom(b"\xff" * (1 << 20) + TEXT[:256]), "k1", LIGHT))
    at, wide = rom_bars(root.findall(f"{SVG}svg")[-1])[0]
    assert wide == LEAST_PERCENT
    assert at + wide == 100


def test_the_curve_reaches_from_the_first_byte_to_the_last() -> None:
    drawn = rom_drawn(map_rom(image(), block=1024), "k1", LIGHT)
    line = re.findall(r'd="M([^"]*)"', drawn.curve)[-1].split("L")
    assert line[0].startswith("0 ")
    assert line[-1] == f"100 {CURVE_HEIGHT}", "erased bytes at the end carry nothing"
    assert len(line) == 2 * 20
    assert "between 0.00 and 7." in drawn.curve_words


def test_too_many_blocks_are_refused() -> None:
    with pytest.raises(ValueError, match="4096"):
        rom_svg(map_rom(bytes(16 * 5000), block=16), "k")
