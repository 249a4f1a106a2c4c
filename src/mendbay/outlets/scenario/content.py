"""What the studio kept on its box: every name, when it was last changed, and how to make it.

Two states are planned: the one both bays shared until late October, and what changed until the box burnt.
Everything is made by the program from the seed; the same seed gives the same bytes.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from zipfile import ZIP_STORED, ZipFile, ZipInfo

import numpy as np

from mendbay.files.tree import Kind
from mendbay.outlets.scenario import papers, recordings, story
from mendbay.outlets.scenario.drawing.photographs import Photograph, draw_photograph
from mendbay.outlets.scenario.kiln_log import firings, write_kiln_log, write_program
from mendbay.outlets.scenario.tree import Item

DAY = 86400
KILN_LOG = b"Kiln/Kiln log.xlsx"
PHOTOGRAPHS = b"Photographs"
WANTED = (KILN_LOG, PHOTOGRAPHS)
"""What the studio asks for first."""
SUBJECTS = (
    "tiles",
    "vase",
    "tiles",
    "mug",
    "above",
    "tiles",
    "bowl",
    "bottle",
    "tiles",
    "jar",
    "above",
    "beaker",
)
WORKERS = 2


@dataclass(frozen=True, slots=True)
class Planned:
    """One name to be made. `make` writes a file's bytes to the path it is given."""

    path: bytes
    modified_at: int
    make: Callable[[Path], object] | None = None
    target: bytes = b""
    same_as: bytes = b""


@dataclass(frozen=True, slots=True)
class Changes:
    """What happened after the halves parted: names that went for good, and files new or saved anew."""

    gone: tuple[bytes, ...]
    planned: tuple[Planned, ...]


def shared_content(seed: int) -> list[Planned]:
    """What both bays held when they parted, about 190 names and 160 MB."""
    return [
        *_photographs(seed),
        *_kiln(seed),
        *_office(seed),
        *_shop(seed),
        *_odd_names(seed),
        *_backups(seed),
    ]


def later_changes(seed: int) -> Changes:
    """What was lost, made and changed on bay 1 alone, from late October to the day before the end."""
    first = story.PARTED_AT + 2 * DAY
    rows = firings(seed)
    shots = [
        Photograph(SUBJECTS[n % len(SUBJECTS)], 201 + n, first + (2 * n + 1) * DAY + n * 977)
        for n in range(8)
    ]
    retouched = _photograph_plan(seed)[23]
    planned = [_photograph(seed, one) for one in shots]
    planned += [
        Planned(
            _photograph_path(retouched), first + 11 * DAY, partial(_write_photograph, seed + 1, retouched)
        ),
        Planned(
            KILN_LOG,
            story.NEWEST_FIRING_AT,
            partial(write_kiln_log, rows=rows, saved_at=story.NEWEST_FIRING_AT),
        ),
        Planned(
            b"Office/Orders.csv",
            story.NEWEST_FIRING_AT - 5000,
            partial(papers.write_orders, seed=seed, until=story.NEWEST_FIRING_AT),
        ),
        Planned(
            b"Kiln/Programs/cone 6 slow cool.csv", first + DAY, partial(write_program, cone="6", cooling=45)
        ),
    ]
    for number, customer in enumerate(papers.CUSTOMERS[:3]):
        dated = first + (4 + 5 * number) * DAY
        planned.append(_invoice(seed, 40 + number, customer, dated))
    return Changes((b"Office/Letters/to do this week.txt",), tuple(planned))


def produce(
    planned: Sequence[Planned], folder: Path, progress: Callable[[str, float], None] | None = None
) -> list[Item]:
    """Makes the planned files under harmless names, several at a time, and lists everything.

    Args:
        folder: where to make them; it must not exist, so that no name is used twice.
        progress: called with the name just made and the share done, 0 to 1; from this thread only.
    """
    folder.mkdir(parents=True)
    places = [folder / f"{number:04d}" for number in range(len(planned))]

    def make(one: Planned, place: Path) -> None:
        if one.make is not None:
            one.make(place)

    with ThreadPoolExecutor(WORKERS) as pool:
        running = [pool.submit(make, one, place) for one, place in zip(planned, places, strict=True)]
        for number, (one, waiting) in enumerate(zip(planned, running, strict=True), 1):
            waiting.result()
            if progress is not None:
                progress(one.path.decode("utf-8", "backslashreplace"), number / len(planned))
    return [_item(one, place) for one, place in zip(planned, places, strict=True)]


def _item(one: Planned, place: Path) -> Item:
    if one.make is not None:
        return Item(one.path, Kind.FILE, one.modified_at, place)
    if one.same_as:
        return Item(one.path, Kind.FILE, one.modified_at, same_as=one.same_as)
    return Item(one.path, Kind.LINK if one.target else Kind.FOLDER, one.modified_at, target=one.target)


# --- photographs --------------------------------------------------------------------------------------


def _photograph_plan(seed: int) -> list[Photograph]:
    chance = random.Random(f"photographs {seed}")  # noqa: S311 - an invented studio
    first, last = story.BOX_SET_UP_AT + 6 * DAY, story.LAST_SHARED_WRITE_AT - DAY
    moments = sorted(chance.randint(first, last) for _ in range(60))
    return [Photograph(SUBJECTS[n % len(SUBJECTS)], n + 1, at) for n, at in enumerate(moments)]


def _photographs(seed: int) -> Iterator[Planned]:
    for one in _photograph_plan(seed):
        yield _photograph(seed, one)
    yield Planned(PHOTOGRAPHS + b"/latest", story.BOX_SET_UP_AT + 90 * DAY, target=b"Glaze tests/2026-10")


def _photograph(seed: int, one: Photograph) -> Planned:
    return Planned(_photograph_path(one), one.taken_at + 1800, partial(_write_photograph, seed, one))


def _photograph_path(one: Photograph) -> bytes:
    shelf = "Glaze tests" if one.subject == "tiles" else "Finished ware"
    month = story.month_of(one.taken_at)
    return PHOTOGRAPHS + f"/{shelf}/{month}/{one.subject} {one.number:03d}.jpg".encode()


def _write_photograph(seed: int, one: Photograph, path: Path) -> None:
    path.write_bytes(draw_photograph(one, seed))


# --- the kiln, the office, the shop -------------------------------------------------------------------


def _kiln(seed: int) -> Iterator[Planned]:
    saved = story.LAST_SHARED_WRITE_AT
    rows = tuple(one for one in firings(seed) if one.lit_at < saved - DAY)
    yield Planned(KILN_LOG, saved, partial(write_kiln_log, rows=rows, saved_at=saved))
    for number, (cone, cooling) in enumerate((("06", 150), ("04", 150), ("6", 120), ("10", 90))):
        path = f"Kiln/Programs/cone {cone}.csv".encode()
        yield Planned(
            path, story.BOX_SET_UP_AT + (number + 2) * DAY, partial(write_program, cone=cone, cooling=cooling)
        )
    yield Planned(b"Kiln/Programs/current.csv", story.BOX_SET_UP_AT + 40 * DAY, target=b"cone 7 trial.csv")
    yield Planned(
        b"Kiln/cone 7 (to do).txt", story.BOX_SET_UP_AT + 50 * DAY, lambda path: path.write_bytes(b"")
    )
    for number, (day, peak) in enumerate(
        (("2026-06-14 cone 10 reduction", 1285), ("2026-08-30 cone 6", 1222))
    ):
        at = story.BOX_SET_UP_AT + (107 + 77 * number) * DAY
        film = partial(recordings.write_film, seed=seed + number, frames=320, peak=peak)
        yield Planned(f"Kiln/Spyhole films/{day}.avi".encode(), at, film)


def _office(seed: int) -> Iterator[Planned]:
    chance = random.Random(f"office {seed}")  # noqa: S311 - an invented studio
    for number in range(14):
        dated = story.BOX_SET_UP_AT + (8 + 16 * number) * DAY
        yield _invoice(seed, number + 1, chance.choice(papers.CUSTOMERS), dated)
    for number, customer in enumerate(papers.CUSTOMERS):
        dated = story.BOX_SET_UP_AT + (15 + 25 * number) * DAY
        path = f"Office/Letters/{story.month_of(dated)} {customer}.txt".encode()
        yield Planned(path, dated, partial(papers.write_letter, seed=seed, customer=customer, dated=dated))
    saved = story.LAST_SHARED_WRITE_AT - 2 * DAY
    note = b"wedge the grogged clay\nring the gallery about the shelf\norder cones\n"
    yield Planned(b"Office/Letters/to do this week.txt", saved, lambda path: path.write_bytes(note))
    yield Planned(b"Office/Orders.csv", saved, partial(papers.write_orders, seed=seed, until=saved))
    yield Planned(b"Office/Prices.csv", saved - 60 * DAY, partial(papers.write_prices, raised=2))
    yield Planned(b"Office/Prices last year.csv", saved - 200 * DAY, partial(papers.write_prices, raised=0))
    for number in range(3):
        at = story.BOX_SET_UP_AT + (60 + 50 * number) * DAY
        path = f"Office/Voice notes/glaze talk {number + 1}.wav".encode()
        yield Planned(path, at, partial(recordings.write_voice_note, seed=seed + number, seconds=300))


def _invoice(seed: int, number: int, customer: str, dated: int) -> Planned:
    name = f"2026-{number:03d}"
    make = partial(papers.write_invoice, seed=seed, number=name, customer=customer, dated=dated)
    return Planned(f"Office/Invoices/{name} {customer}.pdf".encode(), dated, make)


def _shop(seed: int) -> Iterator[Planned]:
    at = story.BOX_SET_UP_AT + 120 * DAY
    yield Planned(b"Shop page/index.html", at, partial(papers.write_shop_page, pieces=8))
    yield Planned(b"Shop page/style.css", at, papers.write_style)
    yield Planned(
        b"Shop page/prices.csv", story.LAST_SHARED_WRITE_AT - 62 * DAY, same_as=b"Office/Prices.csv"
    )
    for number, one in enumerate(_photograph_plan(seed)[1:24:3]):
        make = partial(papers.write_thumbnail, seed=seed, photograph=one)
        yield Planned(b"Shop page/pieces/%02d.jpg" % number, at + 60 * number, make)


# --- what makes a rescue hard -------------------------------------------------------------------------


def _odd_names(seed: int) -> Iterator[Planned]:
    """Names and links as they are really met, and some that an attacker would choose."""
    at = story.BOX_SET_UP_AT + 20 * DAY
    old = b"From the old laptop/"
    long = "Glaze notes from the summer course: slow cooling, crystals, zinc, and why it all ran down; "
    texts = {
        (long * 3).encode()[:251] + b".txt": "Cool from 1100 to 1050 in an hour, then hold for three.\n" * 30,
        "Glasurproben f\xfcr Rot.txt".encode("latin-1"): "Rot 3: mehr Zinn, weniger Kupfer.\n" * 12,
        b"50%25 frit, 50% clay.txt": "Half and half; do not sieve.\n" * 8,
        b"..%2F..%2Fetc%2Fshadow": "Only a name.\n",
        b'the "good" celadon.txt': "Feldspar 42, silica 27, whiting 18, kaolin 13; iron 1.\n" * 5,
        "Каолин и мел.txt".encode(): "Каолин 12, мел 18.\n" * 9,
        b"a/b/c/d/e/f/g/h/buried.txt": "Here it is.\n",
    }
    for number, (name, text) in enumerate(texts.items()):
        yield Planned(old + name, at + 977 * number, partial(_write_text, text=text))
    broken = b"Pasted/shopping list\nclay, wax, sponges.txt"
    yield Planned(broken, at + 9000, partial(_write_text, text="10 bags of clay\nwax\nsponges\n"))
    yield Planned(old + b"passwords", at + 9600, target=b"/etc/passwd")
    yield Planned(old + b"home", at + 9700, target=b"../../../../../../root")
    yield Planned(old + b"empty folder", at + 9800)


def _backups(seed: int) -> Iterator[Planned]:
    at = story.BOX_SET_UP_AT + 150 * DAY
    yield Planned(b"Backups/old laptop.img", at, partial(_write_sparse_image, seed=seed))
    yield Planned(b"Backups/2026-07 photographs.zip", at + DAY, partial(_write_archive, seed=seed))
    yield Planned(b"Scans/board for the wall.ppm", at + 2 * DAY, partial(recordings.write_scan, seed=seed))


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _write_sparse_image(path: Path, seed: int) -> None:
    """A file of 48 MiB that is mostly holes: more separate runs than an inode can list."""
    chance = np.random.default_rng([seed, 48])
    places = np.sort(chance.choice(48 * 16, 40, replace=False)) * 65536
    with path.open("wb") as file:
        for place in places.tolist():
            file.seek(place)
            file.write(chance.bytes(int(chance.integers(8000, 50000))))
        file.truncate(48 << 20)


def _write_archive(path: Path, seed: int) -> None:
    with ZipFile(path, "w", ZIP_STORED) as archive:
        for one in _photograph_plan(seed)[::12]:
            entry = ZipInfo(_photograph_path(one).decode(), (2026, 7, 28, 8, 0, 0))
            archive.writestr(entry, draw_photograph(one, seed))
