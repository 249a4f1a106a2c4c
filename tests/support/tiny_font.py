"""A font of one square sign, made here, so that tests need no font of the machine."""

from __future__ import annotations

import struct

UNITS = 1000


def tiny_font(character: str, family: str = "Square") -> bytes:
    """A TrueType font that shows one character as a square, no other (ISO/IEC 14496-22, from memory)."""
    tables = {
        b"OS/2": struct.pack(
            ">HhHHHhhhhhhhhhhh10s4I4sHHHhhhHHII", 4, UNITS, 400, 5, 0, *[0] * 10, 0, bytes(10), 0, 0, 0, 0,
            b"NONE", 64, ord(character) & 0xFFFF, ord(character) & 0xFFFF, 800, -200, 0, 800, 200, 0, 0,
        ) + struct.pack(">hhHHH", 500, 700, 0, 32, 1),
        b"cmap": _cmap(ord(character)),
        b"glyf": _square(),
        b"head": struct.pack(
            ">IIIIHHqqhhhhHHhhh", 1 << 16, 1 << 16, 0, 0x5F0F3CF5, 0, UNITS,
            0, 0, 0, 0, 800, 800, 0, 8, 2, 1, 0,
        ),
        b"hhea": struct.pack(">IhhhHhhhhhhhhhhhH", 0x10000, 800, -200, 0, UNITS, 0, 0, 800, 1, *[0] * 7, 2),
        b"hmtx": struct.pack(">HhHh", UNITS, 0, UNITS, 0),
        b"loca": struct.pack(">III", 0, 0, len(_square())),
        b"maxp": struct.pack(">IHHHHHHHHHHHHHH", 0x10000, 2, 4, 1, 0, 0, 2, *[0] * 8),
        b"name": _names(family),
        b"post": struct.pack(">IIhhIIIII", 0x30000, 0, 0, 0, 0, 0, 0, 0, 0),
    }  # fmt: skip
    head = struct.pack(">IHHHH", 0x10000, len(tables), 128, 3, 16 * len(tables) - 128)
    at, entries, body = 12 + 16 * len(tables), b"", b""
    for tag, data in sorted(tables.items()):
        padded = data + bytes(-len(data) % 4)
        total = sum(struct.unpack(f">{len(padded) // 4}I", padded)) & 0xFFFFFFFF
        entries += tag + struct.pack(">III", total, at + len(body), len(data))
        body += padded
    return head + entries + body


def _cmap(code: int) -> bytes:
    group = struct.pack(">III", code, code, 1)
    return struct.pack(">HHHHI", 0, 1, 3, 10, 12) + struct.pack(">HHIII", 12, 0, 28, 0, 1) + group


def _square() -> bytes:
    corners = ((0, 0), (0, 800), (800, 0), (0, -800))
    glyph = struct.pack(">hhhhhHH", 1, 0, 0, 800, 800, 3, 0) + bytes([1] * 4)
    for axis in (0, 1):
        glyph += b"".join(struct.pack(">h", one[axis]) for one in corners)
    return glyph + bytes(-len(glyph) % 4)


def _names(family: str) -> bytes:
    texts = {1: family, 2: "Regular", 4: family, 6: family}
    records, strings = b"", b""
    for number, text in texts.items():
        data = text.encode("utf-16-be")
        records += struct.pack(">HHHHHH", 3, 1, 0x409, number, len(data), len(strings))
        strings += data
    return struct.pack(">HHH", 0, len(texts), 6 + len(records)) + records + strings
