"""The next step: what it is worth, and that nothing harmful is offered before a safe test that would tell."""

from __future__ import annotations

import random
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.triage.belief import Asked, Belief, all_signs, sign_of
from mendbay.triage.next_step import (
    CONDITION,
    HARMFUL,
    INSIDE,
    KEEP_OFF,
    SEPARATING,
    SHARE,
    NextStep,
    Offer,
    Shut,
    kept_off,
)
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import TableTexts, packaged_tables, read_all
from mendbay.triage.tables import StepKind
from mendbay.triage.worlds import Subject, Worlds
from support.closed import altered
from support.decisions import expected_cost, value_of_test
from support.triage import known, some_answers

BOX = Worlds(packaged_tables(), Subject(("1", "2")))
DRIVE = Worlds(packaged_tables(), Subject(("1",), box=False))
SMALL_FAULTS = """
sound = { value = 0.000001, source = "test" }
strength = { value = 10, source = "test" }
[sources]
test = "for this test"
[[fault]]
id = "one"
seat = "box"
words = "it"
first = { value = 0.499998, source = "test" }
besides = { value = 1e-12, source = "test" }
[[fault]]
id = "two"
seat = "box"
words = "it"
first = { value = 0.3, source = "test" }
besides = { value = 1e-12, source = "test" }
[[fault]]
id = "three"
seat = "box"
words = "it"
first = { value = 0.2, source = "test" }
besides = { value = 1e-12, source = "test" }
[[fault]]
id = "of-a-drive"
seat = "bay"
words = "it"
first = { value = 0.0000005, source = "test" }
besides = { value = 1e-12, source = "test" }
[[layout]]
id = "mirror"
words = "it"
share = { value = 0.5, source = "test" }
[[layout]]
id = "stripe"
words = "it"
share = { value = 0.5, source = "test" }
[[event]]
id = "nothing"
words = "it"
share = { value = 0.5, source = "test" }
[[event]]
id = "something"
words = "it"
share = { value = 0.5, source = "test" }
"""
SMALL_SIGNS = """
strength = { value = 10, source = "test" }
[sources]
test = "for this test"
[[sign]]
id = "look"
seat = "box"
asks = "?"
answer = [{ id = "a", words = "a" }, { id = "b", words = "b" }, { id = "c", words = "c" }]
row = [
  { when = ["one"], chances = { values = [0.6, 0.3, 0.1], source = "test" } },
  { when = ["two"], chances = { values = [0.3, 0.4, 0.3], source = "test" } },
  { chances = { values = [0.1, 0.4, 0.5], source = "test" } },
]
"""
SMALL_STEPS = """
minute_cost = { value = 1, source = "test" }
[sources]
test = "for this test"
[[step]]
id = "mend-one"
kind = "repair"
seat = "box"
words = "do"
minutes = { value = 10, source = "test" }
money = { value = 0, source = "test" }
fixes = { one = { value = 0.9999999999, source = "test" } }
[[step]]
id = "mend-two"
kind = "repair"
seat = "box"
words = "do"
minutes = { value = 0, source = "test" }
money = { value = 2, source = "test" }
fixes = { two = { value = 0.9999999999, source = "test" } }
[[step]]
id = "mend-three"
kind = "repair"
seat = "box"
words = "do"
minutes = { value = 3, source = "test" }
money = { value = 2, source = "test" }
fixes = { three = { value = 0.9999999999, source = "test" } }
[[step]]
id = "look"
kind = "test"
seat = "box"
words = "do"
minutes = { value = 0.25, source = "test" }
money = { value = 0, source = "test" }
reveals = "look"
[[step]]
id = "send"
kind = "hand on"
seat = "box"
words = "do"
minutes = { value = 0, source = "test" }
money = { value = 1000, source = "test" }
solves = [{ chance = { value = 0.999, source = "test" } }]
"""


def small_worlds() -> Worlds:
    """Three faults of a box with chances .5 .3 .2 and perfect repairs that cost 10, 2 and 5: the example of
    `test_decide.py`. Handing on is dear, and a drive hardly ever fails."""
    return Worlds(read_all(TableTexts(SMALL_FAULTS, SMALL_SIGNS, SMALL_STEPS)), Subject(("1", "2")))


def offers(worlds: Worlds, stakes: float = 3000.0, **answers: str) -> tuple[Offer, ...]:
    return NextStep(Belief(worlds, known(**answers)), Stakes(stakes)).offers()


def named(found: tuple[Offer, ...]) -> list[str]:
    return [f"{one.step.id} {one.bay}".strip() for one in found]


def test_repairs_are_worth_what_the_published_formula_says() -> None:
    found = {one.step.id: one for one in offers(small_worlds())}
    chances, costs = (0.5, 0.3, 0.2), (10.0, 2.0, 5.0)
    for number, name in enumerate(("one", "two", "three")):
        best = min(
            expected_cost(chances, costs, order) for order in permutations(range(3)) if order[0] == number
        )
        assert found[f"mend-{name}"].total == pytest.approx(best, abs=0.02)
    repairs = [one.total for one in found.values() if one.step.kind is StepKind.REPAIR]
    assert min(repairs) == pytest.approx(10.0, abs=0.02)


def test_a_test_is_worth_what_deciding_after_it_saves() -> None:
    found = {one.step.id: one for one in offers(small_worlds())}
    prior = np.array([0.5, 0.3, 0.2])
    likelihood = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]])
    costs = (10.0, 2.0, 5.0)
    gains = -np.array(
        [
            [sum(costs[one] for one in order[: order.index(state) + 1]) for state in range(3)]
            for order in permutations(range(3))
        ]
    )
    worth = value_of_test(prior, likelihood, gains)
    assert found["look"].saves == pytest.approx(worth.information, abs=0.02)
    assert found["look"].total == pytest.approx(0.25 - worth.with_test, abs=0.02)
    assert worth.information > 0.3
    assert named(tuple(found.values()))[0] == "look", "it saves more than it costs"


def told_of_danger(belief: Belief, offer: Offer, first: Offer) -> tuple[float, float]:
    """Mutual information of a test's answer and of whether the first step does harm, by its definition: in
    bits, and as a share of the entropy of the latter."""
    worlds = belief.worlds
    danger = worlds.chance(first.step.harm, first.bay) >= HARMFUL
    likelihood = worlds.likelihood(worlds.tables.signs[offer.step.reveals], offer.bay)
    bits = entropy = 0.0
    for here in (danger, ~danger):
        share = belief.weights[here].sum()
        entropy -= share * np.log2(share) if share > 0 else 0.0
        for number in range(likelihood.shape[1]):
            both = (belief.weights[here] * likelihood[here, number]).sum()
            answer = (belief.weights * likelihood[:, number]).sum()
            bits += both * np.log2(both / (share * answer)) if both > 0 else 0.0
    return float(bits), float(bits / entropy) if entropy > 0 else 0.0


def untold(belief: Belief, found: tuple[Offer, ...]) -> bool | None:
    """Whether the first harmful step has only safe tests before it that were put there, and none that tells
    is left behind it; None where something harmless is best anyway."""
    first = next((number for number, one in enumerate(found) if one.harmful), None)
    if first is None or any(not one.before for one in found[:first]):
        return None
    told = [
        told_of_danger(belief, one, found[first])
        for one in found[first + 1 :]
        if one.step.kind is StepKind.TEST and not one.step.harm
    ]
    return all(bits < SEPARATING or share < SHARE for bits, share in told)


@settings(deadline=None, max_examples=25)
@given(some_answers(DRIVE, 6), st.sampled_from([200.0, 3000.0, 100_000.0]))
def test_nothing_harmful_comes_before_a_safe_test_that_would_tell(
    answers: dict[Asked, str], worth: float
) -> None:
    belief = Belief(DRIVE, answers)
    assert untold(belief, NextStep(belief, Stakes(worth)).offers()) is not False


LEADING = (
    known(supply_measured_bay1="amiss", driver_measured_bay1="sound", burn_bay1="seen", sound_bay1="silent"),
    known(swapped_bay1="without-rom", rom_read_bay1="amiss", sound_bay1="normal"),
    known(detected_bay1="right", refusals_bay1="scattered", smart_bay1="counting"),
)
"""Answers that make a step with power or solder the best one, so that the rule has something to do."""


@pytest.mark.parametrize(("worlds", "rounds"), [(DRIVE, 45), (BOX, 9)], ids=["drive", "box"])
def test_the_same_where_something_harmful_would_be_best(worlds: Worlds, rounds: int) -> None:
    rng = random.Random(11)
    met = 0
    for number in range(rounds):
        heard = known(sound_bay2="normal") if worlds is BOX else {}  # else asking for it is best
        answers = heard | LEADING[number % 3]
        one = rng.choice([one for one in all_signs(worlds) if one.sign != CONDITION])  # it bars all power
        answers.setdefault(one, rng.choice(sign_of(worlds, one).answers).id)
        belief = Belief(worlds, answers)
        kept = untold(belief, NextStep(belief).offers())
        assert kept is not False, answers
        met += kept is True
    assert met >= rounds / 3, f"the rule had something to do in {met} of {rounds} only"


@settings(deadline=None, max_examples=15)
@given(some_answers(BOX, 6))
def test_every_step_is_offered_once_and_its_figures_hold_together(answers: dict[Asked, str]) -> None:
    found = NextStep(Belief(BOX, answers)).offers()
    assert len(set(named(found))) == len(found)
    assert any(one.step.kind is StepKind.HAND_ON for one in found)
    for one in found:
        assert one.total >= one.cost * (one.step.kind is StepKind.TEST)
        assert 0 <= one.harm < 1
        assert 0 <= one.solves <= 1
        assert one.step.kind is not StepKind.TEST or Asked(one.step.reveals, one.bay) not in answers
        assert one.step.kind is not StepKind.TEST or one.saves >= -1e-6, "no answer makes a job dearer"


def test_what_a_step_needs_is_known_before_it_is_offered() -> None:
    assert "read-records 1" not in named(offers(DRIVE))
    assert "read-records 1" in named(offers(DRIVE, detected_bay1="right"))
    assert "read-records 1" not in named(offers(DRIVE, detected_bay1="no"))
    assert "read-both" in named(offers(BOX, detected_bay2="right"))
    assert "put-together" not in named(offers(BOX, detected_bay2="right"))


def test_the_more_the_data_is_worth_the_less_is_risked() -> None:
    signs = {
        "sound_bay1": "clicks",
        "history": "dropped",
        "swapped_bay1": "no",
        "sound_bay2": "clicks",
        "swapped_bay2": "no",
    }
    dear = offers(BOX, 1e6, **signs)
    sent = named(dear).index("stop-and-send")
    assert all(not one.harmful for one in dear[:sent]), named(dear)[: sent + 1]
    cheap = offers(BOX, 50.0, **signs)
    assert cheap[0].total <= 60.0, "what costs more than it is worth is given back"


@pytest.mark.parametrize("worth", [0.0, -1.0, 1e12, float("nan")])
def test_data_has_a_worth_above_nothing(worth: float) -> None:
    with pytest.raises(UsageError, match="worth"):
        Stakes(worth)


def test_how_often_drives_are_damaged_inside_keeps_none_without_power_by_itself() -> None:
    worlds = Worlds(altered({"heads": 20.0, "media-damage": 20.0}), Subject(("1",), box=False))
    inside = [worlds.place(one, "1") for one in worlds.tables.groups[INSIDE]]
    assert worlds.prior[worlds.faulty[:, inside].any(axis=1)].sum() > KEEP_OFF
    assert kept_off(Belief(worlds, {})) == {}
    assert kept_off(Belief(worlds, {Asked("sound", "1"): "normal"})) == {}
    assert set(kept_off(Belief(worlds, {Asked("sound", "1"): "stops"}))) == {"1"}


def test_a_drive_whose_board_is_closed_gets_no_power_but_for_mending_the_board() -> None:
    belief = Belief(BOX, known(supply_measured_bay1="amiss", detected_bay1="right"))

    def barred(*shut: Shut) -> dict[tuple[str, str], str]:
        found = NextStep(belief, shut=shut).offers()
        held = [bool(one.barred) for one in found]
        assert held == sorted(held), "what is held stands behind everything else"
        return {(one.step.id, one.bay): one.barred for one in found if one.step.powers}

    free = barred()
    assert set(free.values()) == {""}
    board, drive = barred(Shut("1", True)), barred(Shut("1", False))
    mending = {("mend-supply", "1"), ("swap-board", "1")}
    assert {one for one, bay in board.items() if not bay and one[1] != "2"} == mending
    assert {one for one, bay in drive.items() if not bay and one[1] != "2"} == set()
    assert {bay for (_, of), bay in board.items() if of == "2"} == {""}, "the other drive may"
