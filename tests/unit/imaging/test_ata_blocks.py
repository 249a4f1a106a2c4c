"""The blocks that questions travel in, and the sense that comes back."""

from __future__ import annotations

import pytest

from mendbay.imaging.ata_command import Protocol, Question, block_12, block_16
from mendbay.imaging.sense import Trouble, parse_sense, trouble_of
from mendbay.imaging.smart import calls_itself_failing

READING = {0xEC, 0xB0, 0x2F, 0xF8, 0x27}
"""Commands that only read (ACS-3; kernel, include/linux/ata.h)."""
SMART_READING = {0xD0, 0xD1, 0xD5, 0xDA}
"""Features of B0h that only read; D2h, D4h, D6h, D8h, D9h and DBh change or start something."""


@pytest.mark.parametrize(
    ("question", "sixteen"),
    [
        (Question.IDENTIFY, "85080E00000001000000000000 00EC00"),
        (Question.HEALTH, "85080E00D000010000004F00C200B000"),
        (Question.VERDICT, "85062000DA00000000004F00C200B000"),
    ],
)
def test_blocks_are_those_of_the_standard(question: Question, sixteen: str) -> None:
    """SAT clause 12, as the kernel takes the blocks apart (drivers/ata/libata-scsi.c)."""
    assert block_16(question) == bytes.fromhex(sixteen.replace(" ", ""))


def test_the_short_block_of_the_identity() -> None:
    assert block_12(Question.IDENTIFY) == bytes.fromhex("A1080E0001 00000000 EC0000".replace(" ", ""))


@pytest.mark.parametrize("question", Question)
def test_nothing_that_writes_can_be_asked(question: Question) -> None:
    block = block_16(question)
    assert len(block) == 16
    assert block[0] == 0x85
    assert block[1] >> 1 in (Protocol.NON_DATA, Protocol.PIO_IN)
    assert block[14] in READING
    assert block[14] != 0xB0 or (block[4] in SMART_READING and (block[10], block[12]) == (0x4F, 0xC2))
    if question.answer_bytes:
        assert block[2] & 0x08, "the data must come from the device"
        assert block[6] * 512 == question.answer_bytes
    short = block_12(question)
    assert short is None or (len(short) == 12 and short[9] == block[14])


def test_the_registers_of_a_log_read_ext_reach_their_places() -> None:
    block = block_16(Question.TEMPERATURE_STATISTICS)
    assert block[1] == 0x09
    assert (block[8], block[10], block[12]) == (0x04, 0x05, 0x00)  # log, page, nothing
    assert block_12(Question.TEMPERATURE_STATISTICS) is None


DESCRIPTOR = bytes.fromhex("72030000 0000000E 090C01400008 74FF00FF006F 4051".replace(" ", ""))


def test_registers_in_descriptors() -> None:
    """Bytes of the descriptor made by the rule of SAT; first bad sector 746FFFFFh."""
    sense = parse_sense(DESCRIPTOR)
    assert sense is not None
    assert sense.registers is not None
    assert sense.registers.lba == 0x746FFFFF == 1_953_497_087
    assert (sense.registers.error, sense.registers.status, sense.registers.count) == (0x40, 0x51, 8)
    assert trouble_of(sense) is Trouble.MEDIA


def fixed(places: dict[int, int], size: int = 32) -> bytes:
    raw = bytearray(size)
    raw[0], raw[7] = 0x70, 10
    for at, byte in places.items():
        raw[at] = byte
    return bytes(raw)


STANDARD = fixed({2: 1, 3: 0, 4: 0x50, 5: 0x40, 6: 1, 8: 0x80, 9: 0, 10: 0xF4, 11: 0x2C, 13: 0x1D})
SHIFTED = fixed({2: 1, 8: 0, 9: 0x50, 10: 0x40, 11: 1, 16: 0x80, 17: 0, 18: 0xF4, 19: 0x2C, 13: 0x1D})


@pytest.mark.parametrize(("raw", "is_shifted"), [(STANDARD, False), (SHIFTED, True)])
def test_registers_of_the_fixed_format_are_found_in_both_places(raw: bytes, is_shifted: bool) -> None:
    sense = parse_sense(raw)
    assert sense is not None
    assert sense.registers is not None
    assert sense.is_shifted is is_shifted
    assert (sense.key, sense.code, sense.qualifier) == (1, 0, 0x1D)
    assert calls_itself_failing(sense.registers.lba) is True
    assert trouble_of(sense) is Trouble.NONE


def test_an_address_of_the_fixed_format_is_no_register_of_a_plain_read() -> None:
    raw = fixed({0: 0xF0, 2: 3, 3: 0x00, 4: 0x46, 5: 0x6F, 6: 0xFF, 12: 0x11, 13: 4})
    sense = parse_sense(raw, passed_through=False)
    assert sense is not None
    assert sense.registers is None
    assert sense.information == 0x00466FFF


def test_upper_halves_that_do_not_fit_are_told() -> None:
    sense = parse_sense(fixed({2: 1, 4: 0x50, 8: 0xA0, 9: 1, 13: 0x1D}))
    assert sense is not None
    assert sense.registers is not None
    assert not sense.registers.lba_is_whole


def test_a_block_the_adapter_refuses() -> None:
    sense = parse_sense(fixed({2: 5, 12: 0x20}))
    assert sense is not None
    assert sense.registers is None
    assert trouble_of(sense) is Trouble.NOT_PASSED


@pytest.mark.parametrize(
    ("lba", "failing"), [(0xC24F00, False), (0x2CF400, True), (0, None), (0xC2F400, None)]
)
def test_the_drives_own_verdict(lba: int, failing: bool | None) -> None:
    assert calls_itself_failing(lba) is failing


@pytest.mark.parametrize("raw", [b"", b"\x70", b"\x70" * 13, b"\x72\x03", b"\x00" * 32, b"\x7f" * 32])
def test_what_is_no_sense_is_none(raw: bytes) -> None:
    assert parse_sense(raw) is None
