"""Fonts of the shop's own: used where the built-in ones lack a sign, and read from their folder alone."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.case.items import Item, What
from mendbay.core.errors import BadFormFile
from mendbay.outlets.documents import PrintedPapers, render_pdf
from mendbay.outlets.item_labels import item_sheets
from mendbay.outlets.label_sheet import Label, LabelSheets, sheets_pdf, sheets_pictures
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.stationery import PrintedStationery
from mendbay.outlets.stock_labels import LabelJob, labels_pdf
from mendbay.wiring import papers
from support.handback_sample import sample
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
    stationery = PrintedStationery(ShopFolder(folder.parents[1]), OwnFonts(folder, told.update))
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


def on_labels(fonts: OwnFonts) -> bytes:
    items = [Item(7, 1, What.CABLE, "株", marks="青")]
    assert sheets_pictures(item_sheets(items), 72, fonts)
    return sheets_pdf(item_sheets(items), fonts)


def on_stock_labels(fonts: OwnFonts) -> bytes:
    item = StockItem(1, Kind.BOARD, BoardDescription("TB-4471"), own_id="株", location="青")
    return labels_pdf(LabelJob([item]), fonts)


def in_report(fonts: OwnFonts) -> bytes:
    facts = replace(sample(), customer="株 青")
    assert PrintedPapers(fonts).pdf(facts) == render_pdf(facts, fonts)
    return render_pdf(facts, fonts)


@pytest.mark.parametrize("made", [on_labels, on_stock_labels, in_report])
def test_whatever_is_printed_takes_the_shops_fonts(folder: Path, made: Callable[[OwnFonts], bytes]) -> None:
    for written, said in ((b"nothing", ("‹U+682A›", "‹U+9752›")), (tiny_font("株"), ("株", "‹U+9752›"))):
        (folder / "one.ttf").write_bytes(written)
        told: set[str] = set()
        pdf = made(OwnFonts(folder, told.update))
        words = " ".join(
            "".join(one.extract_text() for one in pypdf.PdfReader(io.BytesIO(pdf)).pages).split()
        )
        assert [one in words for one in said] == [True, True], words
        assert told == {"株", "青"} - set(said)


def test_labels_tell_only_of_signs_that_they_have_room_for() -> None:
    told: set[str] = set()
    label = Label("a code", "1", "A board", mark="D-1".ljust(40, "-") + "青")
    assert sheets_pdf(LabelSheets([label], "Parts"), OwnFonts(lacks=told.update))
    assert told == set()


def test_a_folder_that_cannot_be_used_is_told_before_anything_is_made(folder: Path) -> None:
    OwnFonts().require_sound()
    OwnFonts(folder).require_sound()
    (folder / "inside").mkdir()
    with pytest.raises(BadFormFile, match="no plain file"):
        OwnFonts(folder).require_sound()
    with pytest.raises(BadFormFile, match="no plain file"):
        papers(folder.parents[1])


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
