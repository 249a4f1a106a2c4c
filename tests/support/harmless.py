"""Something that each field of a form takes, and whether a page gives back nothing that is alive."""

from __future__ import annotations

from html.parser import HTMLParser

import httpx2

from mendbay.faces.web.fields import Field, FieldKind


def plain(one: Field) -> str:
    """Something that the field takes."""
    match one.kind:
        case FieldKind.NUMBER | FieldKind.DECIMAL:
            return str(one.least)
        case FieldKind.CHOICE | FieldKind.SEVERAL:
            return next(iter(one.choices), "word")
        case FieldKind.DAY:
            return "2030-01-01"
        case FieldKind.FLAG:
            return "yes"
        case _:
            return "word"


class _Tags(HTMLParser):
    """Collects what of a page a browser would act on."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [(tag, name, value or "") for name, value in attrs] or [(tag, "", "")]


def require_harmless_answer(answer: httpx2.Response) -> None:
    """A page shows nothing that is alive; anything else says what it is, and no browser is to guess."""
    assert answer.headers["x-content-type-options"] == "nosniff"
    if "content-disposition" in answer.headers:
        return
    sort = answer.headers.get("content-type", "")
    if sort.startswith("text/") or not sort:
        require_harmless(answer.text)
    else:
        assert sort.startswith(("image/", "application/json")), sort


def require_harmless(html: str) -> None:
    """No tag, attribute or template of the corpus came back as what it is, and no sign that turns the
    direction of writing."""
    tags = _Tags()
    tags.feed(html)
    for tag, name, value in tags.found:
        assert not name.startswith("on"), (tag, name, value)
        assert name != "style", (tag, value)
        if name in ("src", "href", "action"):
            assert value.startswith(("/", "#", "?", "mailto:?")) or value == "", (tag, name, value)
        assert value != "x" or name.startswith("data-"), (tag, name)
    assert not {tag for tag, _, _ in tags.found} & {"base", "iframe", "object", "embed"}
    assert "<script>" not in html
    assert "49${" not in html
    assert "\u202e" not in html
