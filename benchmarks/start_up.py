"""How long the commands take that people wait for most, against starting Python alone, in turn in one run.

What counts is the processor's time, since other programs may be running, and of that the ratios. The ledger
is one of a few invented cases.

usage: ./run bench start_up [ROUNDS]
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from mendbay.case.records import Bay, Intake
from mendbay.wiring import open_bench

CASES = 20
MENDBAY = str(Path(sys.executable).parent / "mendbay")
ALONE = "python alone"


def ways(home: str) -> dict[str, list[str]]:
    return {
        ALONE: [sys.executable, "-c", "pass"],
        "mendbay --help": [MENDBAY, "--help"],
        "mendbay case --help": [MENDBAY, "case", "--help"],
        "mendbay case list": [MENDBAY, "--home", home, "case", "list"],
        "mendbay case show": [MENDBAY, "--home", home, "case", "show", "1"],
    }


def fill(home: Path) -> None:
    with open_bench(home) as bench, bench.ledger.together():
        for number in range(1, CASES + 1):
            bench.ledger.open_case(Intake(bench.now(), "Quillmere Pottery", box="two-bay box"))
            for bay in ("1", "2"):
                bench.ledger.add_bay(Bay(number, bay))


def processor_seconds(words: list[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime) + (after.ru_stime - before.ru_stime)


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder))
        commands = ways(folder)
        seconds: dict[str, list[float]] = {way: [] for way in commands}
        for _ in range(rounds + 1):
            for way, words in commands.items():
                seconds[way].append(processor_seconds(words))
    print(f"{rounds} rounds after one to warm up; processor seconds (min, median, max)")
    if sys.dont_write_bytecode:
        print(
            "PYTHONDONTWRITEBYTECODE is set: every start compiles all it imports, which is most of the time."
        )
    alone = statistics.median(seconds[ALONE][1:])
    for way, found in seconds.items():
        counted = found[1:]
        middle = statistics.median(counted)
        times = f"{min(counted):7.3f}{middle:7.3f}{max(counted):7.3f}"
        print(f"  {way:20}{times}   {middle / alone:5.1f} x {ALONE}")
    print("Next: the aim is under 0.3 s for --help and under 0.35 s for the list.")


if __name__ == "__main__":
    main()
