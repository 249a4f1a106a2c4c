"""Check values for "123456789" of the published catalogue of parametrised cyclic checks (parameters and
values from memory of it); Adler-32 of RFC 1950 and cyclic checks as the standard library has them."""

from __future__ import annotations

import binascii
import zlib

import numpy as np
import pytest

from mendbay.board.rules.algorithm import Algorithm, Kind, Order

CHECKED = b"123456789"

PUBLISHED = [
    # name in the catalogue, width, polynomial, initial, reflected, final, check
    ("CRC-8/SMBUS", 8, 0x07, 0x00, False, 0x00, 0xF4),
    ("CRC-8/I-432-1", 8, 0x07, 0x00, False, 0x55, 0xA1),
    ("CRC-8/ROHC", 8, 0x07, 0xFF, True, 0x00, 0xD0),
    ("CRC-8, 31 reflected", 8, 0x31, 0x00, True, 0x00, 0xA1),
    ("CRC-8/NRSC-5", 8, 0x31, 0xFF, False, 0x00, 0xF7),
    ("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    ("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    ("CRC-8/DARC", 8, 0x39, 0x00, True, 0x00, 0x15),
    ("CRC-8/DVB-S2", 8, 0xD5, 0x00, False, 0x00, 0xBC),
    ("CRC-8/WCDMA", 8, 0x9B, 0x00, True, 0x00, 0x25),
    ("CRC-16/ARC", 16, 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    ("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    ("CRC-16/USB", 16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    ("CRC-16/UMTS", 16, 0x8005, 0x0000, False, 0x0000, 0xFEE8),
    ("CRC-16, start FFFF", 16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    ("CRC-16/XMODEM", 16, 0x1021, 0x0000, False, 0x0000, 0x31C3),
    ("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    ("CRC-16/KERMIT", 16, 0x1021, 0x0000, True, 0x0000, 0x2189),
    ("CRC-16, reflected, inverted", 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    ("CRC-16, start 1D0F", 16, 0x1021, 0x1D0F, False, 0x0000, 0xE5CC),
    ("CRC-16/DNP", 16, 0x3D65, 0x0000, True, 0xFFFF, 0xEA82),
    ("CRC-16/T10-DIF", 16, 0x8BB7, 0x0000, False, 0x0000, 0xD0DB),
    ("CRC-16/DECT-X", 16, 0x0589, 0x0000, False, 0x0000, 0x007F),
    ("CRC-16, polynomial A097", 16, 0xA097, 0x0000, False, 0x0000, 0x0FB3),
    ("CRC-24/OPENPGP (RFC 4880, 6.1)", 24, 0x864CFB, 0xB704CE, False, 0x000000, 0x21CF02),
    ("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    ("CRC-32/BZIP2", 32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    ("CRC-32/MPEG-2", 32, 0x04C11DB7, 0xFFFFFFFF, False, 0x00000000, 0x0376E6E7),
    ("CRC-32/CKSUM", 32, 0x04C11DB7, 0x00000000, False, 0xFFFFFFFF, 0x765E7680),
    ("CRC-32/JAMCRC", 32, 0x04C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
    ("CRC-32/ISCSI", 32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
    ("CRC-32/BASE91-D", 32, 0xA833982B, 0xFFFFFFFF, True, 0xFFFFFFFF, 0x87315576),
    ("CRC-32/AIXM", 32, 0x814141AB, 0x00000000, False, 0x00000000, 0x3010BF7F),
    ("CRC-32/AUTOSAR", 32, 0xF4ACFB13, 0xFFFFFFFF, True, 0xFFFFFFFF, 0x1697D06A),
    ("CRC-32/XFER", 32, 0x000000AF, 0x00000000, False, 0x00000000, 0xBD0BE338),
]


@pytest.mark.parametrize(
    ("width", "polynomial", "initial", "reflected", "final", "check"),
    [row[1:] for row in PUBLISHED],
    ids=[row[0] for row in PUBLISHED],
)
def test_published_check_value(
    width: int, polynomial: int, initial: int, reflected: bool, final: int, check: int
) -> None:
    algorithm = Algorithm(
        Kind.CRC, width, polynomial=polynomial, initial=initial, reflected=reflected, final=final
    )
    assert algorithm.value(CHECKED) == check


@pytest.mark.parametrize("size", [0, 1, 255, 256, 257, 1000, 65536, 100_001])
def test_against_the_standard_library(size: int) -> None:
    data = np.random.default_rng(size).integers(0, 256, size, dtype=np.uint8).tobytes()
    ones = 0xFFFFFFFF
    crc = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=ones, final=ones, reflected=True)
    assert crc.value(data) == zlib.crc32(data) == binascii.crc32(data)
    assert Algorithm(Kind.CRC, 16, polynomial=0x1021).value(data) == binascii.crc_hqx(data, 0)
    assert Algorithm(Kind.FLETCHER, 32, initial=1, modulus=65521).value(data) == zlib.adler32(data)


@pytest.mark.parametrize(
    ("text", "value"),
    # from memory: the usual worked examples of Fletcher's sum
    [(b"abcde", 0xC8F0), (b"abcdef", 0x2057), (b"abcdefgh", 0x0627)],
)
def test_fletcher_16_examples(text: bytes, value: int) -> None:
    assert Algorithm(Kind.FLETCHER, 16, modulus=255).value(text) == value


def test_fletcher_32_example() -> None:
    # from memory: 16-bit words, the lower byte first
    assert Algorithm(Kind.FLETCHER, 32, 2, modulus=65535).value(b"abcde") == 0xF04FC729


def test_the_worked_example_of_rfc_1071() -> None:
    """RFC 1071, section 3: the bytes 00 01 f2 03 f4 f5 f6 f7 add up to ddf2, in either byte order alike."""
    data = bytes.fromhex("0001f203f4f5f6f7")
    assert Algorithm(Kind.ONES, 16, 2, Order.BIG).value(data) == 0xDDF2
    assert Algorithm(Kind.ONES, 16, 2, Order.LITTLE).value(data) == 0xF2DD
    assert Algorithm(Kind.ONES, 16, 2, Order.BIG, final=0xFFFF).value(data) == 0x220D
