"""The style that every page loads is joined of several files: none may change what another one means."""

from __future__ import annotations

import re
from collections import defaultdict
from importlib.resources import files

import pytest

from mendbay.faces.web.desk import APART, static_files
from mendbay.files.verdict import Verdict
from support.web_client import Web

MEANT = {".scroll", ".plain", ".ticks"}
"""Classes of all pages that a file of some pages adds to."""


def test_no_class_is_defined_by_two_files_unless_it_is_meant() -> None:
    found: dict[str, set[str]] = defaultdict(set)
    for name, (data, kind) in static_files().items():
        if kind == "text/css" and name not in ("pages.css", *APART):
            for selectors in re.findall(r"([^{}]+)\{", data.decode()):
                for one in selectors.split(","):
                    if re.fullmatch(r"\.[\w-]+", one.strip()):
                        found[one.strip()].add(name)
    twice = {one: names for one, names in found.items() if len(names) > 1 and one not in MEANT}
    assert twice == {}


def test_what_print_hides_of_some_pages_is_no_class_of_others() -> None:
    """Such a rule counts on every page: the lines of a quote were gone from paper by one of the drives'."""
    templates = [one.read_text() for one in (files("mendbay.faces.web") / "templates").iterdir()]
    money = next(one for one in templates if "<h1>Money</h1>" in one)
    (table,) = re.findall(r'<table class="([^"]*)">\s*<caption>In {{ one.currency }}', money)
    joined = static_files()["pages.css"][0].decode()
    hidden: set[str] = set()
    for selectors in re.findall(r"([^{}]+)\{ ?display: none[^{}]*\}", joined):
        hidden |= {one.strip() for one in selectors.split(",") if re.fullmatch(r"\.[\w-]+", one.strip())}
    assert ".begin" in hidden
    assert not {f".{one}" for one in table.split()} & hidden


def test_every_page_gets_all_of_it() -> None:
    files = static_files()
    joined = files["pages.css"][0]
    for name, (data, kind) in files.items():
        if kind == "text/css" and "/" not in name and name not in ("pages.css", *APART):
            assert data in joined, name
    assert b"htmx" not in files["pages.js"][0][:40]
    assert files["pages.js"][0].startswith(files["mendbay.js"][0])


def test_a_row_of_the_tree_is_marked_only_while_keys_move_there() -> None:
    text = static_files()["files.css"][0].decode()
    rules = re.findall(r"([^{}\n]*\.f-row\.at[^{}]*)\{", text)
    assert rules
    assert all(one.strip().startswith("#tree:focus") for one in rules), "a mark on a row looks like a choice"


def test_every_cell_of_a_table_that_folds_says_what_it_is() -> None:
    """On a narrow screen the heads of such a table are not shown; its first cell names the row."""
    folded = 0
    for template in (files("mendbay.faces.web") / "templates").iterdir():
        for table in re.findall(
            r'<table class="[^"]*\bacts\b[^"]*">(.*?)</table>', template.read_text(), re.DOTALL
        ):
            folded += 1
            body = table.partition("</thead>")[2]
            for row in re.findall(r"<tr[^>]*>(.*?)</tr>", body, re.DOTALL):
                for cell, said in re.findall(r"<(t[dh]\b[^>]*)>(.*?)</t[dh]>", row, re.DOTALL)[1:]:
                    told = "data-head=" in cell or "colspan=" in cell or "<button" in said or "<a " in said
                    assert told, f"{template.name}: {row}"
    assert folded > 5


def test_the_scale_of_odds_is_as_wide_as_its_bars() -> None:
    text = static_files()["triage.css"][0].decode()
    widths = re.findall(r"\.then, \.odds-scale \{ max-width: ([^;]+); \}", text)
    assert len(widths) == 1
    assert re.search(r"\.then \.plain li \{[^}]*max-width: none", text), "a list is narrower elsewhere"


@pytest.mark.parametrize("page", ["", "/hand-back", "/money", "/record", "/letters", "/closing"])
def test_no_heading_is_printed_of_what_is_only_to_be_filled_in(web: Web, page: str) -> None:
    web.post("/cases/open", {"customer": "Fern", "box": "a box"})
    html = web.get(f"/case/1{page}")
    printed = re.sub(r'<(p|h\d)\b[^>]*class="[^"]*on-screen"[^>]*>.*?</\1>', "", html, flags=re.DOTALL)
    printed = re.sub(r"<(form|details)\b.*?</\1>", "", printed, flags=re.DOTALL)
    assert re.findall(r"<h[23]\b[^>]*>([^<]*)</h[23]>\s*(?=<h[12]\b|</div>\s*</div>)", printed) == []


def test_a_link_that_stands_alone_can_be_hit_with_a_finger() -> None:
    common = static_files()["mendbay.css"][0].decode()
    assert re.search(r"\.way a \{[^}]*min-height: 2\.75rem", common)
    link = r'<a href="(?:[^"{]|\{\{.*?\}\})*">[^<]*</a>'
    for template in (files("mendbay.faces.web") / "templates").iterdir():
        for found in re.findall(rf"^<p>{link}</p>$", template.read_text(), re.MULTILINE):
            raise AssertionError(f"{template.name}: {found} is no way of its own")


def _marks(template: str, of: str) -> dict[str, list[tuple[tuple[str, str], ...]]]:
    """The shapes of a template's marks by their word, without their colours."""
    branches = re.findall(rf'if ([^%]*?{of} == "[^%]*?) -?%}}(.*?)\{{%', template, re.DOTALL)
    return {
        word: [
            tuple(one for one in re.findall(r'([\w-]+)="([^"]*)"', shape) if "var(" not in one[1])
            for shape in re.findall(r"<(?:circle|path)[^>]*>", shapes.replace("currentColor", "var()"))
        ]
        for said, shapes in branches
        for word in re.findall(rf'{of} == "(\w+)"', said)
    }


def test_what_files_are_worth_is_marked_as_in_the_report() -> None:
    pages = _marks((files("mendbay.faces.web") / "templates/files_parts.html").read_text(), "word")
    report = _marks((files("mendbay.outlets") / "templates/report.html").read_text(), "state")
    words = {str(one) for one in Verdict}
    assert words <= pages.keys()
    assert {word: pages[word] for word in words} == {word: report[word] for word in words}
    assert all(pages[word] for word in words)


def test_what_a_file_lacks_is_shown_on_every_screen() -> None:
    text = static_files()["files.css"][0].decode()
    hidden = re.findall(r"([^{}]*)\{[^{}]*display: none", text)
    assert not [one for one in hidden if re.search(r"\.f-missing\s*(?:,|$)", one.strip())]


def test_no_part_that_is_asked_for_again_is_read_out_whole_each_time() -> None:
    """What is told of it is marked with data-says; a long job changes its part every second."""
    marked = 0
    for template in (files("mendbay.faces.web") / "templates").iterdir():
        text = template.read_text()
        assert "aria-live" not in text, template.name
        marked += text.count("data-says")
    assert marked > 5


def test_what_shows_by_a_shadow_or_a_background_alone_shows_in_forced_colours_too() -> None:
    text = static_files()["files.css"][0].decode()
    forced = re.findall(r"@media \(forced-colors: active\) \{(.*?)\n\}", text, re.DOTALL)
    assert len(forced) == 1
    for one in ("#tree:focus .f-row.at", ".f-row[aria-selected=true] .box", ".fold"):
        assert f"{one} {{" in forced[0]


def test_no_background_is_laid_under_the_light_words_of_a_filled_button() -> None:
    """A button without a class of its own has light words: what colours it while it is pointed at must say
    which buttons it means, or give the words a colour too."""
    joined = static_files()["pages.css"][0].decode()
    states = re.compile(r"\bbutton(?!\.(?:quiet|harm))[^\s,]*:(?:hover|active|focus)")
    found = [
        one.strip()
        for selectors, rules in re.findall(r"([^{}]+)\{([^{}]*)\}", joined)
        for one in selectors.split(",")
        if states.search(one) and "background" in rules and not re.search(r"(?<![\w-])color:", rules)
    ]
    assert found == []
