"""What the model is made of: faults, what may have happened, signs and steps, each number with its origin.

`table_file.py` reads them from the data files; `docs/formats/triage-tables.md` describes these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.figures import Figure


class Seat(StrEnum):
    """Where a fault sits, a sign shows or a step is done."""

    CASE = "case"
    """Whatever came in, a box or a drive alone."""
    BOX = "box"
    BAY = "bay"
    """Each drive has its own."""


class Scope(StrEnum):
    """Whose fault a condition asks for, or what else it asks for."""

    OWN = "own"
    """The same bay's, or the box's."""
    ANY = "any"
    BOTH = "both"
    """Of every drive: with one drive, of that one."""
    OTHER = "other"
    """Of another bay."""
    LAYOUT = "layout"
    EVENT = "event"


@dataclass(frozen=True, slots=True)
class Term:
    """One condition: the fault or group `name` in `scope`, or the layout or event of that name; `holds` is
    false for its opposite."""

    scope: Scope
    name: str
    holds: bool = True


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that can be broken.

    Args:
        id: how tables name it.
        words: the fault as the subject of a sentence, such as `the mains adapter`.
        first: its share of all cases as what brought them in (for a drive's fault: of one drive), before what
            happened and second faults are weighed.
        besides: its chance of being present beside another fault.
    """

    id: str
    seat: Seat
    words: str
    first: Figure
    besides: Figure


@dataclass(frozen=True, slots=True)
class Happening:
    """What befell the box: its share of all cases, and how many times likelier it makes each fault."""

    id: str
    words: str
    share: Figure
    times: Mapping[str, Figure]


@dataclass(frozen=True, slots=True)
class Layout:
    """How the two drives belong together, and its share of boxes."""

    id: str
    words: str
    share: Figure


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer to a sign's question."""

    id: str
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """Chances of a sign's answers, in their order, where all terms of `when` hold and those of no earlier row
    did."""

    when: tuple[Term, ...]
    chances: tuple[Figure, ...]

    @property
    def source(self) -> str:
        return self.chances[0].source


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that can be seen, heard, measured or asked.

    Args:
        rows: the first one that applies counts, so that a dead supply hides whatever is behind it; the last
            one applies always.
        past: it is of what happened before, which no repair changes.
        asks_alone: the question where a drive came alone; empty for the same.
    """

    id: str
    seat: Seat
    asks: str
    answers: tuple[Answer, ...]
    rows: tuple[Row, ...]
    past: bool = False
    asks_alone: str = ""

    def question(self, box: bool) -> str:
        """What is asked, of a box or of a drive that came alone."""
        return self.asks if box else self.asks_alone or self.asks

    def place(self, answer: str) -> int:
        """Which of the answers that is.

        Raises:
            KeyError: the sign has no such answer.
        """
        for place, one in enumerate(self.answers):
            if one.id == answer:
                return place
        raise KeyError(answer)


class StepKind(StrEnum):
    """What a step is for."""

    TEST = "test"
    REPAIR = "repair"
    HAND_ON = "hand on"
    """The job ends here: it goes to somebody equipped for it."""


@dataclass(frozen=True, slots=True)
class Chance:
    """A chance where all terms of `when` hold and no earlier one's did."""

    when: tuple[Term, ...]
    chance: Figure


@dataclass(frozen=True, slots=True)
class Step:
    """Something to do next.

    Args:
        seat: a step of a bay is done to one drive at a time.
        words: what to do, as a sentence.
        minutes, money: what it takes of a person's time, and of anything else (money in the currency of the
            price list's figures, see `steps.toml`).
        reveals: the sign a test answers; empty for others.
        fixes: chances that it mends a fault, by fault.
        solves: chances that it gives the data, whatever is broken; the first that applies counts.
        harm: shares of the data lost by doing it; the first that applies counts.
        powers: whether a drive gets power or is read by it.
        reversible: whether everything it changes can be put back.
        needs: signs that must be answered before, each with the answer that allows it (empty: any). A step of
            the box needs what it needs of a drive from any one of them.
        cautions: ids of what must be read before it.
        consents: ids of what the customer must agree to before it (`case/consents.toml`).
        asked: the customer is asked of the past: it tells nothing of what was repaired since.
        pictured: it is seen in pictures, so that the thing itself need not be here.
        again: only taken once a repair may have changed what it tells.
        of_board: it is done to a board that is off its drive, so that the drive need not be here.
        joins: it is of two drives together; of one alone nothing waits for what it tells.
    """

    id: str
    kind: StepKind
    seat: Seat
    words: str
    minutes: Figure
    money: Figure
    reveals: str
    fixes: Mapping[str, Figure]
    solves: tuple[Chance, ...]
    harm: tuple[Chance, ...]
    powers: bool
    reversible: bool
    needs: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    consents: tuple[str, ...] = ()
    asked: bool = False
    pictured: bool = False
    again: bool = False
    of_board: bool = False
    joins: bool = False

    def words_of(self, bay: str) -> str:
        """What to do, to the drive of a bay, which stands before the full stop; its words alone where that is
        empty."""
        said = self.words.removesuffix(".")
        return f"{said} (bay {bay}){'.' if said != self.words else ''}" if bay else self.words


@dataclass(frozen=True, slots=True)
class Tables:
    """All of it, by id, in the order of the files.

    Args:
        groups: names for several faults of a drive together.
        sound: the share of cases in which nothing is broken.
        minute_cost: what a minute of a person costs.
        share_strength, row_strength: how many closed cases the shares (of faults, of what happened, of
            layouts) and the chances of one row of a sign weigh as much as.
    """

    faults: Mapping[str, Fault]
    groups: Mapping[str, tuple[str, ...]]
    happenings: Mapping[str, Happening]
    layouts: Mapping[str, Layout]
    sound: Figure
    signs: Mapping[str, Sign]
    steps: Mapping[str, Step]
    minute_cost: Figure
    share_strength: Figure
    row_strength: Figure
