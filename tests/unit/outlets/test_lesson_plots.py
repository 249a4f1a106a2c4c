"""Pictures of shares: sound SVG whatever the names are, read without colour, the same in words."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.lessons import Row
from mendbay.core.proportion import Proportion
from mendbay.outlets.lesson_plots import LEFT, NARROW, PAPER, RIGHT, SCREEN, WIDTH, Sheet, lesson_svg

SVG = "{http://www.w3.org/2000/svg}"


def texts(root: ElementTree.Element) -> list[str]:
    return [one.text or "" for one in root.iter(f"{SVG}text")]


def test_a_row_shows_its_counts_and_where_it_likely_lies() -> None:
    root = ElementTree.fromstring(lesson_svg("By kind", [Row("", "drive", Proportion(15, 20))]))
    assert texts(root) == ["0 %", "50 %", "100 %", "drive", "15 of 20; 57 to 88 %"]
    (dot,) = root.iter(f"{SVG}circle")
    assert float(dot.attrib["cx"]) == pytest.approx(LEFT + 0.75 * (RIGHT - LEFT), abs=0.06)
    line = next(one for one in root.iter(f"{SVG}path") if one.attrib["stroke-width"] == "2")
    start, end = line.attrib["d"].removeprefix("M").replace("H", " ").split()[::2]
    low, high = Proportion(15, 20).interval
    found = [(float(one) - LEFT) / (RIGHT - LEFT) for one in (start, end)]
    assert found == pytest.approx([low, high], abs=1e-3)
    assert root.find(f"{SVG}desc").text == "drive: 15 of 20; 57 to 88 %"  # type: ignore[union-attr]


def test_few_cases_differ_in_shape_and_words_not_in_colour_alone() -> None:
    few = lesson_svg("", [Row("Sound", "clicks", Proportion(2, 3))])
    many = lesson_svg("", [Row("Sound", "clicks", Proportion(20, 30))])
    assert "too few to say" in few
    assert "stroke-dasharray" in few
    assert "too few to say" not in many
    assert "stroke-dasharray" not in many
    dots = [ElementTree.fromstring(one).find(f".//{SVG}circle").attrib for one in (few, many)]  # type: ignore[union-attr]
    assert dots[0]["fill"] != dots[0]["stroke"]
    assert dots[1]["fill"] == dots[1]["stroke"]


NAMES = st.text(st.characters(exclude_categories=["Cs"]), max_size=120)


@given(st.lists(st.tuples(NAMES, NAMES, st.integers(0, 9)), max_size=5), NAMES)
def test_names_from_outside_are_text(rows: list[tuple[str, str, int]], title: str) -> None:
    given_rows = [Row(group, what, Proportion(good, 9)) for group, what, good in rows]
    root = ElementTree.fromstring(lesson_svg(title, given_rows))
    kinds = {one.tag.removeprefix(SVG) for one in root.iter()}
    assert kinds <= {"svg", "title", "desc", "rect", "path", "circle", "text"}
    assert len(list(root.iter(f"{SVG}circle"))) == len(rows)
    height = float(root.attrib["height"])
    assert all(float(one.attrib["y"]) < height for one in root.iter(f"{SVG}text"))


def test_long_names_stay_on_the_sheet() -> None:
    root = ElementTree.fromstring(lesson_svg("", [Row("W" * 200, "word " * 60, Proportion(1, 9))]))
    for said in texts(root):
        widest = 12.7 if said.startswith("W") else 6.8  # units of a letter at this size, measured on paper
        assert LEFT + widest * len(said) <= WIDTH


WIDEST = {PAPER: (12.7, 6.8), SCREEN: (13.9, 7.6), NARROW: (13.9, 7.6)}
"""Units of a wide capital and of a letter of ordinary writing at this size; those of screens as of a wide
sans."""


@pytest.mark.parametrize("sheet", [PAPER, SCREEN, NARROW], ids=["paper", "screen", "narrow"])
def test_nothing_leaves_its_sheet(sheet: Sheet) -> None:
    rows = [Row("W" * 200, "word " * 60, Proportion(1, 9)), Row("", "fan", Proportion(100, 200))]
    few = Row("", "sand", Proportion(1, 3))
    root = ElementTree.fromstring(lesson_svg("", [*rows, few], sheet=sheet))
    assert float(root.attrib["width"]) == sheet.width
    for one in root.iter(f"{SVG}text"):
        said, across = one.text or "", float(one.attrib["x"])
        widest = WIDEST[sheet][0 if said.startswith("W") else 1]
        assert one.attrib["text-anchor"] == "end" or across + widest * len(said) <= sheet.width, said
    for dot in root.iter(f"{SVG}circle"):
        assert LEFT <= float(dot.attrib["cx"]) <= sheet.right


def test_the_narrow_one_fits_a_telephone_unit_for_pixel() -> None:
    row = Row("", "clicks", Proportion(1, 3))
    root = ElementTree.fromstring(lesson_svg("", [row], sheet=NARROW))
    assert NARROW.width <= 360 - 2 * 10
    assert int(root.attrib["font-size"]) >= 11
    down = {one.text: float(one.attrib["y"]) for one in root.iter(f"{SVG}text")}
    (dot,) = root.iter(f"{SVG}circle")
    (counts,) = (one for one in down if one is not None and one.startswith("1 of 3"))
    assert down[counts] > float(dot.attrib["cy"]) + 11, "below its line"
    wide = ElementTree.fromstring(lesson_svg("", [row], sheet=SCREEN))
    assert wide.find(f"{SVG}desc").text == root.find(f"{SVG}desc").text  # type: ignore[union-attr]
