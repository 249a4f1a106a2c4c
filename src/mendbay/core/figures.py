"""Numbers with their origin, and the strict reading of the data files that hold them.

A number without an origin is refused, wherever in a file it stands: as a value of its own, or hidden in a
sentence. Sentences take their numbers from named figures (`{limit}`); only the names of rails, pins and
drive sizes may be written with digits.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NoReturn

from mendbay.core.errors import BadFormFile
from mendbay.core.quantity import THIN_SPACE

_LONGEST_FILE = 200_000
_LONGEST_SENTENCE = 1_200
_MOST_ROWS = 200
_LARGEST = Decimal("1e15")

_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+){0,9}")
_PLACE = re.compile(r"\{([a-z0-9_]{1,40})\}")
_NAMES_WITH_DIGITS = re.compile(
    r"\b(?:1\.8|2\.5|3\.3|5|12) V\b|\bP(?:1[0-5]|[1-9])\b|\b(?:2\.5|3\.5)-inch\b|\bISO [0-9-]+\b"
)


@dataclass(frozen=True, slots=True)
class Figure:
    """A number, its unit (empty for a bare number) and where it comes from: a publication, `from memory`, or
    `common practice, no source`."""

    value: Decimal
    unit: str
    source: str

    @property
    def text(self) -> str:
        """The number as the file writes it, with its unit: `11.7 °C`."""
        digits = f"{self.value:f}"
        grouped = f"{self.value:,f}".replace(",", THIN_SPACE) if abs(self.value) >= 10_000 else digits
        return f"{grouped}{THIN_SPACE}{self.unit}" if self.unit else grouped


class Table:
    """One table of a data file, read key by key; `done` refuses whatever was not asked for.

    `where` names the entry in every message; `sources` are the origins that numbers may refer to.
    """

    def __init__(self, raw: object, where: str, sources: Mapping[str, str]) -> None:
        self.where = where
        self.sources = sources
        if not isinstance(raw, dict) or len(raw) > _MOST_ROWS:
            self.refuse("is not a table", "Write it as a table with named values")
        self._raw: dict[str, Any] = raw
        self._read: set[str] = set()

    def refuse(self, what: str, next_step: str) -> NoReturn:
        """Raises BadFormFile naming this entry."""
        raise BadFormFile(f"{self.where} {what}", next_step)

    def has(self, key: str) -> bool:
        return key in self._raw

    def names(self) -> tuple[str, ...]:
        """The keys as the file has them."""
        return tuple(self._raw)

    def text(self, key: str, default: str | None = None) -> str:
        """A text that is not empty, as written."""
        value = self._take(key, default)
        if not isinstance(value, str) or not (value.strip() or value == default):
            self.refuse(f"has no text {key!r}", f"Give {key} as a text")
        if len(value) > _LONGEST_SENTENCE:
            self.refuse(f"has a {key!r} of more than {_LONGEST_SENTENCE} characters", "Shorten it")
        return value

    def id(self, key: str = "id") -> str:
        """A name in lower-case letters, digits and hyphens."""
        value = self.text(key)
        if len(value) > 60 or not _ID.fullmatch(value):
            self.refuse(f"has the {key} {value[:60]!r}", "Use lower-case letters, digits and hyphens")
        return value

    def ids(self, key: str) -> tuple[str, ...]:
        """A list of texts without repetition; empty when left out."""
        value = self._take(key, [])
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            self.refuse(f"has a {key!r} that is not a list of texts", f"Write {key} as a list of texts")
        if len(value) > _MOST_ROWS or len(set(value)) != len(value):
            self.refuse(f"names something twice in {key!r}", "Name each once")
        return tuple(value)

    def flag(self, key: str) -> bool:
        """True or false; false when left out."""
        value = self._take(key, False)
        if not isinstance(value, bool):
            self.refuse(f"has a {key!r} that is neither true nor false", "Write true or false")
        return value

    def whole(self, key: str, least: int, most: int) -> int:
        """A whole number of the shop's own choice, which needs no source."""
        value = self._take(key)
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.refuse(f"has no whole number {key!r}", f"Give {key} as {least} to {most}, without quotes")
        return value

    def figure(self, key: str) -> Figure:
        """A number with its source."""
        figure = self.optional_figure(key)
        if figure is None:
            self.refuse(f"lacks the number {key!r}", f"Give {key} = {{ value = ..., source = ... }}")
        return figure

    def optional_figure(self, key: str) -> Figure | None:
        """A number with its source, or None when left out."""
        if not self.has(key):
            return None
        raw = self._take(key)
        named = f"{self.where}, the number {key!r}"
        if not isinstance(raw, dict):
            raise BadFormFile(
                f"{named} has no source", f"Write {key} = {{ value = ..., source = 'a name from [sources]' }}"
            )
        table = Table(raw, named, self.sources)
        value = table._take("value", None)
        source = table._take("source", "")
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            table.refuse("has no value", "Write the value as a number")
        number = Decimal(value)
        if not number.is_finite() or abs(number) > _LARGEST:
            table.refuse("is not a number to compare with", "Use a finite number of a usual size")
        if not isinstance(source, str) or not source.strip():
            table.refuse("has no source", "Name its origin from [sources]; 'practice' if there is none")
        if source not in self.sources:
            table.refuse(f"has the unknown source {source[:60]!r}", "Name one that [sources] lists")
        unit = table.text("unit", "")
        table.done()
        return Figure(number, unit, self.sources[source])

    def shares(self, key: str, count: int) -> tuple[Figure, ...]:
        """So many chances with one source, above 0 and adding up to 1: none is impossible for good."""
        named = f"{self.where}, the chances {key!r}"
        table = Table(self._take(key), named, self.sources)
        values, source = table._take("values", None), table._take("source", "")
        table.done()
        if source not in self.sources:
            table.refuse("have no source that [sources] lists", "Name one; 'practice' if there is none")
        if not isinstance(values, list) or len(values) != count:
            table.refuse(f"are not {count}, one for each answer", "Give one for each, in the same order")
        if not all(isinstance(one, Decimal) and 0 < one < 1 for one in values) or sum(values) != 1:
            table.refuse("are not above 0 and 1 together", "Write them with a decimal point, adding up to 1")
        return tuple(Figure(one, "", self.sources[source]) for one in values)

    def figures(self, key: str = "figures") -> dict[str, Figure]:
        """The named figures of this entry's sentences; empty when left out."""
        if not self.has(key):
            return {}
        table = self.table(key)
        return {name: table.figure(name) for name in table.names()}

    def table(self, key: str) -> Table:
        return Table(self._take(key), f"{self.where}, {key}", self.sources)

    def tables(self, key: str, called: str = "") -> tuple[Table, ...]:
        """The tables of a list, each called by its id if it has one; empty when left out."""
        value = self._take(key, [])
        if not isinstance(value, list) or len(value) > _MOST_ROWS:
            self.refuse(f"has a {key!r} that is not a list of tables", f"Write [[{key}]] for each")
        return tuple(
            Table(raw, self._called(raw, called or key, number), self.sources)
            for number, raw in enumerate(value, 1)
        )

    def sentences(self, keys: Sequence[str], figures: Mapping[str, Figure]) -> dict[str, str]:
        """The texts of `keys` with figures filled in. Every figure must be used, every place have its figure,
        and no other digit stand in them."""
        used: set[str] = set()
        filled: dict[str, str] = {}
        for key in keys:
            raw = self.text(key)
            rest = _NAMES_WITH_DIGITS.sub("", _PLACE.sub("", raw))
            if re.search(r"[0-9{}]", rest):
                self.refuse(
                    f"has a number without a source in {key!r}", "Make it a figure and write its name in {}"
                )
            names = _PLACE.findall(raw)
            unknown = [name for name in names if name not in figures]
            if unknown:
                self.refuse(f"names the figure {unknown[0]!r}, which it lacks", "Add it under figures")
            used |= set(names)
            filled[key] = _PLACE.sub(lambda found: figures[found[1]].text, raw)
        spare = sorted(set(figures) - used)
        if spare:
            self.refuse(f"has the figure {spare[0]!r} that no text uses", "Use it or leave it out")
        return filled

    def done(self) -> None:
        """Refuses keys that nothing asked for: a misspelt key must not pass for a missing one."""
        left = sorted(set(self._raw) - self._read)
        if left:
            self.refuse(f"has the unknown key {left[0][:60]!r}", "Correct or remove it")

    def _take(self, key: str, default: object = None) -> Any:
        self._read.add(key)
        return self._raw.get(key, default)

    def _called(self, raw: object, called: str, number: int) -> str:
        name = raw.get("id") if isinstance(raw, dict) else None
        own = f"{called} {name[:60]!r}" if isinstance(name, str) else f"{called} number {number}"
        return f"{self.where}, {own}"


def read_tables(text: str, name: str) -> Table:
    """The outermost table of a data file, with its `[sources]` read.

    Raises:
        BadFormFile: too long, not TOML, or a source without a text.
    """
    if len(text) > _LONGEST_FILE:
        raise BadFormFile(f"{name} has more than {_LONGEST_FILE} characters", "Split or shorten it")
    try:
        raw = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, ArithmeticError, RecursionError) as trouble:
        raise BadFormFile(f"{name} is not TOML: {str(trouble)[:200]}", "Correct the line it names") from None
    listed = Table(raw.get("sources", {}), f"{name}, sources", {})
    sources = {key: listed.text(key) for key in listed.names()}
    top = Table(raw, name, sources)
    top._take("sources")
    return top
