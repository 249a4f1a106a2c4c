"""What a sentence of a job calls by an option of the command line, called as the fields of a page are."""

from __future__ import annotations

import re
from collections.abc import Sequence

from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.fields import Field

OTHERWISE = {
    "although-refused": ("although",),
    "class": ("sorts",),
    "condition": ("condition_1",),
    "instead-of": ("read",),
    "line": ("line_1",),
    "marked-3v": ("marked",),
    "not-known": ("broken",),
    "nothing-broken": ("broken",),
    "patient-put-away": ("put_away",),
    "supply-checked": ("volts",),
    "want": ("patterns",),
}
"""Options whose fields have another name."""
SAME_AGAIN = ("run the command again", "try it again")
OF_THE_SERVER = frozenset({"address", "home", "phone-port", "port", "with-key"})
"""Options that no page has, as they are said when the server is started: they stay as they are typed."""
_MOMENT = re.compile(r"\b([0-9]{4}-[0-9]{2}-[0-9]{2})T([0-9]{2}:[0-9]{2}):[0-9]{2}(?:\.[0-9]+)?Z")
"""A time as the ledger writes it."""
_OPTION = re.compile(
    r"(?<![\w-])--(?P<name>[a-z][a-z0-9]*(?:-[a-z0-9]+)*)"
    r"(?P<value>[ =](?:[A-Z](?:[A-Z_:|./-]*[A-Z])?|[a-z][a-z0-9-]*|[0-9]+(?:\.[0-9]+)?)(?!\w))?"
)


def in_words_of_the_page(text: str, book: Book, address: Address | None = None) -> str:
    """A sentence in which options are called as fields are, by the words beside them, and times are told as
    everywhere on a page: day and minute.

    Args:
        address: whose own fields are meant where it has such; else those of any form.
    """
    plain = _MOMENT.sub(lambda found: f"{found[1]} {found[2]}", text.replace(*SAME_AGAIN))
    return _OPTION.sub(lambda found: _called(found, book, address), plain)


def _called(found: re.Match[str], book: Book, address: Address | None) -> str:
    name, given = found["name"], found["value"] or ""
    if name in OF_THE_SERVER:
        return found[0]
    field = _field(name, address.fields if address else ()) or _of_any(name, book)
    words, value = f"“{field.words if field else name.replace('-', ' ')}”", given[1:]
    if value in ("REASON", "WHY"):
        return f"a reason at {words}"
    if field is not None and value in field.choices:
        return f"{words}: {field.choices[value]}"
    return words if value.isupper() else words + given


def _of_any(option: str, book: Book) -> Field | None:
    forms = (each.fields for each in book.addresses.values() if each.method == "POST")
    return next((one for fields in forms if (one := _field(option, fields))), None)


def _field(option: str, fields: Sequence[Field]) -> Field | None:
    wanted = (option.replace("-", "_"), *OTHERWISE.get(option, ()))
    return next((one for name in wanted for one in fields if one.name == name), None)
