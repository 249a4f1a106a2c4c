"""An identifier: one number of a drive, its board or its chips, with all that speaks for and against it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from mendbay.board.number_form import Kind, Unit
from mendbay.board.sighting import How, Sighting

SETTLED_FROM = 0.9
"""Confidence from which an identifier needs no second look (own choice, no source)."""
SUREST = 0.999
"""No picture gives more confidence than this; only a person's word is certain (own choice)."""
UNCERTAIN = "it is not read with certainty"
"""The doubt about an identifier that nothing but its low confidence speaks against."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a number: its text, what it means, and the amount it stands for in `unit`, if any."""

    name: str
    text: str
    means: str
    amount: float | None = None
    unit: Unit | None = None
    certain: bool = True


@dataclass(frozen=True, slots=True)
class Alternative:
    """What an identifier may be instead."""

    kind: Kind
    value: str
    probability: float


@dataclass(frozen=True, slots=True)
class Identifier:
    """One number and where it comes from.

    Args:
        kind: what it identifies.
        value: as it is written down; `?` stands for a character that cannot be read.
        form: id of the number form it fits; empty if none.
        family: key of the family it belongs to, such as the shape of the number.
        confidence: 0 to 1, the probability that kind and value are right; 1 if a person said so.
        how: the surest way it was read.
        sightings: where it was seen, the surest first; a number broken over two texts has both.
        read_as: what was read, one text for each reading; a correction names one of them.
        parts: the number taken apart.
        repairs: characters that were read otherwise, in words, with earlier corrections behind them.
        agreements, doubts: what speaks for it and against it, in words.
        alternatives: what it may be instead, the likeliest first.
    """

    kind: Kind
    value: str
    form: str
    family: str
    confidence: float
    how: How
    sightings: tuple[Sighting, ...]
    read_as: tuple[str, ...]
    parts: tuple[Part, ...] = ()
    repairs: tuple[str, ...] = ()
    agreements: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether it can be used without a second look."""
        return self.confidence >= SETTLED_FROM and not self.doubts and not self.alternatives

    def amount(self, unit: Unit) -> float | None:
        """What the number says in this unit: a model's capacity in GB, a ROM chip's size in Mbit."""
        return next((one.amount for one in self.parts if one.unit is unit), None)


def made_on(identifier: Identifier) -> date | None:
    """The first day a date code can mean: of its week or month if it names no day. None if it is no date.

    A year of two digits lies between 1990 and 2089; weeks are those of ISO 8601 (common practice, no
    source: some makers count weeks from another day of the year).
    """
    year, month, week, day = (
        None if (found := identifier.amount(unit)) is None else int(found)
        for unit in (Unit.YEAR, Unit.MONTH, Unit.WEEK, Unit.DAY)
    )
    if year is None:
        return None
    if year < 100:
        year += 1900 if year >= 90 else 2000
    try:
        if week is not None:
            return date.fromisocalendar(year, week, 1)
        return date(year, month or 1, day or 1)
    except ValueError:
        return None
