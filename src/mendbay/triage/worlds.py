"""All that can be the case at once: what happened, how the drives belong together, and up to two faults.

A box with two drives has 25 places of faults, so 326 sets of at most two; with what may have happened and
the layouts some thousand worlds, few enough to look at every one. Nothing is sampled and nothing is left out
but a third fault.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from mendbay.core.errors import UsageError
from mendbay.triage.tables import Chance, Row, Scope, Seat, Sign, Step, Tables, Term

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Int64s = npt.NDArray[np.int64]

MOST_BAYS = 2


@dataclass(frozen=True, slots=True)
class Place:
    """A fault where it sits: `bay` is empty for the box's own."""

    fault: str
    bay: str = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """What came in: the labels of the bays, one or two, and whether a box is there too.

    Raises:
        UsageError: no bay or more than two, or the same twice.
    """

    bays: tuple[str, ...]
    box: bool = True

    def __post_init__(self) -> None:
        if not 1 <= len(self.bays) <= MOST_BAYS or len(set(self.bays)) != len(self.bays) or "" in self.bays:
            raise UsageError(
                f"{len(self.bays)} bays cannot be judged together.",
                "mendbay triage about CASE --bays 1,2 names the one or two to judge.",
            )


class Worlds:
    """The worlds of one subject, with their chances before anything is seen.

    Args:
        tables: what the model is made of.

    Attributes:
        places: every place of a fault (P).
        faulty: (W, P), whether the place is broken in the world.
        prior: (W), adding up to 1.
        without: (P, W), the number of the world in which the place is sound and all else the same; the world
            itself where it is sound already.
    """

    def __init__(self, tables: Tables, subject: Subject) -> None:
        self.tables = tables
        self.subject = subject
        self.places = self._places()
        self._place_numbers = {one: number for number, one in enumerate(self.places)}
        self._layouts = tuple(tables.layouts.values())
        self._happenings = tuple(tables.happenings)
        sets: list[tuple[int, ...]] = [(), *((one,) for one in range(len(self.places)))]
        sets += list(combinations(range(len(self.places)), 2))
        faulty = np.zeros((len(sets), len(self.places)), np.bool_)
        for number, members in enumerate(sets):
            faulty[number, list(members)] = True
        rounds = len(self._happenings) * len(self._layouts)
        self.faulty: Bools = np.tile(faulty, (rounds, 1))
        kinds = np.repeat(np.arange(rounds), len(sets))
        self._happened: Int64s = kinds // len(self._layouts)
        self._laid_out: Int64s = kinds % len(self._layouts)
        self.prior: Floats = self._priors(sets)
        self.without: Int64s = self._without(sets, rounds)
        self._held: dict[tuple[Term, str], Bools] = {}
        self._sign_rows: dict[tuple[str, str], Int64s] = {}

    @property
    def count(self) -> int:
        return len(self.prior)

    def place(self, fault: str, bay: str = "") -> int:
        """The number of a place.

        Raises:
            KeyError: the subject has no such place.
        """
        return self._place_numbers[Place(fault, bay)]

    def of_layout(self, name: str) -> Bools:
        """(W), whether the drives belong together so."""
        return np.equal(self._laid_out, [one.id for one in self._layouts].index(name))

    def of_happening(self, name: str) -> Bools:
        """(W), whether that befell the box."""
        return np.equal(self._happened, self._happenings.index(name))

    def sound(self) -> Bools:
        """(W), whether nothing is broken."""
        return np.asarray(~self.faulty.any(axis=1), np.bool_)

    def holds(self, term: Term, bay: str) -> Bools:
        """(W), whether a condition of a table holds, asked for a bay (empty: for the box)."""
        key = (term, bay)
        if key not in self._held:
            found = self._found(term, bay)
            self._held[key] = found if term.holds else ~found
        return self._held[key]

    def _found(self, term: Term, bay: str) -> Bools:
        if term.scope is Scope.LAYOUT:
            return self.of_layout(term.name)
        if term.scope is Scope.EVENT:
            return self.of_happening(term.name)
        bays = self.subject.bays
        if term.scope is Scope.OWN:
            return self._broken(term.name, bay)
        if term.scope is Scope.OTHER:
            bays = tuple(one for one in bays if one != bay)
        each = [self._broken(term.name, one) for one in bays]
        if not each:
            return np.zeros(self.count, np.bool_)
        joined = np.logical_and if term.scope is Scope.BOTH else np.logical_or
        return np.asarray(joined.reduce(each), np.bool_)

    def _broken(self, name: str, bay: str) -> Bools:
        """(W), whether the fault, or one of the group, is there."""
        found = np.zeros(self.count, np.bool_)
        for fault in self.tables.groups.get(name, (name,)):
            of_bay = bay if self.tables.faults[fault].seat is Seat.BAY else ""
            if Place(fault, of_bay) in self._place_numbers:
                np.logical_or(found, self.faulty[:, self.place(fault, of_bay)], out=found)
        return found

    def row(self, rows: Sequence[Row | Chance], bay: str) -> Int64s:
        """(W), which row applies first in each world; -1 where none does."""
        found = np.full(self.count, -1, np.int64)
        for number, row in reversed(list(enumerate(rows))):
            here = np.ones(self.count, np.bool_)
            for term in row.when:
                here &= self.holds(term, bay)
            found[here] = number
        return found

    def likelihood(self, sign: Sign, bay: str) -> Floats:
        """(W, answers), the chances of a sign's answers in each world."""
        table = np.array([[float(one.value) for one in row.chances] for row in sign.rows])
        key = (sign.id, bay)
        if self.tables.signs.get(sign.id) is not sign:
            rows = self.row(sign.rows, bay)
        elif key in self._sign_rows:
            rows = self._sign_rows[key]
        else:
            rows = self._sign_rows[key] = self.row(sign.rows, bay)
        found: Floats = table[rows]
        return found

    def chance(self, chances: Sequence[Chance], bay: str) -> Floats:
        """(W), the chance that applies in each world; 0 where none does."""
        values = np.array([*(float(one.chance.value) for one in chances), 0.0])
        found: Floats = values[self.row(chances, bay)]
        return found

    def mended(self, step: Step, bay: str) -> Mapping[int, float]:
        """The chance that the step mends each place, by its number."""
        of_bay = bay if step.seat is Seat.BAY else ""
        return {
            self.place(fault, of_bay): float(chance.value)
            for fault, chance in step.fixes.items()
            if Place(fault, of_bay) in self._place_numbers
        }

    def _places(self) -> tuple[Place, ...]:
        faults = self.tables.faults.values()
        seats = (Seat.CASE, Seat.BOX) if self.subject.box else (Seat.CASE,)
        of_box = [Place(one.id) for one in faults if one.seat in seats]
        of_bays = [Place(one.id, bay) for bay in self.subject.bays for one in faults if one.seat is Seat.BAY]
        return (*of_box, *of_bays)

    def _priors(self, sets: Sequence[tuple[int, ...]]) -> Floats:
        """One fault brought the case in, with its share; another may be there besides, with its chance; what
        happened makes both likelier."""
        found: list[Floats] = []
        for happening in self.tables.happenings.values():
            times = np.array(
                [
                    float(happening.times[one.fault].value) if one.fault in happening.times else 1.0
                    for one in self.places
                ]
            )
            first = times * [float(self.tables.faults[one.fault].first.value) for one in self.places]
            besides = times * [float(self.tables.faults[one.fault].besides.value) for one in self.places]
            odds = np.minimum(besides, 0.5) / (1.0 - np.minimum(besides, 0.5))
            weights = np.array(
                [
                    float(self.tables.sound.value)
                    if not members
                    else float(first[members[0]])
                    if len(members) == 1
                    else float(first[members[0]] * odds[members[1]] + first[members[1]] * odds[members[0]])
                    for members in sets
                ]
            )
            weights *= float(happening.share.value) / weights.sum()
            found += [weights * float(layout.share.value) for layout in self._layouts]
        prior = np.concatenate(found)
        normal: Floats = prior / prior.sum()
        return normal

    def _without(self, sets: Sequence[tuple[int, ...]], rounds: int) -> Int64s:
        numbers = {members: number for number, members in enumerate(sets)}
        found = np.tile(np.arange(len(sets)), (len(self.places), 1))
        for number, members in enumerate(sets):
            for place in members:
                found[place, number] = numbers[tuple(one for one in members if one != place)]
        shifts = np.repeat(np.arange(rounds) * len(sets), len(sets))
        joined: Int64s = np.tile(found, (1, rounds)) + shifts
        return joined
