"""Pictures are kept with the case, read once, and corrected by a person's word."""

from __future__ import annotations

import hashlib
import os
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.board.sighting import PICTURE_BYTES, PictureFault, PictureReading, Trouble
from mendbay.case.records import Bay
from mendbay.core.errors import BadFormFile, NoSuchCase, SourceChanged, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.picture_files import LeftOut, found
from mendbay.jobs.read_pictures import (
    BoardLook,
    correct_identifier,
    describe,
    lessons,
    read_pictures,
    tell_board,
    withdraw_correction,
)
from mendbay.jobs.take_in import add_bay
from mendbay.outlets.shop_files import ShopFolder
from support.board_bench import ToldPictures, starting

LABEL = ("Alder", "Model AL20-HX4", "S/N AH4K-20719C", "2.0 TB", "Date 2025-W38")
BOARD = ("TB-4471-200 R3", "KL5120B", "MV3041CT")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "shots"
    made.mkdir()
    (made / "label.jpg").write_bytes(b"label")
    (made / "board.JPG").write_bytes(b"board")
    (made / "notes.txt").write_bytes(b"not a picture")
    return made


def shop(bench: Bench, tmp_path: Path) -> ShopFolder:
    return ShopFolder(tmp_path / "home")


def value(look: BoardLook, kind: Kind) -> Identifier:
    found = [one for one in look.identifiers if one.kind is kind]
    assert len(found) == 1, found
    return found[0]


def test_a_folder_becomes_identifiers_and_its_pictures_are_kept(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder])
    assert value(look, Kind.SERIAL).value == "AH4K-20719C"
    assert value(look, Kind.BOARD).value == "TB-4471-200"
    assert value(look, Kind.REVISION).value == "R3"
    assert value(look, Kind.CONTROLLER).value == "KL5120B"
    assert look.left_out == (LeftOut("notes.txt", "not a picture"),)
    assert pictures.closed
    case = bench.ledger.case(1)
    assert (bench.images.folder(case) / "photos/bay-1/label.jpg").read_bytes() == b"label"
    assert tell_board(bench, shop(bench, tmp_path), 1, "1").identifiers == look.identifiers
    assert tell_board(bench, shop(bench, tmp_path), 1, "2").identifiers == ()


def test_a_picture_is_read_once_and_the_reader_not_even_started_again(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    first = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder])

    def never() -> ToldPictures:
        raise AssertionError("there was nothing new to read")

    again = read_pictures(bench, shop(bench, tmp_path), never, 1, "1", [folder / "label.jpg"])
    assert again.identifiers == first.identifiers


def test_another_picture_of_the_same_name_stands_beside_the_first(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder / "label.jpg"])
    (folder / "label.jpg").write_bytes(b"board")
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder / "label.jpg"])
    assert pictures.read_names == ["label.jpg", "label-2.jpg"]
    assert {one.picture for one in look.readings} == {"label.jpg", "label-2.jpg"}
    assert value(look, Kind.BOARD).value == "TB-4471-200"


def test_a_correction_holds_for_its_bay_and_teaches_the_shop(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": ("TB-4471-200 R3", "KL512OB")})
    files = shop(bench, tmp_path)
    read_pictures(bench, files, starting(pictures), 1, "1", [folder])
    look = correct_identifier(bench, files, 1, "1", Kind.SERIAL, "AH4K-20719D")
    fixed = value(look, Kind.SERIAL)
    assert (fixed.value, fixed.confidence, str(fixed.how)) == ("AH4K-20719D", 1.0, "hand")
    assert fixed.sightings, "the evidence of the picture stays"
    assert "serial number is AH4K-20719D" in bench.ledger.events(1)[-1].text
    kept = bench.ledger.custody(1)[-1]
    assert kept.what == "identifier corrected by hand"
    assert kept.item == "bay 1, serial number is AH4K-20719D instead of AH4K-20719C"
    other = read_pictures(bench, files, starting(pictures), 1, "2", [folder / "label.jpg"])
    assert value(other, Kind.SERIAL).confidence < 1, "another bay's serial is not corrected by it"
    taken_out = correct_identifier(bench, files, 1, "1", Kind.SERIAL, "")
    assert not [one for one in taken_out.identifiers if one.kind is Kind.SERIAL]


def test_a_correction_of_nothing_adds_it_and_an_unclear_one_is_asked_back(
    bench: Bench, tmp_path: Path
) -> None:
    files = shop(bench, tmp_path)
    look = correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-9999-100")
    assert value(look, Kind.BOARD).value == "TB-9999-100"
    with pytest.raises(UsageError, match="has no model"):
        correct_identifier(bench, files, 1, "1", Kind.MODEL, "")
    correct_identifier(bench, files, 1, "1", Kind.MODEL, "AL20-HX4")
    with pytest.raises(UsageError, match="has no model"):
        correct_identifier(bench, files, 1, "1", Kind.MODEL, "AL20-HX5", read="something else")


def test_the_shops_own_forms_are_used(bench: Bench, folder: Path, tmp_path: Path) -> None:
    files = shop(bench, tmp_path)
    files.keep(
        "number-forms",
        "own",
        '[[form]]\nid = "own-controller"\nkind = "main controller"\n'
        'pattern = \'ZQ(?<type>\\d{3})\'\nparts.type = { means = "type" }\nexamples = ["ZQ123"]\n'
        'counter_examples = ["ZQ12"]\nprovenance = "invented for a test"\n',
    )
    pictures = ToldPictures({b"label": LABEL, b"board": ("ZQ471",)})
    look = read_pictures(bench, files, starting(pictures), 1, "1", [folder])
    assert value(look, Kind.CONTROLLER).value == "ZQ471"
    assert value(look, Kind.CONTROLLER).form == "own-controller"


def test_a_description_takes_the_surest_and_leaves_out_what_cannot_be_read(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder])
    found = describe(look.identifiers)
    assert (found.board_number, found.revision, found.motor_driver) == ("TB-4471-200", "R3", "MV3041CT")
    assert (found.model, found.made_on, found.rom_chip) == ("AL20-HX4", "2025-09-15", "")
    assert found.family


@pytest.mark.parametrize("places", [["no such"], ["empty"]])
def test_nothing_to_read_is_told(bench: Bench, tmp_path: Path, places: list[str]) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError):
        read_pictures(
            bench,
            shop(bench, tmp_path),
            starting(ToldPictures({})),
            1,
            "1",
            [tmp_path / one for one in places],
        )


def test_pictures_are_held_in_memory_one_at_a_time(bench: Bench, tmp_path: Path) -> None:
    """Twelve pictures of 4 MiB take no more than a few copies of one."""
    size, count = 4 << 20, 12
    many = tmp_path / "many"
    many.mkdir()
    for number in range(count):
        (many / f"{number:02d}.jpg").write_bytes(bytes([number]) * size)

    class Unmoved(ToldPictures):
        def read_bytes(self, data: bytes, name: str) -> PictureReading:
            self.read_names.append(name)
            digest = hashlib.sha256(data).hexdigest()
            return PictureReading(name, digest, 1, 1, (), (), True, 0.0)

    pictures = Unmoved({})
    tracemalloc.start()
    try:
        read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [many])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert pictures.read_names == [f"{number:02d}.jpg" for number in range(count)]
    assert size < peak < 4 * size


def test_a_picture_changed_after_it_was_kept_is_not_read_in_its_place(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})

    def changes() -> ToldPictures:
        kept = bench.images.folder(bench.ledger.case(1)) / "photos/bay-1/label.jpg"
        kept.chmod(0o644)
        kept.write_bytes(b"board")
        return pictures

    with pytest.raises(SourceChanged, match=r"label\.jpg"):
        read_pictures(bench, shop(bench, tmp_path), changes, 1, "1", [folder])
    assert pictures.closed


def test_links_in_a_folder_are_left_out(bench: Bench, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"label")
    (folder / "zz.jpg").symlink_to(tmp_path / "secret.jpg")
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder])
    assert ("zz.jpg", "a link") in [(one.name, one.why) for one in look.left_out]


def test_an_unknown_bay_is_told_before_anything_is_read(bench: Bench, folder: Path, tmp_path: Path) -> None:
    with pytest.raises(NoSuchCase):
        read_pictures(bench, shop(bench, tmp_path), starting(ToldPictures({})), 1, "9", [folder])


def test_pictures_of_another_drive_than_was_taken_in_are_told(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    add_bay(bench, Bay(1, "3", "AL20-HX4", "AH4K-99999Z"))
    add_bay(bench, Bay(1, "4", "Alder AL20-HX4", "AH4K-20719C"))
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    files = shop(bench, tmp_path)
    other = read_pictures(bench, files, starting(pictures), 1, "3", [folder])
    assert len(other.clashes) == 1
    assert "AH4K-99999Z" in other.clashes[0]
    assert read_pictures(bench, files, starting(pictures), 1, "4", [folder]).clashes == ()


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        (b"a\x1b[2Jb.jpg", "a_[2Jb.jpg"),
        (b"two\nlines.jpg", "two_lines.jpg"),
        (b"latin \xe4.JPG", "latin _.JPG"),
        ("\u202egpj.jpg".encode(), "_gpj.jpg"),
        (b"n" * 240 + b".jpg", "n" * 116 + ".jpg"),
        ("ä".encode() * 120 + b".jpg", "ä" * 58 + ".jpg"),
        ("Bäckerei 1.jpg".encode(), "Bäckerei 1.jpg"),
    ],
)
def test_a_file_of_an_odd_name_is_kept_under_a_plain_one_and_the_others_are_read(
    bench: Bench, folder: Path, tmp_path: Path, name: bytes, kept: str
) -> None:
    (folder / os.fsdecode(name)).write_bytes(b"odd")
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD, b"odd": ("FW H40.17C",)})
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder])
    assert {one.picture for one in look.readings} == {"label.jpg", "board.JPG", kept}
    assert (bench.images.folder(bench.ledger.case(1)) / "photos/bay-1" / kept).read_bytes() == b"odd"


def test_a_file_that_is_too_large_or_cannot_be_opened_costs_only_itself(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    with (folder / "aa large.jpg").open("wb") as file:
        file.truncate(PICTURE_BYTES + 1)
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    gone = folder / "gone \x1b.jpg"
    look = read_pictures(bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder, gone])
    assert value(look, Kind.SERIAL).value == "AH4K-20719C"
    missing = {one.name: one for one in look.left_out if one.missing}
    assert missing.keys() == {"aa large.jpg", "gone \\x1b.jpg"}
    assert missing["aa large.jpg"].why.startswith("has 50.3")
    assert missing["gone \\x1b.jpg"].why == "cannot be opened: No such file or directory"
    assert all(one.next_step for one in missing.values())
    with pytest.raises(UsageError, match=r"at most 50\.3"):
        read_pictures(
            bench, shop(bench, tmp_path), starting(pictures), 1, "1", [folder / "aa large.jpg", gone]
        )


def test_a_folder_whose_files_cannot_be_looked_at_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a folder that may be listed but not entered, which root's rights would hide from this test."""
    (tmp_path / "a.jpg").write_bytes(b"a")

    def refused(path: Path) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "is_file", refused)
    with pytest.raises(UsageError, match=r"a\.jpg cannot be looked at: Permission denied"):
        found([tmp_path])


class Failing(ToldPictures):
    """Sees nothing in time until told otherwise."""

    failing = True

    def read_bytes(self, data: bytes, name: str) -> PictureReading:
        if not self.failing:
            return super().read_bytes(data, name)
        self.read_names.append(name)
        trouble = Trouble(PictureFault.UNREAD, "not within 90 seconds", "Have it read again.")
        return PictureReading(name, hashlib.sha256(data).hexdigest(), 0, 0, (), (trouble,), False, 90.0)


def test_a_picture_whose_reading_failed_is_read_again_and_that_is_said(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = Failing({b"label": LABEL})
    files = shop(bench, tmp_path)
    read_pictures(bench, files, starting(pictures), 1, "1", [folder / "label.jpg"])
    pictures.failing = False
    (folder / "a copy.jpg").write_bytes(b"label")
    told: list[object] = []
    again = replace(bench, tell=told.append)
    look = read_pictures(again, files, starting(pictures), 1, "1", [folder / "a copy.jpg"])
    assert [one.picture for one in look.readings] == ["label.jpg"], "the copy shows nothing more"
    assert value(look, Kind.SERIAL).value == "AH4K-20719C"
    assert Said("label.jpg is read again: it could not be read before.") in told
    assert [one.what for one in bench.ledger.custody(1)][-2:] == ["picture filed", "picture read again"]
    read_pictures(again, files, starting(pictures), 1, "1", [folder / "a copy.jpg"])
    assert pictures.read_names == ["label.jpg", "label.jpg"]


def test_what_was_read_before_a_stop_stands_in_custody_and_in_the_cases_story(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    class Stopped(ToldPictures):
        def read_bytes(self, data: bytes, name: str) -> PictureReading:
            if name == "label.jpg":
                raise KeyboardInterrupt
            return super().read_bytes(data, name)

    files = shop(bench, tmp_path)
    with pytest.raises(KeyboardInterrupt):
        read_pictures(bench, files, starting(Stopped({b"board": BOARD})), 1, "1", [folder])
    assert bench.ledger.events(1)[-1].text == "Bay 1: 1 picture read of 2, then stopped (board.JPG)."
    last = bench.ledger.custody(1)[-1]
    assert (last.what, last.item) == (
        "picture filed",
        f"bay 1, SHA-256 {hashlib.sha256(b'board').hexdigest()}",
    )
    read_pictures(bench, files, starting(ToldPictures({b"label": LABEL})), 1, "1", [folder])
    assert bench.ledger.events(1)[-1].text == "Bay 1: 1 picture read (label.jpg)."


@pytest.mark.parametrize(
    ("fault", "usable", "incomplete"),
    [
        (PictureFault.UNUSABLE, False, True),
        (PictureFault.UNREAD, False, True),
        (PictureFault.BLURRED, False, True),  # the board was not seen, and may be hidden in it
        (None, True, False),
    ],
)
def test_a_picture_that_must_be_taken_again_leaves_the_answer_incomplete(
    bench: Bench, folder: Path, tmp_path: Path, fault: PictureFault | None, usable: bool, incomplete: bool
) -> None:
    class Poor(ToldPictures):
        def read_bytes(self, data: bytes, name: str) -> PictureReading:
            troubles = (Trouble(fault, "as told", "Take it again."),) if fault else ()
            return replace(super().read_bytes(data, name), troubles=troubles, usable=usable)

    files = shop(bench, tmp_path)
    poor = starting(Poor({b"label": LABEL}))
    for _ in range(2):  # also when it was read before
        look = read_pictures(bench, files, poor, 1, "1", [folder / "label.jpg"])
        assert look.incomplete is incomplete
        assert look.blind == (("label.jpg",) if fault in (PictureFault.UNUSABLE, PictureFault.UNREAD) else ())
    assert tell_board(bench, files, 1, "1").blind == ()


def test_a_picture_that_could_not_be_fetched_leaves_the_answer_incomplete(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = starting(ToldPictures({b"label": LABEL, b"board": BOARD}))
    files = shop(bench, tmp_path)
    assert not read_pictures(bench, files, pictures, 1, "1", [folder]).incomplete
    assert read_pictures(bench, files, pictures, 1, "1", [folder, folder / "gone.jpg"]).incomplete


def test_what_is_named_and_is_no_picture_is_told_and_not_filed(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    stock, photo = folder / "mystock.csv", folder / "photo"
    stock.write_text("own id,board number\nN-02,BX-2\n")
    photo.write_bytes(b"\xff\xd8\xffboard")
    pictures = starting(ToldPictures({b"label": LABEL, b"board": BOARD, b"\xff\xd8\xffboard": BOARD}))
    files = shop(bench, tmp_path)
    look = read_pictures(bench, files, pictures, 1, "1", [stock, photo, folder / "label.jpg"])
    assert {one.picture for one in look.readings} == {"photo", "label.jpg"}
    assert [(one.name, one.why, one.missing) for one in look.left_out] == [
        ("mystock.csv", "not a picture", True)
    ]
    assert not [one for one in look.advice if "mystock" in one.sentence]
    with pytest.raises(UsageError, match=r"mystock\.csv is not a picture"):
        read_pictures(bench, files, pictures, 1, "2", [stock])


def test_what_was_struck_out_by_hand_is_not_told_as_not_seen(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    pictures = starting(ToldPictures({b"label": LABEL, b"board": BOARD}))
    files = shop(bench, tmp_path)
    read_pictures(bench, files, pictures, 1, "1", [folder])

    def told(look: BoardLook) -> list[str]:
        return [one.sentence for one in look.advice if one.kind is Kind.BOARD]

    (struck,) = told(correct_identifier(bench, files, 1, "1", Kind.BOARD, ""))
    assert struck.startswith("The board number was struck out by hand. Type in what is right, or photograph")
    assert told(correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-4471-210")) == []


def test_a_broken_file_of_own_forms_is_named_in_full(bench: Bench, tmp_path: Path) -> None:
    broken = tmp_path / "shop" / "number-forms" / "ours.toml"
    broken.parent.mkdir(parents=True)
    broken.write_text("form!")
    with pytest.raises(BadFormFile) as caught:
        tell_board(bench, ShopFolder(tmp_path / "shop"), 1, "1")
    assert str(broken) in caught.value.what
    assert "line 1" in caught.value.what
    assert "Moved out" in caught.value.next_step


def test_a_correction_is_taken_back_and_teaches_nothing(bench: Bench, folder: Path, tmp_path: Path) -> None:
    files = shop(bench, tmp_path)
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    read_pictures(bench, files, starting(pictures), 1, "1", [folder])
    with pytest.raises(UsageError, match="Nobody corrected"):
        withdraw_correction(bench, files, 1, "1", Kind.BOARD, "a slip")
    correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-4471-2O0")
    look, gone = withdraw_correction(bench, files, 1, "1", Kind.BOARD, "a slip")
    assert gone == "TB-4471-2O0"
    assert value(look, Kind.BOARD).value == "TB-4471-200"
    assert value(look, Kind.BOARD).how != "hand"
    assert lessons(bench) == ()
    assert "a slip" in bench.ledger.custody(1)[-1].item


def test_a_word_put_right_again_is_no_lesson(bench: Bench, folder: Path, tmp_path: Path) -> None:
    files = shop(bench, tmp_path)
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    read_pictures(bench, files, starting(pictures), 1, "1", [folder])
    correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-4471-2O0")
    correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-4471-200")
    assert lessons(bench) == ()


@pytest.mark.parametrize("text", ["2099-W99", "2024-W53", "2099-W01", "2025-13", "2025-02-30"])
def test_a_date_that_cannot_be_is_refused(bench: Bench, tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError):
        correct_identifier(bench, shop(bench, tmp_path), 1, "1", Kind.DATE, text)
    assert tell_board(bench, shop(bench, tmp_path), 1, "1").identifiers == ()


@pytest.mark.parametrize("text", ["Q Ü!", "AH4K<20719>", "AH4K\u202e", "-"])
def test_a_character_that_no_number_has_is_refused(bench: Bench, tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match="site code"):
        correct_identifier(bench, shop(bench, tmp_path), 1, "1", Kind.SITE, text)
    assert tell_board(bench, shop(bench, tmp_path), 1, "1").identifiers == ()


def test_what_was_taken_out_and_is_said_again_names_its_places(
    bench: Bench, folder: Path, tmp_path: Path
) -> None:
    files = shop(bench, tmp_path)
    pictures = ToldPictures({b"label": LABEL, b"board": BOARD})
    read_pictures(bench, files, starting(pictures), 1, "1", [folder])
    correct_identifier(bench, files, 1, "1", Kind.BOARD, "")
    look = correct_identifier(bench, files, 1, "1", Kind.BOARD, "TB-4471-200")
    assert [one.picture for one in value(look, Kind.BOARD).sightings][:1] == ["board.JPG"]
