"""What following a plan costs, for many beliefs at once.

A plan makes repairs one after the other until all is well, and hands the job on at the point where that is
cheapest. What a given order costs is linear in the belief, so it is worked out once, backwards, and weighed
with every belief; only where each belief goes its own way, by falling chance over cost, all are followed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mendbay.triage.effects import Classes, Effect
from mendbay.triage.stakes import Stakes
from mendbay.triage.tables import Step
from mendbay.triage.worlds import Bools, Floats, Int64s

LONGEST_PLAN = 12
"""Repairs looked ahead; what is left unsolved after so many is handed on (own choice). Where no laboratory
may be asked, what is handed on is lost: a plan that ends too soon makes tests look worth what it leaves
out."""
ALIKE = 1e-12
"""Share by which figures may differ and be taken for the same, so that of drives that are alike the first
comes first whatever the rounding (own choice: some thousand times what rounding is)."""
SKIPPED = -1
"""Stands for a repair of an order that must not be tried."""


@dataclass(frozen=True, slots=True)
class Work:
    """A repair or handing on, as it can be done now.

    Args:
        bay: of the drive it is done to; empty for the box.
        seeing: what it needs was found out, and allows it; else, if something is unknown, it is made blind.
        cost: of the step itself.
        before: what the tests cost that it still needs before it.
        unknown: the signs it needs and nobody knows, with the bays of which any would do.
        effect: what it does.
    """

    step: Step
    bay: str
    seeing: bool
    cost: float
    before: float
    unknown: frozenset[tuple[str, str]]
    effect: Effect

    @property
    def possible(self) -> Floats:
        """(classes), the chance that what it needs turns out well, so that it can be made."""
        return self.effect.possible

    @property
    def harm(self) -> Floats:
        """(classes), the share of the data it loses."""
        return self.effect.harm

    @property
    def ends(self) -> Floats:
        """(classes), the chance that all is well after it."""
        return self.effect.ends

    def failed(self, left: Floats) -> Floats:
        """(S, classes), what is still open of `left` after it: a fault of two may be mended."""
        return self.effect.failed(left)


@dataclass(frozen=True, slots=True)
class Batch:
    """Several beliefs at once.

    Args:
        weights: (S, classes); a row may add up to less than 1, as the chance of an answer.
        before: (S, repairs), what the tests cost that each repair still needs before it.
        closed: (S, repairs), what must not be tried.
    """

    weights: Floats
    before: Floats
    closed: Bools


@dataclass(frozen=True, slots=True)
class Plan:
    """Repairs one after the other until all is well, then handing on.

    Args:
        open: (classes), the chance of each class of worlds in which something is broken.
        repairs: in the order they are made.
        end: how the job is handed on if none of them helped.
        cost: what the whole job is expected to cost, data lost counted.
    """

    open: Floats
    repairs: tuple[Work, ...]
    end: Work
    cost: float


@dataclass(slots=True)
class _State:
    """How far beliefs have been followed: what is still open (S, classes), what was spent and the least it
    came to with handing on (S), and what must not be tried (any more) with its tests (S, repairs)."""

    left: Floats
    spent: Floats
    best: Floats
    closed: Bools
    before: Floats

    def of(self, rows: Int64s) -> _State:
        """The same for some of the beliefs, or several times for one."""
        return _State(
            self.left[rows], self.spent[rows], self.best[rows], self.closed[rows], self.before[rows]
        )


class Followed:
    """The costs of plans, of repairs and ways of handing on by their numbers. Worlds in which nothing is
    broken cost nothing.

    Args:
        repairs: the blind form of one that has two stands just before the seeing one.
        seeing: of each repair, the number of its seeing form; its own if it has one form.
    """

    def __init__(
        self,
        classes: Classes,
        repairs: Sequence[Work],
        seeing: Sequence[int],
        ends: Sequence[Work],
        stakes: Stakes,
    ) -> None:
        self._sound = classes.sound
        self._repairs = repairs
        self._seeing = np.array(seeing, np.int64)
        self._blind = np.arange(len(repairs)) - np.array([one.seeing for one in repairs], np.int64)
        shape = (len(repairs), classes.count)
        self._well = np.array([one.ends for one in repairs]).reshape(shape)
        costs = [one.possible * one.cost + stakes.data * one.harm for one in repairs]
        self._costs = np.array(costs).reshape(shape)
        self._ending = np.array([one.cost + stakes.data * (1.0 - one.ends) for one in ends])

    def own_ways(self, batch: Batch) -> tuple[Floats, Int64s]:
        """Every belief by its own falling chance over cost.

        Returns:
            The expected costs (S), and the repairs in the order tried (S, n), each by the number of its blind
            form.
        """
        state = self._begun(batch)
        order = list[Int64s]()
        longest = min(LONGEST_PLAN, len(self._repairs))
        for _ in range(longest):
            if bool((state.spent >= state.best).all()):
                break  # what follows only adds to what is spent
            offered = np.flatnonzero(~state.closed.all(axis=0))
            price = state.left.sum(axis=1)[:, None] * state.before[:, offered]
            price += state.left @ self._costs[offered].T
            ratio = np.full(state.closed.shape, -1.0)
            ratio[:, offered] = (state.left @ self._well[offered].T) / np.maximum(price, 1e-12)
            ratio[state.closed] = -1.0
            chosen = ratio.argmax(axis=1)
            self._take(state, chosen)
            order.append(self._blind[chosen])
        order += (order[-1:] or [np.zeros(len(state.left), np.int64)]) * (longest - len(order))
        return state.best, np.array(order, np.int64).reshape(-1, len(state.left)).T

    def each_order(self, batch: Batch, orders: Int64s) -> Floats:
        """(T), what each order (T, n) costs one belief. What several begin with alike is followed once."""
        state, of = self._begun(batch), np.zeros(len(orders), np.int64)
        for turn in range(orders.shape[1]):
            ways = np.stack([of, orders[:, turn]], axis=1)
            parted, of = np.unique(ways, axis=0, return_inverse=True)
            of = of.reshape(-1)
            state = state.of(parted[:, 0])
            self._take(state, self._possible(state.closed, parted[:, 1]))
        return state.best[of]

    def along(self, batch: Batch, order: Int64s) -> Floats:
        """(S, n + 1), what each belief costs that is handed on after so many repairs of an order (n)."""
        taken = np.empty((len(batch.weights), len(order)), np.int64)
        closed, rows = batch.closed.copy(), np.arange(len(taken))
        for turn, number in enumerate(order):
            chosen = self._possible(closed, np.full(len(rows), number))
            taken[:, turn] = np.where(closed[rows, chosen], SKIPPED, chosen)
            closed[rows, chosen] = True
        kinds, of = np.unique(taken, axis=0, return_inverse=True)
        found = np.empty((len(taken), len(order) + 1))
        for number, one in enumerate(kinds):
            here = np.flatnonzero(of.reshape(-1) == number)
            found[here] = self._along(batch.weights[here], batch.before[here], one)
        return found

    def handed_on(self, left: Floats) -> Floats:
        """(S), what handing on costs from here: its own cost for what is open, and the data it cannot
        give."""
        return np.asarray((left @ self._ending.T).min(axis=1), np.float64)

    def cheapest_end(self, left: Floats) -> int:
        """The number of the cheapest way of handing on for one belief."""
        return int((left[0] @ self._ending.T).argmin())

    def _begun(self, batch: Batch) -> _State:
        left = np.where(self._sound, 0.0, batch.weights)
        return _State(left, np.zeros(len(left)), self.handed_on(left), batch.closed.copy(), batch.before)

    def _possible(self, closed: Bools, chosen: Int64s) -> Int64s:
        """(S), the seeing form of what is chosen where the blind one must not be tried."""
        return np.where(closed[np.arange(len(chosen)), chosen], self._seeing[chosen], chosen)

    def _take(self, state: _State, chosen: Int64s) -> None:
        """Makes one repair (S) for each belief; where it must not be tried, nothing."""
        rows = np.arange(len(chosen))
        done = ~state.closed[rows, chosen]
        state.closed[rows, chosen] = True
        for number in np.unique(chosen[done]).tolist():
            here = np.flatnonzero(done & (chosen == number))
            left = state.left[here]
            state.spent[here] += left.sum(axis=1) * state.before[here, number] + left @ self._costs[number]
            state.left[here] = self._repairs[number].failed(left)
        state.best = np.minimum(state.best, state.spent + self.handed_on(state.left))

    def _along(self, weights: Floats, before: Floats, taken: Int64s) -> Floats:
        """(S, n + 1), the same for beliefs that can make the same repairs of the order."""
        numbers = [one for one in taken.tolist() if one != SKIPPED]
        ways = len(self._ending)
        values = self._ending
        for number in reversed(
            numbers
        ):  # of every turn: its cost, whether anything is open, handing on there
            own = [self._costs[number : number + 1], np.ones((1, len(self._sound)))]
            values = np.concatenate([*own, self._ending, self._repairs[number].effect.foreseen(values)])
        values = np.where(self._sound, 0.0, values)
        told = weights @ values.T
        spent, each, at = np.zeros(len(weights)), list[Floats](), 0
        for number in numbers:
            each.append(spent + told[:, at + 2 : at + 2 + ways].min(axis=1))
            spent = spent + told[:, at] + told[:, at + 1] * before[:, number]
            at += 2 + ways
        each.append(spent + told[:, at:].min(axis=1))
        made = np.cumsum([0, *(taken != SKIPPED)])
        found: Floats = np.array(each)[made].T
        return found


class Plans:
    """The best plans for a belief, and for it together with each answer to each test.

    Chance over cost is not the best order for every belief. Every order that any of them leads to is tried
    on the belief as it is, and the best of these also after each answer: so no answer makes a job dearer, and
    none gains by a better plan that was there without it.

    Args:
        here: the belief.
        after: the same together with each answer.

    Attributes:
        now: what the best plan is expected to cost.
        order: the numbers of its repairs, each of the blind form; it may hand on before the last.
        after: (answers), what the best plan after each costs, times the chance of the answer.
    """

    def __init__(self, followed: Followed, here: Batch, after: Batch) -> None:
        self._followed = followed
        now, first = followed.own_ways(here)
        then, orders = followed.own_ways(after)
        tried = np.unique(np.concatenate([first, orders]), axis=0)
        each = followed.each_order(here, tried)
        self.order = tried[int((each <= each.min() * (1.0 + ALIKE)).argmax())]
        self.now = float(min(now[0], each.min()))
        self.after = np.minimum(then, self._as_now(after))

    def best(self, batch: Batch) -> Floats:
        """(S), what the best plan of each belief costs."""
        return np.minimum(self._followed.own_ways(batch)[0], self._as_now(batch))

    def _as_now(self, batch: Batch) -> Floats:
        found: Floats = self._followed.along(batch, self.order).min(axis=1)
        return found
