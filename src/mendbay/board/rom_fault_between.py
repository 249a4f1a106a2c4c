"""What the reads show against each other: one that is unlike the rest, slipped bytes or bits from some place
on, two states of the chip, noise and bursts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mendbay.board.rom_dump import Bytes, Int64s
from mendbay.board.rom_fault_content import content_of
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_lines import find_blank
from mendbay.board.rom_vote import CELL, Vote
from mendbay.core.quantity import counted

STRAY_SHARE = 0.03
"""Share of bits by which a read must differ from the others to be looked at for another fault than noise."""
LAGS = 80
PROBE = 512
PROBES = 48
ALIGNED = 0.9
LEAST_STATE_BITS = 24
PAGE_EDGE = 8
BURSTY = 6.0
LEAST_NOISE = 12


@dataclass(frozen=True, slots=True)
class Stray:
    """A read to be set aside: its index and why."""

    read: int
    fault: Fault


def find_strays(reads: Sequence[Bytes]) -> list[Stray]:
    """Reads that differ from the others by more than noise, each with what is wrong with it.

    A read is set aside only if the others agree among themselves much better; with two reads only if one is
    blank and the other is not.
    """
    blanks = [find_blank(content_of(one)) for one in reads]
    found = [Stray(at, _of_read(fault, at)) for at, fault in enumerate(blanks) if fault and not all(blanks)]
    left = [at for at in range(len(reads)) if not any(one.read == at for one in found)]
    apart = {(a, b): _differing(reads[a], reads[b]) for at, a in enumerate(left) for b in left[at + 1 :]}
    while len(left) >= 2 and max(apart[pair] for pair in _pairs(left)) > STRAY_SHARE:
        worst = max(left, key=lambda one: sum(apart[pair] for pair in _pairs(left) if one in pair))
        others = [one for one in left if one != worst]
        nearest = min(apart[pair] for pair in _pairs(left) if worst in pair)
        inner = max((apart[pair] for pair in _pairs(others)), default=nearest)
        if nearest < 3 * inner or nearest < STRAY_SHARE or len(left) < 3:
            break
        found.append(Stray(worst, _explain(reads[worst], reads[others[0]], worst, nearest)))
        left = others
    return found


def _pairs(left: Sequence[int]) -> list[tuple[int, int]]:
    return [(a, b) for at, a in enumerate(left) for b in left[at + 1 :]]


def _of_read(fault: Fault, read: int) -> Fault:
    return Fault(
        fault.kind,
        fault.standing,
        f"Read {read + 1}: {fault.what}",
        fault.next_step,
        fault.figures,
        fault.where,
        (read,),
    )


def _differing(one: Bytes, other: Bytes) -> float:
    """Share of bits that differ."""
    return int(np.bitwise_count(one ^ other).sum(dtype=np.int64)) / (8 * one.size)


def explain_pair(one: Bytes, other: Bytes) -> Fault | None:
    """Why two reads differ by much more than noise, where it cannot be said which of them is right: slipped
    bytes or bits. None if neither explains it."""
    return _slip(one, other, (0, 1)) if _differing(one, other) > STRAY_SHARE else None


def _explain(bad: Bytes, good: Bytes, read: int, share: float) -> Fault:
    slipped = _slip(bad, good, (read,))
    if slipped:
        return slipped
    tail = content_of(bad).runs
    if tail.stops.size and tail.stops[-1] == bad.size:
        start = int(tail.starts[-1])
        before = _differing(bad[:start], good[:start]) if start else 0.0
        if before < STRAY_SHARE / 3 and _differing(bad[start:], good[start:]) > STRAY_SHARE:
            return Fault(
                FaultKind.TRUNCATED,
                Standing.PROVEN,
                f"Read {read + 1} is cut off at {start:06X}h: from there on "
                f"every byte is {int(tail.values[-1]):02X}",
                "Read again from the start to the end",
                {"differing bits": share},
                ((start, bad.size),),
                (read,),
            )
    return Fault(
        FaultKind.STRAY,
        Standing.PROVEN,
        f"Read {read + 1} differs from the others in {share:.1%} of its bits; the cause cannot be told",
        "Clean and reseat the clip and read again; leave this read out",
        {"differing bits": share},
        (),
        (read,),
    )


def _slip(bad: Bytes, good: Bytes, reads: tuple[int, ...]) -> Fault | None:
    """Bytes or bits by which one read is off against the other, from some place on."""
    content = content_of(good)
    room = np.flatnonzero(content.is_content[: good.size // PROBE * PROBE].reshape(-1, PROBE).mean(1) > 0.5)
    room = room[(room * PROBE >= LAGS) & ((room + 1) * PROBE + LAGS <= good.size)]
    if not room.size:
        return None
    room = room[np.linspace(0, room.size - 1, min(PROBES, room.size)).astype(np.int64)] * PROBE
    for unit, kind in ((1, FaultKind.SHIFTED), (8, FaultKind.BIT_SLIP)):
        lags, shares = _lags(bad, good, room, unit)
        off = (shares > ALIGNED) & (lags != 0)
        if off.sum() < max(2, 0.2 * room.size):
            continue
        values, counts = np.unique(lags[off], return_counts=True)
        lag, where = int(values[counts.argmax()]), int(room[off][0])
        names = {1: "byte" if abs(lag) == 1 else "bytes", 8: "bit" if abs(lag) == 1 else "bits"}
        alone = len(reads) == 1
        whose = f"Read {reads[0] + 1} is" if alone else "One of the two reads is"
        begins = (
            " from its start" if bool(off[: max(1, off.size // 8)].all()) else f" from about {where:06X}h"
        )
        return Fault(
            kind,
            Standing.PROVEN,
            f"{whose} off by {abs(lag)} {names[unit]} against the other{'s' if alone else ''}{begins}",
            "Slow the clock down, check the clock line and the clip, and read again",
            {"lag": float(lag), "pieces that fit when moved": float(off.sum()), "pieces": float(room.size)},
            ((where, int(bad.size)),),
            reads,
        )
    return None


def _lags(
    bad: Bytes, good: Bytes, places: Int64s, unit: int
) -> tuple[Int64s, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """For each piece the lag (in bytes, or in bits if `unit` is 8) at which `bad` fits `good` best, and the
    share of bytes or bits that then agree, counted where neither is filler."""
    length = PROBE if unit == 1 else PROBE // 4
    lags, shares = [], []
    for place in places.tolist():
        want = good[place : place + length]
        have = bad[place - LAGS : place + length + LAGS]
        if unit == 8:
            want, have = (
                np.unpackbits(want),
                np.unpackbits(have[LAGS - LAGS // 8 : length + LAGS + LAGS // 8]),
            )
        views = np.lib.stride_tricks.sliding_window_view(have, want.size)
        same = (views == want).mean(1)
        best = int(same.argmax())
        middle = (views.shape[0] - 1) // 2
        if same[middle] >= same[best] - 0.02:
            best = middle
        lags.append(best - middle)
        shares.append(float(same[best]))
    return np.array(lags), np.array(shares)


def find_scatter(reads: Sequence[Bytes], vote: Vote, names: Sequence[int]) -> list[Fault]:
    """What the disagreeing bits of a vote look like: two states, bursts, noise, unsteady cells.

    Args:
        reads: the reads that voted.
        names: the number of each among all reads, from 0.
    """
    if not vote.disagreeing:
        return []
    found = []
    states = _two_states(reads, vote, names)
    if states:
        found.append(states)
    if vote.unstable and not states:
        found.append(_unsteady(vote))
    if not (states and states.figures["share of the differences"] > 0.9):
        found.append(_noise(vote))
    return found


def _two_states(reads: Sequence[Bytes], vote: Vote, names: Sequence[int]) -> Fault | None:
    differs = np.zeros(reads[0].size, bool)
    for one in reads[1:]:
        differs |= one != reads[0]
    at = np.flatnonzero(differs)
    if at.size > 1 << 20:
        at = at[:: -(-at.size // (1 << 20))]
    columns = np.unpackbits(np.stack([one[at] for one in reads]), axis=1)
    pattern = np.zeros(columns.shape[1], np.int64)
    for row in range(1, len(reads)):
        pattern |= (columns[row] ^ columns[0]).astype(np.int64) << (row - 1)
    counts = np.bincount(pattern[pattern > 0])
    top = int(counts.argmax())
    others = [row for row in range(1, len(reads)) if top >> (row - 1) & 1]
    share = float(counts[top] / counts.sum())
    if counts[top] < LEAST_STATE_BITS:
        return None
    here = at[(pattern.reshape(-1, 8) == top).any(1)]
    split = 2 <= len(others) <= len(reads) - 2
    where = _pages(here)
    if not split and not (share > 0.9 and _whole_pages(reads, here, where, others)):
        return None
    if split and share < 0.3:
        return None
    first = [names[row] + 1 for row in range(len(reads)) if row not in others]
    second = [names[row] + 1 for row in others]
    place = f"{where[0][0]:06X}h to {where[-1][1] - 1:06X}h"
    return Fault(
        FaultKind.TWO_STATES,
        Standing.PROVEN if split else Standing.LIKELY,
        f"{_reads(first)} one content and {_reads(second)[:1].lower()}{_reads(second)[1:]} another in "
        f"{counted(here.size, 'byte')} "
        f"between {place}: the chip was changed between them, or two chips or contacts were read",
        "Find out whether anything had power or wrote to the chip between the reads; hold the board's "
        "controller in reset or lift the chip, then read three times anew",
        {"bits": float(counts[top]), "share of the differences": share},
        where[:64],
        tuple(names[row] for row in others),
    )


def _reads(numbers: Sequence[int]) -> str:
    return f"Read {numbers[0]} holds" if len(numbers) == 1 else f"Reads {_and(numbers)} hold"


def _and(numbers: Sequence[int]) -> str:
    texts = [str(one) for one in numbers]
    return texts[0] if len(texts) == 1 else ", ".join(texts[:-1]) + " and " + texts[-1]


def _pages(places: Int64s) -> tuple[tuple[int, int], ...]:
    """The places put together wherever less than a page lies between two."""
    breaks = np.flatnonzero(np.diff(places) > CELL) + 1
    groups = np.split(places, breaks[:4096])
    return tuple((int(one[0]), int(one[-1]) + 1) for one in groups)


def _whole_pages(
    reads: Sequence[Bytes], here: Int64s, where: tuple[tuple[int, int], ...], others: Sequence[int]
) -> bool:
    """Whether one odd read differs in whole pages, from border to border and densely: as written or erased
    ones do, and noise does not."""
    if len(where) > 64:
        return False
    odd = others[0] if len(others) == 1 else 0
    rest = 1 if odd == 0 else 0
    spans = sum(stop - start for start, stop in where)
    edges = all(start % CELL <= PAGE_EDGE and (-stop) % CELL <= PAGE_EDGE for start, stop in where)
    a = np.concatenate([reads[odd][start:stop] for start, stop in where])
    b = np.concatenate([reads[rest][start:stop] for start, stop in where])
    cleared, risen = bool(((a & b) == a).all()), bool(((a & b) == b).all())
    one_way = cleared or risen
    dense = here.size >= 0.5 * spans
    erased = bool((a == 0xFF).all() or (b == 0xFF).all())
    return dense and (edges or (one_way and erased and spans >= CELL))


def _unsteady(vote: Vote) -> Fault:
    narrow = vote.bits.narrow()
    return Fault(
        FaultKind.UNSTABLE,
        Standing.LIKELY,
        f"{vote.unstable} bits are given differently by two or more reads at once, far more than independent "
        "errors would: these cells or this contact read unsteadily",
        "Warm or cool the chip to room temperature, set the supply to its nominal value, read five times",
        {"bits": float(vote.unstable)},
        tuple((run.start, run.stop) for run in narrow.runs()[:64]),
    )


def _expected_cells(vote: Vote) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Disagreeing bits to expect in each page if errors fall evenly, but zeros and ones err at rates of their
    own; shape (pages,)."""
    ones = np.zeros(vote.per_cell.size * CELL, np.uint8)
    ones[: len(vote.data)] = np.bitwise_count(np.frombuffer(vote.data, np.uint8))
    share = ones.reshape(-1, CELL).sum(1, dtype=np.float64)
    rise, fall = (vote.rise, vote.fall) if vote.rise + vote.fall else (1.0, 1.0)
    weight = share * fall + (8 * CELL - share) * rise
    evenly: np.ndarray[tuple[int], np.dtype[np.float64]] = weight * (vote.disagreeing / weight.sum())
    return evenly


def _noise(vote: Vote) -> Fault:
    cells = vote.per_cell.astype(np.float64)
    expected = _expected_cells(vote)
    dispersion = float(((cells - expected) ** 2 / np.maximum(expected, 1e-12)).mean())
    occupied = float((cells > 0).mean())
    poisson = 1 - float(np.exp(-expected).mean())
    bursts = vote.disagreeing >= LEAST_NOISE and (dispersion > BURSTY or occupied < 0.5 * poisson)
    kind = FaultKind.BURST if bursts else FaultKind.NOISE
    total = 8 * len(vote.data) * vote.reads
    rate = max(int(vote.by_read.sum()), vote.disagreeing // 2 if vote.reads == 2 else 0) / total
    lean = ""
    if vote.reads > 2 and max(vote.rise, vote.fall) > 3 * min(vote.rise, vote.fall):
        lean = ", mostly zeros read as ones" if vote.rise > vote.fall else ", mostly ones read as zeros"
    lumps = f" in bursts, in {int((cells > 0).sum())} of {cells.size} pages" if bursts else ""
    return Fault(
        kind,
        Standing.PROVEN,
        f"The reads disagree in {counted(vote.disagreeing, 'bit')}{lumps}: about {1e6 * rate:.2g} wrong bits "
        f"in each million read{lean}",
        "Clean and reseat the clip, shorten the wires, slow the clock down and read again",
        {
            "bits": float(vote.disagreeing),
            "error rate": rate,
            "dispersion": dispersion,
            "pages hit": occupied,
        },
        tuple((run.start, run.stop) for run in vote.bits.runs(CELL)[:64]) if bursts else (),
    )
