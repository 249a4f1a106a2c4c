"""What to do next: every step that can be taken, by what the whole job is then expected to cost.

Tests, repairs and handing on are measured on one scale: money, a person's time and the value of data lost,
averaged over all worlds. A repair costs itself and what follows if it does not help; a test costs itself and
the best plan after each of its answers, so its information is worth what it saves there. The plan behind
every figure tries repairs by falling chance over cost (see `decide`) and hands the job on at the point where
that is cheapest.

What cannot be undone or can lose data is not offered before a safe test that would tell whether it does; and
what gives power to a drive that is likely damaged inside stands behind everything else, handing it on too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mendbay.core.errors import UsageError
from mendbay.triage.belief import Asked, Belief
from mendbay.triage.tables import Seat, Step, StepKind
from mendbay.triage.worlds import Bools, Floats, Int64s, Worlds

LONGEST_PLAN = 6
"""Repairs looked ahead; what is left unsolved after so many is handed on."""
HARMFUL = 0.005
"""Share of the data lost in a world from which a step counts as harmful there (own choice)."""
LIKELY = 0.01
"""Chance of those worlds from which the step counts as one that can do harm (own choice)."""
KEEP_OFF = 0.3
"""Chance of damage inside a drive from which it is kept without power (own choice)."""
INSIDE = ("heads", "media-damage", "stuck")
"""Faults that every second of power makes worse."""
SEPARATING = 0.02
"""Bits that a safe test's answer must tell of the danger to be asked before (own choice)."""


@dataclass(frozen=True, slots=True)
class Stakes:
    """What the data is worth to the customer, in the currency of the tables.

    Raises:
        UsageError: not above 0, or beyond any sense.
    """

    data: float = 3000.0

    def __post_init__(self) -> None:
        if not 0 < self.data <= 1e9:
            raise UsageError(f"Data cannot be worth {self.data:g}.", "Say what losing it would cost.")


@dataclass(frozen=True, slots=True)
class Offer:
    """One step that can be taken now.

    Args:
        step: what to do; `bay` is empty for the box.
        total: what the whole job is expected to cost if this is done next, data lost counted.
        cost: of the step itself: time and money.
        harm: share of the data it is expected to lose.
        solves: the chance that it gives the data (a test: 0).
        saves: for a test, what its answers are expected to save in what follows, its own cost not counted;
            for others what doing it next saves against handing the job on at once.
        harmful: it can lose data or cannot be undone, and the worlds in which it does are not unlikely.
        before: it is offered first because it tells whether a harmful step does harm.
        barred: the bay that should get no power and would get some; empty if none would.
    """

    step: Step
    bay: str
    total: float
    cost: float
    harm: float
    solves: float
    saves: float
    harmful: bool
    before: bool = False
    barred: str = ""


def kept_off(belief: Belief) -> dict[str, float]:
    """The bays whose drives should get no power, with the chance of damage inside each."""
    found: dict[str, float] = {}
    worlds = belief.worlds
    for bay in worlds.subject.bays:
        places = [worlds.place(one, bay) for one in INSIDE if one in worlds.tables.faults]
        chance = float(belief.weights[worlds.faulty[:, places].any(axis=1)].sum())
        if chance >= KEEP_OFF:
            found[bay] = chance
    return found


class NextStep:
    """The steps of a belief.

    Args:
        belief: what is known.
        stakes: what the data is worth.
    """

    def __init__(self, belief: Belief, stakes: Stakes | None = None) -> None:
        self.belief = belief
        self.stakes = stakes or Stakes()
        self._worlds = belief.worlds
        self._minute = float(self._worlds.tables.minute_cost.value)
        self._kept_off = kept_off(belief)
        usable = [one for one in self._all_steps() if not self._contradicted(*one)]
        self._tests = [
            (step, bay)
            for step, bay in usable
            if step.kind is StepKind.TEST and Asked(step.reveals, bay) not in belief.answers
        ]
        work = [(step, bay) for step, bay in usable if step.kind is not StepKind.TEST]
        self._classes = _Classes(self._worlds, work)
        self._repairs = [_Work(self, *one) for one in work if one[0].kind is StepKind.REPAIR]
        self._ends = [_Work(self, *one) for one in work if one[0].kind is StepKind.HAND_ON]

    def offers(self) -> tuple[Offer, ...]:
        """Every step that can be taken now, the one to do next first.

        Of steps of the same worth the earlier in the tables comes first.
        """
        here = self._classes.joined(self.belief.weights[None, :])
        open_here = np.where(self._classes.sound, 0.0, here)
        end = float(self._handed_on(open_here)[0])
        repairs = [one for one in self._repairs if self._allowed(one.step, one.bay)]
        found = [self._of_repair(one, open_here, end) for one in repairs]
        tests = [one for one in self._tests if self._allowed(*one)]
        found += self._of_tests(tests, *self._plan(here))
        found += [self._of_end(one, open_here) for one in self._ends]
        found = [replace(one, barred=self._barred(one)) for one in found]
        order = list(self._worlds.tables.steps)
        found.sort(key=lambda one: (bool(one.barred), round(one.total, 6), order.index(one.step.id), one.bay))
        return self._safe_first(tuple(found))

    def _barred(self, offer: Offer) -> str:
        if not offer.step.powers:
            return ""
        return next((bay for bay in self._kept_off if offer.bay in ("", bay)), "")

    # ------------------------------------------------------------------ plans

    def _plan(self, weights: Floats, known: Sequence[int] = ()) -> tuple[Floats, Int64s]:
        """The best plan of each belief of `weights` (S, classes): repairs by chance over cost, handed on at
        the best point. Worlds in which nothing is broken cost nothing.

        Args:
            known: numbers of repairs, a plan that is tried too: the one made before an answer came. Chance
                over cost is not the best order for every belief, and no answer may make a job dearer.

        Returns:
            The expected costs (S), and the repairs in the order tried (S, n).
        """
        found, order = self._followed(weights, None)
        if known:
            found = np.minimum(found, self._followed(weights, known)[0])
        return found, order

    def _followed(self, weights: Floats, given: Sequence[int] | None) -> tuple[Floats, Int64s]:
        left = np.where(self._classes.sound, 0.0, weights)
        best, spent = self._handed_on(left), np.zeros(len(left))
        tried = np.zeros((len(left), len(self._repairs)), np.bool_)
        ends = np.array([one.ends for one in self._repairs])
        harm = np.array([one.harm for one in self._repairs])
        costs = np.array([one.cost for one in self._repairs])
        rows, order = np.arange(len(left)), list[Int64s]()
        for turn in range(min(LONGEST_PLAN, len(self._repairs)) if given is None else len(given)):
            price = left.sum(axis=1)[:, None] * costs + self.stakes.data * (left @ harm.T)
            if given is None:
                ratio = np.where(tried, -1.0, (left @ ends.T) / np.maximum(price, 1e-12))
                chosen = ratio.argmax(axis=1)
            else:
                chosen = np.full(len(left), given[turn])
            spent = spent + price[rows, chosen]
            tried[rows, chosen] = True
            order.append(chosen)
            for number in np.unique(chosen).tolist():
                left[chosen == number] = self._repairs[number].failed(left[chosen == number])
            best = np.minimum(best, spent + self._handed_on(left))
        return best, np.array(order, np.int64).reshape(-1, len(left)).T

    def _handed_on(self, left: Floats) -> Floats:
        """(S), what handing on costs from here: its own cost for what is open, and the data it cannot
        give."""
        each = [
            left.sum(axis=1) * one.cost + self.stakes.data * (left @ (1.0 - one.ends)) for one in self._ends
        ]
        return np.asarray(np.min(each, axis=0), np.float64)

    # ----------------------------------------------------------------- offers

    def _of_tests(self, tests: Sequence[tuple[Step, str]], now: Floats, order: Int64s) -> list[Offer]:
        """The offers of tests: one plan for every answer to every test.

        Args:
            now, order: what the best plan without a test is expected to cost (1), and its repairs (1, n).
        """
        joints = [
            self.belief.weights * self._worlds.likelihood(self._worlds.tables.signs[step.reveals], bay).T
            for step, bay in tests
        ]
        if not joints:
            return []
        rows = np.concatenate(joints)
        chances = rows.sum(axis=1)
        costs = chances * self._plan(self._classes.joined(rows) / chances[:, None], order[0].tolist())[0]
        firsts = np.cumsum([0, *(len(one) for one in joints[:-1])])
        found: list[Offer] = []
        for (step, bay), then in zip(tests, np.add.reduceat(costs, firsts).tolist(), strict=True):
            harm_of = self._worlds.chance(step.harm, bay)
            harm, cost = float(self.belief.weights @ harm_of), self._cost(step)
            total = cost + self.stakes.data * harm + then
            harmful = self._can_harm(step, harm_of)
            found.append(Offer(step, bay, total, cost, harm, 0.0, float(now[0]) - then, harmful))
        return found

    def _of_repair(self, one: _Work, here: Floats, end: float) -> Offer:
        harm = float(here[0] @ one.harm)
        after = float(self._plan(one.failed(here))[0][0])
        total = one.cost * float(here.sum()) + self.stakes.data * harm + after
        harmful = self._can_harm(one.step, self._worlds.chance(one.step.harm, one.bay))
        return Offer(
            one.step, one.bay, total, one.cost, harm, float(here[0] @ one.ends), end - total, harmful
        )

    def _of_end(self, one: _Work, here: Floats) -> Offer:
        solves = float(here[0] @ one.ends)
        total = float(here.sum()) * one.cost + self.stakes.data * (float(here.sum()) - solves)
        return Offer(one.step, one.bay, total, one.cost, 0.0, solves, 0.0, False)

    def _can_harm(self, step: Step, harm_of: Floats) -> bool:
        dangerous = self.belief.weights[harm_of >= HARMFUL].sum()
        return bool(not step.reversible or dangerous >= LIKELY)

    def _safe_first(self, found: tuple[Offer, ...]) -> tuple[Offer, ...]:
        """Puts safe tests that tell whether the first step does harm before it, the most worth first."""
        if not found or not found[0].harmful:
            return found
        danger = self._worlds.chance(found[0].step.harm, found[0].bay) >= HARMFUL
        safe = [
            one
            for one in found
            if one.step.kind is StepKind.TEST and not one.step.harm and self._tells(one, danger) >= SEPARATING
        ]
        return (*(replace(one, before=True) for one in safe), *(one for one in found if one not in safe))

    def _tells(self, offer: Offer, danger: Bools) -> float:
        """Bits that a test's answer tells of whether the world is one of these."""
        likelihood = self._worlds.likelihood(self._worlds.tables.signs[offer.step.reveals], offer.bay)
        joint = np.array([self.belief.weights[one] @ likelihood[one] for one in (danger, ~danger)])
        apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
        here = joint > 0
        return float((joint[here] * np.log2(joint[here] / apart[here])).sum())

    # ------------------------------------------------------------------ steps

    def _all_steps(self) -> Iterator[tuple[Step, str]]:
        for step in self._worlds.tables.steps.values():
            if step.seat is Seat.BAY:
                yield from ((step, bay) for bay in self._worlds.subject.bays)
            elif self._worlds.subject.box or step.kind is StepKind.HAND_ON or not step.reveals:
                yield step, ""

    def _allowed(self, step: Step, bay: str) -> bool:
        """Whether all that the step needs is known and allows it."""
        return all(
            any(known is not None and answer in ("", known) for known in self._known(sign, bay))
            for sign, answer in step.needs
        )

    def _contradicted(self, step: Step, bay: str) -> bool:
        """Whether something it needs is known to be otherwise."""
        return any(
            all(known is not None and answer not in ("", known) for known in self._known(sign, bay))
            for sign, answer in step.needs
        )

    def _known(self, sign: str, bay: str) -> tuple[str | None, ...]:
        """What is answered of a sign: of the step's own bay, or for a step of the box of each."""
        if self._worlds.tables.signs[sign].seat is Seat.BOX:
            return (self.belief.answers.get(Asked(sign)),)
        bays = (bay,) if bay else self._worlds.subject.bays
        return tuple(self.belief.answers.get(Asked(sign, one)) for one in bays)

    def _cost(self, step: Step) -> float:
        return float(step.minutes.value) * self._minute + float(step.money.value)


class _Classes:
    """Worlds that no repair and no handing on tells apart, taken together: a plan is then of a third of them.

    Attributes:
        of: (W), the class of each world.
        first: (classes), one world of each.
        sound: (classes), whether nothing is broken.
    """

    def __init__(self, worlds: Worlds, work: Sequence[tuple[Step, str]]) -> None:
        sets = worlds.faulty @ (1 << np.arange(worlds.faulty.shape[1], dtype=np.int64))
        columns = [sets.astype(np.float64)]
        for step, bay in work:
            columns += [worlds.chance(step.solves, bay), worlds.chance(step.harm, bay)]
        of = np.zeros(worlds.count, np.int64)
        for column in columns:
            _, kinds = np.unique(column, return_inverse=True)
            _, of = np.unique(of * (kinds.max() + 1) + kinds, return_inverse=True)
        self.of: Int64s = of
        self.count = int(of.max()) + 1
        _, self.first = np.unique(of, return_index=True)
        self.sound: Bools = worlds.sound()[self.first]

    def joined(self, weights: Floats) -> Floats:
        """(S, classes), the weights (S, W) of the worlds of each class together."""
        return np.array([np.bincount(self.of, one, self.count) for one in weights])


class _Work:
    """A repair or handing on, with what it does in every class of worlds."""

    def __init__(self, decision: NextStep, step: Step, bay: str) -> None:
        worlds, classes = decision._worlds, decision._classes
        self.step, self.bay = step, bay
        self.cost = decision._cost(step)
        self.harm: Floats = worlds.chance(step.harm, bay)[classes.first]
        """(classes), the share of the data it loses."""
        self._solves = worlds.chance(step.solves, bay)[classes.first]
        self._moves: list[tuple[float, Int64s, Int64s]] = []
        faulty = worlds.faulty[classes.first]
        remedy = np.where(classes.sound, 0.0, 1.0)
        others = faulty.copy()
        for place, chance in worlds.mended(step, bay).items():
            remedy = np.where(faulty[:, place], remedy * chance, remedy)
            others[:, place] = False
            broken = np.flatnonzero(faulty[:, place])
            self._moves.append((chance, broken, classes.of[worlds.without[place][classes.first[broken]]]))
        remedy = np.where(others.any(axis=1), 0.0, remedy)
        self.ends: Floats = self._solves + (1.0 - self._solves) * remedy
        """(classes), the chance that all is well after it."""
        self._sound = classes.sound

    def failed(self, left: Floats) -> Floats:
        """(S, classes), what is still open of `left` after it: a fault of two may be mended."""
        found = left * (1.0 - self._solves)
        for chance, broken, mended in self._moves:
            moved = found[:, broken] * chance
            found[:, broken] -= moved
            for row, one in zip(found, moved, strict=True):
                row += np.bincount(mended, one, len(row))
        found[:, self._sound] = 0.0
        return found
