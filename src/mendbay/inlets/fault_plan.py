"""What an unsteady drive does with one read: the rules that the simulated drive and the real failing loop
device share.

A read is carried out from its first sector on and stops at the first sector that will not be given; the
whole request then fails, as it does on real drives. Only that sector counts as tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from mendbay.core.span import Int64s, SpanSet


class Turn(StrEnum):
    """How a read of an unsteady drive goes."""

    GIVES = "gives"
    REFUSES = "refuses"
    HANGS = "hangs"
    VANISHES = "vanishes"
    """The drive drops off the bus during this read."""
    GONE = "gone"
    """It dropped off before, and its power has not been cut and restored since."""


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of one read. `seconds` is all the time the model gives it, `slow_seconds` the part of it
    that slow sectors cost."""

    turn: Turn
    seconds: float
    slow_seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Faults:
    """Where a drive is damaged and how it wears, in sectors and seconds.

    `refused`, `hang` and `vanish_at` are sets of sectors. `weak` columns hold one row per sector, sorted:
    the sector, and how often it refuses before it gives. `slow` columns hold disjoint sorted ranges:
    first, stop, and the seconds that each of their sectors costs. Zero switches a limit off.
    """

    refused: SpanSet
    hang: SpanSet
    vanish_at: SpanSet
    weak_at: Int64s
    weak_refuses: Int64s
    slow_first: Int64s
    slow_stop: Int64s
    slow_seconds: npt.NDArray[np.float64]
    vanish_after_reads: int = 0
    vanish_times: int = 0
    dies_after_refusals: int = 0
    dies_after_seconds: float = 0.0
    command_seconds: float = 0.0
    seek_seconds: float = 0.0
    seconds_per_sector: float = 0.0
    refusal_seconds: float = 0.0


class FaultPlan:
    """The faults of a drive together with how far it has worn by now."""

    def __init__(self, faults: Faults) -> None:
        self.faults = faults
        self.weak_left = faults.weak_refuses.copy()
        self.refusals = 0
        self.reads_since_power = 0
        self.worked_seconds = 0.0
        self.vanished = False
        self.times_vanished = 0
        self.hangs = True
        """Whether sectors that never answer still do so."""
        self.changed = False
        """Whether anything but the counts of reads and seconds has changed since `worn` was last taken."""
        self._head = 0

    @property
    def dead(self) -> bool:
        """Whether the drive refuses everything from now on, also what it gave before."""
        faults = self.faults
        return (0 < faults.dies_after_refusals <= self.refusals) or (
            0 < faults.dies_after_seconds <= self.worked_seconds
        )

    def meet(self, first: int, count: int) -> Fate:
        """What becomes of a read of `count` sectors from `first`; the wear it causes is noted."""
        if self.vanished:
            return Fate(Turn.GONE, 0.0)
        self.reads_since_power += 1
        faults = self.faults
        seconds = faults.command_seconds + (faults.seek_seconds if first != self._head else 0.0)
        if self._vanishes_by_count():
            return self._vanish(seconds)
        if self.dead:
            return self._done(Turn.REFUSES, seconds + faults.refusal_seconds, 0.0)
        stop = first + count
        at, turn = self._first_trouble(first, stop)
        done = min(at, stop)
        slow = self._slow(first, min(done + 1, stop))
        seconds += (done - first) * faults.seconds_per_sector + slow
        self._head = done
        if turn is Turn.VANISHES:
            return self._vanish(seconds)
        if turn is Turn.REFUSES:
            seconds += faults.refusal_seconds
            self.refusals += 1
            self._wear_weak(at)
        return self._done(turn, seconds, slow)

    def _done(self, turn: Turn, seconds: float, slow: float) -> Fate:
        self.worked_seconds += seconds
        self.changed |= turn is not Turn.GIVES
        return Fate(turn, seconds, slow)

    def _vanishes_by_count(self) -> bool:
        limit = self.faults.vanish_after_reads
        return 0 < limit < self.reads_since_power and self._may_vanish()

    def _may_vanish(self) -> bool:
        return self.faults.vanish_times == 0 or self.times_vanished < self.faults.vanish_times

    def _vanish(self, seconds: float) -> Fate:
        self.vanished = True
        self.times_vanished += 1
        return self._done(Turn.VANISHES, seconds, 0.0)

    def power_cycle(self) -> None:
        """Cuts and restores the power: a drive that had dropped off is there again; wear and death stay."""
        self.vanished = False
        self.reads_since_power = 0
        self._head = 0
        self.changed = True

    def unplug(self) -> None:
        """Takes the drive off the bus until `power_cycle`."""
        self.vanished = True
        self.changed = True

    def _first_trouble(self, first: int, stop: int) -> tuple[int, Turn]:
        """The first sector that is not given and what it does; `(stop, GIVES)` if all are."""
        found = [
            (stop, Turn.GIVES),  # first: `min` takes it when nothing lies before the end
            (_first_in(self.faults.refused, first, stop), Turn.REFUSES),
            (self._first_weak(first, stop), Turn.REFUSES),
        ]
        if self.hangs:
            found.append((_first_in(self.faults.hang, first, stop), Turn.HANGS))
        if self._may_vanish():
            found.append((_first_in(self.faults.vanish_at, first, stop), Turn.VANISHES))
        return min(found, key=lambda one: one[0])

    def _weak_rows(self, first: int, stop: int) -> slice:
        low, high = np.searchsorted(self.faults.weak_at, (first, stop))
        return slice(int(low), int(high))

    def _first_weak(self, first: int, stop: int) -> int:
        rows = self._weak_rows(first, stop)
        active = np.flatnonzero(self.weak_left[rows] > 0)
        return int(self.faults.weak_at[rows][active[0]]) if active.size else stop

    def _wear_weak(self, sector: int) -> None:
        rows = self._weak_rows(sector, sector + 1)
        self.weak_left[rows] = np.maximum(self.weak_left[rows] - 1, 0)

    def _slow(self, first: int, stop: int) -> float:
        """The seconds that slow sectors add to a read up to `stop`."""
        faults = self.faults
        low = int(np.searchsorted(faults.slow_stop, first, side="right"))
        high = int(np.searchsorted(faults.slow_first, stop))
        touched = np.minimum(faults.slow_stop[low:high], stop) - np.maximum(
            faults.slow_first[low:high], first
        )
        return float((touched * faults.slow_seconds[low:high]).sum())

    def worn(self) -> dict[str, object]:
        """How far the drive has worn, as plain values that `wear` takes back."""
        self.changed = False
        rows = np.flatnonzero(self.weak_left != self.faults.weak_refuses)
        return {
            "refusals": self.refusals,
            "reads_since_power": self.reads_since_power,
            "worked_seconds": self.worked_seconds,
            "vanished": self.vanished,
            "times_vanished": self.times_vanished,
            "weak_at": self.faults.weak_at[rows].tolist(),
            "weak_left": self.weak_left[rows].tolist(),
        }

    def wear(self, worn: dict[str, object]) -> None:
        """Takes up what `worn` gave.

        Raises:
            ValueError: it is not what `worn` gave for a drive with these weak sectors.
        """
        try:
            at = np.array(worn["weak_at"], dtype=np.int64)
            left = np.array(worn["weak_left"], dtype=np.int64)
            rows = np.searchsorted(self.faults.weak_at, at)
            known = rows < self.faults.weak_at.size
            if at.shape != left.shape or not known.all() or not np.array_equal(self.faults.weak_at[rows], at):
                raise ValueError("its weak sectors are others")
            self.refusals = int(worn["refusals"])  # type: ignore[call-overload]
            self.reads_since_power = int(worn["reads_since_power"])  # type: ignore[call-overload]
            self.worked_seconds = float(worn["worked_seconds"])  # type: ignore[arg-type]
            self.vanished = bool(worn["vanished"])
            self.times_vanished = int(worn["times_vanished"])  # type: ignore[call-overload]
        except (KeyError, TypeError) as trouble:
            raise ValueError(f"it is incomplete: {trouble}") from None
        self.weak_left = self.faults.weak_refuses.copy()
        self.weak_left[rows] = left


def _first_in(sectors: SpanSet, first: int, stop: int) -> int:
    """The first member of a set at or after `first`, `stop` if there is none before that."""
    at = int(np.searchsorted(sectors.stops, first, side="right"))
    if at >= len(sectors):
        return stop
    return min(max(int(sectors.starts[at]), first), stop)
