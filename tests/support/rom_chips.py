"""Contents of ROM chips to make bad reads of: the families of `rom_families`, as they are and in larger ones.

    chip = chip_of(12, seed=5)      # always the same one; the kinds of family take turns
    chip.data, chip.sister, chip.newer

Neither the families nor these chips know anything of what judges reads.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from support.rom_families import KINDS, HiddenFamily, family_of

SMALLEST, LARGEST = 64 << 10, 4 << 20
SECTOR = 4096
SHAPES = {
    "as made": 0.46,
    "much filler": 0.12,
    "copies": 0.08,
    "several": 0.1,
    "much text": 0.08,
    "much packed": 0.08,
    "sealed": 0.08,
}
"""How the chips are filled, and the share of each: a family's image alone; in a chip several times as large;
repeated through a larger chip; several images one after another; with messages or compressed code behind it;
enciphered from end to end, so that nothing can be seen in it."""
SUBJECTS = (
    "spindle",
    "servo",
    "head",
    "buffer",
    "cache",
    "sector",
    "track",
    "motor",
    "flash",
    "zone",
    "queue",
)
VERBS = ("lost", "could not reach", "waits for", "has no", "released", "refused", "starts with", "holds")
OBJECTS = ("its lock", "the index mark", "a valid table", "enough current", "the next command", "an answer")


@dataclass(frozen=True)
class Draw:
    """What is common to all chips of a family besides its image: a key, and further images."""

    key: bytes
    extras: tuple[int, ...]
    seed: int


@dataclass(frozen=True)
class Chip:
    """One chip, and how others of its family are made. All have one length, a power of two."""

    kind: str
    shape: str
    family: HiddenFamily
    growth: int
    draw: Draw
    drive: int

    @property
    def data(self) -> bytes:
        """What the chip holds."""
        return self._of(self.drive, 0)

    @property
    def sister(self) -> bytes:
        """Another drive's chip, same revision of the firmware."""
        return self._of(self.drive + 1, 0)

    @property
    def newer(self) -> bytes:
        """Another drive's chip, another revision."""
        return self._of(self.drive + 1, 1)

    def _of(self, drive: int, revision: int) -> bytes:
        base = self.family.dump(drive, revision)
        size = max(len(base), min(len(base) * self.growth, LARGEST))
        return FILL[self.shape](base, size, self.draw, drive, revision)


def chip_of(number: int, seed: int) -> Chip:
    """One chip: the kinds of family take turns with `number`, all else is drawn."""
    kind = list(KINDS)[number % len(KINDS)]
    chance = np.random.default_rng([seed, number, 31])
    shape = str(chance.choice(list(SHAPES), p=list(SHAPES.values())))
    growth = int(chance.choice([2, 4, 8], p=[0.75, 0.2, 0.05]))
    family = family_of(kind, seed * 100_003 + number // len(KINDS))
    extras = tuple(chance.integers(0, len(KINDS), 3).tolist())
    return Chip(
        kind, shape, family, growth, Draw(chance.bytes(16), extras, seed), int(chance.integers(1, 1 << 20))
    )


def _as_made(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    return base


def _filler(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    return base.ljust(size, b"\xff")


def _copies(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    return base * (size // len(base))


def _several(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    names = list(KINDS)
    image = base
    for kind in draw.extras:
        more = family_of(names[kind], draw.seed).dump(drive, revision)
        if len(image) + len(more) <= size:
            image += more
    return image.ljust(size, b"\xff")


def _text(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    chance = np.random.default_rng(list(draw.key))
    count = size // 60
    picks = [chance.integers(0, len(words), count).tolist() for words in (SUBJECTS, VERBS, OBJECTS)]
    numbers = chance.integers(0, 1 << 16, count).tolist()
    lines = (
        f"{SUBJECTS[one]} {VERBS[two]} {OBJECTS[three]} ({number:x})".encode().ljust(44, b"\0")
        for one, two, three, number in zip(*picks, numbers, strict=True)
    )
    return (base + b"".join(lines))[: size * 7 // 8 // SECTOR * SECTOR].ljust(size, b"\xff")


def _packed(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    """Compressed blocks of common content, each with a small head, to the next sector after each."""
    chance = np.random.default_rng(list(draw.key))
    image = base
    while len(image) < size * 7 // 8:
        plain = chance.integers(0, int(chance.integers(20, 180)), int(chance.integers(4000, 60000)), np.uint8)
        body = zlib.compress(plain.tobytes(), 6)
        block = b"PK" + len(plain).to_bytes(4, "little") + len(body).to_bytes(4, "little") + body
        image += block + b"\xff" * (-len(block) % SECTOR)
    return image[:size].ljust(size, b"\xff")


def _sealed(base: bytes, size: int, draw: Draw, drive: int, revision: int) -> bytes:
    """One key for each revision: another drive's chip differs where the drive's own values do, a newer one
    in everything."""
    key = draw.key + bytes([revision])
    stream = np.random.Generator(np.random.PCG64(int.from_bytes(hashlib.blake2b(key).digest())))
    mask = stream.integers(0, 256, len(base), np.uint8)
    return (np.frombuffer(base, np.uint8) ^ mask).tobytes()


FILL: dict[str, Callable[[bytes, int, Draw, int, int], bytes]] = {
    "as made": _as_made,
    "much filler": _filler,
    "copies": _copies,
    "several": _several,
    "much text": _text,
    "much packed": _packed,
    "sealed": _sealed,
}
