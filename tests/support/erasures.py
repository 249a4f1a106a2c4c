"""A case whose copies are erased: an image with holes, a dump, a picture, and a hand-back folder."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from mendbay.case.hand_over import Direction, HandOver, Role, Signed, hand_over_record
from mendbay.case.items import Item, What, Where
from mendbay.case.records import Bay, Case
from mendbay.core.note import Note, NoteKind
from mendbay.core.source import Reading
from mendbay.core.span import Span
from mendbay.handback.erasure import ErasurePlan, Sort
from mendbay.jobs.bench import Bench
from mendbay.jobs.erase_copies import Confirm, Erased, erase_copies
from mendbay.jobs.keep_items import write_item
from mendbay.jobs.plan_erasure import Planned, plan_erasure
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.take_in import take_in
from mendbay.outlets.destination import Destination
from mendbay.wiring import eraser, open_bench, shop_copies

MARKER = b"glaze recipe of the pottery, not to be found again "
IMAGE_BYTES = 3 << 20
HOLE = (1 << 20, 2 << 20)
FILES = {"data/Kiln/log.txt": MARKER * 30, "data/Kiln/deep/empty.txt": b"", "data/photo.jpg": MARKER * 2000}
SAID = "the customer came by and asked for it"


class Standing:
    """A clock that stands."""

    def __init__(self, text: str = "2026-11-25T12:00:00Z") -> None:
        self._now = datetime.fromisoformat(text)

    def now(self) -> datetime:
        return self._now

    def steady_seconds(self) -> float:
        return 0.0


@dataclass(frozen=True, slots=True)
class Shop:
    """A shop's home with one case."""

    home: Path
    bench: Bench
    case: Case

    @property
    def folder(self) -> Path:
        return self.home / "cases" / self.case.folder

    @property
    def image(self) -> Path:
        return self.folder / "bay-1.img"

    @property
    def bag(self) -> Path:
        return self.home / "back"

    def plan(self, **more: object) -> Planned:
        chosen: dict[str, Any] = {"reason": SAID} | more
        return plan_erasure(self.bench, shop_copies(self.home), self.case.number, **chosen)

    def erase(self, name: str = "1", confirm: Confirm | None = None) -> Erased:
        return erase_copies(
            self.bench,
            shop_copies(self.home),
            eraser(self.home),
            self.case.number,
            name,
            "a test",
            confirm or agreed,
        )

    def at(self, moment: str) -> Shop:
        """The same shop at another time."""
        return replace(self, bench=replace(self.bench, clock=Standing(moment)))


def agreed(plan: ErasurePlan) -> None:
    """Nobody is asked."""


def image_bytes() -> bytes:
    """What the image holds: the marker all over, but for a hole of zeros."""
    data = bytearray((MARKER * (IMAGE_BYTES // len(MARKER) + 1))[:IMAGE_BYTES])
    data[slice(*HOLE)] = bytes(HOLE[1] - HOLE[0])
    return bytes(data)


def write_image(path: Path) -> None:
    """Writes the image, with a real hole where the file system can have one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    data = image_bytes()
    with path.open("wb") as file:
        file.write(data[: HOLE[0]])
        file.seek(HOLE[1])
        file.write(data[HOLE[1] :])
        file.flush()
        os.fsync(file.fileno())


def write_bag(folder: Path, case: str) -> None:
    """A hand-back as Mendbay makes it."""
    with Destination(folder, case) as destination:
        destination.expect({path: len(data) for path, data in FILES.items()})
        for path, data in FILES.items():
            destination.put(path, [Reading(Span(0, len(data)), data, ())] if data else [])
            assert destination.verify(path).equal
        report = json.dumps({"case_number": case}).encode()
        destination.finish("2026-11-20", [], {"report.json": report, "names.json": b"{}\n"})


def put_down_hand_over(
    bench: Bench,
    what: What,
    number: int = 1,
    role: Role = Role.CUSTOMER,
    direction: Direction = Direction.RELEASED,
    signed: bool = True,
) -> None:
    """A hand-over of the case's item 2, which is there then, without its paper; that it was signed is but put
    down."""
    where = Where.HERE if direction is Direction.RECEIVED else Where.CUSTOMER
    item = Item(1, 2, what, marks="Tarn T2", where=where)
    kept = (Signed("papers/signed.pdf", "0" * 64, 1, bench.now()),) if signed else ()
    over = HandOver(1, number, direction, role, (item,), bench.now(), bench.who, signed=kept)
    body = json.dumps(hand_over_record(over))
    write_item(bench, item)
    bench.notes.add(Note(1, "", NoteKind.HANDOVER, str(number), bench.now(), bench.who, body))


def put_down_check(bench: Bench, bag: Path) -> None:
    """That a copy of the hand-back in `bag` was checked on another medium."""
    digest = sha256((bag / "manifest-sha256.txt").read_bytes()).hexdigest()
    bench.note(1, COPY_CHECKED, "A copy was checked.", {"manifest_sha256": digest})


@contextmanager
def shop_with_copies(home: Path, *, bag: bool = True) -> Iterator[Shop]:
    """A shop whose case 1 has an image, a dump, a picture, and, if wished, a hand-back still held."""
    with open_bench(home) as opened:
        bench = replace(opened, clock=Standing(), who="the bench")
        case = take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1", "AL20-HX4", "T1")])
        made = Shop(home, bench, case)
        write_image(made.image)
        bench.files.keep(case, "roms/bay-1/patient-1/read-1.bin", MARKER * 10)
        bench.files.keep(case, "photos/bay-1/board.png", MARKER * 20)
        if bag:
            write_bag(made.bag, "0001")
            bench.note(1, "hand-back", "Files handed back.", {"folder": str(made.bag)})
            put_down_check(bench, made.bag)
            put_down_hand_over(bench, What.MEDIUM)
        yield made


def remains(shop: Shop) -> list[str]:
    """Every file of the case's folder and the hand-back folder that still holds the marker."""
    found = []
    for top in (shop.folder, shop.bag):
        for one in sorted(top.rglob("*")):
            if one.is_file() and MARKER in one.read_bytes():
                found.append(one.name)
    return found


ALL_SORTS = tuple(Sort)
