"""Of two fields of a page that are called alike, what stands around them says which is which."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

import pytest

from support.lively_home import READ, YOUNG, lively_home
from support.web_client import Web, web_on

pytestmark = pytest.mark.slow

OF_A_CASE = ("", "take-in", "board", "board/rom?bay=1", "drives", "files", "hand-back", "things", "money")
MORE_OF_A_CASE = ("letters", "record", "closing", "triage", "pair", "pictures")
PAGES = (
    *("/cases", "/stock", "/lessons", "/lessons/reckon", "/lessons/reading"),
    *("/settings", "/settings/file/prices", "/settings/file/power"),
    *(f"/case/{one}/{page}".rstrip("/") for one in (READ, YOUNG, 2) for page in OF_A_CASE + MORE_OF_A_CASE),
)
VOID = frozenset(("br", "col", "hr", "img", "input", "link", "meta", "path", "rect", "source", "use", "wbr"))
UNSEEN = ("hidden", "submit", "button")


@dataclass
class Element:
    """One that is open while a page is read.

    Args:
        text: all that it says.
        called: what its legend or its summary says.
    """

    tag: str
    has: dict[str, str]
    text: list[str] = field(default_factory=list)
    called: str = ""


class Fields(HTMLParser):
    """The fields of a page, each with what is around it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self._open: list[Element] = []
        self._labels: dict[str, str] = {}
        self._texts: dict[str, str] = {}
        self._found: list[tuple[dict[str, str], list[Element]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        if tag in ("input", "select", "textarea") and has.get("type") not in UNSEEN:
            self._found.append((has, list(self._open)))
        if tag not in VOID:
            self._open.append(Element(tag, has))

    def handle_data(self, data: str) -> None:
        for one in self._open:
            one.text.append(data)

    def handle_endtag(self, tag: str) -> None:
        while self._open:
            one = self._open.pop()
            said = " ".join("".join(one.text).split())
            if one.tag == "label" and "for" in one.has:
                self._labels[one.has["for"]] = said
            if "id" in one.has:
                self._texts[one.has["id"]] = said
            if one.tag in ("legend", "summary") and self._open:
                self._open[-1].called = said
            if one.tag == tag:
                break

    def called(self) -> Iterator[tuple[str, ...]]:
        """What each field is called, behind what the groups around it are called."""
        for has, around in self._found:
            groups = (one.called or self._named(one.has) for one in around if one.tag != "label")
            label = self._labels.get(has.get("id", "")) or next(
                (" ".join("".join(one.text).split()) for one in reversed(around) if one.tag == "label"), ""
            )
            yield (*filter(None, groups), self._named(has) or label)

    def _named(self, has: dict[str, str]) -> str:
        by = " ".join(self._texts.get(one, "") for one in has.get("aria-labelledby", "").split())
        return by or has.get("aria-label", "")


@pytest.fixture(scope="module")
def lively(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    with web_on(lively_home(tmp_path_factory.mktemp("named") / "home")) as web:
        yield web


@pytest.mark.parametrize("page", PAGES)
def test_no_two_fields_are_called_alike_where_nothing_tells_them_apart(lively: Web, page: str) -> None:
    called = list(Fields(lively.get(page)).called())
    assert not [one for one in called if not one[-1]], "a field that is called nothing"
    assert sorted({one for one in called if called.count(one) > 1}) == []


def test_two_that_are_called_alike_are_found() -> None:
    one = '<form><label for="{0}">Why</label><input id="{0}"></form>'
    alike = list(Fields(one.format("a") + one.format("b")).called())
    assert alike == [("Why",), ("Why",)]
    within = f'<section aria-labelledby="h"><h2 id="h">This</h2>{one.format("a")}</section>'
    assert list(Fields(within).called()) == [("This", "Why")]
    folded = "<details><summary>More</summary><label>T<input></label></details>"
    assert list(Fields(folded).called()) == [("More", "T")]
