"""What the customer must agree to before it is done, and the customer's word on each.

`consents.toml` holds the steps with the words to read out; `docs/formats/take-in.md` describes the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.figures import read_tables
from mendbay.core.texts import require_moment

FILE = "consents.toml"


class Word(StrEnum):
    """What was said to a risky step."""

    YES = "yes"
    NO = "no"
    ASK = "ask first"
    """Not refused, but to be asked again each time before it is done."""


class By(StrEnum):
    """Whose word it is."""

    CUSTOMER = "customer"
    OTHER = "other"
    """A person whom the customer named in writing."""


class How(StrEnum):
    """How the word was given."""

    IN_PERSON = "in person"
    PHONE = "phone"
    WRITING = "writing"


@dataclass(frozen=True, slots=True)
class Risk:
    """One step that needs the customer's word.

    Args:
        id: how steps of triage and questions of take-in name it.
        title: what is done, in a few words, after "about".
        ask: the question to the customer.
        risk: what can go wrong, to be read out before.
        refused: what a no leaves, as a sentence to the customer.
        kept: how a no is kept, for the person at the bench: what is held back, and what only they can keep.
    """

    id: str
    title: str
    ask: str
    risk: str
    refused: str
    kept: str


Risks = Mapping[str, Risk]
"""By id, in the order of the file."""


@dataclass(frozen=True, slots=True)
class Consent:
    """The customer's word on one step.

    Args:
        at: when it was given, UTC.
        who: who of the shop heard it.

    Raises:
        UsageError: another person's word that is not in writing, or an unusable time.
    """

    id: str
    word: Word
    by: By
    how: How
    at: str
    who: str

    def __post_init__(self) -> None:
        require_moment(self.at)
        if self.by is By.OTHER and self.how is not How.WRITING:
            raise UsageError(
                "Another person's word counts for the customer in writing only.",
                "Have it in writing (--how writing), or ask the customer.",
            )


def parse_risks(text: str, name: str = FILE) -> dict[str, Risk]:
    """Reads a file of consents.

    Raises:
        BadFormFile: a text is missing, an unknown key, an id used twice, or nothing in it.
    """
    top = read_tables(text, name)
    found: dict[str, Risk] = {}
    for table in top.tables("consent"):
        texts = (table.text(key) for key in ("title", "ask", "risk", "refused", "kept"))
        risk = Risk(table.id(), *texts)
        if risk.id in found:
            table.refuse("uses an id that is taken", "Give every consent its own id")
        if not risk.ask.endswith("?"):
            table.refuse("asks nothing", "End `ask` with a question mark")
        table.done()
        found[risk.id] = risk
    top.done()
    if not found:
        raise BadFormFile(f"{name} holds no consent", "Add a [[consent]] table")
    return found


@cache
def packaged_risks() -> Risks:
    """The consents that come with Mendbay."""
    return parse_risks(packaged_text())


def packaged_text() -> str:
    """The text of the file that comes with Mendbay."""
    return files("mendbay.case").joinpath(FILE).read_text(encoding="utf-8")
