"""How surely bad reads of a ROM are told from good ones, and what voting restores.

usage: ./run bench rom_reads [--sets N] [--seed N]

The images are made up (tests/support/rom_likeness.py and, for false alarms, the families of
tests/support/rom_families.py, there with the size of the chip known). A fault counts as named if it is the
primary finding, as seen if anything at all was found or asked. The last part times three reads of 1 MiB.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from mendbay.board.rom_fault_kinds import FaultKind
from mendbay.board.rom_reads import ReadsJudgement, Verdict, judge_reads
from support.rom_families import families
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
}
OUTCOMES = {
    (True, True): "exact and said so",
    (True, False): "exact, not sure",
    (False, False): "said where not",
    (False, True): "WRONG IN SILENCE",
}
HELP = ("blind", "same revision", "other revision")


def reference_of(seed: int, how: str) -> bytes | None:
    if how == "blind":
        return None
    return firmware(seed, drive=1, revision=int(how == "other revision"))


def faults(sets: int, seed: int) -> None:
    print(f"{'named / seen / of':20}" + "".join(f"{how:>22}" for how in HELP))
    each = max(1, sets // len(FAULTS))
    for number, (name, make) in enumerate(FAULTS.items()):
        cells = []
        for how in HELP:
            named = seen = 0
            for at in range(each):
                chance = np.random.default_rng([seed, number, at])
                image_seed = int(chance.integers(1 << 30))
                image = firmware(image_seed)
                reads = make(image, chance, int(chance.integers(3, 6)))
                judged = judge_reads(reads, reference=reference_of(image_seed, how))
                named += judged.primary is not None and judged.primary.kind in EXPECTED[name]
                seen += bool(judged.faults)
            cells.append(f"{named} / {seen} / {each}")
        print(f"{name:20}" + "".join(f"{cell:>22}" for cell in cells), flush=True)


def alarm(judged: ReadsJudgement) -> str:
    if judged.primary is None:
        return "nothing"
    return "question" if judged.verdict is Verdict.AGREE else f"ALARM: {judged.primary.kind}"


def sound(sets: int, seed: int) -> None:
    for how in HELP:
        counts: Counter[str] = Counter()
        for at in range(sets):
            image_seed = seed * 1_000_003 + at
            image = firmware(image_seed)
            counts[alarm(judge_reads([image] * 3, reference=reference_of(image_seed, how)))] += 1
        print(
            f"sound, {how}: " + ", ".join(f"{name} {count}" for name, count in counts.most_common()),
            flush=True,
        )
    counts = Counter()
    for family_seed in range(seed, seed + max(1, sets // 60)):
        for family in families(family_seed):
            for drive, revision in ((0, 0), (1, 1)):
                image = family.dump(drive, revision)
                counts[alarm(judge_reads([image] * 3, chip_size=len(image)))] += 1
                other = family.dump(drive + 5, 0)
                counts[alarm(judge_reads([image] * 3, reference=other)) + " (with reference)"] += 1
    print(
        "sound, families: " + ", ".join(f"{name} {count}" for name, count in counts.most_common()), flush=True
    )


def votes(sets: int, seed: int) -> None:
    for rate, reads in ((1e-3, 3), (1e-3, 5), (1e-6, 3), (1e-5, 3)):
        counts: Counter[str] = Counter()
        expected = left = 0.0
        for at in range(sets):
            chance = np.random.default_rng([seed, 99, at])
            image = firmware(int(chance.integers(1 << 30)))
            judged = judge_reads([flips(image, rate, chance) for _ in range(reads)])
            assert judged.vote is not None
            wrong = np.bitwise_count(
                np.frombuffer(judged.data, np.uint8) ^ np.frombuffer(image, np.uint8)
            ).sum()
            expected += judged.vote.expected_wrong
            left += float(wrong)
            exact = wrong == 0
            claimed = judged.verdict in (Verdict.AGREE, Verdict.REPAIRED)
            counts[OUTCOMES[bool(exact), claimed]] += 1
        print(
            f"{reads} reads with {rate:g}: "
            + ", ".join(f"{name} {count}" for name, count in counts.most_common())
            + f"; wrong bits left {left:.0f}, expected {expected:.1f}",
            flush=True,
        )


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
    parser = argparse.ArgumentParser(description="How surely bad reads of a ROM are told from good ones")
    parser.add_argument("--sets", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    faults(chosen.sets, chosen.seed)
    sound(max(1, chosen.sets // 3), chosen.seed)
    votes(max(1, chosen.sets // 6), chosen.seed)
    speed()


if __name__ == "__main__":
    main()
