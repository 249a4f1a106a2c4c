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

from mendbay.triage.belief import Asked, Belief, may_change, not_asked
from mendbay.triage.effects import classes_of, steps_of
from mendbay.triage.plans import Batch, Followed, Plan, Plans, Work
from mendbay.triage.stakes import Stakes
from mendbay.triage.tables import Seat, Step, StepKind
from mendbay.triage.worlds import Bools, Floats

HARMFUL = 0.005
"""Share of the data lost in a world from which a step counts as harmful there (own choice)."""
LIKELY = 0.05
"""Chance of those worlds from which the step counts as one that can do harm (own choice)."""
KEEP_OFF = 0.4
"""Chance of damage inside a drive from which it is kept without power (own choice)."""
ROUNDING = 1e-9
"""What sums of chances may differ by though nothing is known that sets them apart."""
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
MENDED_BOARD = frozenset({"board-supply", "motor-driver"})
"""Faults of a board whose repair opens what was measured to be closed: another part, or another board."""
SEPARATING, SHARE = 0.03, 0.1
"""Bits about the danger, and share of what is uncertain about it, that a safe test's answer must tell on
average to come before (own choice)."""


@dataclass(frozen=True, slots=True)
class Shut:
    """A drive that should get no power, as something was measured that keeps it away.

    Args:
        bay: of the drive.
        mendable: it is the board that was measured so: a repair of the board is no power for its own sake.
    """

    bay: str
    mendable: bool


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
    """The bays whose drives should get no power, with the chance of damage inside each. How often drives are
    damaged inside, be it ever so often, keeps none without it: something must be known that raises the
    chance."""
    found: dict[str, float] = {}
    worlds = belief.worlds
    seen = any(said in SEEN for said in belief.ever(Asked(CONDITION)))
    names = worlds.tables.groups.get(INSIDE, ())
    for bay in worlds.subject.bays:
        places = [worlds.place(one, bay) for one in names]
        damaged = worlds.faulty[:, places].any(axis=1)
        chance, usual = float(belief.weights[damaged].sum()), float(worlds.prior[damaged].sum())
        likely = chance >= KEEP_OFF and chance > usual + ROUNDING
        heard = any(said in HEARD for one in SOUNDS for said in belief.ever(Asked(one, bay)))
        if seen or likely or (heard and belief.fault("rom-mismatch", bay) < EXPLAINED):
            found[bay] = chance
    return found


def stops_power(asked: Asked, answer: str) -> bool:
    """Whether an answer alone keeps power away from the drives it is of."""
    if asked.sign == CONDITION:
        return answer in SEEN
    return asked.sign in SOUNDS and answer in HEARD


class NextStep:
    """The steps of a belief.

    Args:
        belief: what is known.
        stakes: what the data is worth.
        refused: the consents that the customer refused: no plan rests on a step that needs one.
        shut: drives from which something that was measured keeps power away, besides those that what is
            believed keeps without it.
    """

    def __init__(
        self,
        belief: Belief,
        stakes: Stakes | None = None,
        refused: frozenset[str] = frozenset(),
        shut: tuple[Shut, ...] = (),
    ) -> None:
        self.belief = belief
        self.stakes = stakes or Stakes()
        self._worlds = belief.worlds
        self._not_asked = not_asked(belief.worlds)
        self._minute = float(self._worlds.tables.minute_cost.value)
        self._kept_off = kept_off(belief)
        self._shut = shut
        tried = {(one.step.id, one.bay) for one in belief.tried}
        usable = [
            (step, bay)
            for step, bay in steps_of(self._worlds)
            if (step.id, bay) not in tried
            and not self._contradicted(step, bay)
            and not refused & set(step.consents)
        ]
        self._tests = [
            (step, bay)
            for step, bay in usable
            if step.kind is StepKind.TEST
            and Asked(step.reveals, bay) not in belief.answers
            and not (step.again if not self._repaired(step, bay) else step.asked)
        ]
        work = [(step, bay) for step, bay in usable if step.kind is not StepKind.TEST]
        self._classes = classes_of(self._worlds)
        self._repairs: list[Work] = []
        seeing: list[int] = []
        for step, bay in (one for one in work if one[0].kind is StepKind.REPAIR):
            blind = self._work(step, bay)
            seeing += [len(self._repairs) + bool(blind.unknown)] * (1 + bool(blind.unknown))
            self._repairs += [blind, self._work(step, bay, seeing=True)] if blind.unknown else [blind]
        self._seeing = seeing
        self._ends = [self._work(*one) for one in work if one[0].kind is StepKind.HAND_ON]
        self._followed = Followed(self._classes, self._repairs, self._seeing, self._ends, self.stakes)

    def offers(self) -> tuple[Offer, ...]:
        """Every step that can be taken now, the one to do next first.

        Of steps of the same worth the earlier in the tables comes first.
        """
        here = self._classes.joined(self.belief.weights[None, :])
        open_here = np.where(self._classes.sound, 0.0, here)
        end = float(self._followed.handed_on(open_here)[0])
        tests = [one for one in self._tests if self._allowed(*one)]
        plans = Plans(self._followed, self._batch(here), self._after_tests(tests))
        found = self._of_repairs(open_here, end, plans)
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
        order = Plans(self._followed, batch, self._after_tests(tests)).order
        costs = self._followed.along(batch, order)[0]
        closed, repairs = batch.closed[0].copy(), list[Work]()
        for number in order[: int(np.argmin(costs))].tolist():
            if not closed[number]:
                closed[number] = True
                repairs.append(self._repairs[number])
        still_open = np.where(self._classes.sound, 0.0, here)
        left = still_open
        for one in repairs:
            left = one.failed(left)
        end = self._ends[self._followed.cheapest_end(left)]
        return Plan(still_open[0], tuple(repairs), end, float(min(costs)))

    def _barred(self, work: Offer | Work) -> str:
        if not work.step.powers:
            return ""
        mends = bool(work.bay) and not MENDED_BOARD.isdisjoint(work.step.fixes)
        off = (*self._kept_off, *(one.bay for one in self._shut if not (mends and one.mendable)))
        return next((bay for bay in off if work.bay in ("", bay)), "")

    # ------------------------------------------------------------------ plans

    def _batch(self, weights: Floats) -> Batch:
        """Beliefs (S, classes) with what is known now."""
        before = np.array([one.before for one in self._repairs])
        closed = np.array([one.seeing for one in self._repairs], np.bool_)
        rows = len(weights)
        return Batch(weights, np.tile(before, (rows, 1)), np.tile(closed, (rows, 1)))

    def _after_tests(self, tests: Sequence[tuple[Step, str]]) -> Batch:
        """The beliefs together with each answer to each test, so that a row adds up to the answer's chance. A
        repair that needs that answer is then made seeing, and after another one not at all."""
        rows, before, closed = list[Floats](), list[Floats](), list[Bools]()
        base = self._batch(np.zeros((1, self._classes.count)))
        for step, bay in tests:
            sign = self._worlds.tables.signs[step.reveals]
            joint = self.belief.weights * self._worlds.likelihood(sign, bay).T
            rows.append(self._classes.joined(joint))
            needing = [
                (number, one, wanted)
                for number, one in enumerate(self._repairs)
                for needed, wanted in one.step.needs
                if not one.seeing and needed == sign.id and (needed, bay) in one.unknown
            ]
            for answer in sign.answers:
                left, shut = base.before[0].copy(), base.closed[0].copy()
                for number, one, wanted in needing:
                    if wanted in ("", answer.id):
                        left[self._seeing[number]] = max(0.0, one.before - self._cost(step))
                        shut[number], shut[self._seeing[number]] = True, False
                    elif one.bay:
                        shut[number] = True
                before.append(left)
                closed.append(shut)
        if not rows:
            return self._batch(np.zeros((0, self._classes.count)))
        return Batch(np.concatenate(rows), np.array(before), np.array(closed))

    def _work(self, step: Step, bay: str, *, seeing: bool = False) -> Work:
        """A repair or handing on as it can be done now.

        Args:
            seeing: what it needs was found out, and allows it.
        """
        before, unknown = self._before(step, bay)
        blind = () if seeing or not bay else [sign for sign, of in unknown if of == bay]
        effect = self._classes.effect(step, bay, blind)
        return Work(step, bay, seeing, self._cost(step), 0.0 if seeing else before, unknown, effect)

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

    # ----------------------------------------------------------------- offers

    def _of_tests(self, tests: Sequence[tuple[Step, str]], plans: Plans) -> list[Offer]:
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

    def _of_repairs(self, here: Floats, end: float, plans: Plans) -> list[Offer]:
        """The offers of repairs, each with the best plan after it."""
        numbers = [  # what a repair needs is known, so there is only one of it
            number for number, one in enumerate(self._repairs) if self._allowed(one.step, one.bay)
        ]
        if not numbers:
            return []
        batch = self._batch(np.concatenate([self._repairs[one].failed(here) for one in numbers]))
        batch.closed[np.arange(len(numbers)), numbers] = True
        after = plans.best(batch).tolist()
        return [
            self._of_repair(self._repairs[one], here, end, then)
            for one, then in zip(numbers, after, strict=True)
        ]

    def _of_repair(self, one: Work, here: Floats, end: float, after: float) -> Offer:
        harm = float(here[0] @ one.harm)
        total = one.cost * float(here.sum()) + self.stakes.data * harm + after
        harmful = self._can_harm(one.step, self._worlds.chance(one.step.harm, one.bay))
        solves = float(here[0] @ one.ends)
        return Offer(one.step, one.bay, total, one.cost, harm, solves, end - total, harmful)

    def _of_end(self, one: Work, here: Floats) -> Offer:
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

    def _allowed(self, step: Step, bay: str) -> bool:
        """Whether all that the step needs is known and allows it."""
        return all(
            any(known is not None and answer in ("", known) for known in self._known(sign, bay))
            for sign, answer in self._needs(step)
        )

    def _needs(self, step: Step) -> Iterator[tuple[str, str]]:
        """What a step needs; of one drive alone, in the place of what only two together show, whatever the
        look at both would need first: files are no sooner to be seen for that."""
        for sign, answer in step.needs:
            if sign not in self._not_asked:
                yield sign, answer
                continue
            for one in self._worlds.tables.steps.values():
                if one.joins and one.reveals == sign:
                    yield from one.needs

    def _contradicted(self, step: Step, bay: str) -> bool:
        """Whether something it needs is known to be otherwise."""
        return any(
            all(known is not None and answer not in ("", known) for known in self._known(sign, bay))
            for sign, answer in step.needs
        )

    def _repaired(self, step: Step, bay: str) -> bool:
        """Whether a repair that was tried may have changed what a test tells."""
        asked = Asked(step.reveals, bay)
        return any(may_change(self._worlds, one.step, one.bay, asked) for one in self.belief.tried)

    def _known(self, sign: str, bay: str) -> tuple[str | None, ...]:
        """What is answered of a sign: of the step's own bay, or for a step of the box of each."""
        if self._worlds.tables.signs[sign].seat is not Seat.BAY:
            return (self.belief.answers.get(Asked(sign)),)
        bays = (bay,) if bay else self._worlds.subject.bays
        return tuple(self.belief.answers.get(Asked(sign, one)) for one in bays)

    def _cost(self, step: Step) -> float:
        return float(step.minutes.value) * self._minute + float(step.money.value)
