"""A shop in the middle of its work, so that the forms of nearly every page have something to be about."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

from PIL import Image

from mendbay.board.electrical_form import Gate
from mendbay.board.electrical_form_file import packaged_form
from mendbay.case.agenda import WaitsFor
from mendbay.case.items import What
from mendbay.case.records import Bay
from mendbay.faces.web.serve import bench_key
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import keep_pictures
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.hand_over_items import keep_signed
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.keep_stock import reserve
from mendbay.jobs.measure_board import enter, override
from mendbay.jobs.pick_wanted import add_wishes
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.jobs.waiting import wait
from mendbay.jobs.write_receipt import write_receipt
from mendbay.wiring import catalogues, open_bench, open_handback_folder, papers
from support.ext_images import small_image
from support.file_trees import REFUSED
from support.full_case import CONTACT, CUSTOMER, full_home, tell_all
from support.open_picture import as_file
from support.scratch import scratch

READ, YOUNG = 4, 5
"""A case of which a drive is read, its files are listed and were handed back; and one that waits."""


def lively_home(home: Path) -> Path:
    """A shop's home made there: that of `full_home`, and the two cases. Beside it lies `drive.toml`, the
    drive of bay 1 of the one that was read."""
    made = _made()
    shutil.copytree(made / "home", home)
    for one in made.glob("drive.*"):
        shutil.copy(one, home.parent)
    return home


@cache
def _made() -> Path:
    folder = scratch("lively")
    home = full_home(folder / "home")
    (folder / "drive.img").write_bytes(small_image("ext4"))
    (folder / "drive.toml").write_text(f'image = "drive.img"\nserial = "K-1"\n{REFUSED}\n')
    with open_bench(home) as bench:
        bays = [Bay(0, "1", "AL20-HX4", "K-1"), Bay(0, "2", "AL20-HX4")]
        case = take_in(bench, CUSTOMER, contact=CONTACT, box="two-bay box", bays=bays)
        assert case.number == READ
        read_drive(bench, READ, DriveAt("1", f"unsteady:{folder / 'drive.toml'}"))
        catalogue_files(bench, catalogues(home), READ)
        add_wishes(bench, READ, ["shelf-5/**"])
        tell_all(bench, case)
        hand_back(bench, READ, folder / "out", open_handback_folder, papers(), patterns=["large.bin"])
        image = Image.effect_noise((64, 48), 90).convert("RGB")
        picture = folder / "front.jpg"
        picture.write_bytes(as_file(image, "JPEG"))
        keep_pictures(bench, READ, [picture], "the box from the front")
        young = take_in(bench, CUSTOMER, box="two-bay box", bays=bays)
        tell_all(bench, young)
        add_item(bench, young.number, What.ADAPTER, "put down for the wrong case")
        reserve(bench, 4, young.number)
        keep_signed(bench, young.number, 1, picture)
        write_receipt(bench, young.number)
        _measure_shorts(bench, young.number)
        wait(bench, young.number, WaitsFor.CUSTOMER, "a word on the quote")
    bench_key(home)
    return folder


def _measure_shorts(bench: Bench, case: int) -> None:
    """Two gates are closed by what was measured, and one of them is held open by a word."""
    for gate in (Gate.FIVE, Gate.TWELVE):
        short = next(
            one.id
            for one in packaged_form().steps.values()
            if gate in one.guards and one.expected and not one.after
        )
        enter(bench, case, "1", short, "0.1")
    override(bench, case, "1", Gate.TWELVE, "measured again with another meter")
