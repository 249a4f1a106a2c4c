"""A bench in a folder for tests of the board's jobs, and a picture reader that sees what it is told."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from mendbay.board.sighting import Corners, How, PictureReading, Sighting
from mendbay.case.records import Bay
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Pictures
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench

SERIAL = "AH4K-20719C"


@contextmanager
def bench_with_case(home: Path) -> Iterator[Bench]:
    """A bench whose case 1 has bays 1 and 2."""
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
        yield bench


def place(row: int, column: int = 0) -> Corners:
    """A text of ordinary size in a row of a label."""
    left, top = 100.0 + 600 * column, 100.0 + 90 * row
    return (left, top), (left + 300, top), (left + 300, top + 40), (left, top + 40)


def seen(picture: str, *texts: str, how: How = How.TEXT) -> tuple[Sighting, ...]:
    """Sightings of texts, one below the other, read with confidence."""
    code = "Code 128" if how is How.BARCODE else ""
    return tuple(Sighting(picture, text, how, 0.99, place(row), code) for row, text in enumerate(texts))


class ToldPictures(Pictures):
    """Sees in a picture of some bytes the texts that were told for them."""

    def __init__(self, told: Mapping[bytes, tuple[str, ...]]) -> None:
        self.told = told
        self.read_names: list[str] = []
        self.closed = False

    def read_bytes(self, data: bytes, name: str) -> PictureReading:
        self.read_names.append(name)
        digest = hashlib.sha256(data).hexdigest()
        return PictureReading(name, digest, 2000, 1500, seen(name, *self.told[data]), (), True, 0.1)

    def close(self) -> None:
        self.closed = True


def starting(pictures: ToldPictures) -> Callable[[], Pictures]:
    return lambda: pictures
