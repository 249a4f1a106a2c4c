"""Values of a TOML text changed where they stand: its remarks, its order and its blanks stay as they are.

Only what a form needs is known: `key = value` in tables, and tables of lists. What comes of a change is read
again and must say what was meant and nothing else; where it does not, nothing is changed.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

from mendbay.core.toml_text import parse_toml

Place = tuple[str | int, ...]
"""Where a value stands: `("tax", "rate")`, or `("price", 2, "amount")` in the third table of a list."""
Value = str | int | float | bool | Sequence[str]

_PART = r"(?:[A-Za-z0-9_-]+|\"[^\"\\\n]*\"|'[^'\n]*')"
_KEY = re.compile(rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*")
_EACH = re.compile(_PART)
_BLANKS = re.compile(r"[ \t]*")
_LINE = re.compile(r"[^\n]*\n?")
_HEAD = re.compile(rf"(\[\[?)[ \t]*({_KEY.pattern})[ \t]*\]\]?")
_TEXT = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})|\'\'\'.*?\'\'\'(?:\'{0,2})|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL
)
_BARE = re.compile(r"[^\s#,\[\]{}\"']+")
_OPENING, _CLOSING = "[{", "]}"


class NotInPlace(ValueError):
    """A text is written so that a value of it cannot be changed without touching what else it says."""


@dataclass(frozen=True, slots=True)
class _Statement:
    """A key with its value: where the value begins and ends, where its line ends, and whether a remark stands
    within the value."""

    place: Place
    begin: int
    end: int
    line_end: int
    remark: bool


@dataclass(frozen=True, slots=True)
class _Header:
    """The line that begins a table."""

    place: Place
    begin: int
    line_end: int


def with_values(text: str, wanted: Mapping[Place, Value]) -> str:
    """The text with other values; a key that its table lacks comes to its end.

    Raises:
        NotToml: it is none.
        NotInPlace: a value cannot be changed where it stands.
    """
    before = parse_toml(text)
    whole = text if text.endswith("\n") or not text else f"{text}\n"
    standing: dict[Place, _Statement] = {}
    ends: dict[Place, int] = {(): 0}
    for one in _parts(whole):
        ends[one.place if isinstance(one, _Header) else one.place[:-1]] = one.line_end
        if isinstance(one, _Statement):
            standing[one.place] = one
    edits = [_edit(standing.get(place), ends, place, value) for place, value in wanted.items()]
    meant = deepcopy(before)
    for place, value in wanted.items():
        _put(meant, place, _plain(value))
    return _require_means(_edited(whole, edits), meant)


def with_table(text: str, name: str, values: Mapping[str, Value]) -> str:
    """The text with one more table at the end of the list of that name.

    Raises:
        NotToml: it is none.
        NotInPlace: the list is written otherwise than as `[[name]]`.
    """
    meant = parse_toml(text)
    listed = meant.setdefault(name, [])
    if not isinstance(listed, list):
        raise NotInPlace(name)
    listed.append({key: _plain(one) for key, one in values.items()})
    rows = "".join(f"{key} = {_written(one)}\n" for key, one in values.items())
    return _require_means(f"{text.rstrip()}\n\n[[{name}]]\n{rows}", meant)


def without_table(text: str, name: str, number: int) -> str:
    """The text without one table of the list of that name, from its head to its last value; remarks on lines
    of their own stay.

    Args:
        number: which, from 0.

    Raises:
        NotToml: it is none.
        NotInPlace: the list is written otherwise than as `[[name]]`, or has no such table.
    """
    meant = parse_toml(text)
    whole = text if text.endswith("\n") else f"{text}\n"
    parts = list(_parts(whole))
    head = next((one for one in parts if isinstance(one, _Header) and one.place == (name, number)), None)
    if head is None:
        raise NotInPlace(name)
    end = max([head.line_end, *(one.line_end for one in parts if _is_of(one, (name, number)))])
    lines = whole[head.begin : end].splitlines(keepends=True)
    remarks = "".join(one for one in lines if one.lstrip().startswith("#"))
    del meant[name][number]
    if not meant[name]:
        del meant[name]
    rest = whole[end:]
    if whole[: head.begin].endswith("\n\n") and not remarks:
        rest = rest.removeprefix("\n")
    return _require_means(whole[: head.begin] + remarks + rest, meant)


def quoted(text: str) -> str:
    """A text as TOML has it: its escapes are those of JSON, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _written(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return str(value)
    return quoted(value) if isinstance(value, str) else f"[{', '.join(map(quoted, value))}]"


def _plain(value: Value) -> object:
    """As TOML is read."""
    return value if isinstance(value, str | int | float) else list(value)


def _is_of(one: _Statement | _Header, table: Place) -> bool:
    return isinstance(one, _Statement) and one.place[: len(table)] == table


def _edit(
    now: _Statement | None, ends: Mapping[Place, int], place: Place, value: Value
) -> tuple[int, int, str]:
    """Where a value begins and ends, and what comes there.

    Args:
        now: the statement that has the key; None if none does.
        ends: of each table, the end of the last line that is its own.
    """
    if now is not None:
        if now.remark:
            raise NotInPlace(f"a remark stands within {place[-1]}")
        return now.begin, now.end, _written(value)
    if place[:-1] not in ends:
        raise NotInPlace(f"{place[-1]} has no table of its own")
    end = ends[place[:-1]]
    return end, end, f"{place[-1]} = {_written(value)}\n"


def _edited(text: str, edits: Sequence[tuple[int, int, str]]) -> str:
    """What comes to one place keeps its order."""
    pieces, at = [], 0
    for begin, end, said in sorted(edits, key=lambda one: one[:2]):
        pieces += [text[at:begin], said]
        at = end
    return "".join(pieces) + text[at:]


def _put(tables: Any, place: Place, value: object) -> None:
    try:
        for part in place[:-1]:
            tables = tables[part]
        tables[place[-1]] = value
    except (LookupError, TypeError):
        raise NotInPlace(f"there is no place for {place[-1]}") from None


def _require_means(text: str, meant: Mapping[str, Any]) -> str:
    try:
        found = tomllib.loads(text)
    except (ValueError, RecursionError):
        raise NotInPlace("what comes of it is not TOML") from None
    if not _same(found, meant):
        raise NotInPlace("what comes of it says something else")
    return text


def _same(one: object, other: object) -> bool:
    """Equal, and true is not 1."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return type(one) is type(other) and one == other


def _parts(text: str) -> Iterator[_Statement | _Header]:
    """The heads of tables and the statements of a text that is TOML, in their order."""
    at = 0
    table: Place = ()
    counted: Counter[str] = Counter()
    while at < len(text):
        begin = at
        at = _end(_BLANKS, text, at)
        head = _HEAD.match(text, at)
        key = _KEY.match(text, at)
        if head:
            names = _names(head[2])
            table = names
            if head[1] == "[[":
                name = ".".join(names)
                table = (*names, counted[name])
                counted[name] += 1
            at = _end(_LINE, text, head.end())
            yield _Header(table, begin, at)
        elif key:
            value = _end(_BLANKS, text, _end(_BLANKS, text, key.end()) + 1)
            end, remark = _value_end(text, value)
            at = _end(_LINE, text, end)
            yield _Statement((*table, *_names(key[0])), value, end, at, remark)
        else:
            at = _end(_LINE, text, at)


def _names(key: str) -> tuple[str, ...]:
    return tuple(found[0].strip("\"'") for found in _EACH.finditer(key))


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    return found.end() if found else at


def _value_end(text: str, at: int) -> tuple[int, bool]:
    """Where a value ends, and whether a remark stands in it."""
    depth, remark = 0, False
    while at < len(text):
        found = _TEXT.match(text, at) or _BARE.match(text, at)
        if found:
            at = found.end()
        elif text[at] == "#":
            if not depth:
                break
            remark, at = True, _end(_LINE, text, at)
        else:
            depth += (text[at] in _OPENING) - (text[at] in _CLOSING)
            at += 1
        if depth <= 0:
            break
    return at, remark
