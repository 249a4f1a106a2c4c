"""Draws pages: the template engine with what every template may use."""

from __future__ import annotations

import itertools
import re
import secrets
from typing import Any
from urllib.parse import urlsplit

import jinja2
from markupsafe import Markup

from mendbay.core.quantity import (
    bytes_text,
    chance_text,
    count_text,
    counted,
    duration_text,
    grouped_bytes,
)
from mendbay.faces.plain_text import without_controls
from mendbay.faces.printable import printable
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Page
from mendbay.faces.web.commands import told_on
from mendbay.faces.web.line_ends import bound, held
from mendbay.faces.web.visit import Visit, seen

NAV = (
    ("today", "Today"),
    ("cases", "Cases"),
    ("stock", "Stock"),
    ("lessons", "Lessons"),
    ("settings", "Settings"),
)
"""The pages of the whole shop."""


class Drawing:
    """Makes HTML of pages."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self.environment = jinja2.Environment(
            loader=jinja2.PackageLoader("mendbay.faces.web", "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            finalize=_plain,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.filters.update(
            told=told_on(book),
            size=bytes_text,
            count=count_text,
            grouped=grouped_bytes,
            chance=chance_text,
            duration=duration_text,
            moment=moment,
            moments=moments,
            name=lambda raw: held(shown_name(raw)),
            typed=lambda said: held(without_controls(said)),
        )
        self.environment.globals.update(
            counted=counted, seen=seen, meter=meter, numbers=itertools.count, fresh_mark=fresh_mark
        )

    def page(self, visit: Visit, page: Page, notice: str = "") -> str:
        """The HTML of a page, its numbers bound to their units."""
        template = self.environment.get_template(page.template)
        return bound(template.render(**page.facts, **self._standing(visit, notice)))

    def _standing(self, visit: Visit, notice: str) -> dict[str, Any]:
        """What every template has: links, the marks of what may change, who visits."""
        return {
            "visit": visit,
            "url": visit.url,
            "field": lambda name, address: _field(visit, name, address),
            "nav": [(name, words) for name, words in NAV if name in self._book.addresses],
            "has": self._book.addresses.__contains__,
            "static": f"/static/{visit.desk.boot}",
            "mark": visit.mark,
            "notice": notice,
            "here": visit.here,
            "at": visit.address.name,
        }


def fresh_mark() -> str:
    """One that no form had before."""
    return secrets.token_hex(8)


def _field(visit: Visit, name: str, address: str) -> Any:
    """The field of that name of a form, so that its input has the same limits."""
    return next(one for one in visit.book.addresses[address].fields if one.name == name)


def _plain(value: object) -> object:
    """What an expression of a template gives, without signs that turn the direction of writing: what people
    and drives say stands on every page."""
    return without_controls(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def moment(at: str) -> str:
    """A time of a record for people: day and minute, UTC as on paper."""
    return f"{at[:10]} {at[11:16]}" if len(at) >= 16 else at


_TIME = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d+)?)?Z")


def moments(text: object) -> str:
    """A sentence in which every time of a record is written for people, as `moment` does."""
    return _TIME.sub(lambda found: moment(found[0]), str(text))


def shown_name(raw: bytes | str) -> str:
    """A name from a customer's drive: what is not plain text shows as an escape, so that no name can turn the
    direction of writing or hide another. Blanks that keep figures together stay."""
    shown = printable(raw if isinstance(raw, bytes) else raw.encode("utf-8", "surrogateescape"))
    # A backslash of the name itself is written out too, so these are no letters of it.
    return shown.replace("\\xe2\\x80\\x89", "\N{THIN SPACE}").replace("\\xc2\\xa0", "\N{NO-BREAK SPACE}")


def meter(share: float, words: str, kind: str = "read") -> Markup:
    """A bar for a share from 0 to 1, with its words for those who do not see it.

    Args:
        kind: the class that gives its colour and texture.
    """
    width = round(100 * min(1.0, max(0.0, share)), 1)
    return Markup(
        '<svg class="bar {}" viewBox="0 0 100 8" preserveAspectRatio="none" role="img" aria-label="{}">'
        '<rect class="ground" width="100" height="8"/><rect class="part" width="{}" height="8"/></svg>'
    ).format(kind, words, width)


def is_local(url: str) -> bool:
    """Whether a link leads to this server and nowhere else."""
    parts = urlsplit(url)
    return not parts.scheme and not parts.netloc and url.startswith("/") and not url.startswith(("//", "/\\"))
