"""Reads a number-form file: TOML with `[[form]]`, `[[caption]]` and `[codes.NAME]` tables.

`docs/formats/number-forms.md` describes the file. Unknown keys are refused, so that a misspelt one cannot
pass unnoticed, and every form must hold against its own examples.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NoReturn

from mendbay.board.number_form import (
    Caption,
    Form,
    Kind,
    PartMeaning,
    Unit,
    template_names,
    template_rest,
)
from mendbay.board.pattern import Pattern, PatternError, compile_pattern
from mendbay.core.errors import BadFormFile
from mendbay.core.toml_text import NotToml, parse_toml

_LONGEST_FILE = 200_000
_MOST_FORMS = 500
_MOST_CAPTIONS = 500
_MOST_CODES = 200
_MOST_EXAMPLES = 50
_LONGEST_WORDS = 300
_LONGEST_NUMBER = 64
_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+){0,9}")
_CAPTION = re.compile(r"[A-Z0-9/ .#&'-]{1,24}")

_FILE_KEYS = {"form", "caption", "codes"}
_FORM_KEYS = {
    *("id", "kind", "pattern", "parts", "normal", "family", "prior", "needs_caption", "off"),
    *("examples", "counter_examples", "provenance"),
}
_NEEDED_FORM_KEYS = ("id", "kind", "pattern", "examples", "counter_examples", "provenance")
_PART_KEYS = {"means", "unit", "scale", "codes", "kind", "certain", "matters"}
_CAPTION_KEYS = {"texts", "kinds", "glued", "in_barcodes"}

Table = dict[str, Any]


@dataclass(frozen=True, slots=True)
class FormText:
    """A form file: its name for messages, and its text."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class FormFile:
    """What a file holds; `switched_off` are the ids of earlier forms it takes out of use."""

    forms: tuple[Form, ...]
    captions: tuple[Caption, ...]
    switched_off: tuple[str, ...]


@lru_cache(maxsize=32)
def read_form_file(file: FormText) -> FormFile:
    """The forms and captions of a file; of the files read last they are kept, as holding every form against
    its examples takes long.

    Raises:
        BadFormFile: it is too long, not TOML, or breaks a rule; the message names the line and the field.
    """
    if len(file.text) > _LONGEST_FILE:
        raise BadFormFile(
            f"{file.name} has {len(file.text)} characters, more than {_LONGEST_FILE}",
            "Split it into several files",
        )
    try:
        table = parse_toml(file.text)
    except NotToml as trouble:
        raise BadFormFile(f"{file.name} {trouble}", "Correct it there") from None
    return _Reader(file, table).read()


class _Place:
    """Where in the file something stands, for messages."""

    def __init__(self, file: FormText, line: int, name: str) -> None:
        self.file = file
        self.line = line
        self.name = name

    def refuse(self, field: str, what: str, next_step: str) -> NoReturn:
        raise BadFormFile(f"{self.file.name}, line {self.line}, {self.name}: `{field}` {what}", next_step)

    def check_keys(self, table: Table, known: set[str]) -> None:
        for key in table:
            if key not in known:
                self.refuse(key, "is not known here", f"Use one of {', '.join(sorted(known))}")

    def words(self, table: Table, key: str, default: str | None = None) -> str:
        """A text of a reasonable length."""
        value = table.get(key, default)
        if not isinstance(value, str) or (default is None and not value) or len(value) > _LONGEST_WORDS:
            self.refuse(key, f"must be a text of 1 to {_LONGEST_WORDS} characters", f"Write {key} = '...'")
        return value

    def flag(self, table: Table, key: str, default: bool) -> bool:
        value = table.get(key, default)
        if not isinstance(value, bool):
            self.refuse(key, "must be true or false", f"Write {key} = true or leave it out")
        return value

    def number(self, table: Table, key: str, default: float, top: float) -> float:
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= top:
            self.refuse(key, f"must be a number above 0 and at most {top:g}", f"Write {key} = {default:g}")
        return float(value)

    def texts(self, table: Table, key: str, least: int, most: int) -> tuple[str, ...]:
        value = table.get(key, [])
        if not isinstance(value, list) or not least <= len(value) <= most:
            self.refuse(key, f"must be a list of {least} to {most} texts", f"Write {key} = ['...']")
        if not all(isinstance(one, str) and 0 < len(one) <= _LONGEST_NUMBER for one in value):
            self.refuse(key, f"must hold texts of 1 to {_LONGEST_NUMBER} characters", "Correct its texts")
        return tuple(value)

    def kind(self, value: object, key: str) -> Kind:
        known = [one.value for one in Kind]
        if not isinstance(value, str) or value not in known:
            self.refuse(key, f"is {str(value)[:40]!r}", f"Use one of {', '.join(known)}")
        return Kind(value)


class _Reader:
    """Reads one file's tables, keeping the line each began on."""

    def __init__(self, file: FormText, table: Table) -> None:
        self.file = file
        self.table = table
        self.lines: dict[str, list[int]] = {"form": [], "caption": []}
        for number, line in enumerate(file.text.splitlines(), 1):
            found = re.match(r"\s*\[\[\s*(form|caption)\s*\]\]", line)
            if found:
                self.lines[found.group(1)].append(number)

    def read(self) -> FormFile:
        top = self._place("form", -1, "top level")
        top.check_keys(self.table, _FILE_KEYS)
        codes = self._code_tables(top)
        forms: list[Form] = []
        off: list[str] = []
        seen: set[str] = set()
        for index, table in enumerate(self._tables("form", _MOST_FORMS, top)):
            place = self._place("form", index, f"form {str(table.get('id', index + 1))[:40]}")
            place.check_keys(table, _FORM_KEYS)
            name = self._id(table, place, seen)
            if place.flag(table, "off", False):
                off.append(name)
            else:
                forms.append(_form(name, table, codes, place))
        captions: list[Caption] = []
        for index, table in enumerate(self._tables("caption", _MOST_CAPTIONS, top)):
            captions += _captions(table, self._place("caption", index, f"caption {index + 1}"))
        return FormFile(tuple(forms), tuple(captions), tuple(off))

    def _place(self, table: str, index: int, name: str) -> _Place:
        lines = self.lines[table]
        return _Place(self.file, lines[index] if 0 <= index < len(lines) else 1, name)

    def _tables(self, key: str, most: int, top: _Place) -> list[Table]:
        value: list[Table] = self.table.get(key, [])
        good = isinstance(value, list) and len(value) <= most
        if not good or not all(isinstance(one, dict) for one in value):
            top.refuse(key, f"must be at most {most} tables", f"Begin each with [[{key}]]")
        return value

    @staticmethod
    def _id(table: Table, place: _Place, seen: set[str]) -> str:
        name = place.words(table, "id")
        if not _ID.fullmatch(name) or len(name) > 60:
            place.refuse("id", "is no id", "Write small letters and digits, joined by dashes")
        if name in seen:
            place.refuse("id", "is used twice in this file", "Give one of the two another id")
        seen.add(name)
        return name

    def _code_tables(self, top: _Place) -> dict[str, Mapping[str, float]]:
        value = self.table.get("codes", {})
        if not isinstance(value, dict):
            top.refuse("codes", "must be tables", "Begin each with [codes.NAME]")
        return {name: _codes(one, top, f"codes.{name}") for name, one in value.items()}


def _codes(value: object, place: _Place, field: str) -> Mapping[str, float]:
    """A table from texts to amounts."""
    if not isinstance(value, dict) or not 1 <= len(value) <= _MOST_CODES:
        place.refuse(field, f"must hold 1 to {_MOST_CODES} codes", "Write lines such as '16' = 16")
    for text, amount in value.items():
        good = not isinstance(amount, bool) and isinstance(amount, int | float) and 0 < amount < 1e12
        if not good or len(text) > _LONGEST_NUMBER:
            place.refuse(f"{field}.{text[:20]}", "is no amount above 0", "Write a number")
    return {text: float(amount) for text, amount in value.items()}


def _form(name: str, table: Table, codes: Mapping[str, Mapping[str, float]], place: _Place) -> Form:
    for key in _NEEDED_FORM_KEYS:
        if key not in table:
            place.refuse(key, "is missing", f"Add a line {key} = ...")
    try:
        pattern = compile_pattern(place.words(table, "pattern"))
    except PatternError as trouble:
        place.refuse("pattern", f"cannot be used: {trouble}", "Correct the pattern")
    if pattern.longest > _LONGEST_NUMBER:
        place.refuse(
            "pattern", f"fits up to {pattern.longest} characters", f"Keep it within {_LONGEST_NUMBER}"
        )
    form = Form(
        id=name,
        kind=place.kind(table["kind"], "kind"),
        pattern=pattern,
        parts=_parts(table, pattern, codes, place),
        normal=_template(table, "normal", pattern, place),
        family=_template(table, "family", pattern, place),
        prior=place.number(table, "prior", 1.0, 100.0),
        needs_caption=place.flag(table, "needs_caption", False),
        examples=place.texts(table, "examples", 1, _MOST_EXAMPLES),
        counter_examples=place.texts(table, "counter_examples", 1, _MOST_EXAMPLES),
        provenance=place.words(table, "provenance"),
    )
    _hold_against_examples(form, place)
    return form


def _parts(
    table: Table, pattern: Pattern, codes: Mapping[str, Mapping[str, float]], place: _Place
) -> dict[str, PartMeaning]:
    value = table.get("parts", {})
    if not isinstance(value, dict):
        place.refuse("parts", "must be a table", "Write parts.NAME = { means = '...' }")
    for name in value:
        if name not in pattern.part_names:
            place.refuse(f"parts.{name}", "is no part of the pattern", f"Write (?<{name}>...) in the pattern")
    for name in pattern.part_names:
        if name not in value:
            place.refuse(f"parts.{name}", "is missing", f"Add parts.{name} = {{ means = '...' }}")
    return {name: _part(f"parts.{name}", one, codes, place) for name, one in value.items()}


def _part(field: str, table: object, codes: Mapping[str, Mapping[str, float]], place: _Place) -> PartMeaning:
    if not isinstance(table, dict):
        place.refuse(field, "must be a table", f"Write {field} = {{ means = '...' }}")
    inner = _Place(place.file, place.line, f"{place.name}, {field}")
    inner.check_keys(table, _PART_KEYS)
    unit = table.get("unit")
    if unit is not None and unit not in [one.value for one in Unit]:
        inner.refuse("unit", f"is {str(unit)[:40]!r}", f"Use one of {', '.join(Unit)}")
    listed = table.get("codes")
    if isinstance(listed, str):
        if listed not in codes:
            name = listed[:40]
            inner.refuse("codes", f"names no table `{name}`", f"Add [codes.{name}] to this file")
        listed = codes[listed]
    elif listed is not None:
        listed = _codes(listed, inner, "codes")
    if listed is not None and unit is None:
        inner.refuse("unit", "is missing beside `codes`", "Say what the codes count")
    kind = table.get("kind")
    return PartMeaning(
        means=inner.words(table, "means"),
        unit=None if unit is None else Unit(unit),
        scale=inner.number(table, "scale", 1.0, 1e9),
        codes=listed,
        kind=None if kind is None else inner.kind(kind, "kind"),
        certain=inner.flag(table, "certain", True),
        matters=inner.flag(table, "matters", True),
    )


def _template(table: Table, key: str, pattern: Pattern, place: _Place) -> str:
    template = place.words(table, key, "")
    for name in template_names(template):
        if name not in pattern.part_names:
            place.refuse(key, f"names `{name}`, which is no part of the pattern", "Correct the name")
    rest = template_rest(template)
    if not rest.isascii() or not rest.isprintable() or any(one in "[]{}" for one in rest):
        place.refuse(
            key,
            "has a bracket or character that is not possible",
            "Write {part} or {part:shape}, and [...] around what may be absent, not nested",
        )
    return template


def _hold_against_examples(form: Form, place: _Place) -> None:
    for text in form.examples:
        if form.pattern.match(text) is None:
            place.refuse("examples", f"holds {text!r}, which does not fit the pattern", "Correct one of them")
    for text in form.counter_examples:
        if form.pattern.match(text) is not None:
            place.refuse("counter_examples", f"holds {text!r}, which fits the pattern", "Narrow the pattern")
    for name, meaning in form.parts.items():
        if meaning.unit is None:
            continue
        found = [part for text in form.examples for part in _parts_of(form, text) if part[0] == name]
        for _, text in found:
            if meaning.amount(text) is None:
                field = f"parts.{name}"
                place.refuse(field, f"gives no amount for {text!r}", "Add the code or drop the unit")


def _parts_of(form: Form, text: str) -> tuple[tuple[str, str], ...]:
    match = form.pattern.match(text)
    return () if match is None else match.parts


def _captions(table: Table, place: _Place) -> list[Caption]:
    place.check_keys(table, _CAPTION_KEYS)
    texts = place.texts(table, "texts", 1, 50)
    for text in texts:
        if not _CAPTION.fullmatch(text) or text != text.strip():
            place.refuse("texts", f"holds {text!r}", "Write capitals, digits, blanks and / . # & ' -")
    listed = table.get("kinds")
    if not isinstance(listed, list) or not 1 <= len(listed) <= len(Kind):
        place.refuse("kinds", "must list at least one kind", "Write kinds = ['serial number']")
    kinds = tuple(place.kind(one, "kinds") for one in listed)
    glued, inside = place.flag(table, "glued", False), place.flag(table, "in_barcodes", False)
    return [Caption(text, kinds, glued, inside) for text in texts]
