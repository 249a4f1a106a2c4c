"""What answers make of the worlds: how likely each fault is, which answers moved it, and what another answer
would do.

Exact: every world's chance is its prior times the chances of all answers in it (given a world, answers do not
depend on each other).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from mendbay.core.errors import UsageError
from mendbay.triage.tables import Seat, Sign
from mendbay.triage.worlds import Floats, Place, Worlds


@dataclass(frozen=True, slots=True, order=True)
class Asked:
    """A sign, of a bay or (bay empty) of the box."""

    sign: str
    bay: str = ""


Answers = Mapping[Asked, str]
"""What is known so far: the id of the answer to each sign. What is left out is unknown."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What one answer did to one fault.

    Args:
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
        answers: what is known.

    Raises:
        UsageError: a sign or an answer that there is not, or of a bay that the subject has not.
    """

    def __init__(self, worlds: Worlds, answers: Answers) -> None:
        self.worlds = worlds
        self.answers = dict(answers)
        self._columns = {asked: self._column(asked, answer) for asked, answer in self.answers.items()}
        self.weights = self._weighed(None)

    def _column(self, asked: Asked, answer: str) -> Floats:
        sign = sign_of(self.worlds, asked)
        try:
            place = sign.place(answer)
        except KeyError:
            known = ", ".join(one.id for one in sign.answers)
            raise UsageError(f"{asked.sign} cannot be {answer[:40]!r}.", f"Use one of: {known}.") from None
        column: Floats = self.worlds.likelihood(sign, asked.bay)[:, place]
        return column

    def _weighed(self, left_out: Asked | None) -> Floats:
        """(W), adding up to 1. No table holds a 0, so no answers can contradict each other."""
        logs = np.log(self.worlds.prior)
        for asked, column in self._columns.items():
            if asked != left_out:
                logs = logs + np.log(column)
        weights = np.exp(logs - logs.max())
        normal: Floats = weights / weights.sum()
        return normal

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
        found = [
            Moved(asked, answer, (here - _log_odds(self._weighed(asked), column)) / math.log(2.0))
            for asked, answer in self.answers.items()
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

    def open_signs(self) -> tuple[Asked, ...]:
        """Every sign that is not answered, in the order of the tables."""
        return tuple(one for one in all_signs(self.worlds) if one not in self.answers)


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


def all_signs(worlds: Worlds) -> tuple[Asked, ...]:
    """Every sign that a subject can show, in the order of the tables."""
    found: list[Asked] = []
    for sign in worlds.tables.signs.values():
        if sign.seat is Seat.BAY:
            found += [Asked(sign.id, bay) for bay in worlds.subject.bays]
        elif sign.seat is Seat.CASE or worlds.subject.box:
            found.append(Asked(sign.id))
    return tuple(found)
