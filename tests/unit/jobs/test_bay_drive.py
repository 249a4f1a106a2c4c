"""Which drive is that of a bay: by its label, by what it says itself, and by the other bays."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.case.records import Bay, CaseState
from mendbay.core.errors import ImageBusy, NoSuchCase, UsageError, WrongDrive
from mendbay.handback.erasure import Sort, sort_of
from mendbay.jobs.bench import Bench
from mendbay.jobs.blend_images import blend_images
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.events import Tell
from mendbay.jobs.gather_signs import gathered_signs
from mendbay.jobs.looks import KIND, remember
from mendbay.jobs.noted_twice import noted_twice
from mendbay.jobs.other_half import HALVES, found_differing
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.said_serials import said_serial
from mendbay.jobs.set_aside import asides, set_aside
from mendbay.jobs.take_in import add_bay, amend_bay, take_in
from mendbay.outlets import image_aside
from mendbay.triage.belief import Asked
from mendbay.wiring import open_bench
from support.scripted_drive import numbered

REASON = Although(other_serial="its board is a donor's")


@pytest.fixture
def shop(tmp_path: Path, hear: Tell) -> Iterator[Bench]:
    """A bench with case 1: bay 1 is S1AAA and bay 2 is S2BBB by their labels."""
    with open_bench(tmp_path / "home", tell=hear) as bench:
        take_in(bench, "Gamma", bays=[Bay(0, "1", "AL20-HX4", "S1AAA"), Bay(0, "2", "AL20-HX4", "S2BBB")])
        yield bench


def drive(tmp_path: Path, serial: str, name: str = "", model: str = "") -> str:
    name = name or serial
    image = tmp_path / f"{name}.img"
    if not image.exists():
        image.write_bytes(numbered(128))
    described = f'image = "{name}.img"\nserial = "{serial}"\nmodel = "{model}"\n'
    (tmp_path / f"{name}.toml").write_text(described)
    return f"unsteady:{tmp_path / name}.toml"


def custody(bench: Bench, case: int = 1) -> str:
    return "\n".join(f"{one.what}; {one.item}" for one in bench.ledger.custody(case))


def image_path(bench: Bench, bay: str, case: int = 1) -> Path:
    return bench.images.folder(bench.ledger.case(case)) / bench.images.name(bay)


def test_a_drive_that_contradicts_the_label_is_refused_before_anything_is_begun(
    shop: Bench, tmp_path: Path
) -> None:
    before = custody(shop), shop.ledger.bays(1), shop.ledger.events(1)
    with pytest.raises(
        WrongDrive, match=r"says serial number S1AAA; the case has S2BBB for bay 2"
    ) as refused:
        read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S1AAA")))
    assert "That is the drive of bay 1 of this case." in refused.value.what
    assert "mendbay case bay 1 2=AL20-HX4/S1AAA --amend" in refused.value.next_step
    assert (custody(shop), shop.ledger.bays(1), shop.ledger.events(1)) == before
    assert not image_path(shop, "2").exists()


@pytest.mark.parametrize("label", ["S2BBB", "s2-bbb ", "2BBB", "SN S2BBB (rev A)", "?"])
def test_a_label_that_only_looks_otherwise_is_no_contradiction(
    shop: Bench, tmp_path: Path, label: str
) -> None:
    amend_bay(shop, 1, "2", serial=label)
    read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB")))
    assert shop.ledger.bay(1, "2").serial == label, "the label is not written over"
    assert said_serial(shop, 1, "2") == "S2BBB"
    assert "serial number S2BBB" in custody(shop).splitlines()[-1]


@pytest.mark.parametrize("label", ["BBB", "S2BBBX", "S2BB8"])
def test_too_small_a_part_or_another_number_is_one(shop: Bench, tmp_path: Path, label: str) -> None:
    amend_bay(shop, 1, "2", serial=label)
    if label == "S2BBBX":  # the drive says a part of it: some adapters cut it off
        read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB")))
        return
    with pytest.raises(WrongDrive):
        read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB")))


def test_with_a_reason_it_is_read_and_both_numbers_are_kept(shop: Bench, tmp_path: Path) -> None:
    other = drive(tmp_path, "D0N0R", model="ZZ9")
    read_drive(shop, 1, DriveAt("2", other), although=REASON)
    bay = shop.ledger.bay(1, "2")
    assert (bay.model, bay.serial) == ("AL20-HX4", "S2BBB")
    assert said_serial(shop, 1, "2") == "D0N0R"
    told = custody(shop)
    assert "serial number D0N0R, on its label S2BBB; its board is a donor's" in told
    assert "connected for reading (adapter: not stated); drive of bay 2; serial number D0N0R" in told
    assert any("its board is a donor's" in one.text for one in shop.ledger.events(1))
    with pytest.raises(WrongDrive):  # a reason holds for the reading it is given for
        read_drive(shop, 1, DriveAt("2", other))
    with pytest.raises(WrongDrive):
        compare_drive(shop, 1, DriveAt("2", other))
    assert compare_drive(shop, 1, DriveAt("2", other), although=REASON).compared_bytes


def test_a_reason_names_nobody(shop: Bench, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="names the customer"):
        read_drive(
            shop, 1, DriveAt("2", drive(tmp_path, "X123")), although=Although(other_serial="Gamma says so")
        )


def test_a_serial_number_stands_in_one_bay_only(shop: Bench, tmp_path: Path) -> None:
    take_in(shop, "Delta", bays=[Bay(0, "1"), Bay(0, "2")])
    one = drive(tmp_path, "T7CCC")
    read_drive(shop, 2, DriveAt("1", one))
    assert shop.ledger.bay(2, "1").serial == "T7CCC", "no label said anything"
    with pytest.raises(WrongDrive, match="drive of bay 1 of this case") as refused:
        read_drive(shop, 2, DriveAt("2", one))
    assert "mendbay drive set-aside 2 1 --reason REASON" in refused.value.next_step
    take_in(shop, "Eta", bays=[Bay(0, "1")])
    with pytest.raises(WrongDrive, match="drive of bay 1 of case 2, which is open"):
        read_drive(shop, 3, DriveAt("1", one))
    shop.ledger.amend_case(2, state=CaseState.CLOSED)
    assert read_drive(shop, 3, DriveAt("1", one)).is_complete, "a drive may come back in a later case"


def test_a_drive_read_as_another_is_known_by_what_it_said(shop: Bench, tmp_path: Path) -> None:
    wrong = drive(tmp_path, "S9DDD")
    read_drive(shop, 1, DriveAt("2", wrong), although=REASON)
    amend_bay(shop, 1, "1", serial="S9DDD")
    with pytest.raises(WrongDrive, match="drive of bay 2 of this case") as refused:
        read_drive(shop, 1, DriveAt("1", wrong))
    assert "the case has" not in refused.value.what
    set_aside(shop, 1, "2", "the drives were swapped")
    assert read_drive(shop, 1, DriveAt("1", wrong)).is_complete


def test_a_mistyped_label_of_another_case_holds_back_no_drive_that_was_read(
    shop: Bench, tmp_path: Path
) -> None:
    mine = drive(tmp_path, "S1AAA")
    read_drive(shop, 1, DriveAt("1", mine))
    take_in(shop, "Delta", bays=[Bay(0, "1", "AL20-HX4", "S1AAA"), Bay(0, "2")])
    assert read_drive(shop, 1, DriveAt("1", mine)).is_complete
    with pytest.raises(WrongDrive, match="That is the drive of bay 1 of case 1"):
        read_drive(shop, 2, DriveAt("1", mine))
    read_drive(shop, 2, DriveAt("2", mine), although=REASON)
    with pytest.raises(WrongDrive, match="That is the drive of bay 2 of case 2"):
        read_drive(shop, 1, DriveAt("1", mine))


def test_a_pair_is_refused_as_a_whole(shop: Bench, tmp_path: Path) -> None:
    drives = [DriveAt("1", drive(tmp_path, "S1AAA")), DriveAt("2", drive(tmp_path, "S7EEE"))]
    with pytest.raises(WrongDrive, match="the case has S2BBB for bay 2"):
        read_pair(shop, 1, drives)
    assert not image_path(shop, "1").exists()
    assert "connected" not in custody(shop)


def test_a_bay_that_the_case_has_not_is_added_with_a_word_or_refused(
    shop: Bench, tmp_path: Path, said: list[str]
) -> None:
    with pytest.raises(NoSuchCase, match="has the bays 1 and 2, not 5"):
        read_drive(shop, 1, DriveAt("5", drive(tmp_path, "S5")))
    take_in(shop, "Delta", bays=[Bay(0, "1")])
    read_drive(shop, 2, DriveAt("7", drive(tmp_path, "S5")))
    assert said[-1] == "Case 2 had no bay 7: it is added."
    assert any(one.text == "Bay 7 added, as its drive is read." for one in shop.ledger.events(2))


def test_a_bay_named_twice_opens_no_case(shop: Bench) -> None:
    with pytest.raises(UsageError, match="Bay 1 is named twice"):
        take_in(shop, "Delta", bays=[Bay(0, "1"), Bay(0, "1")])
    assert len(shop.ledger.cases()) == 1


# ---------------------------------------------------------------------- set aside


def test_a_wrong_image_is_set_aside_and_the_right_drive_read(shop: Bench, tmp_path: Path) -> None:
    take_in(shop, "Delta", bays=[Bay(0, "1"), Bay(0, "2", "AL20-HX4")])
    wrong, right = drive(tmp_path, "W1FFF", model="ZZ9"), drive(tmp_path, "R1GGG")
    read_drive(shop, 2, DriveAt("1", wrong))
    bytes_before = image_path(shop, "1", 2).read_bytes()
    with pytest.raises(WrongDrive):
        read_drive(shop, 2, DriveAt("1", right))
    done = set_aside(shop, 2, "1", "the wrong drive was connected")
    assert (done.name, done.image_serial) == ("bay-1.aside-1.img", "W1FFF")
    kept = image_path(shop, "1", 2).with_name(done.name)
    assert kept.read_bytes() == bytes_before
    store = shop.images.other(kept)
    assert store.identity.serial == "W1FFF"
    assert store.coverage().read.total_bytes == len(bytes_before)
    store.close()
    assert (shop.ledger.bay(2, "1").serial, shop.ledger.bay(2, "1").model) == ("", "")
    (noted,) = shop.ledger.images(2, "1")
    assert (noted.read_bytes, noted.unread_bytes) == (0, len(bytes_before))
    assert "kept as bay-1.aside-1.img" in custody(shop, 2)
    assert asides(shop, 2, "1") == (done.name,)
    assert read_drive(shop, 2, DriveAt("1", right)).is_complete
    assert shop.ledger.bay(2, "1").serial == "R1GGG"
    assert read_drive(shop, 2, DriveAt("2", wrong)).is_complete
    assert blend_images(shop, 2, "2", [kept]).taken_bytes == 0
    assert set_aside(shop, 2, "1", "once more").name == "bay-1.aside-2.img"


def test_what_a_drive_said_through_another_adapter_is_cleared_too(shop: Bench, tmp_path: Path) -> None:
    take_in(shop, "Delta", bays=[Bay(0, "1")])
    for serial, model in (("", ""), ("WXK12345", ""), ("WXK12345", "ZZ9"), ("0000WXK12345", "USB ZZ9")):
        wrong = drive(tmp_path, serial, "wrong", model)
        read_drive(shop, 2, DriveAt("1", wrong))
    assert (shop.ledger.bay(2, "1").serial, shop.ledger.bay(2, "1").model) == ("WXK12345", "ZZ9")
    assert "serial number 0000WXK12345, it said WXK12345" in custody(shop, 2)
    assert not any("label" in one.text for one in shop.ledger.events(2)), "nobody noted any"
    set_aside(shop, 2, "1", "the wrong drive was connected")
    assert (shop.ledger.bay(2, "1").serial, shop.ledger.bay(2, "1").model) == ("", "")
    assert read_drive(shop, 2, DriveAt("1", drive(tmp_path, "R1GGG"))).is_complete


def test_the_model_of_a_drive_without_a_serial_number_is_cleared_and_a_noted_one_stays(
    shop: Bench, tmp_path: Path
) -> None:
    take_in(shop, "Delta", bays=[Bay(0, "1")])
    read_drive(shop, 2, DriveAt("1", drive(tmp_path, "", "silent", "ZZ9")))
    assert shop.ledger.bay(2, "1").model == "ZZ9"
    amend_bay(shop, 2, "1", serial="S7HHH")
    read_drive(shop, 2, DriveAt("1", drive(tmp_path, "0000S7HHH", "silent", "ZZ9")))
    set_aside(shop, 2, "1", "the wrong drive was connected")
    assert (shop.ledger.bay(2, "1").serial, shop.ledger.bay(2, "1").model) == ("S7HHH", "")


def test_what_a_look_at_the_images_showed_is_open_again_once_one_is_set_aside(
    shop: Bench, tmp_path: Path
) -> None:
    """A wrong drive fits nothing: that says nothing of the right one."""
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "S1AAA")))
    remember(shop, 1, "layout-found", "nothing", "The images do not fit together.")
    assert Asked("layout-found") in gathered_signs(shop, 1)
    set_aside(shop, 1, "1", "the wrong drive was connected")
    assert Asked("layout-found") not in gathered_signs(shop, 1)
    told = len(shop.ledger.events(1))
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "S1AAA")))
    set_aside(shop, 1, "1", "once more")
    assert sum(one.kind == KIND for one in shop.ledger.events(1)[told:]) == 0, "it is open already"


def test_what_a_label_said_stays_when_an_image_is_set_aside(shop: Bench, tmp_path: Path) -> None:
    read_drive(shop, 1, DriveAt("2", drive(tmp_path, "D0N0R")), although=REASON)
    set_aside(shop, 1, "2", "it was the wrong one")
    assert shop.ledger.bay(1, "2").serial == "S2BBB"
    assert said_serial(shop, 1, "2") == ""
    assert read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB"))).is_complete


def test_nothing_is_set_aside_where_there_is_nothing_or_it_is_in_use(shop: Bench, tmp_path: Path) -> None:
    with pytest.raises(NoSuchCase, match="has no image"):
        set_aside(shop, 1, "1", "a reason")
    with pytest.raises(NoSuchCase):
        set_aside(shop, 1, "5", "a reason")
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "S1AAA")))
    before = custody(shop), shop.ledger.bays(1)
    with pytest.raises(UsageError):
        set_aside(shop, 1, "1", " ")
    store = shop.images.reopen(shop.ledger.case(1), "1", writable=True)
    try:
        with pytest.raises(ImageBusy):
            set_aside(shop, 1, "1", "a reason")
    finally:
        store.close()
    assert (custody(shop), shop.ledger.bays(1)) == before
    assert image_path(shop, "1").exists()


@pytest.mark.parametrize("renames", [0, 1, 2])
def test_a_kill_at_any_step_is_made_good_by_the_same_command(
    shop: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, renames: int
) -> None:
    """Two files are moved; after the second the kill comes before the ledger's step is done."""
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "S1AAA")))
    real, left = Path.rename, [renames]

    def rename(self: Path, to: Path) -> Path:
        if not left[0]:
            raise KeyboardInterrupt
        left[0] -= 1
        return real(self, to)

    def no_sync(folder: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "rename", rename)
    monkeypatch.setattr(image_aside, "sync_folder", no_sync)
    with pytest.raises(KeyboardInterrupt):
        set_aside(shop, 1, "1", "a reason")
    monkeypatch.undo()
    assert "set aside" not in custody(shop)
    assert set_aside(shop, 1, "1", "a reason").name == "bay-1.aside-1.img"
    assert custody(shop).count("kept as bay-1.aside-1.img") == 1
    kept = image_path(shop, "1").with_name("bay-1.aside-1.img")
    assert kept.exists()
    assert kept.with_suffix(".coverage").exists()
    assert not image_path(shop, "1").exists()
    assert not image_path(shop, "1").with_suffix(".coverage").exists()
    with pytest.raises(NoSuchCase):
        set_aside(shop, 1, "1", "a reason")


def test_halves_compared_with_a_wrong_drive_are_not_held_against_the_right_one(
    shop: Bench, tmp_path: Path
) -> None:
    read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB")))
    shop.note(1, HALVES, "They differ.", {"differ": True, "compared_bytes": 1})
    assert found_differing(shop, 1)
    set_aside(shop, 1, "2", "it was another drive")
    assert not found_differing(shop, 1)


def test_what_is_set_aside_is_erased_with_the_images(shop: Bench, tmp_path: Path) -> None:
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "S1AAA")))
    name = set_aside(shop, 1, "1", "a reason").name
    assert sort_of(name) is Sort.IMAGES
    assert sort_of(name.replace(".img", ".coverage")) is None


def test_a_serial_number_noted_of_two_drives_at_the_shop_is_told_on_both(
    shop: Bench, tmp_path: Path, said: list[str]
) -> None:
    assert noted_twice(shop, 1) == ()
    take_in(shop, "Delta", bays=[Bay(0, "2", "AL20-HX4", "s2-bbb"), Bay(0, "3", "AL20-HX4")])
    told = [one for one in said if "mistyped" in one]
    assert len(told) == 1
    assert "The serial number s2-bbb of bay 2 is noted of bay 2 of case 1 too" in told[0]
    assert "mendbay case bay 1 2=AL20-HX4/SERIAL --amend" in told[0]
    assert [(one.bay.bay, [(it.case, it.bay) for it in one.others]) for one in noted_twice(shop, 1)] == [
        ("2", [(2, "2")])
    ]
    with pytest.raises(WrongDrive, match="It is noted of bay 2 too: one of the two labels is mistyped") as no:
        read_drive(shop, 1, DriveAt("2", drive(tmp_path, "S2BBB")))
    assert "mendbay case bay 1 2=AL20-HX4/SERIAL --amend or mendbay case bay 2 2=" in no.value.next_step
    amend_bay(shop, 2, "3", serial="S1AAA")
    assert "of bay 3 is noted of bay 1 of case 1 too" in said[-1]
    amend_bay(shop, 2, "2", serial="S3CCC")
    assert "mistyped" not in said[-1] or "bay 3" in said[-1]
    add_bay(shop, Bay(1, "4", "", "S1AAA"))
    assert "is noted of bay 1 and of bay 3 of case 2 too" in said[-1]
    shop.ledger.amend_case(1, state=CaseState.CLOSED)
    assert noted_twice(shop, 1) == noted_twice(shop, 2) == (), "a drive may come back in a later case"
