"""What to do next: every step that can be taken, by what the whole job is then expected to cost.

Tests, repairs and handing on are measured on one scale: money, a person's time and the value of data lost,
averaged over all worlds. A repair costs itself and what follows if it does not help; a test costs itself and
the best plan after each of its answers, so its information is worth what it saves there (H. Raiffa, Decision
Analysis, 1968). The plan behind every figure tries repairs by falling chance over cost, the cheapest order
with one fault, independent costs and perfect repairs (D. Heckerman, J. S. Breese, K. Rommelse, CACM 38(3),
1995; from memory), and hands the job on at the point where that is cheapest.

What cannot be undone or can lose data is not offered before a safe test that would tell whether it does; and
what gives power to a drive that is likely damaged inside stands behind everything else, handing it on too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mendbay.triage.belief import Asked, Belief
from mendbay.triage.stakes import Stakes
from mendbay.triage.tables import Seat, Step, StepKind
from mendbay.triage.worlds import Bools, Floats, Int64s, Worlds

MOST_FAULTS = 2
"""Faults of a world (`worlds.py`)."""
LONGEST_PLAN = 6
"""Repairs looked ahead; what is left unsolved after so many is handed on (own choice)."""
HARMFUL = 0.005
"""Share of the data lost in a world from which a step counts as harmful there (own choice)."""
LIKELY = 0.05
"""Chance of those worlds from which the step counts as one that can do harm (own choice)."""
KEEP_OFF = 0.4
"""Chance of damage inside a drive from which it is kept without power (own choice)."""
INSIDE = "inside"
"""The group of faults that every second of power makes worse."""
HEARD = ("clicks", "grinding")
"""Sounds of a drive that gets no power whatever else is known, unless another drive's ROM explains them."""
SOUNDS = ("sound", "sound-alone")
"""Signs of what a drive sounds like."""
CONDITION = "condition"
"""The sign of what can be seen of all that came in."""
SEEN = ("rattles", "wet")
"""Conditions in which nothing that came in gets power, whatever else is known (common practice,
no source)."""
EXPLAINED = 0.5
"""Chance of another drive's ROM from which it explains them (own choice)."""
SEPARATING, SHARE = 0.03, 0.1
"""Bits about the danger, and share of what is uncertain about it, that a safe test's answer must tell on
average to come before (own choice)."""


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
        refused: the consent it needs and the customer refused; empty if none is.
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
    refused: str = ""


def kept_off(belief: Belief) -> dict[str, float]:
    """The bays whose drives should get no power, with the chance of damage inside each."""
    found: dict[str, float] = {}
    worlds = belief.worlds
    seen = any(said in SEEN for said in belief.ever(Asked(CONDITION)))
    names = worlds.tables.groups.get(INSIDE, ())
    for bay in worlds.subject.bays:
        places = [worlds.place(one, bay) for one in names]
        chance = float(belief.weights[worlds.faulty[:, places].any(axis=1)].sum())
        heard = any(said in HEARD for one in SOUNDS for said in belief.ever(Asked(one, bay)))
        if seen or chance >= KEEP_OFF or (heard and belief.fault("rom-mismatch", bay) < EXPLAINED):
            found[bay] = chance
    return found


def stops_power(asked: Asked, answer: str) -> bool:
    """Whether an answer alone keeps power away from the drives it is of."""
    if asked.sign == CONDITION:
        return answer in SEEN
    return asked.sign in SOUNDS and answer in HEARD


def offers_within(belief: Belief, stakes: Stakes, refused: frozenset[str] = frozenset()) -> tuple[Offer, ...]:
    """Every step that can be taken, the one to do next first; what the customer refused stands last, with
    what it would have been worth, and nothing else counts on it."""
    free = NextStep(belief, stakes, refused).offers()
    if not refused:
        return free
    held = (
        replace(one, before=False, refused=min(refused & set(one.step.consents)))
        for one in NextStep(belief, stakes).offers()
        if refused & set(one.step.consents)
    )
    return (*free, *held)


class NextStep:
    """The steps of a belief.

    Args:
        belief: what is known.
        stakes: what the data is worth.
        refused: the consents that the customer refused: no plan rests on a step that needs one.
    """

    def __init__(
        self, belief: Belief, stakes: Stakes | None = None, refused: frozenset[str] = frozenset()
    ) -> None:
        self.belief = belief
        self.stakes = stakes or Stakes()
        self._worlds = belief.worlds
        self._minute = float(self._worlds.tables.minute_cost.value)
        self._kept_off = kept_off(belief)
        tried = {(one.step.id, one.bay) for one in belief.tried}
        usable = [
            (step, bay)
            for step, bay in self._all_steps()
            if (step.id, bay) not in tried
            and not self._contradicted(step, bay)
            and not refused & set(step.consents)
        ]
        self._tests = [
            (step, bay)
            for step, bay in usable
            if step.kind is StepKind.TEST and Asked(step.reveals, bay) not in belief.answers
        ]
        work = [(step, bay) for step, bay in usable if step.kind is not StepKind.TEST]
        self._classes = _Classes(self._worlds, work)
        self._repairs: list[_Work] = []
        self._seeing: list[int] = []
        for step, bay in (one for one in work if one[0].kind is StepKind.REPAIR):
            blind = _Work(self, step, bay)
            self._seeing += [len(self._repairs) + bool(blind.unknown)] * (1 + bool(blind.unknown))
            self._repairs += [blind, _Work(self, step, bay, seeing=True)] if blind.unknown else [blind]
        self._ends = [_Work(self, *one) for one in work if one[0].kind is StepKind.HAND_ON]

    def offers(self) -> tuple[Offer, ...]:
        """Every step that can be taken now, the one to do next first.

        Of steps of the same worth the earlier in the tables comes first.
        """
        here = self._classes.joined(self.belief.weights[None, :])
        open_here = np.where(self._classes.sound, 0.0, here)
        end = float(self._handed_on(open_here)[0])
        tests = [one for one in self._tests if self._allowed(*one)]
        plans = _Plans(self, self._batch(here), self._after_tests(tests))
        found = [
            self._of_repair(number, open_here, end, plans)
            for number, one in enumerate(self._repairs)
            if self._allowed(one.step, one.bay)  # what it needs is known, so there is only one of it
        ]
        found += self._of_tests(tests, plans)
        found += [self._of_end(one, open_here) for one in self._ends]
        found = [replace(one, barred=self._barred(one)) for one in found]
        order = list(self._worlds.tables.steps)
        found.sort(key=lambda one: (bool(one.barred), round(one.total, 6), order.index(one.step.id), one.bay))
        return self._safe_first(tuple(found))

    def plan(self) -> Plan:
        """The best plan for what is believed now. What gives power to a drive that should get none is no part
        of it."""
        here = self._classes.joined(self.belief.weights[None, :])
        batch = self._batch(here)
        batch.closed[:, [bool(self._barred(one)) for one in self._repairs]] = True
        tests = [one for one in self._tests if self._allowed(*one)]
        order = _Plans(self, batch, self._after_tests(tests)).order
        costs = [self._followed(batch, order[None, :length])[0][0] for length in range(len(order) + 1)]
        closed, repairs = batch.closed[0].copy(), list[_Work]()
        for number in order[: int(np.argmin(costs))].tolist():
            if not closed[number]:
                closed[number] = True
                repairs.append(self._repairs[number])
        still_open = np.where(self._classes.sound, 0.0, here)
        left = still_open
        for one in repairs:
            left = one.failed(left)
        end = self._ends[int(self._each_end(left)[:, 0].argmin())]
        return Plan(still_open[0], tuple(repairs), end, float(min(costs)))

    def _barred(self, work: Offer | _Work) -> str:
        if not work.step.powers:
            return ""
        return next((bay for bay in self._kept_off if work.bay in ("", bay)), "")

    # ------------------------------------------------------------------ plans

    def _followed(self, batch: _Batch, given: Int64s | None = None) -> tuple[Floats, Int64s]:
        """What following a plan costs each belief: repairs one after the other, handed on at the best point.
        Worlds in which nothing is broken cost nothing.

        Args:
            given: numbers of repairs in the order to try, for each belief (S, n); None tries them by falling
                chance over cost.

        Returns:
            The expected costs (S), and the repairs in the order tried (S, n), each by the number of its blind
            form, which stands before the seeing one.
        """
        left = np.where(self._classes.sound, 0.0, batch.weights)
        best, spent = self._handed_on(left), np.zeros(len(left))
        closed = batch.closed.copy()
        ends = np.array([one.ends for one in self._repairs])
        harm = np.array([one.harm for one in self._repairs])
        work = np.array([one.work for one in self._repairs])
        seeing = np.array(self._seeing, np.int64)
        rows, order = np.arange(len(left)), list[Int64s]()
        for turn in range(min(LONGEST_PLAN, len(self._repairs)) if given is None else given.shape[1]):
            price = left.sum(axis=1)[:, None] * batch.before + left @ (work + self.stakes.data * harm).T
            if given is None:
                ratio = np.where(closed, -1.0, (left @ ends.T) / np.maximum(price, 1e-12))
                chosen = ratio.argmax(axis=1)
            else:
                chosen = given[:, turn]
                chosen = np.where(closed[rows, chosen], seeing[chosen], chosen)
            done = ~closed[rows, chosen]
            spent = spent + np.where(done, price[rows, chosen], 0.0)
            closed[rows, chosen] = True
            order.append(chosen - np.array([one.seeing for one in self._repairs])[chosen])
            for number in np.unique(chosen[done]).tolist():
                here = done & (chosen == number)
                left[here] = self._repairs[number].failed(left[here])
            best = np.minimum(best, spent + self._handed_on(left))
        return best, np.array(order, np.int64).reshape(-1, len(left)).T

    def _batch(self, weights: Floats, without: int = -1) -> _Batch:
        """Beliefs (S, classes) with what is known now.

        Args:
            without: the number of a repair that was tried already.
        """
        before = np.array([one.before for one in self._repairs])
        closed = np.array([one.seeing for one in self._repairs])
        if without >= 0:
            closed[without] = True
        rows = len(weights)
        return _Batch(weights, np.tile(before, (rows, 1)), np.tile(closed, (rows, 1)))

    def _after_tests(self, tests: Sequence[tuple[Step, str]]) -> _Batch:
        """The beliefs together with each answer to each test, so that a row adds up to the answer's chance. A
        repair that needs that answer is then made seeing, and after another one not at all."""
        rows, before, closed = list[Floats](), list[Floats](), list[Bools]()
        base = self._batch(np.zeros((1, self._classes.count)))
        for step, bay in tests:
            sign = self._worlds.tables.signs[step.reveals]
            joint = self.belief.weights * self._worlds.likelihood(sign, bay).T
            rows.append(self._classes.joined(joint))
            for answer in sign.answers:
                left, shut = base.before[0].copy(), base.closed[0].copy()
                for number, one in enumerate(self._repairs):
                    for needed, wanted in one.step.needs:
                        if one.seeing or needed != sign.id or (needed, bay) not in one.unknown:
                            continue
                        if wanted in ("", answer.id):
                            left[self._seeing[number]] = max(0.0, one.before - self._cost(step))
                            shut[number], shut[self._seeing[number]] = True, False
                        elif one.bay:
                            shut[number] = True
                before.append(left)
                closed.append(shut)
        if not rows:
            return self._batch(np.zeros((0, self._classes.count)))
        return _Batch(np.concatenate(rows), np.array(before), np.array(closed))

    def _before(self, step: Step, bay: str) -> tuple[float, frozenset[tuple[str, str]]]:
        """What must be found out before a repair and is not known yet.

        Returns:
            What the tests for it cost, and the signs with the bays of which any would do.
        """
        cost, unknown = 0.0, set[tuple[str, str]]()
        for sign, answer in step.needs:
            if any(known is not None and answer in ("", known) for known in self._known(sign, bay)):
                continue
            tests = [one for one in self._worlds.tables.steps.values() if one.reveals == sign]
            cost += min((self._cost(one) for one in tests), default=0.0)
            of_bay = self._worlds.tables.signs[sign].seat is Seat.BAY
            bays = ((bay,) if bay else self._worlds.subject.bays) if of_bay else ("",)
            unknown |= {(sign, one) for one in bays}
        return cost, frozenset(unknown)

    def _handed_on(self, left: Floats) -> Floats:
        """(S), what handing on costs from here: its own cost for what is open, and the data it cannot
        give."""
        return np.asarray(self._each_end(left).min(axis=0), np.float64)

    def _each_end(self, left: Floats) -> Floats:
        """(ends, S), the same for each way of handing on."""
        each = [
            left.sum(axis=1) * one.cost + self.stakes.data * (left @ (1.0 - one.ends)) for one in self._ends
        ]
        return np.array(each)

    # ----------------------------------------------------------------- offers

    def _of_tests(self, tests: Sequence[tuple[Step, str]], plans: _Plans) -> list[Offer]:
        """The offers of tests, each with the best plan after every answer."""
        costs = iter(plans.after.tolist())
        found: list[Offer] = []
        for step, bay in tests:
            then = sum(next(costs) for _ in self._worlds.tables.signs[step.reveals].answers)
            then = min(then, plans.now)  # the answer can be ignored
            harm_of = self._worlds.chance(step.harm, bay)
            harm, cost = float(self.belief.weights @ harm_of), self._cost(step)
            total = cost + self.stakes.data * harm + then
            harmful = self._can_harm(step, harm_of)
            found.append(Offer(step, bay, total, cost, harm, 0.0, plans.now - then, harmful))
        return found

    def _of_repair(self, number: int, here: Floats, end: float, plans: _Plans) -> Offer:
        one = self._repairs[number]
        harm = float(here[0] @ one.harm)
        after = float(plans.best(self._batch(one.failed(here), without=number))[0])
        total = one.cost * float(here.sum()) + self.stakes.data * harm + after
        harmful = self._can_harm(one.step, self._worlds.chance(one.step.harm, one.bay))
        solves = float(here[0] @ one.ends)
        return Offer(one.step, one.bay, total, one.cost, harm, solves, end - total, harmful)

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
            if one.step.kind is StepKind.TEST and not one.step.harm and self._tells(one, danger)
        ]
        return (*(replace(one, before=True) for one in safe), *(one for one in found if one not in safe))

    def _tells(self, offer: Offer, danger: Bools) -> bool:
        """Whether a test's answer tells enough of being in one of these worlds."""
        likelihood = self._worlds.likelihood(self._worlds.tables.signs[offer.step.reveals], offer.bay)
        joint = np.array([self.belief.weights[one] @ likelihood[one] for one in (danger, ~danger)])
        sides = joint.sum(axis=1, keepdims=True)
        uncertain = float(-(sides * np.log2(np.maximum(sides, 1e-300))).sum())
        apart = sides * joint.sum(axis=0, keepdims=True)
        here = joint > 0
        told = float((joint[here] * np.log2(joint[here] / apart[here])).sum())
        return told >= max(SEPARATING, SHARE * uncertain)

    # ------------------------------------------------------------------ steps

    def _all_steps(self) -> Iterator[tuple[Step, str]]:
        for step in self._worlds.tables.steps.values():
            if step.seat is Seat.BAY:
                yield from ((step, bay) for bay in self._worlds.subject.bays)
            elif step.seat is Seat.CASE or self._worlds.subject.box:
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
        if self._worlds.tables.signs[sign].seat is not Seat.BAY:
            return (self.belief.answers.get(Asked(sign)),)
        bays = (bay,) if bay else self._worlds.subject.bays
        return tuple(self.belief.answers.get(Asked(sign, one)) for one in bays)

    def _cost(self, step: Step) -> float:
        return float(step.minutes.value) * self._minute + float(step.money.value)


def _apart(of: Int64s, columns: Sequence[Floats | Int64s]) -> Int64s:
    """(W), the classes split so far that within each all columns (W) are the same."""
    for column in columns:
        _, kinds = np.unique(column, return_inverse=True)
        _, of = np.unique(of * (kinds.max() + 1) + kinds, return_inverse=True)
    return of


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
            if bay:
                signs = [(worlds.tables.signs[sign], answer) for sign, answer in step.needs if answer]
                columns += [worlds.likelihood(one, bay)[:, one.place(answer)] for one, answer in signs]
        of = _apart(np.zeros(worlds.count, np.int64), columns)
        mended = sorted({place for step, bay in work for place in worlds.mended(step, bay)})
        for _ in range(MOST_FAULTS):  # what becomes of them when a fault is mended is the same too
            of = _apart(of, [of[worlds.without[place]] for place in mended])
        self.of: Int64s = of
        self.count = int(of.max()) + 1
        _, self.first = np.unique(of, return_index=True)
        self.sound: Bools = worlds.sound()[self.first]

    def joined(self, weights: Floats) -> Floats:
        """(S, classes), the weights (S, W) of the worlds of each class together."""
        return np.array([np.bincount(self.of, one, self.count) for one in weights])


@dataclass(frozen=True, slots=True)
class _Batch:
    """Several beliefs at once.

    Args:
        weights: (S, classes); a row may add up to less than 1, as the chance of an answer.
        before: (S, repairs), what the tests cost that each repair still needs before it.
        closed: (S, repairs), what must not be tried.
    """

    weights: Floats
    before: Floats
    closed: Bools

    def repeated(self, count: int) -> _Batch:
        """The same belief so often."""
        return _Batch(
            np.repeat(self.weights[:1], count, axis=0),
            np.repeat(self.before[:1], count, axis=0),
            np.repeat(self.closed[:1], count, axis=0),
        )


class _Plans:
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

    def __init__(self, decision: NextStep, here: _Batch, after: _Batch) -> None:
        self._decision = decision
        now, first = decision._followed(here)
        then, orders = decision._followed(after)
        tried = np.unique(np.concatenate([first, orders]), axis=0)
        each, _ = decision._followed(here.repeated(len(tried)), tried)
        self.order = tried[int(each.argmin())]
        self.now = float(min(now[0], each.min()))
        self.after = np.minimum(then, self._as_now(after))

    def best(self, batch: _Batch) -> Floats:
        """(S), what the best plan of each belief costs."""
        return np.minimum(self._decision._followed(batch)[0], self._as_now(batch))

    def _as_now(self, batch: _Batch) -> Floats:
        given = np.repeat(self.order[None, :], len(batch.weights), axis=0)
        return self._decision._followed(batch, given)[0]


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
    repairs: tuple[_Work, ...]
    end: _Work
    cost: float


class _Work:
    """A repair or handing on, with what it does in every class of worlds.

    A repair that needs something of its drive that is not known is made blind: it is found out first, and
    nothing is done in worlds in which that turns out otherwise.

    Args:
        seeing: what it needs was found out, and allows it.
    """

    def __init__(self, decision: NextStep, step: Step, bay: str, *, seeing: bool = False) -> None:
        worlds, classes = decision._worlds, decision._classes
        self.step, self.bay, self.seeing = step, bay, seeing
        self.cost = decision._cost(step)
        self.before, self.unknown = decision._before(step, bay)
        possible = np.ones(len(classes.first))
        if bay and not seeing:
            for sign, answer in step.needs:
                if answer and (sign, bay) in self.unknown:
                    likelihood = worlds.likelihood(worlds.tables.signs[sign], bay)
                    possible *= likelihood[classes.first, worlds.tables.signs[sign].place(answer)]
        if seeing:
            self.before = 0.0
        self.possible: Floats = possible
        """(classes), the chance that what it needs turns out well, so that it can be made."""
        self.work: Floats = possible * self.cost
        """(classes), what it costs itself, where it can be made at all."""
        self.harm: Floats = possible * worlds.chance(step.harm, bay)[classes.first]
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
            mended = classes.of[worlds.without[place][classes.first[broken]]]
            self._moves.append((chance, broken, mended))
        remedy = np.where(others.any(axis=1), 0.0, remedy)
        self.ends: Floats = possible * (self._solves + (1.0 - self._solves) * remedy)
        """(classes), the chance that all is well after it."""
        self._sound = classes.sound

    def failed(self, left: Floats) -> Floats:
        """(S, classes), what is still open of `left` after it: a fault of two may be mended."""
        found = left * (self.possible * (1.0 - self._solves))
        for chance, broken, mended in self._moves:
            moved = found[:, broken] * chance
            found[:, broken] -= moved
            for row, one in zip(found, moved, strict=True):
                row += np.bincount(mended, one, len(row))
        found += left * (1.0 - self.possible)
        found[:, self._sound] = 0.0
        return found
