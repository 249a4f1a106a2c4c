"""Journals made by hand, block by block, from the tables of the Linux kernel's
Documentation/filesystems/ext4/journal.rst."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import google_crc32c

from mendbay.files.readers.ext_journal import MAGIC_BYTES

BLOCK = 1024
UUID = bytes(range(16))
ALL_ONES = 0xFFFFFFFF


def raw_crc(seed: int, data: bytes) -> int:
    return google_crc32c.extend(seed ^ ALL_ONES, data) ^ ALL_ONES


def crc_highest_bit_first(total: int, data: bytes) -> int:
    """CRC-32 bit by bit, without final inversion (Linux kernel, lib/crc32.c, crc32_be_generic)."""
    for byte in data:
        total ^= byte << 24
        for _ in range(8):
            total = (total << 1 ^ (0x04C11DB7 if total >> 31 else 0)) & ALL_ONES
    return total


@dataclass
class HandJournal:
    """Blocks of a journal; the log grows as transactions are added and turns back at the end.

    `sums` is the older feature by which a commit carries a CRC-32 of its whole transaction.
    """

    length: int = 32
    features: int = 0x1
    start: int = 1
    sequence: int = 7
    sums: bool = False
    blocks: dict[int, bytes] = field(default_factory=dict)
    order: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.at = self.start
        self.next = self.sequence

    @property
    def guarded(self) -> bool:
        return bool(self.features & 0x18)

    @property
    def seed(self) -> int:
        return raw_crc(ALL_ONES, UUID)

    def head(self) -> bytes:
        body = struct.pack(">III", 0xC03B3998, 4, 0)
        body += struct.pack(">IIIII", BLOCK, self.length, 1, self.sequence, self.start)
        body = body.ljust(0x24, b"\0") + struct.pack(">III", self.sums, self.features, 0) + UUID
        body = body.ljust(0x50, b"\0") + b"\4"
        body = body.ljust(BLOCK, b"\0")
        if self.guarded:
            body = body[:0xFC] + struct.pack(">I", raw_crc(ALL_ONES, body)) + body[0x100:]
        return body

    def put(self, block: bytes) -> int:
        """Adds one block to the log; returns its place in the journal."""
        place = self.at
        self.order.append(place)
        self.blocks[place] = block.ljust(BLOCK, b"\0")
        self.at = self.at + 1 if self.at + 1 < self.length else 1
        return place

    def transaction(
        self,
        copies: list[tuple[int, bytes]],
        revoked: tuple[int, ...] = (),
        *,
        committed: bool = True,
        same_uuid: bool = True,
    ) -> list[int]:
        """Adds a transaction; returns where the copies lie in the journal."""
        places = []
        began = len(self.order)
        if revoked:
            places_of_numbers = ">Q" if self.features & 2 else ">I"
            numbers = b"".join(struct.pack(places_of_numbers, number) for number in revoked)
            self.put(self.sealed(self.header(5) + struct.pack(">I", 16 + len(numbers)) + numbers))
        if copies:
            escaped = [data[:4] == MAGIC_BYTES for _, data in copies]
            stored = [
                bytes(4) + data[4:] if esc else data for (_, data), esc in zip(copies, escaped, strict=True)
            ]
            tags = b""
            for index, ((home, _), data, esc) in enumerate(zip(copies, stored, escaped, strict=True)):
                flags = esc | (2 if same_uuid or index else 0) | (8 if index == len(copies) - 1 else 0)
                tags += self.tag(home, flags, data) + (b"" if flags & 2 else UUID)
            self.put(self.sealed(self.header(1) + tags))
            places = [self.put(data) for data in stored]
        if committed:
            body = self.header(2).ljust(BLOCK, b"\0")
            if self.guarded:
                body = body[:0x10] + struct.pack(">I", raw_crc(self.seed, body)) + body[0x14:]
            if self.sums:
                total = ALL_ONES
                for place in self.order[began + bool(revoked) :]:
                    total = crc_highest_bit_first(total, self.blocks[place])
                body = body[:0x0C] + struct.pack(">BBHI", 1, 4, 0, total) + body[0x14:]
            self.put(body)
            self.next = self.next + 1 & ALL_ONES
        return places

    def header(self, kind: int) -> bytes:
        return struct.pack(">III", 0xC03B3998, kind, self.next)

    def tag(self, home: int, flags: int, data: bytes) -> bytes:
        check = raw_crc(raw_crc(self.seed, struct.pack(">I", self.next)), data)
        if self.features & 0x10:
            return struct.pack(">IIII", home, flags, 0, check)
        short = check & 0xFFFF if self.features & 0x8 else 0
        tag = struct.pack(">IHH", home, short, flags)
        if self.features & 0x2:
            tag += struct.pack(">I", 0)
        return tag + (b"\0\0" if self.features & 0x8 else b"")

    def sealed(self, body: bytes) -> bytes:
        body = body.ljust(BLOCK, b"\0")
        return body[:-4] + struct.pack(">I", raw_crc(self.seed, body)) if self.guarded else body

    def on_volume(self, volume: bytearray, first: int) -> list[int]:
        """Writes the journal into a volume from block `first` on; returns the place of each block."""
        for place, block in {0: self.head(), **self.blocks}.items():
            at = (first + place) * BLOCK
            volume[at : at + BLOCK] = block
        return list(range(first, first + self.length))

    def on_image(self, data: bytearray, *, flagged: bool = True) -> int:
        """Writes the journal into an ext image with blocks of 1 KiB in place of its own, as far as it goes,
        and has the superblock ask for its replay unless told otherwise.

        Returns:
            The block of the image where the journal begins.
        """
        first = data.find(MAGIC_BYTES + struct.pack(">I", 4)) // BLOCK
        self.on_volume(data, first)
        if flagged:
            data[1024 + 0x60] |= 0x4
            seal_superblock(data)
        return first


def seal_superblock(data: bytearray) -> None:
    """Puts the right checksum into the superblock of an ext image, if it keeps one."""
    if int.from_bytes(data[1024 + 0x64 : 1024 + 0x68], "little") & 0x400:
        checksum = raw_crc(ALL_ONES, bytes(data[1024 : 1024 + 0x3FC]))
        data[1024 + 0x3FC : 2048] = checksum.to_bytes(4, "little")
