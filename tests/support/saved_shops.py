"""A shop with a case, a picture and an image, saved into folders, and what must hold of every copy.

Run as a script (`saved_shops.py HOME`) it reads a drive into the image and adds to the ledger without end,
doubting and reading anew now and then, and prints a line after each step, until somebody kills it.
"""

from __future__ import annotations

import random
import subprocess
import sys
from itertools import count
from pathlib import Path
from typing import Any

from mendbay.case.records import Bay, Case, Image, Intake
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.jobs.save_shop import Saved, check_saved, save_shop
from mendbay.ledger.database import Ledger
from mendbay.outlets.image_file import ImageFile
from mendbay.wiring import ledger_copies, open_bench, saved_copies

AT = "2026-11-25T07:10:00Z"
SECTORS = 4096
SIZE = SECTORS * 512
IDENTITY = Identity("simulated drive", "drive", SIZE, 512, serial="S1")
CASE = "cases/0001-quillmere-pottery"
PICTURE = "pictures/label 100 %.jpg"


def content(seed: int) -> bytes:
    return random.Random(seed).randbytes(SIZE)


DATA = content(1)


def make_shop(home: Path) -> Case:
    """A case of one bay of which half was read, with a picture, and a setting."""
    with open_bench(home, who="Kim") as bench:
        case = bench.ledger.open_case(Intake(AT, "Quillmere Pottery", box="Tarn T2"))
        bench.ledger.add_bay(Bay(case.number, "1", "AL20-HX4"))
        bench.custody(case.number, "received", "box")
        bench.files.keep(case, PICTURE, b"a picture")
        bench.shop_files.keep("settings", "keeping", "days = 30\n")
        image = bench.images.create(case, "1", IDENTITY)
        assert isinstance(image, ImageFile)
        image.begin_run("direct", "drive")
        keep(image, 0, SIZE // 2)
        image.close()
        bench.ledger.note_image(Image(case.number, "1", "bay-1.img", "direct", AT, read_bytes=SIZE // 2))
    return case


def keep(image: ImageFile, start: int, stop: int, data: bytes = DATA) -> None:
    image.keep(Span(start, stop), memoryview(data)[start:stop], 0.01)


def read_on(home: Path, start: int, stop: int) -> None:
    image = ImageFile.reopen(home / CASE / "bay-1.img")
    image.begin_run("direct", "drive")
    keep(image, start, stop)
    image.close()


def save(home: Path, folder: Path, bench: dict[str, Any] | None = None, **wishes: Any) -> Saved:
    """
    Args:
        bench: more for `open_bench`.
    """
    with ledger_copies(home) as ledger, open_bench(home, **{"who": "Kim", **(bench or {})}) as opened:
        return save_shop(opened, saved_copies(folder, home), ledger, "mendbay test", **wishes)


def never_stops() -> bool:
    return False


def faults_of(folder: Path, home: Path) -> list[str]:
    """What our own check finds; nothing that changes the copy."""
    found = check_saved(saved_copies(folder, home), lambda event: None, never_stops)
    return [str(one) for one in found.faults]


def require_sums(folder: Path) -> None:
    """The word of a program that is not ours."""
    done = subprocess.run(
        ["sha256sum", "--quiet", "--strict", "-c", "manifest-sha256.txt", "tagmanifest-sha256.txt"],
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def require_claims(image: Path) -> int:
    """Every piece that the log of an image claims is what the drive gave. Returns how many bytes that is."""
    store = ImageFile.reopen(image, writable=False)
    try:
        claims = list(store.claims())
        for one in claims:
            assert one.is_held_by(store.take(one.span)) is True, one
        return sum(one.span.length for one in claims)
    finally:
        store.close()


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with what it holds."""
    return {
        str(one.relative_to(folder)): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()
    }


def main() -> None:
    home = Path(sys.argv[1])
    image = ImageFile.reopen(home / CASE / "bay-1.img")
    luck = random.Random(5)
    with Ledger(home / "ledger.sqlite3", busy_seconds=30) as ledger:
        for step in count(1):
            image.begin_run("direct", "drive")
            start = luck.randrange(SECTORS - 512) * 512
            span = Span(start, start + luck.randrange(1, 512) * 512)
            if step % 40 == 0:
                image.doubt(SpanSet([span]), "tried")
            given = content(step)
            for part in SpanSet([span]) - image.coverage().read:
                keep(image, part.start, part.stop, given)
            image.commit()
            ledger.custody_append(1, AT, "Kim", "read", f"step {step}")
            print(step, flush=True)


if __name__ == "__main__":
    main()
