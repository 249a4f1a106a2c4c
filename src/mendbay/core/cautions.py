"""Cautions: what a person must have read before a step at the bench, with the origin of every figure.

`cautions.toml` holds them; the electrical sheet and the steps of triage name them by id.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from mendbay.core.errors import BadFormFile
from mendbay.core.figures import Figure, read_tables

FILE = "cautions.toml"


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Args:
        id: how steps name it.
        title: a few words.
        text: what to mind and what to do, its figures filled in.
        figures: those figures by name, each with its source.
        deferral: the sentence that local rules and licensed practice come first; the same for all.
    """

    id: str
    title: str
    text: str
    figures: Mapping[str, Figure]
    deferral: str


Cautions = Mapping[str, Caution]
"""By id, in the order of the file."""


def parse_cautions(text: str, name: str = FILE) -> dict[str, Caution]:
    """Reads a cautions file.

    Raises:
        BadFormFile: not of the form of `docs/formats/expected-readings.md`, a number without a source, an
            id used twice; the message names the entry.
    """
    top = read_tables(text, name)
    deferral = top.text("deferral")
    found: dict[str, Caution] = {}
    for table in top.tables("caution"):
        caution_id = table.id()
        if caution_id in found:
            table.refuse("uses an id that is taken", "Give every caution its own id")
        figures = table.figures()
        words = table.sentences(("title", "text"), figures)
        table.done()
        found[caution_id] = Caution(caution_id, words["title"], words["text"], figures, deferral)
    top.done()
    if not found:
        raise BadFormFile(f"{name} holds no caution", "Add a [[caution]] table")
    return found


@cache
def packaged_cautions() -> Cautions:
    """The cautions that come with Mendbay."""
    return parse_cautions(packaged_text())


def packaged_text() -> str:
    """The text of the file that comes with Mendbay."""
    return files("mendbay.core").joinpath(FILE).read_text(encoding="utf-8")


def cautions_for(ids: Iterable[str], known: Cautions | None = None) -> tuple[Caution, ...]:
    """The cautions of these ids, each once, in the order first named.

    Raises:
        KeyError: an id that no caution has.
    """
    cautions = packaged_cautions() if known is None else known
    return tuple(cautions[one] for one in dict.fromkeys(ids))
