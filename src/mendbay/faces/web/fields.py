"""What a form or an address may say: each field with its kind and its limits. Reading a form, keeping its
limits, drawing its inputs and describing it to programs all come from here."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from starlette.datastructures import UploadFile

from mendbay.core.errors import UsageError
from mendbay.core.quantity import count_text
from mendbay.core.texts import LINE_LIMIT, TEXT_LIMIT
from mendbay.faces.web.line_ends import THIN, TIED, TIED_THIN

SEEN = "seen"
"""Name of the field by which a form says what its page showed."""
FROM_PAGE = "from_page"
"""Name of the field by which a form that was refused, and filled again, says which page it stands on."""
ONCE = "once"
"""Name of the field that differs in every form that is drawn, so that each is done once."""
OWN = (SEEN, FROM_PAGE, ONCE)
"""Fields of the kernel, which no address asks for."""
SAFE_INTEGER = 2**53 - 1
"""The largest whole number that every browser keeps exactly."""
_DECIMAL = re.compile(r"-?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)", re.ASCII)
_DOUBTFUL = re.compile(r"(-?)([1-9][0-9]{0,2})(?:,([0-9]{3})|[.]([0-9]{2}0))", re.ASCII)
"""A lone comma before exactly three digits sets thousands apart for some and decimals for others. So does a
point; it is the decimal sign here, as it is to programs, and doubtful only before a nought at the end, which
thousands have and a fraction does not need. No number of thousands begins with 0."""
_BREAK = re.compile("[\n\v\f\r\x1c-\x1e\x85\u2028\u2029]")
"""Signs at which some program or other begins a line."""


class FieldKind(StrEnum):
    """What a field holds."""

    LINE = "line"
    TEXT = "text"
    NUMBER = "number"
    DECIMAL = "decimal"
    CHOICE = "choice"
    SEVERAL = "several"
    FLAG = "flag"
    DAY = "day"
    FILES = "files"


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a form says.

    Args:
        words: its label.
        required: whether it must say something; a file field at least one file.
        limit: of a line or text, in characters; of several, how many; of files, how many.
        least, most: of a number.
        each_bytes: of files, the largest that is foreseen; 0 if that was not thought of.
        choices: by what is sent, what is read; for a choice and, if not empty, for several.
        blanks: of several, whether one that says nothing keeps its place, so that what stands beside it does.
        default: what it says where it says nothing.
        secret: nobody is shown again what it said.
    """

    name: str
    words: str
    kind: FieldKind = FieldKind.LINE
    required: bool = False
    limit: int = LINE_LIMIT
    least: int = 0
    most: int = SAFE_INTEGER
    each_bytes: int = 0
    choices: Mapping[str, str] = field(default_factory=dict)
    blanks: bool = False
    default: Any = ""
    secret: bool = False

    def read(self, said: Sequence[Any]) -> Any:
        """What the field says, of all that was sent under its name.

        Raises:
            UsageError: it cannot be that.
        """
        return _READ[self.kind](self, said)

    def schema(self) -> dict[str, Any]:
        """The same limits as JSON schema."""
        return _SCHEMA[self.kind](self)


def line(
    name: str, words: str, *, required: bool = False, limit: int = LINE_LIMIT, default: str = ""
) -> Field:
    """A line of text."""
    return Field(name, words, required=required, limit=limit, default=default)


def secret(name: str, words: str) -> Field:
    """A line that is a secret."""
    return Field(name, words, secret=True)


def text(name: str, words: str, *, required: bool = False, limit: int = TEXT_LIMIT) -> Field:
    """Text of several lines."""
    return Field(name, words, FieldKind.TEXT, required, limit)


def number(
    name: str,
    words: str,
    *,
    required: bool = False,
    least: int = 0,
    most: int = SAFE_INTEGER,
    default: int | None = None,
) -> Field:
    """A whole number; None where it says nothing."""
    return Field(name, words, FieldKind.NUMBER, required, least=least, most=most, default=default)


def decimal(
    name: str, words: str, *, required: bool = False, least: int = 0, most: int = SAFE_INTEGER
) -> Field:
    """A number that may have a fraction; None where it says nothing."""
    return Field(name, words, FieldKind.DECIMAL, required, least=least, most=most, default=None)


def choice(
    name: str, words: str, choices: Mapping[str, str], *, required: bool = False, default: str = ""
) -> Field:
    """One of several words."""
    return Field(name, words, FieldKind.CHOICE, required, choices=choices, default=default)


def several(
    name: str,
    words: str,
    choices: Mapping[str, str] | None = None,
    *,
    required: bool = False,
    limit: int = 200,
    blanks: bool = False,
) -> Field:
    """Any number of lines, or of words where these are given; a tuple."""
    return Field(
        name, words, FieldKind.SEVERAL, required, limit, choices=choices or {}, blanks=blanks, default=()
    )


def flag(name: str, words: str) -> Field:
    """Yes, or not said."""
    return Field(name, words, FieldKind.FLAG, default=False)


def day(name: str, words: str, *, required: bool = False) -> Field:
    """A day as 2027-02-25; empty where it says nothing."""
    return Field(name, words, FieldKind.DAY, required, limit=10)


def files(name: str, words: str, *, required: bool = True, limit: int = 40, each_bytes: int = 0) -> Field:
    """Files that are sent along."""
    return Field(name, words, FieldKind.FILES, required, limit, each_bytes=each_bytes, default=())


def read_fields(fields: Sequence[Field], sent: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """What a form or a query says, field by field.

    Raises:
        UsageError: a field is not what it must be, is missing, or is not asked for.
    """
    known = {one.name for one in fields}
    for name, _ in sent:
        if name not in known and name not in OWN:
            raise UsageError(
                f"The form says something that is not asked for: {name[:40]!r}.", "Load the page again."
            )
    return {one.name: one.read([value for name, value in sent if name == one.name]) for one in fields}


# ---------------------------------------------------------------------- reading


def _one(asked: Field, said: Sequence[Any]) -> str:
    """The one text that was sent; empty for none."""
    if len(said) > 1:
        raise UsageError(f"{asked.words}: said {len(said)} times.", "Say it once.")
    if not said:
        return ""
    if not isinstance(said[0], str):
        raise UsageError(f"{asked.words}: a file was sent.", "Write it instead.")
    return said[0]


def _require(asked: Field, found: object) -> None:
    if asked.required and not found:
        verb = {"several": "is ticked", "choice": "is chosen", "files": "is chosen"}.get(
            asked.kind, "is said"
        )
        raise UsageError(f"{asked.words}: nothing {verb}.", "Say it, then send the form again.")


def _read_text(asked: Field, said: Sequence[Any]) -> str:
    found = _one(asked, said).replace("\r\n", "\n")
    if len(found) > asked.limit:
        raise UsageError(
            f"{asked.words}: {len(found)} characters are too many.", f"At most {asked.limit} are kept."
        )
    if "\x00" in found or any("\ud800" <= sign <= "\udfff" for sign in found):
        raise UsageError(f"{asked.words}: it holds a sign that is no text.", "Write it without.")
    if asked.kind is not FieldKind.TEXT and _BREAK.search(found):
        raise UsageError(f"{asked.words}: it has several lines.", "Write it in one.")
    found = found.strip()
    _require(asked, found)
    return found or str(asked.default)


def _read_number(asked: Field, said: Sequence[Any]) -> int | None:
    found = _unspaced(_one(asked, said))
    if not found:
        _require(asked, found)
        return asked.default  # type: ignore[no-any-return]
    digits = found.removeprefix("-")
    if len(found) > 20 or not digits.isascii() or not digits.isdigit():
        raise UsageError(f"{asked.words}: {found[:20]!r} is no whole number.", "Write it in digits.")
    return int(_within(asked, int(found)))


def _read_decimal(asked: Field, said: Sequence[Any]) -> float | None:
    found = _unspaced(_one(asked, said))
    if not found:
        _require(asked, found)
        return asked.default  # type: ignore[no-any-return]
    if len(found) > 24 or not _DECIMAL.fullmatch(found):
        raise UsageError(f"{asked.words}: {found[:20]!r} is no number.", "Write it in digits, like 4.7.")
    if doubt := _DOUBTFUL.fullmatch(found):
        sign, whole, part = doubt[1], doubt[2], doubt[3] or doubt[4]
        both = f"{sign}{whole}{part}", f"{sign}{whole}.{part.rstrip('0') or '0'}"
        raise UsageError(
            f"{asked.words}: {found!r} can mean {both[0]} and {both[1]}.", f"Write {' or '.join(both)}."
        )
    return _within(asked, float(found.replace(",", ".")))


def _unspaced(text: str) -> str:
    """A number without the spaces that set its thousands apart."""
    return re.sub(rf"[ {THIN}{TIED_THIN}{TIED}]", "", text).strip()


def _within(asked: Field, found: float) -> float:
    if found < asked.least:
        least = count_text(asked.least)
        raise UsageError(f"{asked.words}: {_plain(found)} is less than {least}.", f"Write at least {least}.")
    if found > asked.most:
        most = count_text(asked.most)
        raise UsageError(f"{asked.words}: {_plain(found)} is more than {most}.", f"Write at most {most}.")
    return found


def _plain(number: float) -> str:
    """As people write it, without the fraction of a whole number."""
    return count_text(int(number)) if number == int(number) else str(number)


def _read_choice(asked: Field, said: Sequence[Any]) -> str:
    found = _one(asked, said)
    if not found:
        _require(asked, found)
        return str(asked.default)
    if found not in asked.choices:
        raise UsageError(
            f"{asked.words}: {found[:40]!r} is not to be chosen.", f"One of: {', '.join(asked.choices)}."
        )
    return found


def _read_several(asked: Field, said: Sequence[Any]) -> tuple[str, ...]:
    if len(said) > asked.limit:
        raise UsageError(f"{asked.words}: {len(said)} are too many.", f"At most {asked.limit}.")
    single = Field(
        asked.name, asked.words, FieldKind.CHOICE if asked.choices else FieldKind.LINE, choices=asked.choices
    )
    found = tuple(one for one in (single.read([each]) for each in said) if one or asked.blanks)
    _require(asked, found)
    return found


def _read_flag(asked: Field, said: Sequence[Any]) -> bool:
    found = _one(asked, said)
    if found not in ("", "yes"):
        raise UsageError(f"{asked.words}: {found[:20]!r} is neither yes nor nothing.", "Tick it or leave it.")
    return found == "yes"


def _read_day(asked: Field, said: Sequence[Any]) -> str:
    found = _read_text(asked, said)
    if found:
        try:
            plain = date.fromisoformat(found).isoformat() == found
        except ValueError:
            plain = False
        if not plain:
            raise UsageError(f"{asked.words}: {found!r} is no day.", "Write it as 2027-02-25.")
    return found


def _read_files(asked: Field, said: Sequence[Any]) -> tuple[UploadFile, ...]:
    found = tuple(one for one in said if isinstance(one, UploadFile) and (one.filename or one.size))
    if len(found) != len([one for one in said if not (isinstance(one, UploadFile) and not one.filename)]):
        raise UsageError(f"{asked.words}: something was sent that is no file.", "Choose files.")
    if len(found) > asked.limit:
        raise UsageError(
            f"{asked.words}: {len(found)} files are too many at once.", f"At most {asked.limit}."
        )
    _require(asked, found)
    return found


_READ: Mapping[FieldKind, Callable[[Field, Sequence[Any]], Any]] = {
    FieldKind.LINE: _read_text,
    FieldKind.TEXT: _read_text,
    FieldKind.NUMBER: _read_number,
    FieldKind.DECIMAL: _read_decimal,
    FieldKind.CHOICE: _read_choice,
    FieldKind.SEVERAL: _read_several,
    FieldKind.FLAG: _read_flag,
    FieldKind.DAY: _read_day,
    FieldKind.FILES: _read_files,
}

# ---------------------------------------------------------------------- as JSON schema


def _text_schema(one: Field) -> dict[str, Any]:
    return {"type": "string", "maxLength": one.limit, **({"minLength": 1} if one.required else {})}


def _choice_schema(one: Field) -> dict[str, Any]:
    return {"type": "string", "enum": [*one.choices, *([] if one.required else [""])]}


def _several_schema(one: Field) -> dict[str, Any]:
    each = (
        {"type": "string", "enum": list(one.choices)}
        if one.choices
        else {"type": "string", "maxLength": LINE_LIMIT}
    )
    return {"type": "array", "maxItems": one.limit, "items": each}


_SCHEMA: Mapping[FieldKind, Callable[[Field], dict[str, Any]]] = {
    FieldKind.LINE: _text_schema,
    FieldKind.TEXT: _text_schema,
    FieldKind.NUMBER: lambda one: {"type": "integer", "minimum": one.least, "maximum": one.most},
    FieldKind.DECIMAL: lambda one: {"type": "number", "minimum": one.least, "maximum": one.most},
    FieldKind.CHOICE: _choice_schema,
    FieldKind.SEVERAL: _several_schema,
    FieldKind.FLAG: lambda one: {"type": "string", "enum": ["", "yes"]},
    FieldKind.DAY: lambda one: {"type": "string", "format": "date"},
    FieldKind.FILES: lambda one: {
        "type": "array",
        "maxItems": one.limit,
        "items": {"type": "string", "format": "binary"},
    },
}
