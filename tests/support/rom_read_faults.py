"""Bad reads of a good chip, made from what the chip holds. All take and return bytes or lists of reads, and
the same generator state gives the same reads."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Chance = np.random.Generator


def _array(data: bytes) -> Bytes:
    return np.frombuffer(data, np.uint8).copy()


def flips(data: bytes, rate: float, chance: Chance, lean: float = 0.5) -> bytes:
    """Each bit wrong with probability `rate` on the mean; `lean` of the errors read a zero as one (for as
    many zeros as ones in the data)."""
    bits = np.unpackbits(_array(data))
    limit = np.where(bits == 0, 2 * rate * lean, 2 * rate * (1 - lean))
    bits ^= chance.random(bits.size, np.float32) < limit
    return np.packbits(bits).tobytes()


def bursts(data: bytes, count: int, length: int, rate: float, chance: Chance) -> bytes:
    """`count` stretches of `length` bytes in which each bit is wrong with probability `rate`."""
    out = _array(data)
    for _ in range(count):
        at = int(chance.integers(0, out.size - length))
        out[at : at + length] = np.frombuffer(flips(out[at : at + length].tobytes(), rate, chance), np.uint8)
    return out.tobytes()


def stuck(data: bytes, mask: int, value: int, parity: int | None = None) -> bytes:
    """The bits of `mask` always `value`, in every byte or only in those at even (0) or odd (1) offsets."""
    out = _array(data)
    these = slice(None) if parity is None else slice(parity, None, 2)
    out[these] = out[these] | mask if value else out[these] & (0xFF ^ mask)
    return out.tobytes()


def swapped(data: bytes, lanes: Sequence[int]) -> bytes:
    """Bit i of each byte is what the chip has as bit `lanes[i]`."""
    source = _array(data)
    out = np.zeros_like(source)
    for to, lane in enumerate(lanes):
        out |= ((source >> lane) & 1) << to
    return out.tobytes()


def word_swapped(data: bytes, width: int) -> bytes:
    """The bytes of each word of `width` in reverse."""
    return _array(data).reshape(-1, width)[:, ::-1].tobytes()


def aliased(data: bytes, bit: int, value: int) -> bytes:
    """Address bit `bit` always `value`."""
    places = np.arange(len(data))
    places = places | (1 << bit) if value else places & ~(1 << bit)
    return _array(data)[places].tobytes()


def late(data: bytes, count: int, tail: str) -> bytes:
    """The first `count` bytes are missed; at the end come the first ones again ("roll") or FF ("ones")."""
    return data[count:] + (data[:count] if tail == "roll" else b"\xff" * count)


def early(data: bytes, count: int, value: int) -> bytes:
    """`count` bytes before the first; the last ones are missed."""
    return bytes([value]) * count + data[: len(data) - count]


def bit_slipped(data: bytes, count: int, start: int = 0) -> bytes:
    """From byte `start` on the bit stream is `count` (1 to 7) bits late: a clock was missed."""
    bits = np.unpackbits(_array(data)[start:])
    moved = np.concatenate((bits[count:], np.ones(count, np.uint8)))
    return data[:start] + np.packbits(moved).tobytes()


def byte_slipped(data: bytes, count: int, start: int) -> bytes:
    """From byte `start` on `count` bytes are missing, and FF at the end instead."""
    return data[:start] + data[start + count :] + b"\xff" * count


def cut(data: bytes, stop: int, value: int) -> bytes:
    """From `stop` on only `value`."""
    return data[:stop] + bytes([value]) * (len(data) - stop)


def changed(data: bytes, chance: Chance, pages: int = 4) -> bytes:
    """Another state of the chip: some neighbouring pages of 256 bytes written anew or erased."""
    out = _array(data)
    at = int(chance.integers(0, out.size // 256 - pages)) * 256
    fresh = chance.integers(0, 256, pages * 256, np.uint8)
    out[at : at + pages * 256] = fresh
    return out.tobytes()


def _noisy(data: bytes, chance: Chance, count: int) -> list[bytes]:
    rate = float(chance.choice([1e-5, 1e-4, 1e-3, 1e-2]))
    lean = float(chance.choice([0.5, 0.1, 0.9]))
    rate = max(rate, 20 / (8 * len(data)))  # fewer than that may not err at all
    return [flips(data, rate, chance, lean) for _ in range(count)]


def _bursty(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [bursts(data, 2, int(chance.integers(100, 1500)), 0.2, chance) for _ in range(count)]


def _stuck(data: bytes, chance: Chance, count: int) -> list[bytes]:
    line, value = int(chance.integers(8)), int(chance.integers(2))
    mask = int(chance.choice([1 << line, 0x11 << line % 4, 0x55 << line % 2]))
    return [stuck(data, mask, value)] * count


def _stuck_wide(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [
        stuck(data, 1 << int(chance.integers(8)), int(chance.integers(2)), int(chance.integers(2)))
    ] * count


def _swapped(data: bytes, chance: Chance, count: int) -> list[bytes]:
    lanes = list(range(8))
    kind = int(chance.integers(3))
    if kind == 0:
        one, other = chance.choice(8, 2, replace=False).tolist()
        lanes[one], lanes[other] = lanes[other], lanes[one]
    elif kind == 1:
        four = chance.permutation(4).tolist()
        while four == [0, 1, 2, 3]:
            four = chance.permutation(4).tolist()
        lanes = [*four, *(at + 4 for at in four)]
    else:
        lanes = [1, 0, 3, 2, 5, 4, 7, 6] if chance.random() < 0.5 else lanes[::-1]
    return [swapped(data, lanes)] * count


def _words(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [word_swapped(data, int(chance.choice([2, 4])))] * count


def _aliased(data: bytes, chance: Chance, count: int) -> list[bytes]:
    top = len(data).bit_length() - 2
    return [aliased(data, int(chance.integers(0, top)), int(chance.integers(2)))] * count


def _aliased_top(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [aliased(data, len(data).bit_length() - 2, 0)] * count


def _shifted(data: bytes, chance: Chance, count: int) -> list[bytes]:
    by = int(chance.integers(1, 33))
    if chance.random() < 0.5:
        return [late(data, by, str(chance.choice(["roll", "ones"])))] * count
    return [early(data, by, int(chance.choice([0, 255])))] * count


def _bit_slipped(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [bit_slipped(data, int(chance.integers(1, 8)))] * count


def _one_slips(data: bytes, chance: Chance, count: int) -> list[bytes]:
    start = int(chance.integers(0, len(data) // 8))
    bad = (
        byte_slipped(data, int(chance.integers(1, 5)), start)
        if chance.random() < 0.5
        else bit_slipped(data, int(chance.integers(1, 8)), start)
    )
    return [data] * (count - 1) + [bad]


def _cut(data: bytes, chance: Chance, count: int) -> list[bytes]:
    filled = np.flatnonzero((_array(data) != 0xFF) & (_array(data) != 0))
    stop = int(filled[int(filled.size * chance.uniform(0.2, 0.9))])
    return [cut(data, stop, int(chance.choice([0, 255])))] * count


def _cut_one(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [data] * (count - 1) + [_cut(data, chance, 1)[0]]


def _blank(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [bytes([int(chance.choice([0, 255]))]) * len(data)] * count


def _two_states(data: bytes, chance: Chance, count: int) -> list[bytes]:
    other = changed(data, chance)
    first = max(1, count // 2)
    return [data] * first + [other] * (count - first)


def _short(data: bytes, chance: Chance, count: int) -> list[bytes]:
    """A file that ends early, at a border of 256 bytes or at any byte."""
    stop = int(len(data) * chance.uniform(0.1, 0.99))
    return [data[: stop // 256 * 256 if chance.random() < 0.5 else stop]] * count


def _past_the_end(data: bytes, chance: Chance, count: int) -> list[bytes]:
    return [data * int(chance.choice([2, 4]))] * count


def _unsteady(data: bytes, chance: Chance, count: int) -> list[bytes]:
    """A few cells that read now so, now so: errors of different reads fall in the same bits."""
    weak = chance.choice(8 * len(data), 60, replace=False)
    reads = []
    for _ in range(count):
        bits = np.unpackbits(_array(data))
        bits[weak] ^= chance.random(weak.size) < 0.3
        reads.append(np.packbits(bits).tobytes())
    return reads


FAULTS: dict[str, Callable[[bytes, Chance, int], list[bytes]]] = {
    "noise": _noisy,
    "bursts": _bursty,
    "stuck line": _stuck,
    "stuck line of 16": _stuck_wide,
    "lines swapped": _swapped,
    "bytes swapped": _words,
    "address line": _aliased,
    "top address line": _aliased_top,
    "shifted": _shifted,
    "bit slip": _bit_slipped,
    "one read slips": _one_slips,
    "cut off": _cut,
    "one read cut off": _cut_one,
    "blank": _blank,
    "two states": _two_states,
    "short file": _short,
    "past the end": _past_the_end,
    "unsteady cells": _unsteady,
}
"""Makers of sets of reads by kind of fault: what the chip holds, chance, how many reads."""
