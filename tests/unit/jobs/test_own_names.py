"""What files are called by whoever brings them, whatever that is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.board.transfer_plan import Role
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import case_pictures, keep_pictures
from mendbay.jobs.own_names import NAME_LIMIT, own_name, some_names
from mendbay.jobs.read_pictures import read_pictures
from mendbay.jobs.rom_reads import keep_dumps, rom_reads
from mendbay.wiring import shop_files
from support.board_bench import ToldPictures, bench_with_case

JPEG = b"\xff\xd8\xff\xe0"


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("IMG_0231.jpg", "IMG_0231.jpg"),
        ("C:\\fakepath\\dump 1.bin", "dump 1.bin"),
        ("../../../etc/passwd", "passwd"),
        ("a/..", ""),
        ("..", ""),
        (".hidden.jpg", "hidden.jpg"),
        ("", ""),
        ("gpj.\u202eexe\x1b[2J\n.jpg", "gpj._exe_[2J_.jpg"),
        ("half \udce4.jpg", "half _.jpg"),
        ("x" * 500 + ".jpg", "x" * (NAME_LIMIT - 5) + "….jpg"),
        ("x" * 500, "x" * (NAME_LIMIT - 1) + "…"),
        ("a." + "y" * 500, "a." + "y" * (NAME_LIMIT - 3) + "…"),
        ("Töpferei 破.jpg", "Töpferei 破.jpg"),
    ],
)
def test_a_name_is_its_last_part_plain_and_short(sent: str, kept: str) -> None:
    assert own_name(sent) == kept


@given(st.text(st.characters(), max_size=300))
def test_no_name_leads_elsewhere_or_hides_anything(sent: str) -> None:
    found = own_name(sent)
    assert len(found) <= NAME_LIMIT
    assert found == "" or found.isprintable()
    assert not set(found) & {"/", "\\"}
    assert found not in (".", "..")
    assert own_name(found) == found


def test_the_story_tells_the_first_and_how_many_more(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        case = replace(bench.ledger.case(1), customer="Quillmere Pottery", contact="")
    assert some_names(case, []) == ""
    assert some_names(case, ["", "a.jpg"]) == " (a.jpg)"
    assert some_names(case, [f"{at}.jpg" for at in range(9)]) == (
        " (0.jpg, 1.jpg, 2.jpg, 3.jpg, 4.jpg, 5.jpg and 3 more)"
    )
    assert some_names(case, ["Quillmere_1.jpg", "password-hunter22.jpg", "PIN: 1234.jpg"]) == ""


def story(bench: Bench) -> str:
    return " ".join(one.text for one in bench.ledger.events(1))


def test_pictures_of_the_case_are_found_by_the_names_they_came_with(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        files = [tmp_path / f"ours-{at}.jpg" for at in range(3)]
        for at, one in enumerate(files):
            one.write_bytes(JPEG + bytes([at]))
        names = {files[0]: "../IMG_0231.jpg", files[1]: "PIN: 1234.jpg"}
        keep_pictures(bench, 1, files, names=names)
        found = case_pictures(bench, 1)
        assert [one.named for one in found] == ["IMG_0231.jpg", "", "ours-2.jpg"]
        assert all(one.kept.path.startswith("pictures/00") for one in found)
        assert "Pictures kept: 3 (IMG_0231.jpg, ours-2.jpg)." in story(bench)
        assert "IMG_0231" not in " ".join(one.item for one in bench.ledger.custody(1))


def test_a_picture_of_a_bay_has_the_name_it_came_with_and_an_ending_by_which_it_is_found(
    tmp_path: Path,
) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        case = bench.ledger.case(1)
        sent = ["..\\IMG_0231.jpg", "no ending", "a.exe", "...", f"of {case.customer}.jpg"]
        files = [tmp_path / f"ours-{at}.jpg" for at in range(len(sent))]
        for at, one in enumerate(files):
            one.write_bytes(JPEG + bytes([at]))
        read_pictures(
            bench,
            shop_files(tmp_path / "home"),
            lambda: ToldPictures({JPEG + bytes([at]): () for at in range(len(sent))}),
            1,
            "1",
            files,
            dict(zip(files, sent, strict=True)),
        )
        folder = bench.images.folder(case) / "photos" / "bay-1"
        assert {one.name for one in folder.iterdir()} == {
            "IMG_0231.jpg",
            "no ending.jpg",
            "a.exe.jpg",
            "ours-3.jpg",
            "ours-4.jpg",
        }
        assert "IMG_0231.jpg" in story(bench)


def test_a_dump_is_found_by_its_name(tmp_path: Path) -> None:
    with bench_with_case(tmp_path / "home") as bench:
        dumps = [("../first <b>.bin", bytes(4096)), ("second\u202e\n.bin", bytes(4096))]
        keep_dumps(bench, 1, "1", Role.PATIENT, dumps)
        assert [one.origin for one in rom_reads(bench, 1, "1")] == ["first <b>.bin", "second__.bin"]
        assert "sitting 1 (first <b>.bin, second__.bin)." in story(bench)
