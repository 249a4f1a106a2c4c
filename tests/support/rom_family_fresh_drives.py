"""Data of the single drive as other engineers keep it: head records, coefficients, counters, lists."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np

from support.rom_family_content import rng_of
from support.rom_family_drives import Drive, Field, as_words, flags

EPOCH_2000 = 946684800
"""1 January 2000 in seconds since 1970 (UTC)."""


def network_address(pick: random.Random) -> Field:
    """Six bytes, the first three the maker's."""
    maker = bytes([pick.randrange(64) * 4, pick.randrange(256), pick.randrange(256)])
    return Field("address", 6, lambda drive, tag: maker + drive.rng(tag).bytes(3))


def made_at(pick: random.Random, order: str) -> Field:
    """When it was made or last written: seconds since 1970, all drives within two years."""
    first = EPOCH_2000 + pick.randrange(0, 18) * 31557600
    return Field(
        "time", 4, lambda drive, tag: as_words(first + int(drive.rng(tag).integers(63115200)), 4, order)
    )


def digits_packed(pick: random.Random, length: int) -> Field:
    """A number of the unit in packed decimals; the upper digits are the batch and seldom change."""
    batch = pick.randrange(10 ** (length - 1))

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        digits = f"{batch + int(rng.integers(3))}{int(rng.integers(1, 10000)):04d}"
        return bytes.fromhex(digits[-2 * length :].rjust(2 * length, "0"))

    return Field("number", length, make)


def head_records(pick: random.Random, heads: int, order: str) -> Field:
    """A record per head: number, flags, a signed offset, a gain and four bytes of fine settings."""
    gain, fine = pick.randrange(300, 3000), pick.randrange(60, 190)

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        records = []
        for head in range(heads):
            records.append(bytes([head, 0x80 | int(rng.random() < 0.1)]))
            records.append(
                as_words([int(rng.integers(-200, 201)), gain + int(rng.integers(-60, 61))], 2, order)
            )
            records.append(np.clip(rng.normal(fine, 6, 4), 0, 255).astype(np.uint8).tobytes())
        return b"".join(records)

    return Field("head records", 10 * heads, make)


def coefficients(pick: random.Random, count: int, order: str) -> Field:
    """Single-precision numbers near usual ones, some exactly 0 or 1 in every drive."""
    usual = [pick.choice([0.0, 1.0, pick.uniform(-2, 2), pick.uniform(0.001, 40)]) for _ in range(count)]
    usual[0] = pick.uniform(0.5, 3)
    shares = [0.0 if one in (0.0, 1.0) else 0.02 for one in usual]
    sign = "<" if order == "little" else ">"

    def make(drive: Drive, tag: str) -> bytes:
        noise = 1 + drive.rng(tag).normal(0, 1, count) * shares
        return (np.array(usual) * noise).astype(f"{sign}f4").tobytes()

    return Field("coefficients", 4 * count, make)


def temperatures(pick: random.Random, count: int) -> Field:
    """Signed bytes that rise by uneven steps."""
    first, step = pick.randrange(-40, 0), pick.randrange(1, 6)

    def make(drive: Drive, tag: str) -> bytes:
        steps = step + drive.rng(tag).integers(-1, 2, count)
        return as_words(first + np.cumsum(steps) * 100 // (count * step + 1), 1, "little")

    return Field("temperatures", count, make)


def counters(pick: random.Random, count: int, order: str) -> Field:
    """32-bit counters of a tested drive: hours, starts and the like, mostly small."""
    mean = [pick.choice([3, 40, 900, 20000]) for _ in range(count)]
    return Field(
        "counters",
        4 * count,
        lambda drive, tag: as_words(1 + drive.rng(tag).exponential(mean).astype(np.int64), 4, order),
    )


def readings(pick: random.Random, count: int, order: str, bits: int = 12) -> Field:
    """Unsigned readings of a converter in 16-bit words, smooth over the table."""
    top = (1 << bits) - 1
    level, slope = pick.uniform(0.1, 0.5) * top, pick.uniform(0.1, 0.4) * top / count

    def make(drive: Drive, tag: str) -> bytes:
        rng = drive.rng(tag)
        curve = level + slope * np.arange(count) + rng.normal(0, top / 60) + rng.normal(0, top / 800, count)
        return as_words(np.clip(np.rint(curve), 0, top), 2, order)

    return Field("readings", 2 * count, make)


def setting(pick: random.Random, width: int, order: str) -> Field:
    """One unsigned setting around a usual value, at least a few dozen apart between drives."""
    top = (1 << 8 * width) - 1
    usual, spread = pick.randint(top // 8, top - top // 8), max(9.0, top / pick.choice([20, 200, 2000]))

    def make(drive: Drive, tag: str) -> bytes:
        value = int(usual + drive.rng(tag).normal(0, spread))
        return as_words(min(max(value, 0), top), width, order)

    return Field("setting", width, make)


def text_line(pick: random.Random, name: str, count: int) -> Field:
    """Named signed decimals of fixed length in one line, such as `HD03,+0117,-0020`."""
    usual = [pick.randrange(-400, 400) for _ in range(count)]

    def make(drive: Drive, tag: str) -> bytes:
        values = np.rint(usual + drive.rng(tag).normal(0, 30, count)).astype(int).tolist()
        return (name + "".join(f",{value:+05d}" for value in values)).encode()

    return Field("line", len(name) + 6 * count, make)


def tally(
    tag: str,
    most: int,
    order: str,
    width: int,
    minus: int,
    record: Callable[[np.random.Generator, int], bytes],
) -> tuple[Field, Field]:
    """A stored number, `width` bytes, of records less `minus`; and room for `most` of them.

    `record(rng, count)` makes all records of a drive; behind the last one there is FF.
    """
    size = len(record(rng_of(tag), 1))

    def count_of(drive: Drive) -> int:
        return int(drive.rng(f"{tag} count").integers(max(2, most // 5), most + 1))

    def make_count(drive: Drive, _tag: str) -> bytes:
        return as_words(count_of(drive) - minus, width, order)

    def make_records(drive: Drive, _tag: str) -> bytes:
        made = record(drive.rng(f"{tag} records"), count_of(drive))
        return made.ljust(size * most, b"\xff")

    return Field("count", width, make_count), Field("records", size * most, make_records)


def events(order: str) -> Callable[[np.random.Generator, int], bytes]:
    """Records of 12 bytes for `tally`: rising seconds, a code and its number, a place."""

    def make(rng: np.random.Generator, count: int) -> bytes:
        times = int(rng.integers(1000, 90000)) + np.cumsum(rng.integers(1, 20000, count))
        table = np.zeros((count, 3), dtype=np.int64)
        table[:, 0] = times
        table[:, 1] = rng.choice([0x0101, 0x0107, 0x0203, 0x8010], count) << 16 | rng.integers(0, 16, count)
        table[:, 2] = rng.integers(0, 1 << 28, count)
        return as_words(table, 4, order)

    return make


def places(order: str, width: int, with_length: bool) -> Callable[[np.random.Generator, int], bytes]:
    """Records for `tally`: rising places to leave out, each with how many if `with_length`."""

    def make(rng: np.random.Generator, count: int) -> bytes:
        listed = np.cumsum(rng.integers(1, 60000 if width == 4 else 40, count))
        if not with_length:
            return as_words(listed, width, order)
        return as_words(np.stack([listed, rng.integers(1, 30, count)], axis=1), width, order)

    return make


def fresh_fields(pick: random.Random, order: str) -> list[Field]:
    """Fields in the order of this model, some sorts twice, 4 to 80 bytes each, of even length."""
    heads = pick.choice([2, 4, 4, 6, 8])
    makers: list[Callable[[], Field]] = [
        lambda: network_address(pick),
        lambda: made_at(pick, order),
        lambda: digits_packed(pick, pick.choice([4, 6])),
        lambda: head_records(pick, heads, order),
        lambda: coefficients(pick, pick.choice([3, 6, 9, 16]), order),
        lambda: temperatures(pick, pick.choice([8, 16, 24])),
        lambda: counters(pick, pick.choice([2, 4, 8]), order),
        lambda: readings(pick, pick.choice([8, 16, 32]), order),
        lambda: setting(pick, 4, order),
        lambda: flags(pick, 4),
    ]
    fields = []
    for _ in range(2):
        pick.shuffle(makers)
        fields += [maker() for maker in makers]
    return fields
