"""Pages as a drive answers them, laid out by the tables of ACS-3, for tests."""

from __future__ import annotations

from collections.abc import Mapping

WORDS_OF_A_DRIVE = {
    0: 0x0040,
    82: 0x0001,  # SMART
    83: 0x4400,  # valid, 48 bits
    84: 0x4020,  # valid, general purpose logs
    85: 0x0001,
    87: 0x4000,
    217: 7200,
}


def summed(page: bytearray) -> bytes:
    """The page with its last byte such that all add up to 0."""
    page[511] = 0
    page[511] = -sum(page) & 0xFF
    return bytes(page)


def identity_page(
    serial: str = "AH4K-20719C",
    model: str = "AL20-HX4",
    firmware: str = "1.07",
    sectors: int = 0,
    words: Mapping[int, int] | None = None,
) -> bytes:
    """An identity with these texts, a count of sectors, and words on top."""
    page = bytearray(512)
    given = WORDS_OF_A_DRIVE | {100 + at: sectors >> 16 * at & 0xFFFF for at in range(4)} | dict(words or {})
    for at, text, length in ((10, serial, 20), (23, firmware, 8), (27, model, 40)):
        raw = text.encode("ascii").ljust(length)
        for byte in range(length):
            page[2 * at + (byte ^ 1)] = raw[byte]
    for at, word in given.items():
        page[2 * at : 2 * at + 2] = word.to_bytes(2, "little")
    page[510] = 0xA5
    return summed(page)


def smart_page(counts: Mapping[int, int], flags: int = 0x33) -> bytes:
    """Counters with these raw numbers, all of them at their best."""
    page = bytearray(512)
    page[0] = 16
    for slot, (number, raw) in enumerate(counts.items()):
        start = 2 + 12 * slot
        page[start : start + 12] = bytes((number, flags, 0, 100, 100)) + raw.to_bytes(6, "little") + b"\0"
    return summed(page)


def threshold_page(limits: Mapping[int, int]) -> bytes:
    """Thresholds of counters."""
    page = bytearray(512)
    page[0] = 16
    for slot, (number, limit) in enumerate(limits.items()):
        page[2 + 12 * slot : 4 + 12 * slot] = bytes((number, limit))
    return summed(page)


def sct_page(celsius: int) -> bytes:
    """SCT status of a drive at this temperature."""
    page = bytearray(512)
    page[0], page[200], page[201], page[202] = 3, celsius & 0xFF, 20, max(celsius, 20)
    page[203], page[204] = 0x80, 0x80
    return bytes(page)


def limits_page(highest: int) -> bytes:
    """Device statistics of a drive made for up to this temperature."""
    page = bytearray(512)
    page[2], page[88], page[95] = 5, highest, 0xC0
    return bytes(page)
