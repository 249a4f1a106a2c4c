"""How well pictures of labels, boards and boxes are read, and whether their faults are named.

Pictures are drawn and spoilt by `tests/support/label_pictures.py`, which knows nothing of the reader. For
each way of spoiling them and each kind of scene the table gives the pictures rated usable, the codes and
fields read, all and in the usable pictures alone, texts of codes that were read wrongly, for pictures not
rated usable the share whose spoilt side is among the faults named, and seconds a picture. A field counts as
read if one text holds it letter by letter, blanks aside. Below are the totals that matter: what the reader
promises of usable pictures, with Wilson's 95 % intervals (E. B. Wilson, JASA 22, 1927), and how many of the
pictures not rated usable were read in full all the same: the rating is so much stricter than it need be.

Codes and fields of one picture share its fate, so for those the intervals are too narrow.

usage: ./run bench pictures [--pictures N] [--only NAME] [--seed S] [--processes P]
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from math import sqrt
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from mendbay.board.sighting import How, PictureReading
from mendbay.inlets.photo import PictureReader
from support import label_pictures

HEAD = (
    f"{'taken':<10} {'scene':<6} {'usable':>7} {'codes':>9} {'fields':>9} {'codes*':>9} {'fields*':>9} "
    f"{'wrong':>6} {'named':>7} {'s':>6}"
)


def score(picture: label_pictures.Picture, reading: PictureReading) -> Counter[str]:
    """Counts for one picture; those with a star are of usable ones."""
    texts = [one.text.replace(" ", "") for one in reading.sightings if one.how is How.TEXT]
    codes = {(one.code, one.text) for one in reading.sightings if one.how is How.BARCODE}
    read = {name for name, text in picture.truth.fields.items() if any(text in one for one in texts)}
    true_codes = set(picture.truth.codes)
    counts = Counter(
        {
            "pictures": 1,
            "usable": int(reading.usable),
            "codes": len(true_codes),
            "codes read": len(true_codes & codes),
            "fields": len(picture.truth.fields),
            "fields read": len(read),
            "wrong": len(codes - true_codes),
        }
    )
    in_full = true_codes <= codes and len(read) == len(picture.truth.fields)
    counts["in full"] = int(in_full)
    counts["in full*"] = int(in_full and reading.usable)
    counts["others"] = int(not reading.usable)
    counts["in full, not usable"] = int(in_full and not reading.usable)
    if "board" in picture.truth.fields:
        counts["boards"] = 1
        counts["boards read"] = int("board" in read)
    for name in ("codes", "fields", "boards"):
        for part in (name, f"{name} read"):
            counts[f"{part}*"] = counts[part] * counts["usable"]
    if not reading.usable and picture.spoiling.fault not in ("", "any"):
        counts["faulty"] = 1
        counts["named"] = int(picture.spoiling.fault in {one.fault.value for one in reading.troubles})
    return counts


def row(taken: str, scene: str, counts: Counter[str], seconds: float) -> str:
    def of(part: str, whole: str) -> str:
        return f"{counts[part]}/{counts[whole]}"

    return (
        f"{taken:<10} {scene:<6} {of('usable', 'pictures'):>7} {of('codes read', 'codes'):>9} "
        f"{of('fields read', 'fields'):>9} {of('codes read*', 'codes*'):>9} "
        f"{of('fields read*', 'fields*'):>9} "
        f"{counts['wrong']:>6} {of('named', 'faulty'):>7} {seconds / max(counts['pictures'], 1):>6.1f}"
    )


def share(counts: Counter[str], part: str, whole: str) -> str:
    if not counts[whole]:
        return "none"
    low, high = (100 * one for one in interval(counts[part], counts[whole]))
    percent = 100 * counts[part] / counts[whole]
    return f"{counts[part]} of {counts[whole]}, {percent:.1f} % ({low:.1f} to {high:.1f})"


def interval(part: int, whole: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share."""
    z = 1.959964
    middle = (part + z * z / 2) / (whole + z * z)
    reach = z / (whole + z * z) * sqrt(part * (whole - part) / whole + z * z / 4)
    return max(middle - reach, 0.0), min(middle + reach, 1.0)


@cache
def reader(threads: int) -> PictureReader:
    """One for each process; its child ends with it."""
    return PictureReader(threads=threads)


def measured(kind: str, name: str, seed: int, threads: int) -> tuple[Counter[str], float]:
    """Draws, reads and scores one picture."""
    picture = label_pictures.take(kind, name, seed)
    reading = reader(threads).read_bytes(picture.jpeg, picture.name)
    return score(picture, reading), reading.seconds


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ask.add_argument("--pictures", type=int, default=3, help="pictures of each scene, taken in each way")
    ask.add_argument("--only", default="", help="only the ways whose name begins so, such as `mixed`")
    ask.add_argument("--seed", type=int, default=1000, help="of the first picture")
    ask.add_argument("--processes", type=int, default=1, help="pictures read at the same time")
    asked = ask.parse_args()
    total: Counter[str] = Counter()
    names = [one for one in label_pictures.SPOILINGS if one.startswith(asked.only)]
    scenes = [(name, kind) for name in names for kind in label_pictures.KINDS]
    threads = 2 if asked.processes == 1 else 1
    print(HEAD)
    with ProcessPoolExecutor(asked.processes) as pool:
        waiting = [
            [pool.submit(measured, kind, name, asked.seed + at, threads) for at in range(asked.pictures)]
            for name, kind in scenes
        ]
        for (name, kind), pictures in zip(scenes, waiting, strict=True):
            counts: Counter[str] = Counter()
            seconds = 0.0
            for number, one in enumerate(pictures):
                print(f"\r{name}, {kind} {number + 1} of {asked.pictures}  ", end="", file=sys.stderr)
                found, took = one.result()
                counts += found
                seconds += took
            print("\r" + " " * 40 + "\r", end="", file=sys.stderr)
            print(row(name, kind, counts, seconds), flush=True)
            total += counts
    tell(total)


def tell(total: Counter[str]) -> None:
    """Prints what all pictures together come to."""
    print("\n* in pictures rated usable; named: of those not rated usable, taken with one fault")
    print("shares with Wilson's 95 % intervals, in %")
    for words, part, whole in (
        ("rated usable", "usable", "pictures"),
        ("read in full", "in full", "pictures"),
        ("usable ones read in full", "in full*", "usable"),
        ("others read in full all the same", "in full, not usable", "others"),
        ("codes read in usable pictures", "codes read*", "codes*"),
        ("fields read in usable pictures", "fields read*", "fields*"),
        ("board numbers in usable pictures", "boards read*", "boards*"),
        ("right fault named in others", "named", "faulty"),
    ):
        print(f"{words + ':':<35}{share(total, part, whole)}")
    print(f"{'codes read wrongly:':<35}{total['wrong']}")


if __name__ == "__main__":
    main()
