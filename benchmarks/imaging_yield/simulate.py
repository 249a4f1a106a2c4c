"""Plays one order of reading against one drawn drive and keeps the books."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np

from imaging_yield.bound import bound, bound_of_law
from imaging_yield.models import SECTOR_BYTES, DriveModel, Floats, Ints, draw
from imaging_yield.policies import SKIP_NAMES, VALUE_WANTED, MakePlanner, Policy, make_policy
from imaging_yield.simulated_drive import Answer, SimulatedDrive
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.attempt import Outcome as Ending

SPENT_AT_MOST = -math.log(0.05)
"""A run ends when the drive is alive with a chance of 5 % only; what it might still give counts for none."""
MOST_READS = 400_000
PARTS = ("seek", "redone", "search", "single", "again", "hang", "pause")
"""Where powered time goes besides transfer: seeks and commands; transfers before a sector not given, to be
made again; refusals of reads of several sectors, which search for the damage; first refusals of single
sectors; refusals of these when asked again; hangs and drop-outs; pauses."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one run came to.

    Shares, `refusals`, `hours` and `value` are expectations over the drive's death: each gain counts by the
    chance that the drive lives until the end of its read.

    Attributes:
        wanted_share, total_share: of all sectors of that kind, those never given included.
        value, bound: weight gained, and the most that can be, as shares of the weight of all sectors.
        law_bound: the most for one who knows all but which sectors luck made bad or weak.
        wanted_bound: the greatest `wanted_share` that can be, by one who cares for nothing else.
        refusals, hours: made, and powered, until the drive dies or nothing is left to try.
        reads: how many were made, up to the end of the run.
        planner_seconds: of this computer, to choose and to learn.
        died_wanted, died_total, died_hours: the same for one death drawn from the seed.
        spent: seconds by `PARTS`, expected, and last of transfers.
        lost: value that comes back if the time and life spent on the first part is waived, then on the second
            too, and so on; what then still lacks of the bound is lost by order, and by what was never read.
        gained: value after each refusal, to look up how many refusals a value took.
        name: the policy that was played.
    """

    wanted_share: float
    total_share: float
    value: float
    bound: float
    law_bound: float
    wanted_bound: float
    refusals: float
    hours: float
    reads: int
    planner_seconds: float
    died_wanted: float
    died_total: float
    died_hours: float
    spent: tuple[float, ...]
    lost: tuple[float, ...]
    gained: Floats
    name: str

    def refusals_until(self, value: float) -> float:
        """Refusals made when the value was first reached; infinite if it never was."""
        if self.value < value:
            return math.inf
        return float(np.searchsorted(self.gained, value))


def run(
    policy_name: str,
    model_name: str,
    seed: int,
    params: str = "tuning",
    planner: MakePlanner | None = None,
) -> Outcome:
    """Plays one order against one drawn drive.

    Args:
        policy_name: one of `policies.POLICIES`; `skips-best` is the best fixed skip in hindsight.
        params: `tuning` or `reporting`.
        planner: makes the planner of `ours`, from coverage, wants, weight of the rest and assumptions.

    Raises:
        KeyError: there is no such order, model or set.
    """
    model = draw(model_name, seed, params)
    if policy_name == "skips-best":
        return max((play(name, model) for name in SKIP_NAMES), key=lambda one: one.value)
    return play(policy_name, model, planner)


def play(policy_name: str, model: DriveModel, planner: MakePlanner | None = None) -> Outcome:
    """Plays one order against a given drive."""
    started = time.perf_counter()
    policy = make_policy(policy_name, model, planner)
    made = time.perf_counter() - started
    books, planner_seconds = read_until_the_end(policy, model)
    return books.outcome(policy_name, planner_seconds + made)


def read_until_the_end(policy: Policy, model: DriveModel) -> tuple[Books, float]:
    """Every read of a run, and the seconds the policy took to choose and to learn."""
    drive, books, thinking = SimulatedDrive(model), Books(model), 0.0
    while drive.spent < SPENT_AT_MOST and len(books.rows) < MOST_READS:
        begun = time.perf_counter()
        span = policy.choose()
        thinking += time.perf_counter() - begun
        if span is None:
            break
        attempt, answer = drive.attempt(span)
        books.add(span.start // SECTOR_BYTES, -(-span.stop // SECTOR_BYTES), answer)
        if attempt.outcome is Ending.VANISHED:  # as mendbay.jobs.drive_reading tells the planner
            attempt = Attempt(span, Ending.HUNG, attempt.data, attempt.seconds, "vanished")
        begun = time.perf_counter()
        policy.learn(attempt)
        thinking += time.perf_counter() - begun
    return books, thinking


class Books:
    """The reads of one run, from which everything else is computed."""

    def __init__(self, model: DriveModel) -> None:
        self.model = model
        self.rows: list[tuple[int, int, Answer]] = []

    def add(self, start: int, stop: int, answer: Answer) -> None:
        """Notes one read of sectors `start` up to `stop`."""
        self.rows.append((start, stop, answer))

    def outcome(self, name: str, planner_seconds: float) -> Outcome:
        """What the run came to."""
        ledger = _Ledger(self.model, self.rows)
        model, whole = self.model, _weight(self.model.wanted_sectors, self.model.sectors)
        spent = ledger.spent(frozenset())
        alive = np.exp(-spent)
        alive_before = np.concatenate([[1.0], alive[:-1]])
        wanted, total = float((alive * ledger.wanted).sum()), float((alive * ledger.sectors).sum())
        died = int(np.searchsorted(spent, _death(model.seed)))
        gained = np.cumsum(alive * _weight(ledger.wanted, ledger.sectors)) / whole
        seconds = np.diff(ledger.age(frozenset()), prepend=0.0)
        parts = [float((alive_before * ledger.parts[part]).sum()) for part in (*PARTS, "transfer")]
        return Outcome(
            wanted_share=wanted / max(1, model.wanted_sectors),
            total_share=total / model.sectors,
            value=_weight(wanted, total) / whole,
            bound=bound(model, VALUE_WANTED) / whole,
            law_bound=bound_of_law(model, VALUE_WANTED) / whole,
            wanted_bound=bound_of_law(model, 1.0, 0.0) / max(1, model.wanted_sectors),
            refusals=float((alive_before * ledger.refused).sum()),
            hours=float((alive_before * seconds).sum()) / 3600,
            reads=len(self.rows),
            planner_seconds=planner_seconds,
            died_wanted=float(ledger.wanted[:died].sum()) / max(1, model.wanted_sectors),
            died_total=float(ledger.sectors[:died].sum()) / model.sectors,
            died_hours=float(seconds[: died + 1].sum()) / 3600,
            spent=tuple(parts),
            lost=self._lost(ledger, whole),
            gained=gained[ledger.refused],
            name=name,
        )

    def _lost(self, ledger: _Ledger, whole: float) -> tuple[float, ...]:
        weight, values = _weight(ledger.wanted, ledger.sectors), []
        for number in range(len(PARTS) + 1):
            alive = np.exp(-ledger.spent(frozenset(PARTS[:number])))
            values.append(float((alive * weight).sum()) / whole)
        return tuple(float(gain) for gain in np.diff(values))


def _weight(wanted: float | Floats, total: float | Floats) -> float | Floats:
    return total + (VALUE_WANTED - 1) * wanted


def _death(seed: int) -> float:
    """How much life this drive has: drawn apart from everything else."""
    return float(np.random.default_rng([seed, 104_729]).exponential())


class _Ledger:
    """The reads of a run as columns, one row a read."""

    def __init__(self, model: DriveModel, rows: list[tuple[int, int, Answer]]) -> None:
        self._model = model
        start = np.array([row[0] for row in rows], dtype=np.int64)
        stop = np.array([row[1] for row in rows], dtype=np.int64)
        answers = [row[2] for row in rows]
        self.refused = np.array([one.outcome is not Ending.GIVEN for one in answers], dtype=bool)
        given = ~self.refused
        _check_disjoint(start[given], stop[given])
        self.sectors = np.where(given, stop - start, 0)
        self.wanted = np.where(given, _overlap(model.wanted, start, stop), 0)
        self._wear = np.array([one.wear for one in answers])
        refusal = np.array([one.refusal for one in answers])
        gone = np.array([one.outcome in (Ending.HUNG, Ending.VANISHED) for one in answers], dtype=bool)
        single = self.refused & (stop - start == 1) & ~gone
        first = np.zeros(len(rows), dtype=bool)
        first[np.unique(np.where(single, start, -1), return_index=True)[1]] = True
        kinds = {
            "search": self.refused & ~single & ~gone,
            "single": single & first,
            "again": single & ~first,
            "hang": gone,
        }
        self.parts = {kind: np.where(rows_of, refusal, 0.0) for kind, rows_of in kinds.items()}
        self._kinds = kinds
        transfer = np.array([one.transfer for one in answers])
        self.parts["transfer"] = np.where(given, transfer, 0.0)
        self.parts["redone"] = np.where(given, 0.0, transfer)
        self.parts["seek"] = np.array([one.seek + one.command for one in answers])
        self.parts["pause"] = np.array([one.pause for one in answers])

    def age(self, waived: frozenset[str]) -> Floats:
        """Powered seconds at the end of each read, without the parts that are waived."""
        return np.cumsum(sum(column for part, column in self.parts.items() if part not in waived))

    def spent(self, waived: frozenset[str]) -> Floats:
        """Life spent at the end of each read, without the parts that are waived."""
        hazard = self._model.hazard
        counted = self.refused.copy()
        for kind, rows_of in self._kinds.items():
            if kind in waived:
                counted &= ~rows_of
        factor = 1 + hazard.rise * (np.cumsum(counted) - counted)
        by_age = np.diff(hazard.by_age(self.age(waived)), prepend=0.0)
        return np.cumsum(factor * (by_age + counted * (hazard.refusal + self._wear)))


def _overlap(spans: tuple[Ints, Ints], start: Ints, stop: Ints) -> Ints:
    """How many sectors of each read lie in the spans."""
    edges = np.stack(spans, axis=1).reshape(-1)
    counts = np.concatenate([[0], np.cumsum(np.diff(edges) * (np.arange(edges.size - 1) % 2 == 0))])
    both = [np.interp(at, edges, counts) for at in (start, stop)]
    return np.rint(both[1] - both[0]).astype(np.int64)


def _check_disjoint(start: Ints, stop: Ints) -> None:
    order = np.argsort(start)
    if np.any(start[order][1:] < stop[order][:-1]):
        raise AssertionError("a sector was read again after it was given: its value would count twice")
