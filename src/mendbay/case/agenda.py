"""What every open case waits for, and what to do today, by one rule.

A chore is worth its chance times its value, over the minutes it takes of a person: probability times value
over cost, as for the next read and the next step of a case. Time of a machine is nobody's time and counts
nothing. Whatever is late stands before whatever is due today, and that before the rest; each by the rule.
What waits for somebody else is no chore of today; once it is late, asking after it is one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

TAKE_IN = "take-in"
"""Chore of asking a customer, before a step that rests on odds alone; its figures are those of that step, and
rank it."""


class WaitsFor(StrEnum):
    """Whose turn it is."""

    CUSTOMER = "customer"
    PART = "part"
    MACHINE = "machine"
    US = "us"


@dataclass(frozen=True, slots=True)
class Wait:
    """What a case waits for.

    Args:
        who: whose turn it is, never ours.
        what: in words, such as `an answer to quote 2`.
        since: moment or day it began, as records carry it.
        until: the day it is expected to end, empty if none was said.
        told: a person said so; otherwise it follows from what is on record.
        differs: how what is expected differs from what would be by now, as the end of a sentence on the day;
            empty if it does not.
    """

    who: WaitsFor
    what: str
    since: str
    until: str = ""
    told: bool = False
    differs: str = ""


@dataclass(frozen=True, slots=True)
class Chore:
    """Something a person can do for a case.

    Args:
        id: of the table of chores, or of triage.
        words: what to do, as a sentence.
        command: what to type after the program's name.
        chance: that it helps; None where `value` is an average over all that may come of it.
        value: what it is worth if it helps, in the currency of the tables; of a test what its answer saves
            against going on without it.
        minutes: of a person, above 0.
        source: where chance, value and minutes come from.
        is_test: it finds something out.
        on_the_way: worth of a minute of the whole way that a test stands at the beginning of, which ranks it:
            what follows cannot be had before.

    Raises:
        ValueError: a chance that is none, a value below 0, or no time at all.
    """

    id: str
    words: str
    command: str
    chance: float | None
    value: float
    minutes: float
    source: str
    is_test: bool = False
    on_the_way: float = 0.0

    def __post_init__(self) -> None:
        sound = self.chance is None or 0 <= self.chance <= 1
        if not sound or not self.value >= 0 or not self.minutes > 0 or not self.on_the_way >= 0:
            raise ValueError(f"chore {self.id}: {self.chance}, {self.value}, {self.minutes}")

    @property
    def worth(self) -> float:
        """Of a minute of a person's time: chance times value over minutes, of the step itself or of the way
        that it begins."""
        return max(self.on_the_way, (1.0 if self.chance is None else self.chance) * self.value / self.minutes)


@dataclass(frozen=True, slots=True)
class OpenCase:
    """What is known of a case that is not done with.

    Args:
        number: of the case.
        due_on: the day it is due, empty for none; `due_for` the words before it: `needed by`.
        waits: what it waits for, the most telling first; empty while it is our turn.
        chore: what we can do for it, if it is our turn.
        nudge: how to ask after what it waits for, if it waits.
        presses: a machine stands still before the chore is done, and a drive has power meanwhile.
    """

    number: int
    due_on: str = ""
    due_for: str = ""
    waits: tuple[Wait, ...] = ()
    chore: Chore | None = None
    nudge: Chore | None = None
    presses: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """A case on a day.

    Args:
        late: why it is late, as parts of sentences; empty if it is not.
        due_today: this is the last day.
        chore: what to do for it today; None if there is nothing.
    """

    case: OpenCase
    late: tuple[str, ...]
    due_today: bool
    chore: Chore | None

    @property
    def turn(self) -> WaitsFor:
        return self.case.waits[0].who if self.case.waits else WaitsFor.US

    @property
    def place(self) -> int:
        """-1 for what presses, 0 for late, 1 for due today, 2 for the rest."""
        if self.case.presses:
            return -1
        return 0 if self.late else 1 if self.due_today else 2


@dataclass(frozen=True, slots=True)
class Agenda:
    """A day's work.

    Args:
        entries: every case that was given, in that order.
        steps: the cases with something to do today, what to do first coming first.
        waiting: the cases that wait for somebody else, late ones first, then the longest.
    """

    day: str
    entries: tuple[Entry, ...]
    steps: tuple[Entry, ...]
    waiting: tuple[Entry, ...]


LIMITS: Mapping[WaitsFor, int] = {WaitsFor.CUSTOMER: 7, WaitsFor.PART: 14, WaitsFor.MACHINE: 3}
"""Days a case may wait before somebody asks after it, where the shop sets none (common practice, no
source)."""


PRESSES = "a drive has power and waits for you"
"""Why a case is late that presses."""


def agenda_of(cases: Iterable[OpenCase], day: str, limits: Mapping[WaitsFor, int] = LIMITS) -> Agenda:
    """The work of a day. Cases of the same rank stand by their numbers.

    Args:
        day: `YYYY-MM-DD`.
        limits: days a case may wait for each.
    """
    entries = [_entry(one, day, limits) for one in cases]
    steps = sorted((one for one in entries if one.chore is not None), key=_rank)
    waiting = sorted((one for one in entries if one.case.waits), key=_patience)
    return Agenda(day, tuple(entries), tuple(steps), tuple(waiting))


def days_since(moment: str, day: str) -> int:
    """Whole days from a moment's day to another; negative if it lies ahead."""
    return (date.fromisoformat(day) - date.fromisoformat(moment[:10])).days


def _entry(case: OpenCase, day: str, limits: Mapping[WaitsFor, int]) -> Entry:
    late = [PRESSES] if case.presses else []
    if case.due_on and case.due_on < day:
        late.append(f"{case.due_for or 'due on'} {case.due_on}")
    for wait in case.waits:
        waited = days_since(wait.since, day)
        if wait.until:
            if wait.until < day:
                late.append(f"{wait.what}: expected by {wait.until}")
        elif waited > limits.get(wait.who, LIMITS[wait.who]):
            late.append(f"{wait.what}: waited for {waited} days")
    due_today = not late and (case.due_on == day or any(one.until == day for one in case.waits))
    if not case.waits:
        return Entry(case, tuple(late), due_today, case.chore)
    return Entry(case, tuple(late), due_today, case.nudge if late or case.due_on == day else None)


def _rank(entry: Entry) -> tuple[int, float, int]:
    assert entry.chore is not None
    return entry.place, -round(entry.chore.worth, 9), entry.case.number


def _patience(entry: Entry) -> tuple[int, str, int]:
    return entry.place, entry.case.waits[0].since, entry.case.number
