"""Plans followed for many beliefs at once, against plain sums over every single world."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.triage.belief import Belief
from mendbay.triage.effects import classes_of, steps_of
from mendbay.triage.plans import LONGEST_PLAN, Batch, Followed, Work
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind
from mendbay.triage.worlds import Floats, Subject, Worlds
from support.triage import some_answers

WORLDS = Worlds(packaged_tables(), Subject(("1",)))
CLASSES = classes_of(WORLDS)
STAKES = Stakes(3000.0)
NEAR = 1e-9


def works(kind: StepKind, *, blind: bool) -> list[Work]:
    """All repairs or ways of handing on; those that need something of the drive also seeing."""
    found: list[Work] = []
    for step, bay in (one for one in steps_of(WORLDS) if one[0].kind is kind):
        signs = tuple(sign for sign, answer in step.needs if answer and bay) if blind else ()
        unknown = frozenset((sign, bay) for sign in signs)
        cost = 7.0 + float(step.minutes.value)
        found.append(
            Work(step, bay, False, cost, 3.0 * bool(signs), unknown, CLASSES.effect(step, bay, signs))
        )
        if signs:
            found.append(Work(step, bay, True, cost, 0.0, unknown, CLASSES.effect(step, bay)))
    return found


REPAIRS = works(StepKind.REPAIR, blind=True)
ENDS = works(StepKind.HAND_ON, blind=False)
SEEING = [number + bool(one.unknown and not one.seeing) for number, one in enumerate(REPAIRS)]
BLIND = [number for number, one in enumerate(REPAIRS) if not one.seeing]
FOLLOWED = Followed(CLASSES, REPAIRS, SEEING, ENDS, STAKES)


def batch_of(belief: Belief) -> Batch:
    before = np.array([[one.before for one in REPAIRS]])
    closed = np.array([[one.seeing for one in REPAIRS]])
    return Batch(CLASSES.joined(belief.weights[None, :]), before, closed)


class Plain:
    """One belief followed world by world."""

    def __init__(self, belief: Belief) -> None:
        self.left: Floats = np.where(WORLDS.sound(), 0.0, belief.weights)
        self.spent = 0.0

    def possible(self, work: Work) -> Floats:
        found = np.ones(WORLDS.count)
        for sign, answer in work.step.needs:
            if answer and work.bay and not work.seeing:
                table = WORLDS.tables.signs[sign]
                found = found * WORLDS.likelihood(table, work.bay)[:, table.place(answer)]
        return found

    def price(self, work: Work) -> float:
        harm = WORLDS.chance(work.step.harm, work.bay)
        at_it = work.cost + STAKES.data * harm
        return float(self.left.sum() * work.before + (self.left * self.possible(work) * at_it).sum())

    def ended(self) -> float:
        each = []
        for one in ENDS:
            given = WORLDS.chance(one.step.solves, one.bay)
            each.append(float((self.left * (one.cost + STAKES.data * (1.0 - given))).sum()))
        return self.spent + min(each)

    def make(self, work: Work) -> None:
        self.spent += self.price(work)
        possible, solves = self.possible(work), WORLDS.chance(work.step.solves, work.bay)
        mended = WORLDS.mended(work.step, work.bay)
        left = [0.0] * WORLDS.count
        for world in np.flatnonzero(self.left).tolist():
            left[world] += float(self.left[world] * (1.0 - possible[world]))
            ways = {world: float(self.left[world] * possible[world] * (1.0 - solves[world]))}
            for place, chance in mended.items():
                after = dict[int, float]()
                for here, weight in ways.items():
                    there = int(WORLDS.without[place][here])
                    after[there] = after.get(there, 0.0) + weight * (chance if there != here else 0.0)
                    after[here] = after.get(here, 0.0) + weight * ((1.0 - chance) if there != here else 1.0)
                ways = after
            for here, weight in ways.items():
                left[here] += weight
        self.left = np.where(WORLDS.sound(), 0.0, np.array(left))

    def well(self, work: Work) -> float:
        """The chance that all is well after it."""
        after = Plain.__new__(Plain)
        after.left, after.spent = self.left, 0.0
        after.make(work)
        return float(self.left.sum() - after.left.sum())


def plain_costs(belief: Belief, order: Sequence[int]) -> list[float]:
    here = Plain(belief)
    found = [here.ended()]
    for number in order:
        here.make(REPAIRS[number])
        found.append(here.ended())
    return found


beliefs = some_answers(WORLDS, most=5).map(lambda answers: Belief(WORLDS, answers))
orders = st.permutations(BLIND).map(lambda one: one[:3])


@settings(deadline=None, max_examples=12)
@given(beliefs, st.lists(orders, min_size=1, max_size=4))
def test_an_order_costs_what_a_plain_sum_over_worlds_says(belief: Belief, tried: list[list[int]]) -> None:
    batch = batch_of(belief)
    plain = [plain_costs(belief, order) for order in tried]
    for order, costs in zip(tried, plain, strict=True):
        assert FOLLOWED.along(batch, np.array(order))[0].tolist() == pytest.approx(costs, rel=NEAR)
    each = FOLLOWED.each_order(batch, np.array(tried))
    assert each.tolist() == pytest.approx([min(costs) for costs in plain], rel=NEAR)


@settings(deadline=None, max_examples=6)
@given(beliefs)
def test_its_own_way_takes_the_highest_chance_over_cost_every_time(belief: Belief) -> None:
    best, ways = FOLLOWED.own_ways(batch_of(belief))
    here = Plain(belief)
    costs, left = [here.ended()], list(BLIND)
    assert ways.shape == (1, min(LONGEST_PLAN, len(REPAIRS)))
    for number in ways[0].tolist():
        if number not in left:
            assert here.spent >= min(costs) * (1 - NEAR), (
                "it ends early only where nothing can become cheaper"
            )
            break
        ratios = {one: here.well(REPAIRS[one]) / max(here.price(REPAIRS[one]), NEAR) for one in left}
        assert ratios[number] == pytest.approx(max(ratios.values()), rel=NEAR)
        left.remove(number)
        here.make(REPAIRS[number])
        costs.append(here.ended())
    assert best[0] == pytest.approx(min(costs), rel=NEAR)


@settings(deadline=None, max_examples=6)
@given(st.lists(beliefs, min_size=2, max_size=4), orders)
def test_many_beliefs_at_once_cost_what_each_costs_alone(several: list[Belief], order: list[int]) -> None:
    """Also where some of them may not make a repair of the order, or make it seeing."""
    alone = [batch_of(one) for one in several]
    alone[0].closed[:, order[0]] = True
    if SEEING[order[0]] != order[0]:
        alone[0].closed[:, SEEING[order[0]]] = False
    together = Batch(
        *(np.concatenate([getattr(one, part) for one in alone]) for part in ("weights", "before", "closed"))
    )
    each = [FOLLOWED.along(one, np.array(order))[0] for one in alone]
    np.testing.assert_allclose(FOLLOWED.along(together, np.array(order)), each, rtol=NEAR)
    own = [float(FOLLOWED.own_ways(one)[0][0]) for one in alone]
    np.testing.assert_allclose(FOLLOWED.own_ways(together)[0], own, rtol=NEAR)
    either = [float(FOLLOWED.each_order(one, np.array([order]))[0]) for one in alone]
    np.testing.assert_allclose([one.min() for one in each], either, rtol=NEAR)
