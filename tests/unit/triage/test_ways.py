"""How a job may go: the distribution adds up, agrees with the plan it comes from, and with an enumeration of
every world that shares no code with it but the tables' chances."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.triage.belief import Belief
from mendbay.triage.next_step import NextStep, kept_off
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Step
from mendbay.triage.ways import Way, ways_of
from mendbay.triage.worlds import Place, Subject, Worlds
from support.triage import known, some_answers

TABLES = packaged_tables()
BOX = Worlds(TABLES, Subject(("1", "2")))
DRIVE = Worlds(TABLES, Subject(("1",), box=False))

Key = tuple[tuple[tuple[str, str, bool], ...], str, bool]


def decision(worlds: Worlds, stakes: float = 3000.0, **answers: str) -> NextStep:
    return NextStep(Belief(worlds, known(**answers)), Stakes(stakes))


def key(way: Way) -> Key:
    taken = tuple((one.step.id, one.bay, one.made) for one in way.taken)
    return taken, way.end.id if way.end else "", way.given


def plan_cost(decided: NextStep) -> float:
    """What the offers themselves say of the best plan: a test's total and what its answers save give it."""
    test = next(one for one in decided.offers() if one.step.reveals)
    return test.total - test.cost - decided.stakes.data * test.harm + test.saves


CASES = [
    (BOX, {}),
    (DRIVE, {}),
    (DRIVE, {"sound_bay1": "clicks"}),
    (DRIVE, {"detected_bay1": "right"}),
    (DRIVE, {"burn_bay1": "seen", "sound_bay1": "silent"}),
    (BOX, {"lights": "none", "adapter_volts": "none"}),
    (BOX, {"detected_bay1": "right", "detected_bay2": "right", "volume": "degraded"}),
    (BOX, {"history": "surge", "supply_measured_bay1": "amiss", "sound_bay1": "silent"}),
]
each_case = pytest.mark.parametrize(("worlds", "answers"), CASES)


@each_case
def test_chances_add_up_and_costs_agree_with_the_plan(worlds: Worlds, answers: dict[str, str]) -> None:
    decided = decision(worlds, **answers)
    found = ways_of(decided)
    assert sum(one.chance for one in found.ways) == pytest.approx(1.0, abs=1e-12)
    assert all(one.chance > 0 for one in found.ways)
    assert len({key(one) for one in found.ways}) == len(found.ways)
    assert found.expected(3000.0) == pytest.approx(decided.plan().cost, abs=1e-9)
    if not kept_off(decided.belief):
        assert decided.plan().cost == pytest.approx(plan_cost(decided), abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(some_answers(DRIVE, 5), st.floats(100, 20_000))
def test_any_answers_of_a_drive(answers: dict[object, str], worth: float) -> None:
    decided = NextStep(Belief(DRIVE, answers), Stakes(worth))  # type: ignore[arg-type]
    found = ways_of(decided)
    assert sum(one.chance for one in found.ways) == pytest.approx(1.0, abs=1e-12)
    assert found.expected(worth) == pytest.approx(decided.plan().cost, abs=1e-9)


@pytest.mark.parametrize("answers", [answers for worlds, answers in CASES if worlds is DRIVE])
def test_every_world_walked_by_itself_gives_the_same(answers: dict[str, str]) -> None:
    decided = decision(DRIVE, **answers)
    plan = decided.plan()
    order = [(one.step, one.bay) for one in plan.repairs]
    expected = enumerated(decided.belief, order, plan.end.step)
    found = {key(one): one.chance for one in ways_of(decided).ways}
    for one in expected.keys() | found.keys():
        assert found.get(one, 0.0) == pytest.approx(expected.get(one, 0.0), abs=1e-10), one


@pytest.mark.slow
def test_every_world_of_a_box_walked_by_itself_gives_the_same() -> None:
    """Worlds that a mended fault would tell apart (a mirror from a stripe, once the adapter works) are not
    taken together."""
    decided = decision(BOX, lights="none", adapter_volts="none")
    plan = decided.plan()
    assert len(plan.repairs) > 3
    expected = enumerated(
        decided.belief, [(one.step, one.bay) for one in plan.repairs], plan.end.step, least=1e-13
    )
    found = {key(one): one.chance for one in ways_of(decided).ways}
    for one in expected.keys() | found.keys():
        assert found.get(one, 0.0) == pytest.approx(expected.get(one, 0.0), rel=1e-5, abs=1e-8), one


def test_a_drive_that_clicks_is_given_no_power_on_any_way() -> None:
    ways = ways_of(decision(DRIVE, stakes=1e6, sound_bay1="clicks", history="dropped")).ways
    assert not [step for way in ways for step in way.taken if step.step.powers]
    assert {way.end.id for way in ways if way.end} == {"stop-and-send"}


# ---------------------------------------------------------------------- a plain enumeration


@dataclass
class Enumeration:
    """Every world walked through a plan by itself, as a set of broken places; chances below `least` are left
    out."""

    belief: Belief
    order: list[tuple[Step, str]]
    end: Step
    least: float
    found: dict[Key, float] = field(default_factory=lambda: defaultdict(float))

    def __post_init__(self) -> None:
        worlds = self.belief.worlds
        self.solves = [worlds.chance(step.solves, bay) for step, bay in self.order]
        self.possible = [chances_possible(self.belief, step, bay) for step, bay in self.order]
        self.handed_on = worlds.chance(self.end.solves, "")
        self.fixes = [
            {
                worlds.places.index(Place(fault, bay)): float(chance.value)
                for fault, chance in step.fixes.items()
                if Place(fault, bay) in worlds.places
            }
            for step, bay in self.order
        ]

    def walk(
        self, here: dict[frozenset[int], int], broken: frozenset[int], weight: float, taken: tuple[Any, ...]
    ) -> None:
        if weight < self.least:
            return
        if not broken:
            self.found[(taken, "", True)] += weight
            return
        turn, world = len(taken), here[broken]
        if turn == len(self.order):
            solved = float(self.handed_on[world])
            self.found[(taken, self.end.id, True)] += weight * solved
            self.found[(taken, self.end.id, False)] += weight * (1 - solved)
            return
        step, bay = self.order[turn]
        possible, solved = float(self.possible[turn][world]), float(self.solves[turn][world])
        self.walk(here, broken, weight * (1 - possible), (*taken, (step.id, bay, False)))
        made = (*taken, (step.id, bay, True))
        self.found[(made, "", True)] += weight * possible * solved
        fixes = [(place, chance) for place, chance in self.fixes[turn].items() if place in broken]
        for outcome in product((True, False), repeat=len(fixes)):
            chance, still = weight * possible * (1 - solved), broken
            for (place, mends), mended in zip(fixes, outcome, strict=True):
                chance *= mends if mended else 1 - mends
                still = still - {place} if mended else still
            self.walk(here, still, chance, made)


def enumerated(
    belief: Belief, order: list[tuple[Step, str]], end: Step, least: float = 1e-18
) -> dict[Key, float]:
    """The chances of all ways."""
    worlds = belief.worlds
    sets = [frozenset(np.flatnonzero(row).tolist()) for row in worlds.faulty]
    size = len(set(sets))
    walked = Enumeration(belief, order, end, least)
    for number, weight in enumerate(belief.weights.tolist()):
        block = number // size * size  # what happened and the layout stay as they are
        here = {broken: block + at for at, broken in enumerate(sets[block : block + size])}
        walked.walk(here, sets[number], weight, ())
    return walked.found


def chances_possible(belief: Belief, step: Step, bay: str) -> Any:
    """(W), the chance that what a repair of a drive needs, and nobody answered, turns out as needed."""
    chance = np.ones(belief.worlds.count)
    answered = {(asked.sign, asked.bay) for asked in belief.answers}
    for sign_id, wanted in step.needs if bay else ():
        sign = belief.worlds.tables.signs[sign_id]
        if wanted and (sign_id, bay) not in answered:
            chance = chance * belief.worlds.likelihood(sign, bay)[:, sign.place(wanted)]
    return chance
