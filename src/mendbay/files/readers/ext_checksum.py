"""The checksums of ext2/3/4 and of its journal.

Everything but the old checksums of groups and of transactions is CRC-32C without the final inversion that
the published check value of that polynomial includes (Linux kernel, Documentation/filesystems/ext4/
checksums.rst).
"""

from __future__ import annotations

import zlib

import google_crc32c

ALL_ONES = 0xFFFFFFFF


def crc32c(seed: int, data: bytes) -> int:
    """CRC-32C of `data` continued from `seed`, both without final inversion."""
    result: int = google_crc32c.extend(seed ^ ALL_ONES, data)
    return result ^ ALL_ONES


def _reflected_table(polynomial: int) -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC16 = _reflected_table(0xA001)


def crc16(seed: int, data: bytes) -> int:
    """CRC-16 with the reflected polynomial A001h, continued from `seed` (Linux kernel, lib/crc16.c)."""
    for byte in data:
        seed = seed >> 8 ^ _CRC16[(seed ^ byte) & 0xFF]
    return seed


_MIRRORED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


def crc32(seed: int, data: bytes) -> int:
    """CRC-32 taken from the highest bit down, without final inversion, continued from `seed` (Linux kernel,
    lib/crc32.c, crc32_be). The library's goes from the lowest bit up, so bytes and sum are mirrored."""
    return _mirror(zlib.crc32(data.translate(_MIRRORED), _mirror(seed) ^ ALL_ONES) ^ ALL_ONES)


def _mirror(value: int) -> int:
    return int.from_bytes(value.to_bytes(4, "big").translate(_MIRRORED), "little")


def crc32c_seed(uuid: bytes) -> int:
    """What every checksum but the superblock's starts from, when no seed is stored."""
    return crc32c(ALL_ONES, uuid)


def inode_seed(seed: int, number: int, generation: int) -> int:
    """What the checksums of an inode's own blocks start from."""
    return crc32c(seed, number.to_bytes(4, "little") + generation.to_bytes(4, "little"))
