"""Faults of data lines that every read shows alike: nothing read at all, and lines stuck at zero or one.

A serial chip gives its bits on one, two or four lines: with two, a stuck line is every second bit of a byte,
with four the same bit of both halves. A chip with eight or sixteen data lines has one bit of a byte, or of
every second byte (JESD216 describes the serial modes; the rest is common practice, no source).
"""

from __future__ import annotations

import numpy as np

from mendbay.board.rom_dump import Bytes
from mendbay.board.rom_fault_content import Content
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing

LEAST_CONTENT = 500
"""Bytes of content below which a line that never moves says nothing."""
MUCH_CONTENT = 2048
FILLER_SIGN = 32
"""Bytes of a run that is erased flash with a line missing."""
TEXT_SHARE = 0.85
LANES = 8
LONGEST_PATTERN = 64


def find_blank(content: Content) -> Fault | None:
    """One value, or one short pattern, all through; single stray bits are allowed for."""
    data = content.data
    for period in (1, 2, 4, 8, 16, 32, LONGEST_PATTERN):
        rows = data[: data.size // period * period].reshape(-1, period)
        pattern = np.median(rows[:4096], axis=0).astype(np.uint8)
        if (rows[:4096] != pattern).mean() > 0.05:
            continue
        expected = np.tile(pattern, -(-data.size // period))[: data.size]
        wrong = np.flatnonzero(data != expected)
        flips = np.bitwise_count(data[wrong] ^ expected[wrong])
        alone = wrong.size < 0.003 * data.size and (flips <= 2).all() and _scattered(wrong, data.size)
        if wrong.size == 0 or alone:
            return _blank(pattern, int(wrong.size), data.size)
    return None


def _scattered(places: np.ndarray[tuple[int], np.dtype[np.int64]], size: int) -> bool:
    """Whether single bytes lie about as chance would have them: content comes in lumps."""
    if places.size < 2:
        return True
    near = int((np.diff(places) <= 8).sum())
    return near <= 3 + 4 * places.size * places.size * 8 / size


def _blank(pattern: Bytes, stray: int, size: int) -> Fault:
    if pattern.size > 1:
        what = (
            f"The same {pattern.size} bytes repeat through the whole read: {pattern.tobytes().hex(' ')[:48]}"
        )
        why = "nothing that a chip would hold was read"
    else:
        value = int(pattern[0])
        what = f"Every byte is {value:02X}"
        why = {
            0xFF: "the chip is erased, or its output never reached the reader",
            0x00: "the output line is held low, or the chip has no supply",
        }.get(value, "nothing that a chip would hold was read")
    if stray:
        what += f" but for {stray} single bytes"
    return Fault(
        FaultKind.BLANK,
        Standing.PROVEN,
        f"{what}: {why}.",
        "Check clip, pin 1, supply and that the chip is not held in reset, and read its id first",
        {"stray bytes": stray, "bytes": size},
    )


def find_stuck(content: Content, reference: Content | None = None, noise: float = 0.0) -> Fault | None:
    """A line that never moves.

    Args:
        content: the dump, not blank.
        reference: a sound dump of the family, whose lines move as they should; None without.
        noise: share of bits that may be wrong in it, 0 to 1.
    """
    if content.places.size < LEAST_CONTENT:
        return None
    halves = [content.data[parity::2] for parity in (0, 1)]
    ones = np.array([_ones_share(half) for half in halves])  # (parity, lane)
    allowed = min(0.02, 4 * noise)
    low, high = ones <= allowed, ones >= 1 - allowed
    both_low: Lanes = low[0] & low[1]
    both_high: Lanes = high[0] & high[1]
    if (both_low | both_high).any():
        return _whole_lines(content, both_low, both_high)
    for parity in (0, 1):
        if low[parity].any() or high[parity].any():
            moving = _moving(halves[1 - parity]) & (_moving(reference.data[parity::2]) if reference else True)
            found = _half_lines(
                content, parity, low[parity] & moving, high[parity] & moving, reference is not None
            )
            if found:
                return found
    return None


def _ones_share(data: Bytes) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    counts = np.bincount(data, minlength=256)
    values = np.arange(256)
    return np.array([counts[(values >> lane) & 1 == 1].sum() for lane in range(LANES)]) / data.size


Lanes = np.ndarray[tuple[int], np.dtype[np.bool_]]


def _mask(lanes: Lanes) -> int:
    return sum(1 << lane for lane in np.flatnonzero(lanes).tolist())


def _whole_lines(content: Content, low: Lanes, high: Lanes) -> Fault | None:
    filler = _filler_sign(content.data, _mask(low), _mask(high))
    body = content.data[content.places]
    free = LANES - int(low.sum() + high.sum())
    if not filler and not _lively(body, free, low):
        return None
    return _stuck_fault(low, high, "", filler, int(content.places.size))


def _moving(data: Bytes) -> Lanes:
    """Lines that are neither nearly always zero nor nearly always one."""
    share = _ones_share(data)
    moving: Lanes = (share > 0.05) & (share < 0.98)  # erased areas are ones
    return moving


def _half_lines(content: Content, parity: int, low: Lanes, high: Lanes, known: bool) -> Fault | None:
    """A line of a sixteen-bit bus: every second byte lacks it. Tables of small sixteen-bit numbers look alike
    over a few kilobytes, so this wants the sign in the filler, or much more content, or a reference (`known`)
    in which these lines move."""
    if not (low | high).any():
        return None
    half = content.data[parity::2]
    filler = _filler_sign(half, _mask(low), _mask(high))
    body = half[content.is_content[parity::2]]
    free = LANES - int(low.sum() + high.sum())
    enough = LEAST_CONTENT if known else 2 * MUCH_CONTENT
    if not filler and not (body.size >= enough and free >= 7 and _lively(body, free, low)):
        return None
    of_bytes = "odd" if parity else "even"
    return _stuck_fault(low, high, f" of every byte at an {of_bytes} offset", filler, int(body.size))


def _filler_sign(data: Bytes, low: int, high: int) -> bool:
    """Whether there are runs of filler with just these bits wrong: FF less the low ones, 00 with the high
    ones."""
    signs = [value for value in (0xFF & ~low if low else None, high if high else None) if value is not None]
    for value in signs:
        same = np.concatenate((np.zeros(1, np.int8), (data == value).astype(np.int8), np.zeros(1, np.int8)))
        edges = np.flatnonzero(np.diff(same))
        if edges.size and int((edges[1::2] - edges[::2]).max()) >= FILLER_SIGN and value not in (0x00, 0xFF):
            return True
    return False


def _lively(body: Bytes, free: int, low: Lanes) -> bool:
    """Whether the other lines move so freely that the still one is out of place. Text never sets bit 7."""
    distinct = int((np.bincount(body, minlength=256) > 0).sum())
    if body.size < (LEAST_CONTENT if free == LANES - 1 else MUCH_CONTENT) or distinct < (1 << free) * 0.4:
        return False
    if low[7] and low[6]:
        return False  # small numbers leave the upper bits unused
    if low[7]:
        texty = ((body >= 0x20) & (body < 0x7F)) | (body == 0) | ((body >= 9) & (body <= 13))
        return distinct >= (1 << free) * 0.75 and float(texty.mean()) < TEXT_SHARE
    return True


def _stuck_fault(low: Lanes, high: Lanes, whose: str, filler: bool, count: int) -> Fault:
    said = [
        f"{'bits' if lanes.sum() > 1 else 'bit'} {_listed(lanes)}{whose} "
        f"{'are' if lanes.sum() > 1 else 'is'} always {value}"
        for lanes, value in ((low, 0), (high, 1))
        if lanes.any()
    ]
    line = _which_line(low | high) if not whose else "one line of a sixteen-bit bus"
    sign = " The erased areas show it as well" if filler else ""
    return Fault(
        FaultKind.STUCK_LINE,
        Standing.PROVEN if filler else Standing.LIKELY,
        f"Over {count} bytes of content {' and '.join(said)}: {line} does not move.{sign}".rstrip("."),
        "Clean and reseat the clip, check that line against its neighbours and the board, and read again; "
        "a serial chip may be read on a single line instead",
        {"stuck at 0": _mask(low), "stuck at 1": _mask(high), "content bytes": count},
    )


def _listed(lanes: Lanes) -> str:
    numbers = [str(one) for one in np.flatnonzero(lanes).tolist()]
    return numbers[0] if len(numbers) == 1 else ", ".join(numbers[:-1]) + " and " + numbers[-1]


def _which_line(lanes: Lanes) -> str:
    known = {0x55: "the first of two serial lines", 0xAA: "the second of two serial lines"}
    known |= {0x11 << at: f"serial line {at} of four" for at in range(4)}
    known |= {1 << at: f"data line {at}" for at in range(LANES)}
    return known.get(_mask(lanes), "more than one line")
