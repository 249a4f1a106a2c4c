"""What answers make of the worlds: how likely each fault is, which answers moved it, and what another answer
would do.

Exact: every world's chance is its prior times the chances of all answers in it (given a world, answers do not
depend on each other). A repair that was made and did not help is evidence too, and it may have mended one
fault of two; one that helped has mended what it mends. What was answered before it is weighed in the worlds
before it, what is answered after it in those after.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mendbay.core.errors import UsageError
from mendbay.triage.tables import Seat, Sign, Step, StepKind
from mendbay.triage.worlds import Floats, Place, Worlds


@dataclass(frozen=True, slots=True, order=True)
class Asked:
    """A sign, of a bay or (bay empty) of the box."""

    sign: str
    bay: str = ""


Answers = Mapping[Asked, str]
"""What is known so far: the id of the answer to each sign. What is left out is unknown."""


@dataclass(frozen=True, slots=True)
class Tried:
    """A repair that was made.

    Args:
        bay: empty for the box.
        answers: what was answered before it, and after the one tried before it.
        helped: what it mends works since; else it did not give the data.
    """

    step: Step
    bay: str
    answers: Answers
    helped: bool = False


TRIED, HELPED = "tried", "helped"
"""Stand as the answer where a repair that did not help, or did, is told among answers; the sign is then its
step."""
SURELY = 0.99
"""Chance that a repair which is said to have helped mended all that it mends (own choice, no source): what
was seen of it may be wrong, and what was mended may fail again."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What one answer, or one repair, did to one fault.

    Args:
        answer: or `TRIED` or `HELPED`, when `asked` names the step.
        bits: weight of evidence in bits, given all other answers: log2 of the odds with it over the odds
            without it. Positive speaks for the fault. I. J. Good's measure, from memory.
    """

    asked: Asked
    answer: str
    bits: float


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What one answer not yet given would mean.

    Args:
        chance: of hearing it.
        faults: the chance of each place, in the order of `Worlds.places`.
    """

    answer: str
    chance: float
    faults: Floats


class Belief:
    """What is believed of a subject after some answers.

    Args:
        worlds: of the subject.
        answers: what is known, since the last repair if there was one.
        tried: repairs that were made, in their order.

    Attributes:
        answers: what is known now. What a repair may have changed is open again after it.
        weights: (W), the chance of each world, adding up to 1.

    Raises:
        UsageError: a sign or an answer that there is not, or of a bay that the subject has not; or a step
            that is no repair of it.
    """

    def __init__(self, worlds: Worlds, answers: Answers, tried: Sequence[Tried] = ()) -> None:
        self.worlds = worlds
        self.tried = tuple(tried)
        for one in self.tried:
            _require_repair(worlds, one.step, one.bay)
        self._rounds = [dict(one.answers) for one in self.tried] + [dict(answers)]
        self.answers = self._known_now()
        self._columns = [
            {asked: self._column(asked, answer) for asked, answer in one.items()} for one in self._rounds
        ]
        self.weights = self._weighed()

    def _known_now(self) -> dict[Asked, str]:
        found: dict[Asked, str] = {}
        for number, one in enumerate(self._rounds):
            found.update(one)
            if number < len(self.tried):
                made = self.tried[number]
                changed = [one for one in found if may_change(self.worlds, made.step, made.bay, one)]
                for asked in changed:
                    del found[asked]
        return found

    @property
    def before_repairs(self) -> Answers:
        """What was answered before any repair: all, if none was tried."""
        return dict(self._rounds[0])

    def ever(self, asked: Asked) -> tuple[str, ...]:
        """Every answer to a sign that was given, also before a repair."""
        return tuple(one[asked] for one in self._rounds if asked in one)

    def _column(self, asked: Asked, answer: str) -> Floats:
        sign = sign_of(self.worlds, asked)
        try:
            place = sign.place(answer)
        except KeyError:
            known = ", ".join(one.id for one in sign.answers)
            raise UsageError(f"{asked.sign} cannot be {answer[:40]!r}.", f"Use one of: {known}.") from None
        column: Floats = self.worlds.likelihood(sign, asked.bay)[:, place]
        return column

    def _weighed(self, left_out: tuple[int, Asked | None] | None = None) -> Floats:
        """(W), adding up to 1. No table holds a 0, so no answers can contradict each other.

        Args:
            left_out: an answer of a round, or with None the repair that ended it.
        """
        weights = self.worlds.prior
        for number, columns in enumerate(self._columns):
            with np.errstate(divide="ignore"):  # a world that a repair has left is out for good
                logs = np.log(weights)
            for asked, column in columns.items():
                if left_out != (number, asked):
                    logs = logs + np.log(column)
            weights = np.exp(logs - logs.max())
            if number < len(self.tried) and left_out != (number, None):
                weights = _after(self.worlds, weights, self.tried[number])
            weights = weights / weights.sum()
        return weights

    def faults(self) -> Floats:
        """(P), the chance of each place being broken; up to two are, so they can add up to more than 1."""
        found: Floats = self.weights @ self.worlds.faulty
        return found

    def fault(self, name: str, bay: str = "") -> float:
        """The chance of one."""
        return float(self.faults()[self.worlds.place(name, bay)])

    def ranked(self) -> tuple[tuple[Place, float], ...]:
        """The places with their chances, the likeliest first."""
        chances = self.faults()
        order = np.argsort(-chances.round(12), kind="stable")
        return tuple((self.worlds.places[one], float(chances[one])) for one in order.tolist())

    def mended(self) -> dict[Place, Belief]:
        """What repairs that helped have mended, each place with what was believed before the first of them:
        it may have been broken when the case came in, though it is not now."""
        found: dict[Place, Belief] = {}
        for number, one in enumerate(self.tried):
            if one.helped:
                before = Belief(self.worlds, one.answers, self.tried[:number])
                for place in self.worlds.mended(one.step, one.bay):
                    found.setdefault(self.worlds.places[place], before)
        return found

    def sound(self) -> float:
        """The chance that nothing is broken."""
        return float(self.weights[self.worlds.sound()].sum())

    def layout(self, name: str) -> float:
        """The chance that the drives belong together so."""
        return float(self.weights[self.worlds.of_layout(name)].sum())

    def happening(self, name: str) -> float:
        """The chance that this befell the box."""
        return float(self.weights[self.worlds.of_happening(name)].sum())

    def moved(self, name: str, bay: str = "") -> tuple[Moved, ...]:
        """What each answer did to a fault, the strongest first."""
        column = self.worlds.faulty[:, self.worlds.place(name, bay)]
        here = _log_odds(self.weights, column)
        told: list[tuple[tuple[int, Asked | None], Asked, str]] = []
        for number, one in enumerate(self._rounds):
            told += [((number, asked), asked, answer) for asked, answer in one.items()]
        told += [
            ((number, None), Asked(one.step.id, one.bay), HELPED if one.helped else TRIED)
            for number, one in enumerate(self.tried)
        ]
        found = [
            Moved(asked, answer, (here - _log_odds(self._weighed(left_out), column)) / math.log(2.0))
            for left_out, asked, answer in told
        ]
        return tuple(sorted(found, key=lambda one: (-abs(one.bits), one.asked)))

    def expected(self, asked: Asked) -> Floats:
        """(answers), how likely each answer is to be heard.

        Raises:
            UsageError: there is no such sign.
        """
        found: Floats = self.weights @ self.worlds.likelihood(sign_of(self.worlds, asked), asked.bay)
        return found

    def what_if(self, asked: Asked) -> tuple[WhatIf, ...]:
        """What each answer to a sign would mean.

        Raises:
            UsageError: there is no such sign, or it is answered already.
        """
        if asked in self.answers:
            raise UsageError(
                f"{asked.sign} is answered already: {self.answers[asked]}.",
                "Ask of another, or take it back.",
            )
        sign = sign_of(self.worlds, asked)
        joint = self.weights[:, None] * self.worlds.likelihood(sign, asked.bay)
        chances = joint.sum(axis=0)
        faults = (joint / chances).T @ self.worlds.faulty
        return tuple(
            WhatIf(answer.id, float(chance), row)
            for answer, chance, row in zip(sign.answers, chances, faults, strict=True)
        )


def _after(worlds: Worlds, weights: Floats, made: Tried) -> Floats:
    after = after_success if made.helped else after_failure
    return after(worlds, weights, made.step, made.bay)


def after_success(worlds: Worlds, weights: Floats, step: Step, bay: str) -> Floats:
    """(W), the weights of the worlds after a repair that helped: all it mends is sound."""
    left = weights
    for place in worlds.mended(step, bay):
        moved = np.where(worlds.faulty[:, place], left * SURELY, 0.0)
        left = left - moved + np.bincount(worlds.without[place], moved, worlds.count)
    return left


def after_failure(worlds: Worlds, weights: Floats, step: Step, bay: str) -> Floats:
    """(W), the weights of the worlds after a repair that did not give the data, not normalised: a fault of
    two may be mended, and where nothing was broken, or all was mended, the data would be there."""
    left = weights * (1.0 - worlds.chance(step.solves, bay))
    for place, chance in worlds.mended(step, bay).items():
        moved = np.where(worlds.faulty[:, place], left * chance, 0.0)
        left = left - moved + np.bincount(worlds.without[place], moved, worlds.count)
    found: Floats = np.where(worlds.sound(), 0.0, left)
    return found


def may_change(worlds: Worlds, step: Step, bay: str, asked: Asked) -> bool:
    """Whether a repair may have changed the answer to a sign: it is not of the past, and depends on a fault
    that the repair mends."""
    if worlds.tables.signs[asked.sign].past or (bay not in ("", asked.bay) and asked.bay):
        return False
    groups = worlds.tables.groups
    names = {*step.fixes, *(one for one, members in groups.items() if set(members) & set(step.fixes))}
    return any(term.name in names for row in worlds.tables.signs[asked.sign].rows for term in row.when)


def _require_repair(worlds: Worlds, step: Step, bay: str) -> None:
    of_bay = step.seat is Seat.BAY
    there = bay in worlds.subject.bays if of_bay else not bay
    if step.kind is not StepKind.REPAIR or not there or (step.seat is Seat.BOX and not worlds.subject.box):
        repairs = [one.id for one in worlds.tables.steps.values() if one.kind is StepKind.REPAIR]
        raise UsageError(
            f"{step.id} is no repair of {f'bay {bay[:40]}' if bay else 'the box or case'}.",
            f"Use one of: {', '.join(repairs)}; a drive's with its bay.",
        )


def _log_odds(weights: Floats, here: np.typing.NDArray[np.bool_]) -> float:
    return math.log(float(weights[here].sum())) - math.log(float(weights[~here].sum()))


def sign_of(worlds: Worlds, asked: Asked) -> Sign:
    """The sign that is asked.

    Raises:
        UsageError: there is none of that name, or not there.
    """
    sign = worlds.tables.signs.get(asked.sign)
    if sign is None:
        raise UsageError(
            f"There is no sign {asked.sign[:40]!r}.", f"Use one of: {', '.join(worlds.tables.signs)}."
        )
    of_bay = sign.seat is Seat.BAY
    if of_bay and asked.bay not in worlds.subject.bays:
        raise UsageError(
            f"{sign.id} is asked of one of the bays {', '.join(worlds.subject.bays)}.", "Say which."
        )
    if not of_bay and asked.bay:
        raise UsageError(f"{sign.id} is asked of the {sign.seat}, not of a bay.", "Leave the bay out.")
    if sign.seat is Seat.BOX and not worlds.subject.box:
        raise UsageError(f"{sign.id} is asked of the box, and a drive came alone.", "Leave it out.")
    return sign


def not_asked(worlds: Worlds) -> frozenset[str]:
    """Signs that only two drives together show, where there is one."""
    if len(worlds.subject.bays) > 1:
        return frozenset()
    return frozenset(one.reveals for one in worlds.tables.steps.values() if one.joins)


def all_signs(worlds: Worlds) -> tuple[Asked, ...]:
    """Every sign that a subject can show, in the order of the tables."""
    found: list[Asked] = []
    for sign in worlds.tables.signs.values():
        if sign.seat is Seat.BAY:
            found += [Asked(sign.id, bay) for bay in worlds.subject.bays]
        elif sign.seat is Seat.CASE or worlds.subject.box:
            found.append(Asked(sign.id))
    return tuple(found)
