"""The report as a page and on paper: the same facts, nothing fetched, nothing a name can break."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import pypdf
import pytest
import typst

from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span
from mendbay.handback.facts import HandBack, LeftOut
from mendbay.outlets import documents
from mendbay.outlets.documents import PAPER_ROWS, PrintedPapers, render_html, render_pdf
from mendbay.outlets.glyphs import RANGES, can_show, printable
from support.handback_sample import a_file, bays, sample

EMPTY = HandBack("7", "", "", "", "", "", "", (), ())


class Page(HTMLParser):
    """The text, ids, links and tag balance of a page."""

    VOID = ("meta", "br", "link", "img", "hr", "input")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.ids: list[str] = []
        self.open: list[str] = []
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.links += [given["href"] or ""] if "href" in given else []
        self.fetched += [given[name] or "" for name in ("src", "srcset", "data", "poster") if name in given]
        if tag in ("script", "link", "iframe", "object", "img"):
            self.fetched.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def pdf_text(made: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made)).pages)


def plain(text: str) -> str:
    """Without what breaking a long name on paper adds, and with every kind of blank dropped."""
    return re.sub(r"[\s\u200b\u202f\u2009]+", "", text)


def test_the_page_is_whole_and_fetches_nothing() -> None:
    text = render_html(sample())
    page = Page(text)
    assert page.open == []
    assert page.fetched == []
    assert "@import" not in text
    assert re.findall(r"url\((?!#)", text) == []
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)
    assert len(set(page.ids)) == len(page.ids)


def test_both_forms_say_the_same_of_what_is_not_whole() -> None:
    page, paper = plain(Page(render_html(sample())).text), plain(pdf_text(render_pdf(sample())))
    for said in (
        "47 of 50 files came back whole.",
        "Glaze photographs/tenmoku-vase.jpg",
        "Glaze photographs/celadon-test-07.jpg",
        "Kiln log/kiln-log-2025.xlsx",
        "36 864 of its 6 815 744 bytes",
        "Maren Holt, Clayhouse pottery studio",
        "AL7K2200731",
        "Do not put the old drives back to use",
        "It only points to “2024/autumn.csv”",
        "25 February 2027",
    ):
        assert plain(said) in page, said
        assert plain(said) in paper, said


def test_the_page_lists_every_file_and_paper_counts_the_whole_ones() -> None:
    facts = sample(ordinary=300)
    page = Page(render_html(facts)).text
    for one in facts.files:
        assert (one.path or one.raw_path.decode()).rpartition("/")[2] in page
    paper = plain(pdf_text(render_pdf(facts)))
    assert "firing-00007.csv" not in paper
    assert plain("Workshop/2022") in paper


def test_both_forms_tell_of_what_is_left_to_the_other_half_only_where_there_is_any() -> None:
    striped = plain("What was left to the other half is striped: it is not missing.")
    counted = plain("All files are counted here by folder")
    first, second = bays()
    left = replace(second, left=second.coverage.unread)
    facts = replace(sample(), bays=(first, left))
    assert striped in plain(Page(render_html(facts)).text)
    paper = plain(pdf_text(render_pdf(facts)))
    assert striped in paper
    assert plain("left to the other half") in paper
    assert counted not in paper
    assert striped not in plain(Page(render_html(sample())).text)
    whole = replace(EMPTY, files=(a_file("one", 5),))
    paper = plain(pdf_text(render_pdf(whole)))
    assert striped not in paper
    assert counted in paper


def test_a_name_without_a_gap_is_broken_to_fit_the_sheet() -> None:
    facts = replace(EMPTY, files=(a_file("n" * 230, 5, "unproven"),))
    text = pdf_text(render_pdf(facts)).replace("\u200b", "")
    lines = [found.count("n") for found in re.findall(r"n{20,}", text)]
    assert sum(lines) == 230
    assert max(lines) < 100


def test_a_page_of_too_many_files_keeps_every_one_that_is_not_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "LISTED_FILES", 20)
    page = Page(render_html(sample())).text
    assert "too many files for one page" in page
    assert "firing-00007.csv" not in page
    assert "Workshop/2022" in page
    for name in ("celadon-test-07.jpg", "tenmoku-vase.jpg", "kiln-log-2025.xlsx"):
        assert page.count(name) == 2, "once under what needs attention, once in its folder"


def test_names_are_text_and_never_markup() -> None:
    hostile = "<script>alert(1)<script> & \"'{{7*7}} #let x=1 $x$ *b* @a.csv"
    facts = replace(EMPTY, files=(a_file(hostile, 5, "unproven"),), customer="<img src=x onerror=y>")
    page = Page(render_html(facts))
    assert page.fetched == []
    assert " ".join(hostile.split()) in page.text
    assert "<img src=x onerror=y>" in page.text
    assert plain(hostile) in plain(pdf_text(render_pdf(facts)))


def test_the_same_facts_give_the_same_bytes() -> None:
    assert render_pdf(sample()) == render_pdf(sample())
    assert render_html(sample()) == render_html(sample())


def test_paper_is_a4_and_numbered_with_the_case_on_every_sheet() -> None:
    pages = pypdf.PdfReader(io.BytesIO(render_pdf(sample()))).pages
    for at, page in enumerate(pages, 1):
        assert [round(float(side)) for side in page.mediabox[2:]] == [595, 842]
        text = plain(page.extract_text())
        assert f"case0042,page{at}of{len(pages)}" in text


def test_a_case_of_which_little_is_known_still_makes_both() -> None:
    assert "No files were handed back." in Page(render_html(EMPTY)).text
    assert "No files were handed back." in pdf_text(render_pdf(EMPTY))
    assert PrintedPapers().html(EMPTY) == render_html(EMPTY)
    assert PrintedPapers().pdf(EMPTY) == render_pdf(EMPTY)


def test_hundreds_of_damaged_files_are_all_on_paper() -> None:
    gaps = (Gap(Span(0, 4096), Lack.REFUSED),)
    facts = replace(
        EMPTY, files=tuple(a_file(f"photo-{at:04}.jpg", 9000, "holed", gaps=gaps) for at in range(400))
    )
    paper = plain(pdf_text(render_pdf(facts)))
    assert all(f"photo-{at:04}.jpg" in paper for at in range(400))


def test_a_long_list_of_what_was_left_out_is_cut_on_paper_and_says_so() -> None:
    count = PAPER_ROWS["left_out"] + 12
    left = tuple(LeftOut(b"dev/%d" % at, "device node", "it has no bytes") for at in range(count))
    facts = replace(EMPTY, left_out=left)
    assert plain("And 12 more entries, all in report.html.") in plain(pdf_text(render_pdf(facts)))
    assert f"dev/{count - 1}" in Page(render_html(facts)).text


def test_signs_without_a_glyph_are_given_by_number_on_paper_and_as_they_are_on_the_page() -> None:
    facts = replace(EMPTY, files=(a_file("Глазурь ε 青磁.jpg", 5, "unproven"),))
    paper = plain(pdf_text(render_pdf(facts)))
    assert plain("Глазурь ε ‹U+9752›‹U+78C1›.jpg") in paper
    assert plain("stand as their Unicode number") in paper
    assert "青磁" in Page(render_html(facts)).text
    without = replace(EMPTY, files=(a_file("Глазурь.jpg", 5, "unproven"),))
    assert plain("stand as their Unicode number") not in plain(pdf_text(render_pdf(without)))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("a\u200db", "ab"),
        ("e\u0301", "é"),
        ("😀", "‹U+1F600›"),
        ("\ue000", "‹U+E000›"),
        ("x\ty", "x‹U+0009›y"),
    ],
)
def test_what_is_printable(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_every_sign_said_to_be_printable_has_a_glyph() -> None:
    """Judged by the typesetter: the archival form of PDF refuses text without a glyph."""
    every = [chr(code) for first, last in RANGES for code in range(first, last + 1)]
    assert all(can_show(one) for one in every)
    sheet = (
        '#set document(title: "x", date: datetime(year: 2026, month: 1, day: 1))\n#set page(height: auto)\n'
        '#set text(font: "DejaVu Sans Mono")\n'
    )
    body = "".join(f'#"\\u{{{ord(one):x}}}" \\\n' for one in every)
    fonts = typst.Fonts(include_system_fonts=False)
    typst.compile({"main.typ": (sheet + body).encode()}, font_paths=fonts, pdf_standards="a-2b")
    with pytest.raises(typst.TypstError, match="could not be displayed"):
        typst.compile({"main.typ": f"{sheet}青".encode()}, font_paths=fonts, pdf_standards="a-2b")
