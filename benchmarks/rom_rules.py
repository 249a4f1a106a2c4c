"""How much of the hidden self-checks of board families is learned from few good dumps, and what it judges.

usage: ./run bench rom_rules [--seeds N] [--first N] [--judged N] [--fresh] [--kinds NAME ...]
       [--dumps N ...]

The families (tests/support/rom_families.py) are made up, and were written apart from the learner: 27 kinds
that its faults were then looked for in, and with --fresh 16 kinds drawn later, which it was never
corrected by. Of every kind and seed, 1, 2, 3 and 6 dumps of one revision are learned from. Then, on dumps
of drives not among them:
  found     share of the learnable checks whose damage a rule notices: one bit is flipped inside each
  false     rules that fail on a sound dump
With 3 dumps, N sound and N damaged dumps are judged in all (--judged): a damaged one has one bit flipped
inside a check. `caught` counts failed rules, shared bytes and copies together.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from mendbay.board.rules.family import Family
from mendbay.board.rules.judge import judge
from mendbay.board.rules.search import learn
from support.rom_families import FRESH_KINDS, KINDS, HiddenFamily, family_of, flip_bit_inside

COUNTS = (1, 2, 3, 6)
UNSEEN = 1000
"""Number of the first drive that is never learned from."""


@dataclass
class Row:
    """What one kind came to at one number of dumps."""

    learnable: int = 0
    found: int = 0
    rules: int = 0
    false: int = 0
    seconds: list[float] = field(default_factory=list)


def fails(family: Family, dump: bytes) -> int:
    array = np.frombuffer(dump, np.uint8)
    return sum(not one.holds(array) for one in family.rules)


def measured(hidden: HiddenFamily, count: int, row: Row) -> Family:
    """Learns from so many dumps and adds what came of it to the row."""
    dumps = [hidden.dump(drive) for drive in range(count)]
    started = time.process_time()
    family = learn(dumps)
    row.seconds.append(time.process_time() - started)
    sound = [hidden.dump(UNSEEN + drive) for drive in range(3)]
    row.rules += len(family.rules)
    row.false += sum(
        any(not rule.holds(np.frombuffer(one, np.uint8)) for one in sound) for rule in family.rules
    )
    chance = random.Random(count)
    for check in hidden.checks:
        if not check.findable or not hidden.learnable(check, dumps):
            continue
        row.learnable += 1
        try:
            row.found += fails(family, flip_bit_inside(check, sound[0], chance)) > fails(family, sound[0])
        except ValueError:  # everything it covers is fields of other checks
            row.learnable -= 1
    return family


def judged(hidden: HiddenFamily, family: Family, wanted: int) -> tuple[int, int, int, int]:
    """(sound dumps, of them doubted; damaged dumps, of them caught) of one family."""
    chance = random.Random(hidden.seed)
    checks = [one for one in hidden.checks if one.findable and one.length is None]
    doubted = damaged = caught = 0
    for drive in range(wanted):
        dump = hidden.dump(UNSEEN + 10 + drive)
        found = judge(family, dump)
        doubted += bool(found.failed or found.broken_copies or found.sound < 0.5)
        if not checks:
            continue
        try:
            bad = judge(family, flip_bit_inside(chance.choice(checks), dump, chance))
        except ValueError:
            continue
        damaged += 1
        caught += bool(bad.failed or bad.broken_copies or bad.differing_bytes > found.differing_bytes)
    return wanted, doubted, damaged, caught


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--seeds", type=int, default=1)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--judged", type=int, default=500)
    words.add_argument("--fresh", action="store_true", help="the kinds drawn later")
    words.add_argument("--kinds", nargs="*", help="only these")
    words.add_argument("--dumps", nargs="*", type=int, default=list(COUNTS), help="how many to learn from")
    asked = words.parse_args()
    counts = tuple(asked.dumps)
    kinds = asked.kinds or list(FRESH_KINDS if asked.fresh else KINDS)
    rows = {(kind, count): Row() for kind in kinds for count in counts}
    totals = [0, 0, 0, 0]
    each = max(1, asked.judged // (len(kinds) * asked.seeds))
    for seed in range(asked.first, asked.first + asked.seeds):
        for kind in kinds:
            hidden = family_of(kind, seed)
            for count in counts:
                row = rows[kind, count]
                family = measured(hidden, count, row)
                so_far = f"{row.found}/{row.learnable} found, {row.false}/{row.rules} false"
                print(f"{kind} {seed}, {count} dumps: {so_far}, {row.seconds[-1]:.1f} s", file=sys.stderr)
                if count == 3:
                    totals = [a + b for a, b in zip(totals, judged(hidden, family, each), strict=True)]
    print(
        f"{'kind':<16}"
        + "".join(f"{f'{count} dumps':>14}" for count in counts)
        + f"{'false/rules':>14}{'s':>7}"
    )
    for kind in kinds:
        own = [rows[kind, count] for count in counts]
        cells = "".join(f"{f'{one.found}/{one.learnable}':>14}" for one in own)
        false = f"{sum(one.false for one in own)}/{sum(one.rules for one in own)}"
        slowest = max(second for one in own for second in one.seconds)
        print(f"{kind:<16}{cells}{false:>14}{slowest:7.1f}")
    for count in counts:
        own = [rows[kind, count] for kind in kinds]
        learnable, found = sum(one.learnable for one in own), sum(one.found for one in own)
        share = found / learnable if learnable else float("nan")
        false = sum(one.false for one in own) / (len(own) * asked.seeds)
        shares = [one.found / one.learnable for one in own if one.learnable]
        print(f"{count} dumps: {share:.3f} of {learnable} learnable checks found", end=" ")
        print(f"({np.mean(shares):.3f} on the average of kinds);", end=" ")
        print(f"{false:.3f} false rules a family")
    sound, doubted, damaged, caught = totals
    print(f"judged with 3 dumps: {doubted} of {sound} sound dumps doubted;", end=" ")
    print(f"{caught} of {damaged} damaged ones caught")


if __name__ == "__main__":
    main()
