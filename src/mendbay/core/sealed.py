"""Reads the records of a sealed text: every field must be there and of its kind, and none may be more.

All raise `ValueError` with a few words that say what is wrong.
"""

from __future__ import annotations

import json
from collections.abc import Iterable


def canonical(body: object) -> str:
    """The one JSON text of a body, over which a seal is made: sorted keys, no blanks."""
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def record(value: object, names: Iterable[str]) -> dict[str, object]:
    """An object with exactly these fields."""
    if not isinstance(value, dict) or set(value) != set(names):
        raise ValueError("a record has not exactly its fields")
    return dict(value)


def rows(value: object) -> list[object]:
    """A list."""
    if not isinstance(value, list):
        raise ValueError("a list is missing")
    return value


def text(value: object) -> str:
    """A text, which may be empty."""
    if not isinstance(value, str):
        raise ValueError("a text is missing")
    return value


def truth(value: object) -> bool:
    """A yes or no."""
    if not isinstance(value, bool):
        raise ValueError("a yes or no is missing")
    return value


def count(value: object) -> int:
    """A whole number from 0 on."""
    if whole(value) < 0:
        raise ValueError("a number is missing")
    return whole(value)


def whole(value: object) -> int:
    """A whole number, such as a time, which may lie before 1970."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("a number is missing")
    return value
