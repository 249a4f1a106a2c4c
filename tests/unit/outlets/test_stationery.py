from __future__ import annotations

import io
from pathlib import Path

import pytest
from jinja2 import Environment
from jinja2.meta import find_undeclared_variables
from pypdf import PageObject, PdfReader

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.stationery import OwnPapers, PrintedStationery, packaged_wordings

FRAME = {
    "title": "A trial sheet",
    "case": "0007",
    "page": "A4",
    "today": "2026-11-28",
    "shop": {"name": "The bench at the mill", "lines": ["3 Mill Lane"]},
}


def words_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def test_a_paper_is_set_the_same_way_every_time(tmp_path: Path) -> None:
    stationery = PrintedStationery(ShopFolder(tmp_path))
    pdf = stationery.pdf("trial", FRAME)
    assert pdf == stationery.pdf("trial", FRAME)
    said = words_of(pdf)
    for words in ("The bench at the mill", "3 Mill Lane", "0007", "A trial sheet", "page 1 of 1"):
        assert words in said
    assert stationery.words("trial", FRAME).startswith("A trial sheet\n=====")


def test_the_shops_own_wording_stands_before_ours(tmp_path: Path) -> None:
    files = ShopFolder(tmp_path)
    path = OwnPapers(files).copy("trial")
    assert path == tmp_path / "papers" / "trial.md"
    path.write_text("# Mine: {{ case }}", encoding="utf-8")
    assert PrintedStationery(files).words("trial", FRAME) == "Mine: 0007\n==========\n"
    path.write_text("{{ nothing_of_the_kind }}", encoding="utf-8")
    with pytest.raises(BadFormFile, match="nothing_of_the_kind"):
        PrintedStationery(files).words("trial", FRAME)
    with pytest.raises(UsageError, match="trial"):
        PrintedStationery(files).words("../trial", FRAME)


def test_every_block_can_be_set(tmp_path: Path) -> None:
    files = ShopFolder(tmp_path)
    OwnPapers(files).copy("trial")
    (tmp_path / "papers" / "trial.md").write_text(
        "# A\n\n## B\n\n### C\n\n- x\n  - y\n\n3. z\n\n|  |  |\n|--|--|\n| a | b |\n\n"
        "| what | sum |\n|--|--:|\n| work | 1.00 |\n\n> beware\n\n---\n\n```\n  as it is\nso\n```\n\n"
        "```qr\nx:1\n```\n\n"
        "```signatures\nA\nB\nC\n```\n",
        encoding="utf-8",
    )
    said = words_of(PrintedStationery(files).pdf("trial", FRAME))
    assert "U+" not in said
    for words in ("beware", "as it is so", "work 1.00", "what sum", "A B C"):
        assert words in said


PICTURE = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 20" width="90" height="20">
<text x="2" y="14" font-family="Libertinus Serif">drawn words</text></svg>"""


def test_a_picture_among_the_facts_is_set_and_told_in_words(tmp_path: Path) -> None:
    files = ShopFolder(tmp_path)
    OwnPapers(files).copy("trial")
    wording = tmp_path / "papers" / "trial.md"
    wording.write_text("# A\n\n```picture\n{{ name }}\nfour of five\n{{ case }}\n```\n", encoding="utf-8")
    facts = {**FRAME, "name": "a-plot.1", "pictures": {"a-plot.1": PICTURE}}
    stationery = PrintedStationery(files)
    assert "drawn words" in words_of(stationery.pdf("trial", facts))
    assert stationery.words("trial", facts) == "A\n=\n\n  four of five\n  0007\n"
    for other in ({"name": "none"}, {"name": "../a-plot.1"}, {"pictures": {}}):
        with pytest.raises(BadFormFile, match="picture"):
            stationery.pdf("trial", {**facts, **other})
    with pytest.raises(BadFormFile, match="picture"):
        stationery.pdf("trial", {**FRAME, "name": "a-plot.1"})


def pages_of(tmp_path: Path, wording: str) -> list[str]:
    """The text of each page, without head and foot."""
    files = ShopFolder(tmp_path)
    files.keep("papers", "trial", wording)
    found = PdfReader(io.BytesIO(PrintedStationery(files).pdf("trial", FRAME))).pages
    texts = [page.extract_text().splitlines() for page in found]
    outside = ("The bench at the mill", "A trial sheet", "case", "page")
    return ["\n".join(one for one in lines if one.strip() and not one.startswith(outside)) for lines in texts]


def test_nothing_is_parted_from_the_words_it_belongs_to(tmp_path: Path) -> None:
    ends = {
        "a table": ("Words on it:\n\n| a | b |\n|--|--|\n| c | d |\n", "a"),
        "signatures": ("Words on it:\n\n```signatures\nCustomer\nShop\n```\n", "Customer"),
        "a code": ("Words on it:\n\n```\nabc\n```\n\n```qr\nabc\n```\n", "abc"),
        "a caution": ("> Words on it:\n\n```signatures\nCustomer\n```\n", "Customer"),
    }
    for name, (end, first) in ends.items():
        moved = 0
        for lines in range(76, 100):
            pages = pages_of(tmp_path, "x\n\n" * lines + end)
            assert not pages[-1].startswith(first), (name, lines)
            assert "Words on it:" in pages[-1], (name, lines)
            moved += pages[-1].startswith("Words on it:")
        assert moved, f"{name}: one of the pages began with it"


def test_a_paper_that_runs_over_by_little_is_one_page_and_no_other_is_made_smaller(tmp_path: Path) -> None:
    count = [len(pages_of(tmp_path, "x\n\n" * lines)) for lines in range(30, 70)]
    sizes = list[float]()
    for lines in range(30, 70):
        files = ShopFolder(tmp_path)
        files.keep("papers", "trial", "x\n\n" * lines)
        (first, *_) = PdfReader(io.BytesIO(PrintedStationery(files).pdf("trial", FRAME))).pages
        sizes.append(size_of(first, "x"))
    assert count == sorted(count)
    one_page = [size for pages, size in zip(count, sizes, strict=True) if pages == 1]
    assert one_page == sorted(one_page, reverse=True)
    assert set(one_page) == {10.5, 10.0, 9.5}
    assert {size for pages, size in zip(count, sizes, strict=True) if pages > 1} == {10.5}


def size_of(page: PageObject, word: str) -> float:
    """The size of the letters of a word on a page, in points."""
    found: list[float] = []

    def seen(text: str, _: list[float], matrix: list[float], __: object, size: float) -> None:
        if text.strip() == word:
            found.append(round(abs(size * matrix[3]), 1))

    page.extract_text(visitor_text=seen)
    return found[0]


@pytest.mark.parametrize("paper", packaged_wordings())
def test_every_fact_that_a_wording_of_ours_asks_for_is_described(paper: str, tmp_path: Path) -> None:
    papers = OwnPapers(ShopFolder(tmp_path))
    asked = find_undeclared_variables(Environment().parse(packaged_wordings()[paper]))
    assert asked <= papers.facts(paper).keys()
    begin = papers.begin(paper)
    assert "{#" not in begin
    assert find_undeclared_variables(Environment().parse(begin)) == asked
    papers.check(paper, begin)
