"""What a number form is: the shape of one sort of number, what it identifies, and what its parts mean.

Families are keyed by the shape of their numbers, never by a maker's name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.pattern import DIGITS, LETTERS, Pattern


class Kind(StrEnum):
    """What a number on a drive, its board or its chips identifies."""

    MODEL = "model"
    SERIAL = "serial number"
    FIRMWARE = "firmware"
    CAPACITY = "capacity"
    DATE = "date code"
    SITE = "site code"
    BOARD = "board number"
    REVISION = "board revision"
    CONTROLLER = "main controller"
    MOTOR_DRIVER = "motor driver"
    ROM = "ROM chip marking"


class Unit(StrEnum):
    """What the number in a part counts."""

    GB = "GB"
    """10^9 bytes."""
    SECTORS = "sectors"
    """Sectors of 512 bytes, as labels count them (common practice, no source)."""
    MBIT = "Mbit"
    """2^20 bits, as serial-flash parts are named."""
    YEAR = "year"
    MONTH = "month"
    WEEK = "week"
    DAY = "day"


@dataclass(frozen=True, slots=True)
class PartMeaning:
    """What one named part of a form says.

    Args:
        means: in words.
        unit: what it counts; None if it is only a name.
        scale: what the number in it is multiplied by.
        codes: the amounts its texts stand for, instead of being read as a number.
        kind: set if the part is an identifier of its own, such as the revision in a board number.
        certain: whether a different amount found elsewhere is a contradiction. In shapes that several
            makers share, the part often but not always means what it says.
        matters: whether a doubt about it is a doubt about the number: not for package and grade of a chip.
    """

    means: str
    unit: Unit | None = None
    scale: float = 1.0
    codes: Mapping[str, float] | None = None
    kind: Kind | None = None
    certain: bool = True
    matters: bool = True

    def amount(self, text: str) -> float | None:
        """The amount the text of the part stands for; None if it stands for none or is not known."""
        if self.codes is not None:
            return self.codes.get(text)
        if self.unit is None:
            return None
        try:
            return float(text.replace(",", "").replace(" ", "")) * self.scale
        except ValueError:
            return None


@dataclass(frozen=True, slots=True)
class Form:
    """One shape of number.

    Args:
        id: its name in the files.
        kind: what such a number identifies.
        pattern: what it looks like.
        parts: the meaning of each named part.
        normal: template of the number as it is written down: `{part}` stands for a part's text, what is
            in `[...]` is left out if a part in it is absent. Empty: as it was read.
        family: template of the family it belongs to, with `{part:shape}` for the shape of a part. Empty: the
            shape of the whole number.
        prior: how common it is against other texts of the same look; 1 for a usual one.
        needs_caption: too plain to be told from other texts without a caption beside it.
        examples, counter_examples: checked on loading.
        provenance: where the form comes from.
    """

    id: str
    kind: Kind
    pattern: Pattern
    parts: Mapping[str, PartMeaning]
    normal: str
    family: str
    prior: float
    needs_caption: bool
    examples: tuple[str, ...]
    counter_examples: tuple[str, ...]
    provenance: str

    def value(self, text: str, parts: Mapping[str, str]) -> str:
        """The number as it is written down."""
        return fill(self.normal, parts) if self.normal else text

    def family_of(self, text: str, parts: Mapping[str, str]) -> str:
        """The family the number belongs to."""
        return fill(self.family, parts) if self.family else shape(self.value(text, parts))


@dataclass(frozen=True, slots=True)
class Caption:
    """A word that stands before or above a number and says what it is.

    `glued` says that the number may follow it at once, without a colon or a blank. `in_barcodes` says that
    it is a prefix used inside codes, and never looked for in writing.
    """

    text: str
    kinds: tuple[Kind, ...]
    glued: bool = False
    in_barcodes: bool = False


@dataclass(frozen=True, slots=True)
class Forms:
    """All forms and captions to be used together."""

    forms: tuple[Form, ...]
    captions: tuple[Caption, ...]

    def by_id(self, name: str) -> Form | None:
        """The form with this id, or None."""
        return next((one for one in self.forms if one.id == name), None)


def shape(number: str) -> str:
    """The shape of a number: `d` for each digit, `L` for each letter, all else as it is.

    >>> shape("TB-4471-200")
    'LL-dddd-ddd'
    """
    return "".join("d" if one in DIGITS else "L" if one in LETTERS else one for one in number)


_FIELD = re.compile(r"\{([a-z_][a-z0-9_]*)(:shape)?\}")
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")


def fill(template: str, parts: Mapping[str, str]) -> str:
    """A template with the parts put in; see `Form`."""

    def optional(found: re.Match[str]) -> str:
        inner = found.group(1)
        names = [one.group(1) for one in _FIELD.finditer(inner)]
        return inner if all(parts.get(name) for name in names) else ""

    def field(found: re.Match[str]) -> str:
        text = parts.get(found.group(1), "")
        return shape(text) if found.group(2) else text

    return _FIELD.sub(field, _OPTIONAL.sub(optional, template))


def template_names(template: str) -> tuple[str, ...]:
    """The parts a template names."""
    return tuple(one.group(1) for one in _FIELD.finditer(template))


def template_rest(template: str) -> str:
    """What is left of a template without its fields: brackets here are mistakes."""
    return _FIELD.sub("", _OPTIONAL.sub(lambda found: found.group(1), template))
