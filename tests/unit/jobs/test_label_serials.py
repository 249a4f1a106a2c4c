"""A drive that says another serial number than the pictures of its bay show."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.board.number_form import Kind
from mendbay.board.sighting import How, PictureReading
from mendbay.board.sighting_text import packed
from mendbay.case.records import Bay, CaseState
from mendbay.core.errors import WrongDrive
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CaseQuery, list_cases
from mendbay.jobs.events import Event, Said
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.read_pictures import correct_identifier, tell_board, withdraw_picture
from mendbay.jobs.take_in import amend_bay, take_in
from mendbay.outlets.shop_files import ShopFolder
from mendbay.wiring import open_bench
from support.board_bench import seen
from support.scripted_drive import numbered

FIRST, SECOND = "AH4K-20719C", "AH4K-55120B"


@pytest.fixture
def told() -> list[Event]:
    return []


@pytest.fixture
def shop(tmp_path: Path, told: list[Event]) -> Iterator[Bench]:
    """A bench with case 1 and two bays whose labels are known by pictures alone."""
    with open_bench(tmp_path / "home", tell=told.append) as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
        pictured(bench, "1", FIRST)
        pictured(bench, "2", SECOND)
        yield bench


def pictured(bench: Bench, bay: str, serial: str, how: How = How.BARCODE) -> None:
    """A picture of the label of a bay, read before."""
    name = f"label-{bay}.jpg"
    digest = hashlib.sha256(name.encode()).hexdigest()
    sightings = (*seen(name, f"S/N {serial}"), *seen(name, serial, how=how))
    reading = PictureReading(name, digest, 2000, 1500, sightings, (), True, 0.1)
    body = json.dumps({"sha256": digest, "seen": packed(reading)})
    bench.notes.add(Note(1, bay, NoteKind.PICTURE, name, bench.now(), "Kim", body))


def drive(tmp_path: Path, serial: str) -> str:
    (tmp_path / f"{serial}.img").write_bytes(numbered(128))
    (tmp_path / f"{serial}.toml").write_text(f'image = "{serial}.img"\nserial = "{serial}"\n')
    return f"unsteady:{tmp_path / serial}.toml"


def warned(told: list[Event]) -> list[str]:
    return [one.text for one in told if isinstance(one, Said) and "pictures" in one.text]


def test_swapped_bays_are_refused_by_what_the_pictures_show(shop: Bench, tmp_path: Path) -> None:
    before = tuple(shop.ledger.custody(1)), shop.ledger.events(1)
    swapped = [DriveAt("1", drive(tmp_path, SECOND)), DriveAt("2", drive(tmp_path, FIRST))]
    with pytest.raises(WrongDrive, match=f"{SECOND}; the pictures of bay 1 show {FIRST}") as refused:
        read_drive(shop, 1, swapped[0])
    assert "That is the drive of bay 2 of this case" in refused.value.what
    assert f"board correct 1 1 serial-number {SECOND}" in refused.value.next_step
    with pytest.raises(WrongDrive):
        read_pair(shop, 1, swapped)
    assert (tuple(shop.ledger.custody(1)), shop.ledger.events(1)) == before, "nothing was begun"
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, FIRST)))
    read_drive(shop, 1, DriveAt("2", swapped[0].where))


def test_another_bays_drive_is_known_by_that_bays_pictures(shop: Bench, tmp_path: Path) -> None:
    amend_bay(shop, 1, "1", serial=SECOND)  # noted wrongly: a typed label counts before a picture
    with pytest.raises(WrongDrive, match="That is the drive of bay 2 of this case"):
        read_drive(shop, 1, DriveAt("1", drive(tmp_path, SECOND)))


def test_the_drive_of_another_open_case_is_known_by_its_pictures(shop: Bench, tmp_path: Path) -> None:
    """Read for the wrong case, the drive would be refused to the one it is of."""
    where = DriveAt("1", drive(tmp_path, FIRST))
    for number, label in ((2, ""), (3, FIRST)):  # be it that a label has the same number
        take_in(shop, "Brindlemoor Surveyors", bays=[Bay(0, "1", serial=label)])
        with pytest.raises(WrongDrive, match="the drive of bay 1 of case 1, which is open") as refused:
            read_drive(shop, number, where)
        assert "--although-other-serial REASON" in refused.value.next_step
        assert "board withdraw 1 1 PICTURE" in refused.value.next_step
        assert not shop.ledger.images(number)
    read_drive(shop, 2, where, although=Although(other_serial="both shops noted it"))
    assert any("That is the drive of bay 1 of case" in one.text for one in shop.ledger.events(2))


def test_pictures_of_a_closed_case_hold_no_drive_back(shop: Bench, tmp_path: Path) -> None:
    shop.ledger.amend_case(1, state=CaseState.CLOSED)
    take_in(shop, "Brindlemoor Surveyors", bays=[Bay(0, "1")])
    read_drive(shop, 2, DriveAt("1", drive(tmp_path, FIRST)))


def test_a_case_is_found_by_the_serial_number_in_its_pictures(shop: Bench, tmp_path: Path) -> None:
    take_in(shop, "Brindlemoor Surveyors", bays=[Bay(0, "1", serial="AH4K-90001A")])

    def found(words: str) -> list[int]:
        return [one.case.number for one in list_cases(shop, CaseQuery(words)).rows]

    for words in (FIRST, FIRST.lower(), "20719C", "quillmere ah4k20719c"):
        assert found(words) == [1]
    assert found("brindlemoor 20719C") == []
    assert found("719C") == [], "too short to be looked for in pictures"
    assert found("AH4K-9") == [2]
    amend_bay(shop, 1, "1", serial="AH4K-66666E")
    assert found(FIRST) == [1], "whatever was typed"
    pictured(shop, "1", FIRST, How.TEXT)
    assert found(FIRST) == [], "not read with certainty"
    pictured(shop, "1", FIRST)
    withdraw_picture(shop, ShopFolder(tmp_path / "home"), 1, "1", "label-1.jpg", "mixed up")
    assert found(FIRST) == []


def test_a_typed_label_counts_before_a_picture(shop: Bench, tmp_path: Path) -> None:
    amend_bay(shop, 1, "1", serial="AH4K-90001A")
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "AH4K-90001A")))


def test_with_a_reason_it_is_read_and_the_pictures_say_whose_word_the_bay_has(
    shop: Bench, tmp_path: Path
) -> None:
    where = drive(tmp_path, "AH4K-77777D")
    read_drive(shop, 1, DriveAt("1", where), although=Although(other_serial="the label is a donor's"))
    assert any(f"in its pictures {FIRST}; the label" in one.item for one in shop.ledger.custody(1))
    clashes = tell_board(shop, ShopFolder(tmp_path / "home"), 1, "1").clashes
    assert any(f"is {FIRST}, and the drive itself said AH4K-77777D" in one for one in clashes)
    with pytest.raises(WrongDrive):  # what the bay has from the drive is no typed label
        read_drive(shop, 1, DriveAt("1", where))
    amend_bay(shop, 1, "1", serial="AH4K-66666E")
    clashes = tell_board(shop, ShopFolder(tmp_path / "home"), 1, "1").clashes
    assert any("and at take-in it was AH4K-66666E" in one for one in clashes)


def test_a_persons_word_on_the_pictures_is_certain(shop: Bench, tmp_path: Path) -> None:
    where = drive(tmp_path, "AH4K-77777D")
    correct_identifier(shop, ShopFolder(tmp_path / "home"), 1, "1", Kind.SERIAL, "AH4K-77777D")
    read_drive(shop, 1, DriveAt("1", where))


def test_what_is_read_with_less_certainty_is_told_and_refuses_nothing(
    shop: Bench, tmp_path: Path, told: list[Event]
) -> None:
    name = "blurred.jpg"
    digest = hashlib.sha256(name.encode()).hexdigest()
    blurred = tuple(
        type(one)(one.picture, one.text, one.how, 0.8, one.corners, one.code)
        for one in seen(name, f"S/N {FIRST}")
    )
    take_in(shop, "Delta", bays=[Bay(0, "1")])
    reading = PictureReading(name, digest, 2000, 1500, blurred, (), True, 0.1)
    body = json.dumps({"sha256": digest, "seen": packed(reading)})
    shop.notes.add(Note(2, "1", NoteKind.PICTURE, name, shop.now(), "Kim", body))
    read_drive(shop, 2, DriveAt("1", drive(tmp_path, "AH4K-77777D")))
    assert [f"show serial number {FIRST}" in one for one in warned(told)] == [True]
