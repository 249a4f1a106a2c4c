"""A drawn drive that answers reads: with a clock, a head, a temperature and a life being spent."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

from imaging_yield.models import SECTOR_BYTES, DriveModel
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome

PAUSE_CELSIUS, GO_ON_CELSIUS = 55.0, 50.0
"""When reading pauses and goes on: within the usual operating range of 5 to 60 degrees; own choice."""
_NOTHING = memoryview(b"")
_GLANCE = 64


@dataclass(frozen=True, slots=True)
class Answer:
    """How a read ended and where its seconds went. `wear` was spent besides the time and the refusal."""

    outcome: Outcome
    command: float
    seek: float
    transfer: float
    refusal: float
    pause: float
    wear: float

    @property
    def seconds(self) -> float:
        """What a reader would measure: without the pauses before the read."""
        return self.command + self.seek + self.transfer + self.refusal


class SimulatedDrive:
    """A drive that is read.

    A read ends at the first of its sectors that is not given: the time is that of the sectors before it and
    of the refusal. Whether a weak sector is given is decided by the seed, its place and how often it was
    asked for, so the same reads in the same order have the same outcomes.

    Attributes:
        age: powered seconds, pauses included.
        refusals: how many reads were not given.
        spent: life spent; exp(-spent) is the chance that the drive is still alive.
        celsius: its temperature.
    """

    def __init__(self, model: DriveModel) -> None:
        self.model = model
        self.age = 0.0
        self.refusals = 0
        self.spent = 0.0
        self.celsius = model.heat.idle if model.heat else 0.0
        self._head = 0
        self._dead_starts, self._dead_stops = model.dead[0].tolist(), model.dead[1].tolist()
        self._bad, self._weak = model.bad.tolist(), model.weak.tolist()
        self._hangs = set(model.hangs.tolist())
        self._asked = np.zeros(model.weak.size, np.uint64)
        self._pace_at, self._pace_seconds = model.pace_at.tolist(), model.pace_seconds.tolist()

    def read(self, start: int, stop: int) -> Answer:
        """Reads sectors `start` up to `stop`.

        Raises:
            ValueError: no such sectors.
        """
        if not 0 <= start < stop <= self.model.sectors:
            raise ValueError(f"no sectors {start} to {stop} on a drive of {self.model.sectors}")
        pause = self._rest()
        fails_at = self._first_not_given(start, stop)
        seek = self._seek(start)
        reached = stop if fails_at is None else fails_at
        transfer = self._seconds_to(reached) - self._seconds_to(start)
        self._head = reached
        outcome, refusal, wear = Outcome.GIVEN, 0.0, 0.0
        if fails_at is not None:
            outcome, refusal, wear = self._refuse(fails_at)
        answer = Answer(outcome, self.model.command_seconds, seek, transfer, refusal, pause, wear)
        self._spend(answer)
        return answer

    def attempt(self, span: Span) -> tuple[Attempt, Answer]:
        """Reads a byte range on sector borders."""
        answer = self.read(span.start // SECTOR_BYTES, -(-span.stop // SECTOR_BYTES))
        return Attempt(span, answer.outcome, _NOTHING, answer.seconds), answer

    def _refuse(self, at: int) -> tuple[Outcome, float, float]:
        """How a read that reached a sector not given ends, the seconds it then takes, and extra wear."""
        model = self.model
        if _share(model.seed, 7, self.refusals) < model.drop_out_chance:
            return Outcome.VANISHED, model.refusal_seconds + model.drop_out_seconds, model.drop_out_wear
        if at in self._hangs:
            return Outcome.HUNG, model.hang_seconds, 0.0
        return Outcome.REFUSED, model.refusal_seconds, 0.0

    def _spend(self, answer: Answer) -> None:
        hazard, before = self.model.hazard, self.age
        self.age += answer.pause + answer.seconds
        factor = 1 + hazard.rise * self.refusals
        self.spent += factor * (hazard.by_age(self.age) - hazard.by_age(before) + answer.wear)
        if answer.outcome is not Outcome.GIVEN:
            self.refusals += 1
            self.spent += factor * hazard.refusal
        if self.model.heat:
            heat = self.model.heat
            fade = math.exp(-answer.seconds / heat.constant_seconds)
            self.celsius = heat.busy + (self.celsius - heat.busy) * fade

    def _rest(self) -> float:
        """Seconds of pause before a read, to cool down."""
        heat = self.model.heat
        if heat is None or self.celsius < PAUSE_CELSIUS:
            return 0.0
        pause = heat.constant_seconds * math.log((self.celsius - heat.idle) / (GO_ON_CELSIUS - heat.idle))
        self.celsius = GO_ON_CELSIUS
        return pause

    def _seek(self, start: int) -> float:
        if start == self._head:
            return 0.0
        short, long = self.model.seek_seconds
        return short + (long - short) * math.sqrt(abs(start - self._head) / self.model.sectors)

    def _seconds_to(self, at: int) -> float:
        index = min(bisect_right(self._pace_at, at), len(self._pace_at) - 1)
        low, high = self._pace_at[index - 1], self._pace_at[index]
        first, last = self._pace_seconds[index - 1], self._pace_seconds[index]
        return float(first + (last - first) * (at - low) / (high - low))

    def _first_not_given(self, start: int, stop: int) -> int | None:
        end = stop
        at = bisect_right(self._dead_stops, start)
        if at < len(self._dead_starts) and self._dead_starts[at] < end:
            end = max(start, self._dead_starts[at])
        at = bisect_left(self._bad, start)
        if at < len(self._bad) and self._bad[at] < end:
            end = self._bad[at]
        first = bisect_left(self._weak, start)
        if first < len(self._weak) and self._weak[first] < end:
            end = self._first_weak_refusal(first, end)
        return end if end < stop else None

    def _first_weak_refusal(self, first: int, stop: int) -> int:
        """The first of the weak sectors from number `first` on and before the place `stop` that is not given
        this time; `stop` if all are."""
        weak, gives = self.model.weak, self.model.weak_gives
        last = bisect_left(self._weak, stop)
        step = _GLANCE
        while first < last:
            until = min(first + step, last)
            luck = _shares(self.model.seed, weak[first:until], self._asked[first:until])
            failed = np.flatnonzero(luck >= gives[first:until])
            reached = until if failed.size == 0 else first + int(failed[0]) + 1
            self._asked[first:reached] += np.uint64(1)
            if failed.size:
                return int(weak[reached - 1])
            first, step = until, step * 8
        return stop


_ODD = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0xD6E8FEB86659FD93)
_MASK = (1 << 64) - 1


def _shares(seed: int, places: np.ndarray, asked: np.ndarray) -> np.ndarray:
    """A number in [0, 1) for each place and count of tries: the 64-bit mixing of Steele, Lea and Flood, "Fast
    Splittable Pseudorandom Number Generators", OOPSLA 2014 (constants from memory)."""
    mixed = places.astype(np.uint64) * np.uint64(_ODD[0]) + asked * np.uint64(_ODD[3])
    mixed += np.uint64((seed * _ODD[2] + _ODD[1]) & _MASK)
    for shift, odd in ((30, _ODD[1]), (27, _ODD[2])):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(odd)
    mixed ^= mixed >> np.uint64(31)
    return (mixed >> np.uint64(11)).astype(np.float64) / (1 << 53)


def _share(seed: int, place: int, asked: int) -> float:
    return float(_shares(seed, np.array([place]), np.array([asked], dtype=np.uint64))[0])
