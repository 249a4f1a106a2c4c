"""The shop itself, as its papers name it: `settings/shop.toml` in the shop's folder."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from mendbay.core.errors import BadFormFile
from mendbay.core.texts import LINE_LIMIT

PAGES = ("A4", "Letter")
MOST_LINES = 8


@dataclass(frozen=True, slots=True)
class Shop:
    """
    Args:
        name: on every paper; empty to leave it out.
        lines: address, telephone, tax number, as they stand below the name.
        page: the paper in the printer, `A4` or `Letter`.
    """

    name: str = ""
    lines: tuple[str, ...] = ()
    page: str = "A4"


def read_shop(text: str) -> Shop:
    """The shop that a file describes; every key may be left out.

    Raises:
        BadFormFile: not TOML, an unknown key, or a value that cannot be printed.
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as trouble:
        raise BadFormFile(f"settings/shop.toml is not TOML: {trouble}.", "Put that line right.") from trouble
    unknown = sorted(set(raw) - {"name", "lines", "page"})
    name, lines, page = raw.get("name", ""), raw.get("lines", []), raw.get("page", "A4")
    texts = [name, *lines] if isinstance(lines, list) else [None]
    if unknown:
        found, step = f"has the unknown key {unknown[0][:40]!r}", "Use name, lines and page"
    elif not all(isinstance(one, str) and one.isprintable() and len(one) <= LINE_LIMIT for one in texts):
        found, step = (
            "has a name or lines that are no single lines of text",
            f"Use up to {LINE_LIMIT} characters",
        )
    elif len(lines) > MOST_LINES:
        found, step = f"has {len(lines)} lines", f"Use up to {MOST_LINES}"
    elif page not in PAGES:
        found, step = f"has the page {page!r:.40}", f"Use {' or '.join(PAGES)}"
    else:
        return Shop(name, tuple(lines), page)
    raise BadFormFile(f"settings/shop.toml {found}.", step)
