"""TOML text that a person wrote, with troubles said in plain words."""

from __future__ import annotations

import re
import tomllib
from typing import Any

_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)")


class NotToml(ValueError):
    """A text is not TOML; the message says where, as the end of a sentence that begins with its name."""


def parse_toml(text: str) -> dict[str, Any]:
    """The tables of a text.

    Raises:
        NotToml: it is none.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        found = _PLACE.search(str(trouble))
        where = f"line {found[1]} cannot be read from column {found[2]} on" if found else "it breaks off"
        raise NotToml(f"is not TOML: {where}") from None
    except RecursionError:
        raise NotToml("is not TOML: it is nested too deeply") from None
