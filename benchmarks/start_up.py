"""How long `mendbay --help` takes, against starting Python alone, in turn in one run.

usage: ./run bench start_up [ROUNDS]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

WAYS = {
    "python alone": [sys.executable, "-c", "pass"],
    "mendbay --help": [str(Path(sys.executable).parent / "mendbay"), "--help"],
    "mendbay case --help": [str(Path(sys.executable).parent / "mendbay"), "case", "--help"],
}


def timed(words: list[str]) -> float:
    started = time.monotonic()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - started


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seconds: dict[str, list[float]] = {way: [] for way in WAYS}
    for _ in range(rounds + 1):
        for way, words in WAYS.items():
            seconds[way].append(timed(words))
    print(f"{rounds} rounds after one to warm up; seconds (min, median, max)")
    alone = statistics.median(seconds["python alone"][1:])
    for way, found in seconds.items():
        counted = found[1:]
        middle = statistics.median(counted)
        times = f"{min(counted):7.3f}{middle:7.3f}{max(counted):7.3f}"
        print(f"  {way:20}{times}   {middle / alone:5.1f} x python alone")
    print("Next: the aim for --help is under 0.3 s.")


if __name__ == "__main__":
    main()
