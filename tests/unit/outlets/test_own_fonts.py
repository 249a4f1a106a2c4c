"""Fonts of the shop's own: used where the built-in ones lack a sign, and read from their folder alone."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest

from mendbay.core.errors import BadFormFile
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.stationery import PrintedStationery
from support.tiny_font import tiny_font

FACTS = {
    "title": "A 株 and a 青",
    "case": "0007",
    "today": "2026-11-25",
    "page": "A4",
    "shop": {"name": "", "lines": []},
    "lines": [],
    "link": "",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "trial.md").write_text("# {{ title }}\n", encoding="utf-8")
    (tmp_path / "settings" / "fonts").mkdir(parents=True)
    return tmp_path / "settings" / "fonts"


def printed(folder: Path) -> tuple[str, set[str]]:
    """The words on the paper, and the signs that were told to lack."""
    told: set[str] = set()
    stationery = PrintedStationery(ShopFolder(folder.parents[1]), OwnFonts(folder), told.update)
    pdf = stationery.pdf("trial", FACTS)
    assert stationery.pictures("trial", FACTS)
    return " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split()), told


def test_a_sign_of_the_shops_font_stands_on_the_paper_and_others_are_told(folder: Path) -> None:
    words, told = printed(folder)
    assert "A ‹U+682A› and a ‹U+9752›" in words
    assert "cannot print" in words
    assert told == {"株", "青"}
    (folder / "one.ttf").write_bytes(tiny_font("株"))
    (folder / "licence.txt").write_text("as it came")
    words, told = printed(folder)
    assert "A 株 and a ‹U+9752›" in words
    assert told == {"青"}
    (folder / "two.ttf").write_bytes(tiny_font("青", "Other"))
    words, told = printed(folder)
    assert "A 株 and a 青" in words
    assert "cannot print" not in words
    assert told == set()


def test_a_file_that_is_no_font_gives_nothing_and_breaks_nothing(folder: Path) -> None:
    (folder / "one.ttf").write_bytes(tiny_font("株")[:200])
    (folder / "two.otf").write_bytes(b"nonsense")
    assert OwnFonts(folder).shown_of("株a") == frozenset("a")
    assert printed(folder)[1] == {"株", "青"}


@pytest.mark.parametrize("kind", ["link", "folder", "link to a folder"])
def test_nothing_outside_the_folder_is_read(folder: Path, tmp_path: Path, kind: str) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "one.ttf").write_bytes(tiny_font("株"))
    if kind == "folder":
        (folder / "inside").mkdir()
    else:
        (folder / "x.ttf").symlink_to(elsewhere / "one.ttf" if kind == "link" else elsewhere)
    with pytest.raises(BadFormFile, match="no plain file"):
        OwnFonts(folder).shown_of("株")


def test_the_folder_itself_is_no_link(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    folder.rmdir()
    folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BadFormFile, match="is a link"):
        OwnFonts(folder).shown_of("株")


def test_without_a_folder_the_built_in_fonts_are_used(tmp_path: Path) -> None:
    for fonts in (OwnFonts(), OwnFonts(tmp_path / "none")):
        assert fonts.shown_of("株") == frozenset()
        assert "Libertinus Serif" in fonts.fonts.families()
