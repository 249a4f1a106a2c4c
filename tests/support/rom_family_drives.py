"""Data of the single drive as the factory writes it into a board ROM: ids, calibration, adaptives, zones.

A maker turns one drive into the bytes of one field; what is usual for the model is fixed when the maker is
made.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from support.rom_family_content import rng_of

ALPHABETS = ("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", "0123456789", "0123456789ABCDEF")


@dataclass(frozen=True)
class Drive:
    """One drive of one family: everything about it follows from the family's key and its own seed."""

    family: str
    seed: int

    def rng(self, tag: str) -> np.random.Generator:
        return rng_of(self.family, "drive", self.seed, tag)


Maker = Callable[[Drive, str], bytes]
"""(drive, tag) to bytes, always equally many; the same tag gives the same bytes again."""


@dataclass(frozen=True)
class Field:
    """A field of per-drive data: how many bytes and how they are made."""

    label: str
    length: int
    make: Maker


def as_words(values: npt.ArrayLike, width: int, order: str) -> bytes:
    """Integers as words of `width` bytes, cut to their lower bits."""
    sign = "<" if order == "little" else ">"
    return np.asarray(values).astype(np.int64).astype(f"{sign}u{width}").tobytes()


def serial_text(pick: random.Random, length: int) -> Field:
    """A serial number: a fixed plant code, then letters and digits, padded with blanks."""
    prefix = "".join(pick.choice("ABCDEFGHKLMPRSTVWXZ") for _ in range(pick.choice([1, 2, 3])))
    alphabet, used = pick.choice(ALPHABETS), min(length, pick.choice([8, 10, 12]))

    def make(drive: Drive, tag: str) -> bytes:
        draws = drive.rng("serial").integers(0, len(alphabet), used - len(prefix))
        text = prefix + "".join(alphabet[index] for index in draws.tolist())
        return text.encode().ljust(length)

    return Field("serial", length, make)


def random_id(length: int) -> Field:
    """A number without pattern."""
    return Field("id", length, lambda drive, tag: drive.rng(tag).bytes(length))


def date_code() -> Field:
    """Year, week, day and shift as binary-coded decimals."""

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        values = (
            int(rng.integers(8, 19)),
            int(rng.integers(1, 53)),
            int(rng.integers(1, 8)),
            int(rng.integers(1, 4)),
        )
        return bytes(value // 10 << 4 | value % 10 for value in values)

    return Field("date", 4, make)


def calibration(pick: random.Random, heads: int, columns: int, width: int, order: str) -> Field:
    """A table per head: usual values with a few counts of noise, some columns the same for all drives."""
    usual = [[pick.randrange(20, 90 if width == 1 else 900) for _ in range(columns)] for _ in range(heads)]
    spread = [pick.choice([0, 1, 2, 4, 9]) for _ in range(columns)]
    spread[pick.randrange(columns)] = 6

    def make(drive: Drive, tag: str) -> bytes:
        noise = drive.rng(tag).normal(0, 1, (heads, columns)) * spread
        return as_words(
            np.clip(np.array(usual) + np.rint(noise), 0, 255 if width == 1 else 65535), width, order
        )

    return Field("calibration", heads * columns * width, make)


def adaptives(pick: random.Random, count: int, order: str) -> Field:
    """Signed 16-bit settings around zero or around a usual value."""
    usual = [pick.choice([0, 0, 0x100, 0x7F0, 0x2000, 0x4000]) for _ in range(count)]
    spread = [pick.choice([3, 20, 90, 400]) for _ in range(count)]

    def make(drive: Drive, tag: str) -> bytes:
        return as_words(np.array(usual) + np.rint(drive.rng(tag).normal(0, 1, count) * spread), 2, order)

    return Field("adaptives", 2 * count, make)


def zones(pick: random.Random, count: int, order: str, width: int = 2) -> Field:
    """Sectors per track, falling from the outer zone inwards; drives differ little."""
    outer, step = pick.randrange(900, 2400), pick.randrange(8, 30)

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        falls = step + rng.integers(-2, 3, count)
        return as_words(outer + 4 * int(rng.integers(-3, 4)) - np.cumsum(falls) + step, width, order)

    return Field("zones", count * width, make)


def head_map(pick: random.Random, length: int) -> Field:
    """Which physical head serves each logical one; FF for those that are not there."""

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        present = int(rng.integers(2, length + 1))
        return bytes(rng.permutation(present).astype(np.uint8).tolist()).ljust(length, b"\xff")

    return Field("head map", length, make)


def flags(pick: random.Random, length: int) -> Field:
    """Bytes that are the same in most drives: one bit set here and there."""
    usual = bytes(pick.randrange(256) for _ in range(length))

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        bits = np.packbits(rng.random(8 * length) < 1.5 / (8 * length))
        return (np.frombuffer(usual, dtype=np.uint8) ^ bits).tobytes()

    return Field("flags", length, make)


def settings_text(pick: random.Random, length: int) -> Field:
    """Settings written out as text, padded with zeros."""
    names = pick.sample(["GAIN", "OFS", "TRIM", "BIAS", "FLY", "TEMP"], 3)

    def make(drive: Drive, tag: str) -> bytes:
        values = drive.rng(tag).integers(-500, 500, 3).tolist()
        text = ";".join(f"{name}={value:+05d}" for name, value in zip(names, values, strict=True))
        return text.encode()[:length].ljust(length, b"\0")

    return Field("settings", length, make)


def bad_places(pick: random.Random, count: int, order: str) -> Field:
    """A list of places to leave out: rising numbers, then FF."""

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        used = int(rng.integers(1, count + 1))
        listed = np.cumsum(rng.integers(1, 0x4000, used))
        return as_words(listed, 4, order).ljust(4 * count, b"\xff")

    return Field("bad places", 4 * count, make)


def assortment(pick: random.Random, room: int, order: str, serial: bool = True) -> list[Field]:
    """Fields of a per-drive block of at most `room` bytes (at least 16), in the order of this model.

    Every length is even, so that the fields keep their borders in a chip with swapped byte pairs.
    """
    heads = pick.choice([2, 4, 6, 8])
    makers: list[Callable[[], Field]] = [
        lambda: calibration(pick, heads, 2 * pick.randrange(2, 9), 1, order),
        lambda: calibration(pick, heads, pick.randrange(2, 12), 2, order),
        lambda: adaptives(pick, pick.choice([4, 8, 16, 32, 64]), order),
        lambda: zones(pick, pick.choice([8, 12, 16, 24]), order, pick.choice([2, 4])),
        lambda: head_map(pick, 8),
        lambda: flags(pick, pick.choice([2, 4, 8])),
        lambda: settings_text(pick, 32),
        lambda: bad_places(pick, pick.choice([4, 8, 16]), order),
        lambda: random_id(pick.choice([4, 6, 8, 16])),
        date_code,
    ]
    fields = [serial_text(pick, 16)] if serial else []
    left = room - sum(one.length for one in fields)
    for _ in range(3):
        pick.shuffle(makers)
        for maker in makers:
            field = maker()
            if field.length <= left:
                fields.append(field)
                left -= field.length
    if not fields:
        fields.append(random_id(min(room, 8)))
    return fields
