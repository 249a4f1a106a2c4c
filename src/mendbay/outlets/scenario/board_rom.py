"""Contents of the invented drives' ROM chips: 256 KiB, the same code in all, adaptives of each drive's own.

The layout is an invention for practice; it follows no real firmware. A table at the start names the parts;
code parts end with a CRC-32 of what stands before, the drive's own parts with a 16-bit sum, and the page
with the serial number is there twice.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np

ROM_BYTES = 256 << 10
CODE_PARTS = ((0x01000, 0x0C000), (0x0D000, 0x09400), (0x17000, 0x0E800), (0x26000, 0x06200))
"""(place, bytes) of the code parts, check included."""
OWN_PARTS = ((0x2D000, 0x0400), (0x2E000, 0x0C00), (0x2F000, 0x0800))
"""(place, bytes) of the drive's own parts: head table, channel settings, zone table; check included."""
SERIAL_PAGES = (0x3C000, 0x3E000)
FILLER = 0xFF


def rom_content(serial: str, drive: int, revision: int = 17) -> bytes:
    """What the chip of one drive holds.

    Args:
        serial: the drive's serial number.
        drive: another number makes another drive's adaptives.
        revision: of the code; another revision is other code in the same places.
    """
    rom = np.full(ROM_BYTES, FILLER, np.uint8)
    code_chance = np.random.default_rng([4471, revision])
    for at, size in CODE_PARTS:
        body = _code(size - 4, code_chance)
        rom[at : at + size] = _bytes(body + struct.pack("<I", zlib.crc32(body)))
    own_chance = np.random.default_rng([2071, drive])
    for at, size in OWN_PARTS:
        body = _adaptives(size - 2, own_chance)
        total = int(np.frombuffer(body, "<u2").sum()) & 0xFFFF
        rom[at : at + size] = _bytes(body + struct.pack("<H", total))
    page = _serial_page(serial, drive)
    for at in SERIAL_PAGES:
        rom[at : at + len(page)] = _bytes(page)
    table = _table(revision)
    rom[: len(table)] = _bytes(table)
    return rom.tobytes()


def _bytes(raw: bytes) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    return np.frombuffer(raw, np.uint8)


def _table(revision: int) -> bytes:
    rows = [(at, size) for at, size in (*CODE_PARTS, *OWN_PARTS)]
    body = struct.pack("<8sHH", b"KILNROM\0", revision, len(rows))
    body += b"".join(struct.pack("<IIHH", at, size, kind, 0) for kind, (at, size) in enumerate(rows, 1))
    return body + struct.pack("<I", zlib.crc32(body))


def _code(size: int, chance: np.random.Generator) -> bytes:
    """Something with the grain of machine code: few instructions often, many seldom, constants between,
    messages at the end."""
    words = (size + 1) // 2
    common = chance.integers(0, 1 << 16, 90, np.uint16)
    weights = 1 / np.arange(1, 91)
    body = chance.choice(common, words, p=weights / weights.sum()).astype("<u2")
    registers = chance.integers(0, 8, words, np.uint16)
    body ^= np.where(chance.random(words) < 0.6, registers, 0).astype("<u2")
    rare = chance.random(words) < 0.12
    body[rare] = chance.integers(0, 1 << 16, int(rare.sum()), np.uint16)
    text = b"".join(
        b"QV%02d: %s\0" % (number, word)
        for number, word in enumerate((b"spin up", b"park", b"servo ready", b"no index", b"retry", b"zone"))
    )
    whole = bytearray(body.tobytes()[:size])
    whole[-len(text) :] = text
    return bytes(whole)


def _adaptives(size: int, chance: np.random.Generator) -> bytes:
    """Slowly changing 16-bit values with a little noise, as measured for one drive."""
    count = size // 2
    slope = np.cumsum(chance.normal(0, 14, count))
    values = 2200 + slope + 180 * np.sin(np.arange(count) / 19) + chance.normal(0, 6, count)
    raw: bytes = np.clip(np.rint(values), 0, 65535).astype("<u2").tobytes()
    return raw + bytes(size % 2)


def _serial_page(serial: str, drive: int) -> bytes:
    body = struct.pack("<8s20sIQ", b"SERIALNO", serial.encode().ljust(20), drive, 0x5000_0000 + drive * 977)
    body = body.ljust(508, b"\0")
    return body + struct.pack("<I", zlib.crc32(body))
