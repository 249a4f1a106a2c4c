"""How surely bad reads of a ROM are told from good ones, and what voting restores.

usage: ./run bench rom_reads [--sets N] [--good N] [--votes N] [--seed N]
       [--misses FILE] [--at-once N] [--minutes N]

The chips (tests/support/rom_chips.py) are made of the families of tests/support/rom_families.py, which
know nothing of the judge: 27 kinds, 64 KiB to 4 MiB, some with much filler, text or compressed code,
repeated, or enciphered from end to end. The size of the chip is always known, as it is wherever the bench
read the chip itself. Every set has three to five reads, one fault and one help: none ("blind"), the dump
of another drive of the same revision, or of another revision. A fault that changes nothing is drawn anew.

  named    the first finding is the right fault
  refused  the verdict says not to rely on the reads, or the dump made of them is exact
  asked    the reads agree, but a person must answer a question before they are kept
  missed   called good, with nothing asked
  SILENT   a dump called repaired that is not what the chip holds

`detected` is refused and asked together. Intervals are Wilson's, 95 %. A good set is refused wrongly
(ALARM), asked about, or passed. Votes: three and five reads of the same chips with even noise.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from mendbay.board.rom_fault_kinds import FaultKind
from mendbay.board.rom_reads import ReadsJudgement, Verdict, judge_reads
from support.rom_chips import SHAPES, Chip, chip_of
from support.rom_families import KINDS
from support.rom_likeness import firmware
from support.rom_read_faults import FAULTS, flips

EXPECTED = {
    "noise": {FaultKind.NOISE},
    "bursts": {FaultKind.BURST},
    "stuck line": {FaultKind.STUCK_LINE},
    "stuck line of 16": {FaultKind.STUCK_LINE},
    "lines swapped": {FaultKind.SWAPPED_LINES},
    "bytes swapped": {FaultKind.BYTE_ORDER},
    "address line": {FaultKind.ALIASED},
    "top address line": {FaultKind.WRAPPED, FaultKind.ALIASED},
    "shifted": {FaultKind.SHIFTED},
    "bit slip": {FaultKind.BIT_SLIP},
    "one read slips": {FaultKind.SHIFTED, FaultKind.BIT_SLIP},
    "cut off": {FaultKind.TRUNCATED},
    "one read cut off": {FaultKind.TRUNCATED},
    "blank": {FaultKind.BLANK},
    "two states": {FaultKind.TWO_STATES},
    "short file": {FaultKind.TRUNCATED},
    "past the end": {FaultKind.WRAPPED},
    "unsteady cells": {FaultKind.NOISE, FaultKind.UNSTABLE},
}
HELP = ("blind", "same revision", "other revision")
DRAWS = 12
STRIDE = 577
Z = 1.96
"""Of the 95 % interval."""


def wilson(hits: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share (Wilson 1927)."""
    if not of:
        return 0.0, 1.0
    share, spread = hits / of, Z * Z / of
    middle = share + spread / 2
    half = Z * math.sqrt(share * (1 - share) / of + spread / (4 * of))
    return max(0.0, (middle - half) / (1 + spread)), min(1.0, (middle + half) / (1 + spread))


def share_words(hits: int, of: int) -> str:
    low, high = wilson(hits, of)
    return f"{100 * hits / max(1, of):6.2f} ({100 * low:.2f}-{100 * high:.2f})"


def reference_of(chip: Chip, how: str) -> bytes | None:
    return {"blind": lambda: None, "same revision": lambda: chip.sister}.get(how, lambda: chip.newer)()


def told(judged: ReadsJudgement, truth: bytes) -> str:
    """What became of a bad set: see the top."""
    if judged.verdict is Verdict.REPAIRED:
        return "refused" if judged.data == truth else "SILENT"
    if judged.verdict is Verdict.AGREE:
        return "asked" if judged.questions else "missed"
    return "refused"


def bad_set(number: int, seed: int) -> tuple[str, str, Chip, list[bytes], bytes]:
    """Fault, help, chip, reads and what the chip holds. Every combination of fault, help and kind of family
    comes once in 27 * 18 * 3 sets, in an order that has all of each in any part of it."""
    names = list(FAULTS)
    turn = number * STRIDE % (len(KINDS) * len(names) * len(HELP))
    name = names[turn // len(KINDS) % len(names)]
    how = HELP[turn // (len(KINDS) * len(names)) % len(HELP)]
    for draw in range(DRAWS):
        chance = np.random.default_rng([seed, number, draw])
        chip = chip_of((number + draw * 1_000_000) * len(KINDS) + turn % len(KINDS), seed)
        data = chip.data
        reads = FAULTS[name](data, chance, int(chance.integers(3, 6)))
        if any(one != data for one in reads):
            break
    else:
        raise SystemExit(f"{name} changes nothing in {DRAWS} chips of kind {chip.kind}")
    return name, how, chip, reads, data


def one_bad(seed: int, number: int) -> tuple[int, str, str, str, str, int, str, bool]:
    name, how, chip, reads, data = bad_set(number, seed)
    judged = judge_reads(reads, chip_size=len(data), reference=reference_of(chip, how))
    outcome = told(judged, data)
    named = judged.primary is not None and judged.primary.kind in EXPECTED[name] and outcome != "SILENT"
    return number, name, how, chip.kind, chip.shape, len(data), outcome, named


Result = TypeVar("Result")


def each(one: Callable[[int], Result], sets: int, at_once: int, minutes: float) -> Iterator[Result]:
    """The results of all numbers in order, worked out in so many processes, with a count on the way; fewer
    if that takes longer than so many minutes."""
    stop = time.monotonic() + 60 * minutes
    with ProcessPoolExecutor(at_once) as pool:
        for number, result in enumerate(pool.map(one, range(sets), chunksize=3), 1):
            yield result
            if time.monotonic() > stop:
                pool.shutdown(wait=False, cancel_futures=True)
                print(f"stopped after {number} of {sets} sets")
                return
            if number % 100 == 0:
                print(f"\r{number} of {sets}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


def bad(sets: int, seed: int, misses: Path | None, at_once: int, minutes: float) -> None:
    counts: Counter[tuple[str, str, str]] = Counter()
    shapes: Counter[tuple[str, str, str]] = Counter()
    listed = []
    for number, name, how, kind, shape, size, outcome, named in each(
        partial(one_bad, seed), sets, at_once, minutes
    ):
        counts[name, how, outcome] += 1
        shapes[shape, how, outcome] += 1
        counts[name, how, "named"] += named
        if outcome in ("missed", "SILENT"):
            listed.append(f"{outcome} {number} {name} | {how} | {kind} | {shape} | {size}")
    if misses is not None:
        misses.write_text("\n".join(listed) + "\n", encoding="utf-8")
    for how in HELP:
        table(how, FAULTS, counts)
    for how in HELP:
        table(how, SHAPES, shapes, "content")


def table(how: str, rows: Iterable[str], counts: Counter[tuple[str, str, str]], what: str = "fault") -> None:
    """One help's figures, 80 columns wide."""
    columns = ("refused", "asked", "missed", "SILENT")
    with_name = what == "fault"
    print(f"\n{what}, {how}".ljust(27) + "refused asked missed SILENT   detected, %" + "  named" * with_name)
    sums: Counter[str] = Counter()
    for row in rows:
        mine = {column: counts[row, how, column] for column in (*columns, "named")}
        sums.update(mine)
        print(line(row, mine, with_name))
    print(line("all", sums, with_name))
    if with_name and sums["named"]:
        of = sum(sums[column] for column in columns)
        print(f"  named {share_words(sums['named'], of)} %, refused {share_words(sums['refused'], of)} %")


def line(row: str, mine: dict[str, int] | Counter[str], with_name: bool) -> str:
    of = mine["refused"] + mine["asked"] + mine["missed"] + mine["SILENT"]
    cells = f"{mine['refused']:7}{mine['asked']:6}{mine['missed']:7}{mine['SILENT']:7}"
    named = f"{mine['named']:6}" if with_name else ""
    return f"{row:24}{cells}  {share_words(mine['refused'] + mine['asked'], of):21}{named}"


def one_good(seed: int, number: int) -> tuple[str, str, str]:
    chip = chip_of(number, seed + 500_000)
    data, how = chip.data, HELP[number // len(KINDS) % len(HELP)]
    judged = judge_reads([data] * 3, chip_size=len(data), reference=reference_of(chip, how))
    outcome = "passed" if not judged.faults else "asked"
    if judged.verdict is not Verdict.AGREE:
        outcome = "ALARM"
    found = ", ".join(f"{one.kind}: {one.what}" for one in judged.faults)
    said = f"{outcome} {number} good | {how} | {chip.kind} | {chip.shape} | {len(data)} | {found}"
    return how, outcome, said


def good(sets: int, seed: int, misses: Path | None, at_once: int, minutes: float) -> None:
    counts: Counter[tuple[str, str]] = Counter()
    listed = []
    for how, outcome, said in each(partial(one_good, seed), sets, at_once, minutes):
        counts[how, outcome] += 1
        if outcome != "passed":
            listed.append(said)
    if misses is not None:
        with misses.open("a", encoding="utf-8") as file:
            file.write("\n".join(listed) + "\n")
    print("\ngood sets              passed  asked  ALARM   alarms, %           asked, %")
    for how in (*HELP, "all"):
        mine = [sum(counts[one, say] for one in HELP if how in (one, "all")) for say in OUTCOMES]
        of = sum(mine)
        cells = "".join(f"{one:7}" for one in mine)
        print(f"{how:22}{cells}  {share_words(mine[2], of):20}{share_words(mine[1], of)}")


OUTCOMES = ("passed", "asked", "ALARM")


def votes(sets: int, seed: int) -> None:
    print("\nvotes: exact and said so / exact, not sure / said where not / SILENT")
    for rate, reads in ((1e-3, 3), (1e-3, 5), (1e-5, 3), (1e-6, 3)):
        counts: Counter[tuple[bool, bool]] = Counter()
        expected = left = unlisted = 0.0
        for at in range(sets):
            chance = np.random.default_rng([seed, 99, at])
            image = chip_of(at, seed + 700_000).data
            judged = judge_reads([flips(image, rate, chance) for _ in range(reads)], chip_size=len(image))
            assert judged.vote is not None
            off = np.frombuffer(judged.data, np.uint8) ^ np.frombuffer(image, np.uint8)
            wrong = int(np.bitwise_count(off).sum())
            doubtful = judged.vote.bits.narrow().offsets
            unlisted += int((~np.isin(np.flatnonzero(off), doubtful)).sum())
            expected += judged.vote.expected_wrong
            left += wrong
            counts[wrong == 0, judged.verdict in (Verdict.AGREE, Verdict.REPAIRED)] += 1
        order = ((True, True), (True, False), (False, False), (False, True))
        print(f"{reads} reads, {rate:g}: " + " / ".join(str(counts[one]) for one in order), end="; ")
        print(f"bits left {left:.0f}, expected {expected:.1f}, not in the list {unlisted:.0f}", flush=True)


def speed() -> None:
    chance = np.random.default_rng(5)
    image = firmware(3, size=1 << 20)
    for name, reads in (
        ("alike", [image] * 3),
        ("0.1 % noise", [flips(image, 1e-3, chance) for _ in range(3)]),
    ):
        took = []
        for _ in range(3):
            begin = time.perf_counter()
            judge_reads(reads)
            took.append(time.perf_counter() - begin)
        print(f"three reads of 1 MiB, {name}: {min(took):.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sets", type=int, default=1458, help="bad sets")
    parser.add_argument("--good", type=int, default=300, help="good sets")
    parser.add_argument("--votes", type=int, default=20, help="sets of each noise")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--misses", type=Path, help="file for what was missed or wrongly doubted")
    parser.add_argument("--at-once", type=int, default=1, help="processes")
    parser.add_argument("--minutes", type=float, default=math.inf, help="at most, for bad and good sets each")
    chosen = parser.parse_args()
    if chosen.sets:
        bad(chosen.sets, chosen.seed, chosen.misses, chosen.at_once, chosen.minutes)
    if chosen.good:
        good(chosen.good, chosen.seed, chosen.misses, chosen.at_once, chosen.minutes)
    votes(chosen.votes, chosen.seed)
    speed()


if __name__ == "__main__":
    main()
