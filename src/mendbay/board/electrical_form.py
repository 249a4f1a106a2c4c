"""The form behind the electrical sheet: its steps, expected values, groups and sentences, read from data.

`docs/formats/expected-readings.md` describes the file. Every number in it carries its origin; a file in
which one does not is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from mendbay.board.electrical_units import Unit
from mendbay.core.figures import Figure


class Phase(StrEnum):
    """The parts of the sheet, in the order they are worked through: without power before with power."""

    BENCH = "bench"
    BOARD = "board off the drive, no power"
    DRIVE = "drive without its board"
    SUPPLY = "supply alone"
    FIVE = "board with 5 V"
    BOTH = "board with all rails"
    ATTACHED = "board on the drive, with power"


class Size(StrEnum):
    """The drive's size, as far as known: it decides which rails there are and what is usual on them."""

    LARGE = "3.5-inch"
    SMALL = "2.5-inch"
    UNKNOWN = "unknown"


class Gate(StrEnum):
    """Something that power reaches only while no measurement speaks against it."""

    FIVE = "5 V"
    TWELVE = "12 V"
    DRIVE = "drive"


class ValueClass(StrEnum):
    """What a value is, judged."""

    SHORT = "short"
    LOW = "low"
    WITHIN = "within"
    HIGH = "high"
    OPEN = "open"
    UNEQUAL = "unequal"
    """Within its own range, but not like the others of its group."""
    AMISS = "amiss"
    """Seen to be wrong: an inspection, not a number."""
    UNSTABLE = "unstable"
    NOT_MEASURED = "not measured"
    CANNOT_BE_JUDGED = "cannot be judged"


RISING = (ValueClass.SHORT, ValueClass.LOW, ValueClass.WITHIN, ValueClass.HIGH, ValueClass.OPEN)
"""The classes of a number, from the smallest values to the largest."""

FAULTY = frozenset((*RISING, ValueClass.UNSTABLE)) - {ValueClass.WITHIN}
"""The classes in which the leads or the wrist strap must not be used."""

CONCLUSIVE = frozenset((*RISING, ValueClass.UNEQUAL, ValueClass.AMISS))
"""The classes that say something about the part."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What is usual in one context, in the step's unit; None where there is no such limit.

    A value v is short if v < `short_below`, open if v > `open_above`, low if v < `at_least`, high if
    v > `at_most` or v >= `below`, else within. Power stops if v < `stop_below` or v > `stop_above`.

    Args:
        size: the size of drive it is for; None for any.
        choice: the word chosen at the step that `Step.depends_on` names; empty for any.
    """

    size: Size | None
    choice: str
    short_below: Figure | None
    at_least: Figure | None
    at_most: Figure | None
    below: Figure | None
    open_above: Figure | None
    stop_below: Figure | None
    stop_above: Figure | None

    @property
    def figures(self) -> tuple[Figure, ...]:
        every = (
            *(self.short_below, self.at_least, self.at_most, self.below),
            *(self.open_above, self.stop_below, self.stop_above),
        )
        return tuple(one for one in every if one is not None)


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of a step that is looked at rather than measured.

    Args:
        word: what is entered.
        value_class: what it amounts to.
        says: the reason in a sentence.
        observation: what it is evidence of, where that is not the step's own observation.
        stops: whether power must stay off.
        also: other words that say the same.
    """

    word: str
    value_class: ValueClass
    says: str
    observation: str
    stops: bool
    also: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """Every word it is entered by."""
        return (self.word, *self.also)


@dataclass(frozen=True, slots=True)
class Condition:
    """True if the latest word chosen at `step` is `choice`."""

    step: str
    choice: str


@dataclass(frozen=True, slots=True)
class Step:
    """One measurement or inspection.

    Args:
        id: its stable name.
        phase: the part of the sheet it belongs to.
        question: what is to be found out.
        how: how, in plain words, figures filled in.
        figures: those figures, each with its source.
        unit: what is entered.
        expected: what is usual, by context; empty where it is only noted or compared in a group.
        choices: the words that can be entered, for a step of unit `choice`.
        cautions: ids of what must be shown before the step.
        observation: what the result is evidence of, in the vocabulary of `Form.observations`.
        guards: the gates that a short or a stop at this step closes.
        needs: the gates that must be open for the step.
        after: steps that must have been judged before it.
        sizes: the sizes of drive it is for.
        only_if: the choice without which it does not apply.
        depends_on: the step whose chosen word picks among `expected`; empty if none.
        optional: whether it is only on offer, and never asked for.
        finds_shorts: whether a look that costs nothing may show where a short is.
    """

    id: str
    phase: Phase
    question: str
    how: str
    figures: Mapping[str, Figure]
    unit: Unit
    expected: tuple[Expected, ...]
    choices: tuple[Choice, ...]
    cautions: tuple[str, ...]
    observation: str
    guards: tuple[Gate, ...]
    needs: tuple[Gate, ...]
    after: tuple[str, ...]
    sizes: tuple[Size, ...]
    only_if: Condition | None
    depends_on: str
    optional: bool
    finds_shorts: bool = False

    @property
    def powered(self) -> bool:
        """Whether the board has power during the step."""
        return bool(self.needs)

    @property
    def measured(self) -> bool:
        """Whether the result is read off an instrument rather than seen."""
        return self.unit is not Unit.CHOICE

    @property
    def strapped(self) -> bool:
        """Whether it asks for the wrist strap."""
        return "static" in self.cautions

    def choice(self, word: str) -> Choice | None:
        """The choice of this word or of one that says the same, whatever its case."""
        wanted = word.strip().casefold()
        return next((one for one in self.choices if wanted in {each.casefold() for each in one.words}), None)


@dataclass(frozen=True, slots=True)
class Group:
    """Steps whose values must be alike: apart by at most `share` of the largest, or `at_most` if that is
    more."""

    id: str
    steps: tuple[str, ...]
    share: Figure
    at_most: Figure
    why: str


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How far repeated readings of one unit may be apart: `share` of the largest, or `at_most` if more."""

    share: Figure
    at_most: Figure


@dataclass(frozen=True, slots=True)
class Observation:
    """A word of the vocabulary that diagnosis uses, together with a class.

    Args:
        id: its stable name.
        subject: what it is about, to stand at the beginning of a sentence.
        weights: how much each class says (`decisive`, `strong`, `fair`, `weak`), by class; a class that
            is missing says nothing.
        phrases: how a class reads, where the general words do not fit.
    """

    id: str
    subject: str
    weights: Mapping[ValueClass, str]
    phrases: Mapping[ValueClass, str]


@dataclass(frozen=True, slots=True)
class Clause:
    """True if `observation` was found to be in one of `classes`."""

    observation: str
    classes: tuple[ValueClass, ...]


@dataclass(frozen=True, slots=True)
class Rule:
    """A sentence that holds when all its clauses do."""

    id: str
    clauses: tuple[Clause, ...]
    text: str
    figures: Mapping[str, Figure]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Motor:
    """Which steps are the motor's six readings, and how far they may be from those of a star."""

    common: tuple[str, str, str]
    between: tuple[str, str, str]
    """Contacts 1 and 2, 2 and 3, 3 and 1."""
    misfit: Figure


@dataclass(frozen=True, slots=True)
class ElectricalForm:
    """All that a sheet is filled in by. `leads` is the step at which the meter's leads are measured, and
    `leads_at_most` what they can have at most while that is not done; `strap` is the step at which the wrist
    strap is."""

    steps: Mapping[str, Step]
    groups: tuple[Group, ...]
    steadiness: Mapping[Unit, Steadiness]
    observations: Mapping[str, Observation]
    rules: tuple[Rule, ...]
    motor: Motor
    leads: str
    leads_at_most: Decimal
    strap: str
