"""What repairs and handing on do in every world; those that none of them tells apart are taken together.

It follows from the tables and what came in alone, not from what is believed: so it is worked out once for all
cases of the same kind.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mendbay.triage.tables import Seat, Step, StepKind
from mendbay.triage.worlds import Bools, Floats, Int64s, Worlds

MOST_FAULTS = 2
"""Faults of a world (`worlds.py`)."""


def steps_of(worlds: Worlds) -> Iterator[tuple[Step, str]]:
    """Every step that what came in allows, with the bay of the drive it is done to; empty for the box."""
    alone = len(worlds.subject.bays) < 2
    for step in worlds.tables.steps.values():
        if alone and step.joins:
            continue
        if step.seat is Seat.BAY:
            yield from ((step, bay) for bay in worlds.subject.bays)
        elif step.seat is Seat.CASE or worlds.subject.box:
            yield step, ""


@lru_cache(maxsize=8)
def classes_of(worlds: Worlds) -> Classes:
    """The classes of these worlds. They are kept: all open cases rest on the same worlds."""
    return Classes(worlds)


class Classes:
    """Worlds that no repair and no handing on tells apart, taken together: a plan is then of a third of them.

    Attributes:
        of: (W), the class of each world.
        first: (classes), one world of each.
        sound: (classes), whether nothing is broken.
    """

    def __init__(self, worlds: Worlds) -> None:
        self._worlds = worlds
        work = [one for one in steps_of(worlds) if one[0].kind is not StepKind.TEST]
        sets = worlds.faulty @ (1 << np.arange(worlds.faulty.shape[1], dtype=np.int64))
        columns = [sets.astype(np.float64)]
        for step, bay in work:
            columns += [worlds.chance(step.solves, bay), worlds.chance(step.harm, bay)]
            if bay:
                signs = [(worlds.tables.signs[sign], answer) for sign, answer in step.needs if answer]
                columns += [worlds.likelihood(one, bay)[:, one.place(answer)] for one, answer in signs]
        of = _apart(np.zeros(worlds.count, np.int64), columns)
        mended = sorted({place for step, bay in work for place in worlds.mended(step, bay)})
        for _ in range(MOST_FAULTS):  # what becomes of them when a fault is mended is the same too
            of = _apart(of, [of[worlds.without[place]] for place in mended])
        self.of: Int64s = of
        self.count = int(of.max()) + 1
        _, self.first = np.unique(of, return_index=True)
        self.sound: Bools = worlds.sound()[self.first]
        self._effects: dict[tuple[str, str, tuple[str, ...]], Effect] = {}

    def joined(self, weights: Floats) -> Floats:
        """(S, classes), the weights (S, W) of the worlds of each class together."""
        return np.array([np.bincount(self.of, one, self.count) for one in weights])

    def effect(self, step: Step, bay: str, blind: Sequence[str] = ()) -> Effect:
        """What a step does.

        Args:
            bay: empty for the box.
            blind: signs of the drive that the step needs and nobody knows.
        """
        key = (step.id, bay, tuple(sorted(blind)))
        if key not in self._effects:
            self._effects[key] = Effect(self._worlds, self, step, bay, blind)
        return self._effects[key]


@dataclass(frozen=True, slots=True)
class _Move:
    """What mending one place does: the share `chance` of each class `broken` goes to the class `mended`.

    Args:
        broken: those in which the place is broken, in the order of where they go.
        targets: every class that something goes to, once.
        starts: for each of them, the first in `broken` that goes there.
    """

    chance: float
    broken: Int64s
    mended: Int64s
    targets: Int64s
    starts: Int64s


class Effect:
    """What a repair or handing on does in every class of worlds.

    A repair that needs something of its drive that is not known is made blind: it is found out first, and
    nothing is done in worlds in which that turns out otherwise.
    """

    def __init__(self, worlds: Worlds, classes: Classes, step: Step, bay: str, blind: Sequence[str]) -> None:
        possible = np.ones(classes.count)
        for sign, answer in step.needs:
            if answer and sign in blind:
                likelihood = worlds.likelihood(worlds.tables.signs[sign], bay)
                possible *= likelihood[classes.first, worlds.tables.signs[sign].place(answer)]
        self.possible: Floats = possible
        """(classes), the chance that what it needs turns out well, so that it can be made."""
        self.harm: Floats = possible * worlds.chance(step.harm, bay)[classes.first]
        """(classes), the share of the data it loses."""
        solves = worlds.chance(step.solves, bay)[classes.first]
        self._moves: list[_Move] = []
        faulty = worlds.faulty[classes.first]
        remedy = np.where(classes.sound, 0.0, 1.0)
        others = faulty.copy()
        for place, chance in worlds.mended(step, bay).items():
            remedy = np.where(faulty[:, place], remedy * chance, remedy)
            others[:, place] = False
            broken = np.flatnonzero(faulty[:, place])
            mended = classes.of[worlds.without[place][classes.first[broken]]]
            order = np.argsort(mended, kind="stable")
            targets, starts = np.unique(mended[order], return_index=True)
            self._moves.append(_Move(chance, broken[order], mended[order], targets, starts))
        remedy = np.where(others.any(axis=1), 0.0, remedy)
        self.ends: Floats = possible * (solves + (1.0 - solves) * remedy)
        """(classes), the chance that all is well after it."""
        self._stays = possible * (1.0 - solves)
        self._not_made = 1.0 - possible if (possible < 1.0).any() else None
        self._sound = np.flatnonzero(classes.sound)

    def failed(self, left: Floats) -> Floats:
        """(S, classes), what is still open of `left` after it: a fault of two may be mended."""
        found: Floats = left * self._stays
        for one in self._moves:
            moved = found[:, one.broken] * one.chance
            found[:, one.broken] -= moved
            found[:, one.targets] += np.add.reduceat(moved, one.starts, axis=1)
        if self._not_made is not None:
            found += left * self._not_made
        found[:, self._sound] = 0.0
        return found

    def foreseen(self, values: Floats) -> Floats:
        """(n, classes), `failed` the other way round: what `values` (n, classes) of what is left after it are
        of what is open before it, so that `failed(left) @ values.T == left @ foreseen(values).T`."""
        after = values.copy()
        after[:, self._sound] = 0.0
        found = after.copy()
        for one in reversed(self._moves):
            here = found[:, one.broken]
            found[:, one.broken] = here + one.chance * (found[:, one.mended] - here)
        found *= self._stays
        if self._not_made is not None:
            found += after * self._not_made
        return found


def _apart(of: Int64s, columns: Sequence[Floats | Int64s]) -> Int64s:
    """(W), the classes split so far that within each all columns (W) are the same."""
    for column in columns:
        _, kinds = np.unique(column, return_inverse=True)
        _, of = np.unique(of * (kinds.max() + 1) + kinds, return_inverse=True)
    return of
