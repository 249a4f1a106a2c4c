"""How well pictures of labels, boards and boxes are read, and whether their faults are named.

Pictures are drawn and spoilt by `tests/support/label_pictures.py`, which knows nothing of the reader. For
each way of spoiling them and each kind of scene the table gives the pictures rated usable, the codes and
fields read, all and in the usable pictures alone, texts of codes that were read wrongly, for pictures not
rated usable the share whose spoilt side is among the faults named, and seconds a picture. A field counts as
read if one text holds it letter by letter, blanks aside. Below are the totals that matter: what the reader
promises of usable pictures.

usage: ./run bench pictures [--pictures N] [--only NAME]
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
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
    return f"{counts[part]} of {counts[whole]} ({100 * counts[part] / counts[whole]:.1f} %)"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ask.add_argument("--pictures", type=int, default=3, help="pictures of each scene, taken in each way")
    ask.add_argument("--only", default="", help="only the ways whose name begins so, such as `mixed`")
    ask.add_argument("--seed", type=int, default=1000, help="of the first picture")
    asked = ask.parse_args()
    total: Counter[str] = Counter()
    print(HEAD)
    with PictureReader() as reader:
        for name in (one for one in label_pictures.SPOILINGS if one.startswith(asked.only)):
            for kind in label_pictures.KINDS:
                counts: Counter[str] = Counter()
                seconds = 0.0
                for number in range(asked.pictures):
                    print(f"\r{name}, {kind} {number + 1} of {asked.pictures}  ", end="", file=sys.stderr)
                    picture = label_pictures.take(kind, name, asked.seed + number)
                    reading = reader.read_bytes(picture.jpeg, picture.name)
                    counts += score(picture, reading)
                    seconds += reading.seconds
                print("\r" + " " * 40 + "\r", end="", file=sys.stderr)
                print(row(name, kind, counts, seconds), flush=True)
                total += counts
    print("\n* in pictures rated usable; named: of those not rated usable, taken with one fault")
    print(f"rated usable:                       {share(total, 'usable', 'pictures')}")
    print(f"codes read in usable pictures:      {share(total, 'codes read*', 'codes*')}")
    print(f"fields read in usable pictures:     {share(total, 'fields read*', 'fields*')}")
    print(f"board numbers in usable pictures:   {share(total, 'boards read*', 'boards*')}")
    print(f"right fault named in others:        {share(total, 'named', 'faulty')}")
    print(f"codes read wrongly:                 {total['wrong']}")


if __name__ == "__main__":
    main()
