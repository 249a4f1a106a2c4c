"""Bytes that look like the constant part of a board ROM: code of an invented processor, texts, tables.

A family has one `Machine`. Its code is built of recurring idioms (a chain of opcodes in which some follow
others far more often) with changing operands, in functions that start and end alike and often carry a pool of
addresses.
"""

from __future__ import annotations

import hashlib
import random
import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
SYSTEMS = (
    "servo",
    "spindle",
    "read path",
    "buffer",
    "park",
    "preamp",
    "motor",
    "table",
    "sector",
    "flash",
    "heater",
)
TROUBLES = (
    "timeout",
    "not ready",
    "out of range",
    "overrun",
    "bad sum",
    "retry %d",
    "lost lock",
    "done",
    "idle",
)
LONGEST_TABLE = 6 * 1024
FLAVOURS = ("code", "code", "code", "texts", "pointers", "curve", "steps")


def rng_of(*tags: object) -> np.random.Generator:
    """A generator that depends on the tags alone, in every process."""
    text = "/".join(str(one) for one in tags).encode()
    return np.random.Generator(
        np.random.PCG64(int.from_bytes(hashlib.blake2b(text, digest_size=16).digest()))
    )


@dataclass(frozen=True)
class Machine:
    """An invented processor and the habits of its compiler.

    `word` is the length of an instruction in bytes; `idioms` are runs of instructions, the frequent ones
    first; `operands` has a bit set wherever an instruction's operand may differ from use to use.
    """

    word: int
    order: str
    idioms: tuple[Bytes, ...]
    operands: tuple[Bytes, ...]
    entry: Bytes
    leave: Bytes
    base: int


def invent_machine(*tags: object) -> Machine:
    """A processor with 16, 24 or 32-bit instructions."""
    rng = rng_of(*tags, "machine")
    word, order = int(rng.choice([2, 2, 3, 4, 4])), str(rng.choice(["little", "big"]))
    count = int(rng.integers(18, 48))
    opcodes = rng.integers(0, 256, (count, word), dtype=np.uint8)
    operands = rng.integers(0, 256, (count, word), dtype=np.uint8)
    code_column = 0 if order == "big" else word - 1
    operands[:, code_column] &= 0x07 if word > 2 else 0x03
    if word == 4:
        operands[:, 1 if order == "big" else 2] &= rng.integers(0, 256, count, dtype=np.uint8)
    opcodes &= ~operands
    follows = rng.dirichlet(np.full(count, 0.12), size=count).cumsum(axis=1)
    idioms, masks = [], []
    for _ in range(160):
        at, chain = int(rng.integers(count)), []
        for draw in rng.random(int(rng.integers(2, 9))):
            chain.append(at)
            at = min(int(np.searchsorted(follows[at], draw)), count - 1)
        usual = rng.integers(0, 256, (len(chain), word), dtype=np.uint8) & operands[chain]
        idioms.append((opcodes[chain] | usual).ravel())
        masks.append(operands[chain].ravel())
    base = int(rng.choice([0x0, 0x8000, 0x100000, 0x400000, 0x8000000, 0xFFF00000]))
    entry, leave = (rng.integers(0, 256, 2 * word, dtype=np.uint8) for _ in range(2))
    return Machine(word, order, tuple(idioms), tuple(masks), entry, leave, base)


def make_code(machine: Machine, rng: np.random.Generator, length: int) -> Bytes:
    """`length` bytes of code."""
    if not length:
        return np.zeros(0, dtype=np.uint8)
    lengths = np.array([len(one) for one in machine.idioms])
    odds = 1.0 / np.arange(1.5, len(lengths) + 1.5) ** 0.9
    mean = float((lengths * odds).sum() / odds.sum())
    picks = rng.choice(len(lengths), size=int(length / mean * 1.05) + 24, p=odds / odds.sum())
    parts, masks = [], []
    left = 0
    for pick in picks.tolist():
        if not left:
            left = int(rng.integers(3, 40))
            for fixed in (machine.leave, _pool(machine, rng, length), machine.entry):
                parts.append(fixed)
                masks.append(np.zeros(len(fixed), dtype=np.uint8))
        parts.append(machine.idioms[pick])
        masks.append(machine.operands[pick])
        left -= 1
    code, mask = np.concatenate(parts), np.concatenate(masks)
    changed = np.repeat(rng.random(len(code) // machine.word + 1) < 0.4, machine.word)[: len(code)]
    code ^= (
        mask & rng.integers(0, 256, len(code), dtype=np.uint8) & np.where(changed, 0x5F, 0).astype(np.uint8)
    )
    return _exactly(code, length)


def make_content(machine: Machine, flavour: str, length: int, *tags: object) -> Bytes:
    """`length` bytes of one of the `FLAVOURS`; texts and tables of more than 6 KiB are followed by code."""
    rng = rng_of(*tags, flavour)
    if flavour != "code" and length > LONGEST_TABLE:
        table = make_content(machine, flavour, LONGEST_TABLE, *tags)
        return np.concatenate([table, make_code(machine, rng, length - LONGEST_TABLE)])
    if flavour == "code":
        return make_code(machine, rng, length)
    if flavour == "texts":
        return _exactly(np.frombuffer(_texts(rng, length), dtype=np.uint8).copy(), length)
    if flavour == "pointers":
        steps = rng.integers(1, 24, length // 4 + 1) * machine.word * 4
        return _exactly(_words(machine.base + np.cumsum(steps), 4, machine.order), length)
    if flavour == "curve":
        phase = np.arange(length // 2 + 1) * (2 * np.pi / rng.integers(40, 400))
        return _exactly(
            _words((np.sin(phase) * rng.integers(900, 32000)).astype(np.int64), 2, machine.order), length
        )
    if flavour == "steps":
        levels = np.repeat(
            rng.integers(0, 256, length // 4 + 1, dtype=np.uint8), rng.integers(1, 9, length // 4 + 1)
        )
        return _exactly(np.concatenate([levels, np.zeros(length, dtype=np.uint8)]), length)
    raise ValueError(f"no flavour {flavour}")


def revise(content: Bytes, machine: Machine, length: int, share: float, *tags: object) -> Bytes:
    """The content after a programmer's work on it, `length` bytes long.

    At a few places instructions are changed, put in or taken out, so that what follows shifts; at least one
    byte always changes. `share` (0 to 1) says how much work it was.
    """
    rng = rng_of(*tags, "revise")
    unit = machine.word
    spots = (
        np.sort(rng.integers(0, max(1, len(content) // unit), 1 + int(rng.poisson(2 + 10 * share)))) * unit
    )
    parts, at = [], 0
    for spot in spots.tolist():
        if spot < at:
            continue
        parts.append(content[at:spot])
        amount = int(rng.integers(1, 24)) * unit
        kind = rng.integers(3)
        new = make_code(machine, rng, amount) if kind < 2 else np.zeros(0, dtype=np.uint8)
        parts.append(new)
        at = spot + (0 if kind == 1 else amount)
    parts.append(content[min(at, len(content)) :])
    result = np.concatenate(parts)
    if len(result) < length:
        result = np.concatenate([result, make_code(machine, rng, length - len(result))])
    result = result[:length].copy()
    if length and np.array_equal(result, content[:length]):
        result[int(rng.integers(length))] ^= 1
    return result


def packed(content: Bytes) -> bytes:
    """The content compressed to a bare stream (RFC 1951), without the check that RFC 1950 would add."""
    return zlib.compress(content.tobytes(), 6, wbits=-15)


def cloaked(content: bytes, key: bytes) -> bytes:
    """The content under a keystream: evenly distributed, and back again when done twice."""
    blocks = -(-len(content) // 64)
    stream = b"".join(hashlib.sha512(key + block.to_bytes(4, "big")).digest() for block in range(blocks))
    mask = np.frombuffer(stream, dtype=np.uint8)[: len(content)]
    return (np.frombuffer(content, dtype=np.uint8) ^ mask).tobytes()


def split_length(pick: random.Random, total: int, parts: int, unit: int, smallest: int) -> list[int]:
    """`total` cut into `parts` lengths, multiples of `unit`, at least `smallest`, uneven as modules are."""
    units, least = total // unit, -(-smallest // unit)
    spare = units - parts * least
    if spare < 0:
        raise ValueError(f"{total} bytes are too few for {parts} parts of {smallest}")
    weights = [pick.random() ** 2 + 0.02 for _ in range(parts)]
    scale = spare / sum(weights)
    return [(least + int(weight * scale)) * unit for weight in weights]


def _pool(machine: Machine, rng: np.random.Generator, span: int) -> Bytes:
    count = int(rng.integers(0, 7))
    addresses = machine.base + rng.integers(0, max(1, span // 4), count) * 4
    return _words(addresses, 4, machine.order)


def _texts(rng: np.random.Generator, length: int) -> bytes:
    parts: list[bytes] = []
    total = 0
    while total < length:
        system, trouble = SYSTEMS[int(rng.integers(len(SYSTEMS)))], TROUBLES[int(rng.integers(len(TROUBLES)))]
        text = f"{system}: {trouble}\n" if rng.random() < 0.5 else f"{trouble} ({system} %02x)"
        part = text.encode() + b"\0" * int(rng.integers(1, 4))
        parts.append(part)
        total += len(part)
    return b"".join(parts)


def _words(values: npt.NDArray[np.int64], width: int, order: str) -> Bytes:
    sign = "<" if order == "little" else ">"
    return np.frombuffer(values.astype(np.int64).astype(f"{sign}u{width}").tobytes(), dtype=np.uint8).copy()


def _exactly(content: Bytes, length: int) -> Bytes:
    if len(content) < length:
        content = np.concatenate([content] * -(-length // max(1, len(content))))
    return content[:length].copy()
