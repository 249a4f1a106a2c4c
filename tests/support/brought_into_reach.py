"""What must have been done in a shop before some addresses have anything to be about."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable, Mapping
from typing import Any
from unittest.mock import patch

from PIL import Image

from mendbay.case.records import Bay
from mendbay.faces.web import case_works
from mendbay.jobs.read_pictures import read_pictures
from mendbay.jobs.take_in import take_in
from mendbay.outlets import eraser
from mendbay.wiring import shop_files
from support.board_bench import SERIAL, ToldPictures
from support.failing import FailingOs
from support.flash_bench import rom
from support.lively_home import READ
from support.lively_offers import BOOK
from support.page_forms import Offered, offered_on
from support.web_client import Web
from support.works import work_here

ERASING = f"/case/{READ}/closing/erase"
PLAN = f"{ERASING}/plan/2"
"""Of the second plan of the case."""
CLIP = {"bay": "1", "volts": ["1.8", "3.3"], "marked": "yes", "ready": "yes"}
CUT = "faults = { power_lost_at = 120 }\n"
"""In the middle of writing so small a chip."""


def _erase(web: Web) -> None:
    said = {"sorts": ["pictures"], "reason": "asked for", "unproven": "nothing is wanted back"}
    with patch.object(case_works, "start_work", work_here):
        web.post(f"{ERASING}/plan", said)
        web.post(f"{PLAN}/now", {"typed": str(READ)})


def _erased(web: Web, name: str) -> list[Offered]:
    _erase(web)
    return offered_on(web.get(ERASING), ERASING, BOOK, name)


def _erasure_broken_off(web: Web, name: str) -> list[Offered]:
    with patch.object(eraser, "os", FailingOs(("unlink",), 1, lambda: OSError(errno.EIO, "made"), True)):
        _erase(web)
    return offered_on(web.get(PLAN), PLAN, BOOK, name)


def _planned_transfer(web: Web, name: str) -> list[Offered]:
    """Both chips were read, and what is asked for has all that a person in good order says; to be put back
    it was broken off."""
    chips = web.home.parent
    with web.bench() as bench:
        case = take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")]).number
    board = f"/case/{case}/board"

    def describe(chip: str, faults: str = "") -> dict[str, Any]:
        place = chips / f"{chip}.toml"
        place.write_text(f'memory = "{chip}.bin"\nid = "c2 99 0d"\n{faults}')
        return {**CLIP, "programmer": f"simulated:{place}"}

    with patch.object(case_works, "start_work", work_here):
        for seed, chip in enumerate(("patient", "donor"), 1):
            (chips / f"{chip}.bin").write_bytes(rom(seed))
            web.post(f"{board}/read-chip", {**describe(chip), "chip": chip, "times": "2"})
        web.post(f"{board}/plan", {"bay": "1", "target": "donor"})
        said = {**describe("donor"), "patient_away": "yes", "roles_checked": "yes"}
        if name == "board-restore":
            describe("donor", CUT)
            web.post(f"{board}/write", said)
            said = describe("donor")
    page = f"{board}/transfer?bay=1"
    (way,) = {one.path for one in offered_on(web.get(page), page, BOOK, name)}
    pairs = [(one, value) for one, values in said.items() for value in _several(values)]
    return [Offered(way, tuple(pairs), page)]


def _several(values: str | list[str]) -> list[str]:
    return [values] if isinstance(values, str) else values


def _pictures_read(web: Web, name: str) -> list[Offered]:
    made = io.BytesIO()
    Image.effect_noise((64, 48), 90).save(made, "PNG")
    place = web.home.parent / "label.png"
    place.write_bytes(made.getvalue())
    told = ToldPictures({made.getvalue(): (f"S/N {SERIAL}", "<b>x</b>")})
    with web.bench() as bench:
        read_pictures(bench, shop_files(web.home), lambda: told, READ, "1", [place])
    page = f"/case/{READ}/pictures?bay=1"
    if name != "withdraw-picture":
        page += f"&kind=serial+number&read={SERIAL}"
    return offered_on(web.get(page), page, BOOK, name)


BROUGHT: Mapping[str, Callable[[Web, str], list[Offered]]] = {
    "withdraw-picture": _pictures_read,
    "correct-identifier": _pictures_read,
    "strike-identifier": _pictures_read,
    "erasure-certificate": _erased,
    "end-erasure": _erasure_broken_off,
    "board-write": _planned_transfer,
    "board-restore": _planned_transfer,
}
"""By the name of an address: does that in a shop, and returns what it offers then."""
