"""The addresses of the bench: each registered once, with what it may be asked and told.

A page is a GET that changes nothing. A change is a POST whose answer leads to a page. From this one record
requests are read, and the description of the interface for programs is made.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

from mendbay.core.errors import NoSuchItem
from mendbay.faces.web.answers import Answer
from mendbay.faces.web.fields import Field, FieldKind

Handler = Callable[[Any], Answer]
"""Given a `Visit`, what is answered."""

FORM_BYTES = 1 << 20
"""The largest form without files."""
UPLOAD_BYTES = 256 << 20
"""The largest form with files."""
_PART = re.compile(r"\{(\w+)(?::(int))?\}")


@dataclass(frozen=True, slots=True)
class Address:
    """One address of the bench.

    Args:
        name: by which pages refer to it.
        words: what it shows or does, for the description.
        fields: of its query (a page) or its form (a change).
    """

    method: str
    path: str
    name: str
    words: str
    handler: Handler
    fields: tuple[Field, ...] = ()

    @property
    def takes_files(self) -> bool:
        """Whether files are sent to it."""
        return any(one.kind is FieldKind.FILES for one in self.fields)

    @property
    def most_bytes(self) -> int:
        """The largest body it takes."""
        if not self.takes_files:
            return FORM_BYTES
        return max(UPLOAD_BYTES, sum(one.limit * one.each_bytes for one in self.fields))

    def parts(self) -> Iterator[tuple[str, bool]]:
        """The variable parts of its path, each with whether it is a whole number."""
        for found in _PART.finditer(self.path):
            yield found[1], found[2] == "int"

    def values(self, found: Mapping[str, Any]) -> dict[str, int | str]:
        """The variable parts of a path that was asked for.

        Raises:
            NoSuchItem: one is a whole number that nothing could have.
        """
        return {name: _whole(found[name]) if whole else str(found[name]) for name, whole in self.parts()}

    def url(self, values: Mapping[str, object], query: Mapping[str, object]) -> str:
        """Its path with the variable parts filled in.

        Raises:
            KeyError: one of them is not given.
        """
        path = _PART.sub(lambda found: quote(str(values[found[1]]), safe=""), self.path)
        said = [(name, one) for name, one in query.items() if not (one is None or one is False or one == "")]
        return f"{path}?{urlencode(said, doseq=True)}" if said else path


class Book:
    """A book of addresses. Views write theirs into one of their own; the application reads them all."""

    def __init__(self) -> None:
        self.addresses: dict[str, Address] = {}

    def page(
        self, path: str, name: str, words: str, fields: Sequence[Field] = ()
    ) -> Callable[[Handler], Handler]:
        """Registers what answers a GET of this path."""

        def register(handler: Handler) -> Handler:
            self.add(Address("GET", path, name, words, handler, tuple(fields)))
            return handler

        return register

    def change(
        self, path: str, name: str, words: str, fields: Sequence[Field] = ()
    ) -> Callable[[Handler], Handler]:
        """Registers what a POST to this path changes."""

        def register(handler: Handler) -> Handler:
            self.add(Address("POST", path, name, words, handler, tuple(fields)))
            return handler

        return register

    def add(self, address: Address) -> None:
        """
        Raises:
            ValueError: there is one of that name, or of that method and path.
        """
        taken = {(one.method, one.path) for one in self.addresses.values()}
        if address.name in self.addresses or (address.method, address.path) in taken:
            raise ValueError(f"two addresses {address.name} {address.method} {address.path}")
        self.addresses[address.name] = address

    def url(self, name: str, query: Mapping[str, object] | None = None, **values: object) -> str:
        """The address of that name as a link."""
        return self.addresses[name].url(values, query or {})


def _whole(text: str) -> int:
    """A whole number of a path.

    Raises:
        NoSuchItem: it is none that anything could have.
    """
    number = int(text)
    if not 0 < number < 2**53:
        raise NoSuchItem(f"There is nothing of number {str(text)[:24]}.", "Begin at the list of cases.")
    return number
