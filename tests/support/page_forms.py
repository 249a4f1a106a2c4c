"""What the pages of a bench offer: every link and every form that can be reached from its first page."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from starlette.routing import Match, Route

from mendbay.faces.web.addresses import Address, Book
from support.web_client import Web

FROM_ONE_ADDRESS = 4
"""Pages of one address that are looked at; of a list of a thousand cases the first will do."""
OF_ONE_ADDRESS = 12
"""Requests of one address that are kept."""


@dataclass(frozen=True, slots=True)
class Offered:
    """A request that a page offers.

    Args:
        path: of the address, its parts filled in.
        said: what link or form say by themselves: what is hidden, filled in, ticked, or on the button; of a
            choice that is open its first word that says something.
        on: the page that offers it.
    """

    path: str
    said: tuple[tuple[str, str], ...] = ()
    on: str = field(default="", compare=False)


@dataclass
class _Form:
    action: str
    method: str
    said: list[tuple[str, str]] = field(default_factory=list)
    buttons: list[tuple[str, str]] = field(default_factory=list)
    to_other: list[str] = field(default_factory=list)


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[_Form] = []
        self._form: _Form | None = None
        self._select: tuple[str, list[tuple[str, bool]]] | None = None
        self._text: tuple[str, list[str]] | None = None

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        self.links += [has[one] for one in ("href", "hx-get", "src", "data-rows") if one in has]
        if tag == "form":
            self._form = _Form(has.get("action", ""), has.get("method", "get"))
            self.forms.append(self._form)
        if self._form is None:
            return
        if tag == "input":
            self._input(self._form, has)
        elif tag == "button" and has.get("name"):
            self._form.buttons.append((has["name"], has.get("value", "")))
        elif tag == "select":
            self._select = has.get("name", ""), []
        elif tag == "option" and self._select is not None:
            self._select[1].append((has.get("value", ""), "selected" in has))
        elif tag == "textarea":
            self._text = has.get("name", ""), []
        if has.get("formaction") and has.get("formmethod", "post") != "get":
            self._form.to_other.append(has["formaction"])

    def _input(self, form: _Form, has: Mapping[str, str]) -> None:
        kind, name = has.get("type", "text"), has.get("name", "")
        if not name or kind == "file":
            return
        first = all(name != one for one, _ in form.said)
        if kind == "radio" and "checked" in has:
            form.said[:] = [one for one in form.said if one[0] != name]
        if kind not in ("radio", "checkbox") or "checked" in has or (first and "required" in has):
            form.said.append((name, has.get("value", "")))
        elif first and (kind == "radio" or has.get("value") not in ("yes", "")):
            form.said.append((name, has.get("value", "")))  # one of several, of which it may need one

    def handle_data(self, data: str) -> None:
        if self._text is not None:
            self._text[1].append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select" and self._select is not None and self._form is not None:
            name, options = self._select
            chosen = [one for one, is_chosen in options if is_chosen] or [one for one, _ in options if one]
            self._form.said += [(name, one) for one in chosen[:1]]
            self._select = None
        elif tag == "textarea" and self._text is not None and self._form is not None:
            self._form.said.append((self._text[0], "".join(self._text[1])))
            self._text = None


def offered(web: Web, book: Book, begin: Sequence[str]) -> dict[str, list[Offered]]:
    """By the name of the address, what the pages that can be reached from some offer."""
    routes = [(one, Route(one.path, _never, methods=[one.method])) for one in book.addresses.values()]
    found: dict[str, list[Offered]] = {name: [] for name in book.addresses}
    looked: dict[str, int] = dict.fromkeys(book.addresses, 0)
    waiting, met = deque(begin), set(begin)
    while waiting:
        url = waiting.popleft()
        address = _address(routes, "GET", url)
        if address is None or looked[address.name] >= FROM_ONE_ADDRESS * (address.name != "today") + 1:
            continue
        looked[address.name] += 1
        answer = web.client.get(url, headers={"accept": "text/html"})
        assert answer.status_code < 500 or answer.status_code == 503, (url, answer.status_code)
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        page = _Page()
        page.feed(answer.text)
        for link in page.links:
            target = urlsplit(link)
            if target.scheme or target.netloc or not link.startswith("/"):
                continue
            asked = parse_qsl(target.query, keep_blank_values=True)
            _keep(found, routes, "GET", Offered(target.path, tuple(asked), url))
            plain = target._replace(fragment="").geturl()
            if plain not in met:
                met.add(plain)
                waiting.append(plain)
        for method, one in _offered_by(page, url):
            _keep(found, routes, method, one)
    return found


def offered_on(html: str, on: str, book: Book, name: str) -> list[Offered]:
    """What one page alone offers of one address, and the page itself where it is of that."""
    routes = [(one, Route(one.path, _never, methods=[one.method])) for one in book.addresses.values()]
    found: dict[str, list[Offered]] = {one: [] for one in book.addresses}
    page = _Page()
    page.feed(html)
    for link in (on, *page.links):
        target = urlsplit(link)
        if not target.scheme and not target.netloc and link.startswith("/"):
            asked = parse_qsl(target.query, keep_blank_values=True)
            _keep(found, routes, "GET", Offered(target.path, tuple(asked), on))
    for method, one in _offered_by(page, on):
        _keep(found, routes, method, one)
    return found[name]


def offered_by(html: str, on: str) -> list[Offered]:
    """What the forms of one page offer."""
    page = _Page()
    page.feed(html)
    return [one for _, one in _offered_by(page, on)]


def _offered_by(page: _Page, on: str) -> Iterator[tuple[str, Offered]]:
    for form in page.forms:
        for action in (form.action, *form.to_other):
            for button in form.buttons or [None]:
                said = (*form.said, *([button] if button else []))
                yield form.method.upper(), Offered(urlsplit(action).path, said, on)


def _keep(
    found: dict[str, list[Offered]],
    routes: Sequence[tuple[Address, Route]],
    method: str,
    one: Offered,
) -> None:
    address = _address(routes, method, one.path)
    if address is None:
        return
    kept = found[address.name]
    if one not in kept and len(kept) < OF_ONE_ADDRESS:
        kept.append(one)


def _address(routes: Sequence[tuple[Address, Route]], method: str, url: str) -> Address | None:
    path = unquote(urlsplit(url).path)
    scope: dict[str, Any] = {"type": "http", "method": method, "path": path, "root_path": ""}
    return next((one for one, route in routes if route.matches(scope)[0] is Match.FULL), None)


async def _never(request: object) -> Any:
    raise AssertionError(request)


def links_of(html: str) -> list[str]:
    """What a page links to and fetches."""
    page = _Page()
    page.feed(html)
    return page.links
