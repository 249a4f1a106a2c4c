"""Numbers of a page stay with their units; what is copied or sent back keeps its blanks."""

from __future__ import annotations

import re
from html import unescape

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.items import What
from mendbay.case.records import Bay
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces.web.fields import number, read_fields
from mendbay.faces.web.line_ends import bound, held
from mendbay.jobs.keep_items import add_item
from support.web_client import Web

SIGNS = [
    *"<>\"'/-! 5V%a=",
    "\u2009",
    "5 V",
    "<!--",
    "-->",
    "<pre>",
    "</pre>",
    '<a b="',
    "<textarea ",
    "</textarea>",
    "<b>",
]
"""What pages are made of, whole and in pieces."""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("about 5 V and 25 %, for 600 EUR", "about 5\xa0V and 25\xa0%, for 600\xa0EUR"),
        (f"{bytes_text(3_400_000)} of {count_text(1204224)}", "3.40\u202fMB of 1\u202f204\u202f224"),
        ("bay 1 holds 12 files, 3 more", "bay 1 holds 12 files, 3 more"),
        ("mendbay rom read 1 BAY", "mendbay rom read 1 BAY"),
    ],
)
def test_a_number_stays_with_its_unit(text: str, told: str) -> None:
    assert bound(f"<p>{text}</p>") == f"<p>{told}</p>"


@pytest.mark.parametrize(
    "html",
    [
        '<input value="5 V">',
        '<input title=">" value="5 V">',
        "<textarea>5 V</textarea>",
        "<code>--limit 5 V</code>",
        "<option>5 V</option>",
        "<pre>5 V</pre>",
        "<!-- 5 V -->",
    ],
)
def test_what_is_sent_back_or_copied_keeps_its_blanks(html: str) -> None:
    assert bound(html) == html


@pytest.mark.parametrize("begin", ['<a title="', "<a title='", "<a ", "<!-- ", "<pre>", '<a b="x" c='])
def test_what_has_no_end_goes_to_the_end_as_browsers_read_it(begin: str) -> None:
    rest = f"{begin}5 V and 6 V"
    assert bound(f"<p>4 V</p>{rest}") == f"<p>4\xa0V</p>{rest}"


@pytest.mark.parametrize("piece", ['<a "', "<a '", "<a ", "<!--", "<pre>5 V", "<a b=\"x\" c='y' ", "<a '\""])
def test_each_sign_is_read_once_whatever_has_no_end(piece: str) -> None:
    """Read anew from each of its beginnings, so much would take hours."""
    html = piece * 200_000
    assert bound(html) == html


@given(st.lists(st.sampled_from(SIGNS), max_size=40).map("".join))
def test_nothing_but_blanks_is_changed(html: str) -> None:
    made = bound(html)
    assert len(made) == len(html)
    for was, now in zip(html, made, strict=True):
        assert was == now or (was, now) in {(" ", "\xa0"), ("\u2009", "\u202f")}
    assert bound(made) == made


@given(st.lists(st.sampled_from(SIGNS), max_size=40).map("".join))
def test_what_is_behind_something_whole_is_bound_as_if_it_stood_alone(html: str) -> None:
    whole = "<p title='5 V'>x</p><!-- \" -->"
    assert bound(whole + html) == whole + bound(html)


def test_a_name_keeps_its_blanks() -> None:
    name = "3 MB and 4\u20095.jpg"
    assert bound(f"<p>{held(name)}</p>") == f"<p>{name}</p>"


def test_pages_bind_and_fields_do_not(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    with web.bench() as bench:
        bench.ledger.add_bay(Bay(1, "1"))
        add_item(bench, 1, What.ADAPTER, "12 V")
    assert "the 5\xa0V rail" in unescape(web.get("/case/1/board?bay=1"))
    things = unescape(web.get("/case/1/things"))
    assert "mains adapter: 12 V" in things, "a label is looked for as it is written"
    assert 'value="12 V"' in things
    assert not re.search(r"\ufdd0|\ufdd1", things)


@pytest.mark.parametrize("blank", [" ", "\u2009", "\u202f", "\xa0"])
def test_a_number_copied_from_a_page_is_one_in_a_form(blank: str) -> None:
    asked = (number("first", "First sector"),)
    assert read_fields(asked, [("first", f"1{blank}204{blank}224")])["first"] == 1_204_224
