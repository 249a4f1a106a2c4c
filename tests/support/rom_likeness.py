"""Images with the grain of board firmware, made up afresh from a seed: code, texts, tables, something
compressed, the drive's own values, filler. They follow no real layout and no family of `rom_families`.

    image = firmware(7)                 # 64 KiB to 1 MiB, as the seed has it
    other = firmware(7, drive=1)        # the same firmware on another drive
    newer = firmware(7, revision=1)     # code changed here and there, what follows moved in its part
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
KIB = 1024
WORDS = [
    "spindle not at speed",
    "servo lock lost",
    "head %d parked",
    "calibration step %d failed",
    "retry limit reached",
    "buffer overrun in block %u",
    "zone table version %d.%d",
    "unexpected interrupt at %08x",
    "waiting for index",
    "temperature sensor reads %d",
    "write gate blocked",
    "flash erase timeout",
    "loading overlay %s",
    "defect list full",
    "motor current above limit",
    "read channel reset",
    "diagnostic port ready",
    "checksum mismatch in module %u",
    "seek error count %lu",
    "track follow offset",
    "adaptive table rebuilt",
    "power loss detected",
    "command aborted",
    "stack usage %d of %d",
    "invalid cylinder",
    "cache flushed",
    "queue depth %u",
    "host interface reset",
    "press any key",
]


@dataclass(frozen=True)
class Plan:
    """The choices that hold for all drives and revisions of one firmware."""

    size: int
    word: int
    order: str
    filler: int
    texts: int
    border: int
    directory: bool
    fill: float


def plan_of(seed: int, size: int | None = None) -> Plan:
    """How the firmware of this seed is built."""
    chance = np.random.default_rng([seed, 11])
    drawn = int(chance.choice([64, 128, 256, 256, 512, 1024])) * KIB
    return Plan(
        size or drawn,
        int(chance.choice([2, 2, 4, 4])),
        str(chance.choice(["<", "<", ">"])),
        0xFF if chance.random() < 0.93 else 0x00,
        int(chance.choice([0, 8, 30, 120], p=[0.03, 0.17, 0.4, 0.4])),
        int(chance.choice([256, 4096, 4096])),
        bool(chance.random() < 0.7),
        float(chance.uniform(0.3, 0.95)),
    )


def firmware(seed: int, drive: int = 0, revision: int = 0, size: int | None = None) -> bytes:
    """The content of one drive's chip; sizes are powers of two from 64 KiB, unless `size` says otherwise."""
    plan = plan_of(seed, size)
    image = np.full(plan.size, plan.filler, np.uint8)
    shapes = np.random.default_rng([seed, 12])
    at, parts = max(plan.border, 512), []
    number = 0
    while at < plan.size * plan.fill:
        kind = str(shapes.choice(["code", "code", "code", "table", "packed", "own"]))
        longest = {"code": 48, "table": 6, "packed": 24, "own": 4}[kind] * KIB
        length = int(shapes.integers(600, max(601, min(longest, plan.size // 6))))
        length = min(length, plan.size - at)
        body = _part(plan, kind, length, seed, number, drive, revision)
        image[at : at + length] = body
        parts.append((at, length, number))
        at = -(-(at + length + 40) // plan.border) * plan.border
        number += 1
    head = _head(plan, parts, seed, revision)
    image[: head.size] = head
    return image.tobytes()


def _head(plan: Plan, parts: list[tuple[int, int, int]], seed: int, revision: int) -> Bytes:
    chance = np.random.default_rng([seed, 13])
    start = chance.integers(0, 256, 16, np.uint8)
    numbers = [0x100 + revision, len(parts)]
    if plan.directory:
        for at, length, number in parts[:20]:
            numbers += [at, length, number]
    body = np.array(numbers, f"{plan.order}u4").view(np.uint8)
    title = np.frombuffer(b"board code %04x\0" % (seed & 0xFFFF), np.uint8)
    return np.concatenate((start, title if plan.texts else start, body))[:500]


def _part(plan: Plan, kind: str, length: int, seed: int, number: int, drive: int, revision: int) -> Bytes:
    key = [seed, 20 + number]
    if kind == "own":
        return _own(plan, length, np.random.default_rng([*key, drive, 77]))
    chance = np.random.default_rng(key)
    if kind == "table":
        return _table(plan, length, chance)
    body = _code(plan, length, seed, chance)
    if kind == "packed":
        packed = np.frombuffer(zlib.compress(body.tobytes() * 2, 9), np.uint8)
        body = np.resize(np.concatenate((packed, chance.integers(0, 256, length, np.uint8))), length)
    if revision and chance.random() < 0.7:
        change = np.random.default_rng([*key, revision, 78])
        spot = int(change.integers(0, length // plan.word)) * plan.word
        fresh = change.integers(0, 256, plan.word * int(change.integers(1, 12)), np.uint8)
        body = np.concatenate((body[:spot], fresh, body[spot:]))[:length]
    return body


def _code(plan: Plan, length: int, seed: int, chance: np.random.Generator) -> Bytes:
    """Instructions of an invented processor, some far commoner than others, with operands, then messages."""
    machine = np.random.default_rng([seed, 14])
    kinds = 70
    fixed = machine.integers(0, 1 << 32, kinds, np.uint64)
    operand = machine.integers(0, 1 << 32, kinds, np.uint64) & machine.integers(0, 1 << 32, kinds, np.uint64)
    weights = 1 / np.arange(1.5, kinds + 1.5)
    picks = chance.choice(kinds, length // plan.word + 1, p=weights / weights.sum())
    values = fixed[picks] ^ (operand[picks] & chance.integers(0, 1 << 32, picks.size, np.uint64))
    values ^= np.where(chance.random(picks.size) < 0.5, operand[picks], 0).astype(np.uint64)
    top = (1 << (8 * plan.word)) - 1
    body = (values & np.uint64(top)).astype(f"{plan.order}u{plan.word}").view(np.uint8)[:length].copy()
    if plan.texts:
        count = int(chance.integers(0, plan.texts // 6 + 2))
        said = [WORDS[at] for at in chance.integers(0, len(WORDS), count).tolist()]
        raw = b"".join(one.encode() + b"\0" * (1 + len(one) % 3) for one in said)[: length // 3]
        if raw:
            body[-len(raw) :] = np.frombuffer(raw, np.uint8)
    return body


def _table(plan: Plan, length: int, chance: np.random.Generator) -> Bytes:
    count = length // 4 + 1
    kind = int(chance.integers(3))
    if kind == 0:
        values = 0x8000 + np.cumsum(chance.integers(1, 200, count))
        return values.astype(f"{plan.order}u4").view(np.uint8)[:length]
    if kind == 1:
        wave = 20000 * np.sin(np.arange(2 * count) / float(chance.uniform(15, 90)))
        return wave.astype(np.int16).astype(f"{plan.order}i2").view(np.uint8)[:length]
    return np.resize(chance.integers(0, 64, count, np.uint8).repeat(3), length)


def _own(plan: Plan, length: int, chance: np.random.Generator) -> Bytes:
    values = 2000 + np.cumsum(chance.normal(0, 9, length // 2 + 1)) + chance.normal(0, 4, length // 2 + 1)
    return np.clip(values, 0, 65535).astype(f"{plan.order}u2").view(np.uint8)[:length]
