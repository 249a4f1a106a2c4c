"""How a job may go when the best plan is followed: every way it can end, with its chance.

A plan (`NextStep.plan`) makes repairs one after the other until all is well, and then hands the job on. A way
is what was done and how it ended; the chances of all ways add up to 1. Exact, as the belief it comes from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.triage.next_step import NextStep
from mendbay.triage.plans import Plan
from mendbay.triage.tables import Step
from mendbay.triage.worlds import Floats

NEVER = 1e-15
"""A chance below which a way is left out: what floating point leaves where there should be none."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A repair of a way.

    Args:
        bay: of the drive it is done to; empty for the box.
        made: false where what it needs was found out and turned out otherwise, so that it was not made.
    """

    step: Step
    bay: str
    made: bool


@dataclass(frozen=True, slots=True)
class Way:
    """One way a job may go.

    Args:
        taken: the repairs, in order.
        end: how the job was handed on; None where the last repair gave the data, or nothing was broken.
        given: whether the data is given.
        chance: of this way.
        cost: what it takes in money and time, in the currency of the tables; data lost is not counted.
    """

    taken: tuple[Taken, ...]
    end: Step | None
    given: bool
    chance: float
    cost: float


@dataclass(frozen=True, slots=True)
class Ways:
    """All ways.

    Args:
        ways: every one, in the order the plan comes to them.
        harm: the share of the data that the repairs themselves are expected to lose, over all ways.
    """

    ways: tuple[Way, ...]
    harm: float

    def expected(self, worth: float) -> float:
        """What the whole job is expected to cost, data lost counted.

        Args:
            worth: of the data.
        """
        lost = self.harm + sum(one.chance for one in self.ways if not one.given)
        return sum(one.chance * one.cost for one in self.ways) + worth * lost


@dataclass(frozen=True, slots=True)
class _Here:
    """A place on the way: what is still open (classes), what was taken, and what it cost."""

    left: Floats
    taken: tuple[Taken, ...]
    cost: float


def ways_of(decision: NextStep) -> Ways:
    """The ways of a belief under its best plan."""
    plan = decision.plan()
    sound = max(0.0, 1.0 - float(plan.open.sum()))
    found = [Way((), None, True, sound, 0.0), *_from(plan, _Here(plan.open, (), 0.0))]
    left, harm = plan.open[None, :], 0.0
    for one in plan.repairs:
        harm += float(left[0] @ one.harm)
        left = one.failed(left)
    return Ways(tuple(one for one in found if one.chance > NEVER), harm)


def _from(plan: Plan, here: _Here) -> Iterator[Way]:
    """The ways that lead on from a place."""
    if len(here.taken) == len(plan.repairs):
        yield from _handed_on(plan, here)
        return
    one = plan.repairs[len(here.taken)]
    can = here.left * one.possible
    cannot = here.left - can
    made = Taken(one.step, one.bay, True)
    cost = here.cost + one.before + one.cost
    well = float(here.left @ one.ends)
    yield Way((*here.taken, made), None, True, well, cost)
    failed = one.failed(here.left[None, :])[0] - cannot
    yield from _from(plan, _Here(failed, (*here.taken, made), cost))
    if float(cannot.sum()) > NEVER:
        unmade = Taken(one.step, one.bay, False)
        yield from _from(plan, _Here(cannot, (*here.taken, unmade), here.cost + one.before))


def _handed_on(plan: Plan, here: _Here) -> Iterator[Way]:
    whole, well = float(here.left.sum()), float(here.left @ plan.end.ends)
    cost = here.cost + plan.end.cost
    yield Way(here.taken, plan.end.step, True, well, cost)
    yield Way(here.taken, plan.end.step, False, whole - well, cost)
