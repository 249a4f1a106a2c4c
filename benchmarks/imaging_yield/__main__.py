"""How much of a failing drive each order of reading brings home before the drive dies.

See README.md in this folder for the drives, the orders and the bound.

usage: ./run bench imaging_yield [--models A,B] [--seeds N] [--first N] [--params tuning|reporting]
                                 [--policies A,B] [--jobs N] [--csv FILE]

With --csv, each drive's runs are kept as they end; the same command again goes on where it was stopped.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from imaging_yield.models import MODELS
from imaging_yield.parameters import SETS
from imaging_yield.policies import POLICIES
from imaging_yield.report import Run, read_csv, runs_of_drive, tables, write_csv


def play(task: tuple[str, int, str, tuple[str, ...]]) -> list[Run]:
    return runs_of_drive(*task)


def asked_for() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="imaging_yield", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--models", default=",".join(MODELS), help="of: " + ", ".join(MODELS))
    parser.add_argument("--policies", default="sequential,skips,ours", help="of: " + ", ".join(POLICIES))
    parser.add_argument("--seeds", type=int, default=20, help="drives a model (20)")
    parser.add_argument("--first", type=int, default=0, help="number of the first drive (0)")
    parser.add_argument("--params", choices=tuple(SETS), default="reporting", help="(reporting)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes at once")
    parser.add_argument("--csv", type=Path, help="where to keep one row a run as well, and go on from")
    asked = parser.parse_args()
    asked.models, asked.policies = asked.models.split(","), asked.policies.split(",")
    for given, known in ((asked.models, tuple(MODELS)), (asked.policies, POLICIES)):
        unknown = [name for name in given if name not in known]
        if unknown:
            parser.error(f"{', '.join(unknown)} is none of: {', '.join(known)}")
    if asked.seeds < 1 or asked.first < 0 or asked.jobs < 1:
        parser.error("--seeds and --jobs count from 1, --first from 0")
    return asked


def main() -> None:
    asked = asked_for()
    drives = [
        (model, seed) for model in asked.models for seed in range(asked.first, asked.first + asked.seeds)
    ]
    kept = _kept(asked, set(drives))
    policies = tuple(asked.policies)
    tasks = [(*drive, asked.params, policies) for drive in drives if drive not in kept]
    started = time.perf_counter()
    with ProcessPoolExecutor(asked.jobs) as workers:
        for number, done in enumerate(workers.map(play, tasks), 1):
            kept[done[0].model, done[0].seed] = done
            if asked.csv:
                write_csv(asked.csv, done)
            if sys.stderr.isatty():
                print(f"\r{number} of {len(tasks)} drives", end="", file=sys.stderr, flush=True)
    runs = [run for drive in drives for run in kept[drive]]
    print(tables(runs))
    planner = sum(one.outcome.planner_seconds for one in runs if one.policy.startswith("ours"))
    reads = sum(one.outcome.reads for one in runs if one.policy.startswith("ours"))
    if reads:
        print(f"\nMendbay's planner: {1000 * planner / reads:.2f} ms a read on this machine.")
    print(f"{len(tasks)} of {len(drives)} drives played in {time.perf_counter() - started:.0f} s.")
    print("Next: compare with an earlier run with the same drives; README.md tells what the columns mean.")


def _kept(asked: argparse.Namespace, drives: set[tuple[str, int]]) -> dict[tuple[str, int], list[Run]]:
    """The runs in the file that are asked for, by drive, where none of them lacks."""
    found: dict[tuple[str, int], list[Run]] = {}
    for run in read_csv(asked.csv) if asked.csv else []:
        if run.params == asked.params and run.policy in asked.policies and (run.model, run.seed) in drives:
            found.setdefault((run.model, run.seed), []).append(run)
    return {drive: runs for drive, runs in found.items() if len(runs) == len(asked.policies)}


if __name__ == "__main__":
    main()
