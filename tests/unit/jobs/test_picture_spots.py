"""Where each identifier was seen in a picture, and what a person's word makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.board.number_form import Kind
from mendbay.board.sighting import How
from mendbay.core.errors import NoSuchCase
from mendbay.jobs.bench import Bench
from mendbay.jobs.picture_spots import PictureSpots, Spot, spots_of
from mendbay.jobs.read_pictures import (
    correct_identifier,
    read_pictures,
    withdraw_correction,
    withdraw_picture,
)
from mendbay.outlets.shop_files import ShopFolder
from support.board_bench import ToldPictures, place, starting

LABEL = ("Alder", "Model AL20-HX4", "S/N AH4K-20719C", "2.0 TB", "Date 2025-W38")
BOARD = ("TB-4471-200 R3", "KL5120B", "MV3041CT")


@pytest.fixture
def pictured(bench: Bench, shop: ShopFolder, tmp_path: Path) -> Bench:
    shots = tmp_path / "shots"
    shots.mkdir()
    for name in ("label", "board"):
        (shots / f"{name}.jpg").write_bytes(name.encode())
    told = ToldPictures({b"label": LABEL, b"board": BOARD})
    read_pictures(bench, shop, starting(told), 1, "1", [shots])
    return bench


def of_picture(bench: Bench, shop: ShopFolder, name: str) -> PictureSpots:
    (found,) = [one for one in spots_of(bench, shop, 1, "1") if one.picture == name]
    return found


def serials(bench: Bench, shop: ShopFolder) -> list[Spot]:
    return [one for one in of_picture(bench, shop, "label.jpg").spots if one.kind is Kind.SERIAL]


def test_every_identifier_has_its_place_in_its_picture(pictured: Bench, shop: ShopFolder) -> None:
    label, board = of_picture(pictured, shop, "label.jpg"), of_picture(pictured, shop, "board.jpg")
    assert (label.width, label.height, label.path) == (2000, 1500, "photos/bay-1/label.jpg")
    values = {one.value: one for one in (*label.spots, *board.spots)}
    assert values["AH4K-20719C"].corners == place(2)
    assert values["AH4K-20719C"].read == "S/N AH4K-20719C"
    assert values["TB-4471-200"].corners == values["R3"].corners == place(0)
    assert {one.how for one in values.values()} == {How.TEXT}
    assert all(one.standing and not one.corrected_to and 0 < one.sure < 1 for one in values.values())
    assert Kind.BOARD not in {one.kind for one in label.spots}


def test_a_correction_is_told_at_the_place_of_what_it_corrects(pictured: Bench, shop: ShopFolder) -> None:
    (before,) = serials(pictured, shop)
    correct_identifier(pictured, shop, 1, "1", Kind.SERIAL, "AH4K-20719D")
    (after,) = serials(pictured, shop)
    assert (after.value, after.standing, after.corrected_to) == ("AH4K-20719C", False, "AH4K-20719D")
    assert (after.corners, after.sure) == (before.corners, before.sure)
    correct_identifier(pictured, shop, 1, "1", Kind.SERIAL, "AH4K-20719C")
    (back,) = serials(pictured, shop)
    assert (back.standing, back.corrected_to, back.sure) == (True, "", 1.0)
    assert [one.standing for one in of_picture(pictured, shop, "board.jpg").spots] == [True] * len(
        of_picture(pictured, shop, "board.jpg").spots
    )


def test_what_was_taken_out_stands_no_longer_until_it_is_said_again(
    pictured: Bench, shop: ShopFolder
) -> None:
    correct_identifier(pictured, shop, 1, "1", Kind.SERIAL, "")
    (gone,) = serials(pictured, shop)
    assert (gone.standing, gone.corrected_to) == (False, "")
    correct_identifier(pictured, shop, 1, "1", Kind.SERIAL, "AH4K-20719C")
    (again,) = serials(pictured, shop)
    assert (again.standing, again.sure) == (True, 1.0)
    for _ in range(2):
        withdraw_correction(pictured, shop, 1, "1", Kind.SERIAL, "typed at the wrong drive")
    (read,) = serials(pictured, shop)
    assert (read.standing, read.sure < 1) == (True, True)


def test_a_withdrawn_picture_has_no_spots_and_a_bay_must_be_there(pictured: Bench, shop: ShopFolder) -> None:
    withdraw_picture(pictured, shop, 1, "1", "board.jpg", "another drive")
    assert [one.picture for one in spots_of(pictured, shop, 1, "1")] == ["label.jpg"]
    assert spots_of(pictured, shop, 1, "2") == ()
    with pytest.raises(NoSuchCase):
        spots_of(pictured, shop, 1, "9")
