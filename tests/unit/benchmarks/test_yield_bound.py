"""The bound of the imaging benchmark: exact for the relaxed problem, and beaten by no order of reading.

Judged by enumeration: dynamic programming over all sets of unread sectors, which knows nothing of indices.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaging_yield.bound import Law, bound, bound_of_law, by_age, by_index, jobs_of, value_of_tries
from imaging_yield.models import MODELS, SECTOR_BYTES, DriveModel, Strewn, draw
from imaging_yield.policies import VALUE_WANTED
from imaging_yield.simulate import play, read_until_the_end

from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.attempt import Outcome as Ending
from support.yield_drives import small_drive

tiny_drives = st.builds(
    lambda chances, wanted, life, refusal: small_drive(chances, wanted, life=life, refusal=refusal),
    st.lists(st.sampled_from([0.0, 0.1, 0.5, 0.9, 1.0]), min_size=1, max_size=5),
    st.sampled_from([[], [(0, 1)], [(1, 2)], [(0, 2)]]),
    st.sampled_from([2.0, 20.0, 500.0]),
    st.sampled_from([0.0, 0.05, 1.0]),
).filter(lambda drive: drive.wanted[1].max(initial=0) <= drive.sectors)


def chances_of(model: DriveModel) -> list[float]:
    chance = np.ones(model.sectors)
    chance[model.bad] = 0
    chance[model.weak] = model.weak_gives
    return chance.tolist()


def weights_of(model: DriveModel, wanted_weight: float) -> list[float]:
    weight = np.ones(model.sectors)
    for start, stop in zip(*model.wanted, strict=True):
        weight[start:stop] = wanted_weight
    return weight.tolist()


def best_of_single_reads(model: DriveModel, wanted_weight: float) -> float:
    """Optimum when each read is of one sector and costs its transfer only, over all sets of unread ones."""
    chance, weight = chances_of(model), weights_of(model, wanted_weight)
    given = math.exp(-0.5 / model.hazard.life_seconds)
    refused = math.exp(-model.refusal_seconds / model.hazard.life_seconds - model.hazard.refusal)

    @cache
    def best(unread: frozenset[int]) -> float:
        values = [0.0]
        for at in unread:  # a sector once asked for is asked again until given: nothing else has changed
            gain = chance[at] * given * (weight[at] + best(unread - {at}))
            values.append(gain / (1 - (1 - chance[at]) * refused) if chance[at] else 0.0)
        return max(values)

    return best(frozenset(range(model.sectors)))


def best_of_all_reads(model: DriveModel, wanted_weight: float) -> float:
    """The optimum with commands, seeks and reads of several sectors, chances known: value iteration over the
    sets of unread sectors and the place of the head."""
    chance, weight = chances_of(model), weights_of(model, wanted_weight)
    life, size = model.hazard.life_seconds, model.sectors
    short, long = model.seek_seconds
    value = np.zeros((1 << size, size + 1))
    for unread in range(1, 1 << size):
        _iterate(value, unread, _moves(model, chance, weight, unread, life, (short, long)))
    return float(value[(1 << size) - 1, 0])


def _moves(
    model: DriveModel,
    chance: list[float],
    weight: list[float],
    unread: int,
    life: float,
    seeks: tuple[float, float],
) -> list[list[list[tuple[float, float, int, int]]]]:
    """For each place of the head, each read; for each end of it: share, gain, unread then, head then."""
    size = model.sectors
    reads = [
        (start, stop)
        for start in range(size)
        for stop in range(start + 1, size + 1)
        if all(unread >> at & 1 for at in range(start, stop))
    ]
    moves = []
    for head in range(size + 1):
        choices = []
        for start, stop in reads:
            seek = (
                0.0
                if head == start
                else seeks[0] + (seeks[1] - seeks[0]) * math.sqrt(abs(head - start) / size)
            )
            begin, ends, sure = model.command_seconds + seek, [], 1.0
            for at in range(start, stop):
                seconds = begin + (at - start) * 0.5 + model.refusal_seconds
                fails = sure * (1 - chance[at])
                ends.append((fails * math.exp(-seconds / life - model.hazard.refusal), 0.0, unread, at))
                sure *= chance[at]
            mask = sum(1 << at for at in range(start, stop))
            alive = sure * math.exp(-(begin + (stop - start) * 0.5) / life)
            ends.append((alive, sum(weight[start:stop]), unread & ~mask, stop))
            choices.append(ends)
        moves.append(choices)
    return moves


def _iterate(value: np.ndarray, unread: int, moves: list[list[list[tuple[float, float, int, int]]]]) -> None:
    for _ in range(400):
        before = value[unread].copy()
        for head, choices in enumerate(moves):
            for ends in choices:
                worth = sum(share * (gain + value[then, place]) for share, gain, then, place in ends)
                value[unread, head] = max(value[unread, head], worth)
        if np.abs(value[unread] - before).max() < 1e-10:
            return


@given(tiny_drives)
@settings(max_examples=60, deadline=None)
def test_index_order_is_the_exact_optimum_of_the_relaxed_problem(model: DriveModel) -> None:
    assert by_index(jobs_of(model, 7.0), model) == pytest.approx(best_of_single_reads(model, 7.0), rel=1e-9)


@given(tiny_drives)
@settings(max_examples=25, deadline=None)
def test_nothing_that_knows_every_chance_beats_the_bound(model: DriveModel) -> None:
    best = best_of_all_reads(model, 7.0)
    jobs = jobs_of(model, 7.0)
    assert best <= by_index(jobs, model) + 1e-9
    assert best <= by_age(jobs, model) + 1e-9


@given(tiny_drives, st.sampled_from([1.0, 5.0]))
@settings(max_examples=30, deadline=None)
def test_the_bound_by_age_holds_where_the_hazard_rises(model: DriveModel, wear_out: float) -> None:
    """Healthy and dead sectors only: then every order is certain, and all of them can be tried."""
    aging = replace(model, hazard=replace(model.hazard, wear_out_seconds=wear_out))
    sure = replace(aging, weak=np.empty(0, np.int64), weak_gives=np.empty(0))
    weight = weights_of(sure, 7.0)
    readable = [at for at in range(sure.sectors) if at not in sure.bad]

    @cache
    def best(unread: frozenset[int]) -> float:
        age = (len(readable) - len(unread) + 1) * 0.5
        alive = math.exp(-sure.hazard.by_age(age))
        return max((alive * weight[at] + best(unread - {at}) for at in unread), default=0.0)

    jobs = jobs_of(sure, 7.0)
    assert best(frozenset(readable)) <= by_age(jobs, sure) + 1e-9
    assert best(frozenset(readable)) <= by_index(jobs, sure) + 1e-9


def test_a_clairvoyant_reads_every_sector_that_is_not_dead_once() -> None:
    for name in MODELS:
        drive = draw(name, 1)
        jobs = jobs_of(drive, VALUE_WANTED)
        dead = int((drive.dead[1] - drive.dead[0]).sum()) + drive.bad.size
        assert jobs.count.sum() == drive.sectors - dead
        readable_wanted = jobs.count[jobs.weight == VALUE_WANTED].sum()
        assert 0 < readable_wanted <= drive.wanted_sectors
        healthy = jobs.count[: -drive.weak.size or None]
        assert (healthy >= 0).all()
        whole = (jobs.count * jobs.seconds).sum()
        assert whole <= drive.pace_seconds[-1] * (1 + 1e-9)


def best_of_tries(weights: list[float], law: Law, model: DriveModel, most: int) -> float:
    """The optimum over all orders of tries of sectors that may be weak, each with its count of refusals: the
    chance of the next is that of a mixture, integrated in small steps."""
    refused_by = [1.0] + [law.dead] * most
    for share, gives in law.weak:
        edges = np.linspace(*gives, 20_001)
        middles = (edges[1:] + edges[:-1]) / 2
        for tries in range(1, most + 1):
            refused_by[tries] += share * float(np.mean((1 - middles) ** tries))
    given = math.exp(-0.5 / model.hazard.life_seconds)
    refused = math.exp(-model.refusal_seconds / model.hazard.life_seconds - model.hazard.refusal)

    @cache
    def best(refusals: tuple[int, ...]) -> float:
        values = [0.0]
        for at, count in enumerate(refusals):
            if count < most:  # `most` stands for given, or given up
                chance = 1 - refused_by[count + 1] / refused_by[count]
                done = (*refusals[:at], most, *refusals[at + 1 :])
                again = (*refusals[:at], count + 1, *refusals[at + 1 :])
                gain = chance * given * (weights[at] + best(done))
                values.append(gain + (1 - chance) * refused * best(again))
        return max(values)

    return best((0,) * len(weights))


@given(
    st.lists(st.sampled_from([1.0, 7.0]), min_size=1, max_size=4),
    st.sampled_from([0.05, 0.4, 0.9]),
    st.sampled_from([(0.05, 0.9), (0.2, 0.8)]),
    st.sampled_from([2.0, 50.0]),
    st.sampled_from([0.0, 0.3]),
    st.sampled_from([0.0, 0.02]),
)
@settings(max_examples=40, deadline=None)
def test_the_bound_of_law_is_the_exact_optimum_for_one_who_must_find_out(
    weights: list[float], share: float, gives: tuple[float, float], life: float, refusal: float, dead: float
) -> None:
    law = Law(dead, ((share, gives), (dead / 2, (0.1, 0.3))))
    model = small_drive([1.0], life=life, refusal=refusal)
    kinds, counts = np.unique(weights, return_counts=True)
    found = value_of_tries(counts.astype(float), kinds, np.full(kinds.size, 0.5), law, model, 5)
    assert found == pytest.approx(best_of_tries(weights, law, model, 5), rel=1e-6)


def test_not_knowing_what_luck_decided_never_raises_the_bound() -> None:
    for seed in range(4):
        for name in ("weak-head", "isolated", "dead-head"):
            drive = draw(name, seed, "reporting", 1 << 16)
            assert 0 < bound_of_law(drive, VALUE_WANTED) < bound(drive, VALUE_WANTED)
    drive = draw("clusters", 1, "reporting", 1 << 16)
    assert bound_of_law(drive, VALUE_WANTED) == bound(drive, VALUE_WANTED)


def test_one_who_knows_the_law_only_is_held_to_it_in_the_mean_over_placements() -> None:
    """The bound of law against play: sectors read one by one in the order of their weights, no cost of
    commands or seeks, bad ones strewn anew each time. Independent sectors have no better order."""
    values, bounds = [], []
    for seed in range(400):
        chance = np.random.default_rng(seed)
        bad = chance.random(300) < 0.05
        free = {"command_seconds": 0.0, "seek_seconds": (0.0, 0.0)}
        drive = small_drive((~bad).astype(float).tolist(), [(40, 60)], life=400.0, refusal=0.02, **free)
        drive = replace(drive, strewn=Strewn(drive.bad, 0.05, 0.0, (0.1, 0.3)))
        outcome = read_until_the_end(OneByOne(drive), drive)[0].outcome("one by one", 0.0)
        values.append(outcome.value)
        bounds.append(outcome.law_bound)
    assert np.ptp(bounds) < 1e-9
    error = np.std(values, ddof=1) / math.sqrt(len(values))
    assert abs(np.mean(values) - bounds[0]) < 3 * error
    assert error < 0.01 * bounds[0]


class OneByOne:
    """Reads single sectors once each, the wanted ones first."""

    def __init__(self, model: DriveModel) -> None:
        weight = np.array(weights_of(model, VALUE_WANTED))
        self._left = np.argsort(weight, kind="stable").tolist()

    def choose(self) -> Span | None:
        return Span.at(self._left.pop() * SECTOR_BYTES, SECTOR_BYTES) if self._left else None

    def learn(self, attempt: Attempt) -> None:
        pass


class Clairvoyant:
    """Reads single sectors in the order of the index, each until it is given; knows the drive."""

    def __init__(self, model: DriveModel) -> None:
        chance, weight = np.array(chances_of(model)), np.array(weights_of(model, VALUE_WANTED))
        pace = np.diff(np.interp(np.arange(model.sectors + 1), model.pace_at, model.pace_seconds))
        life = model.hazard.life_seconds
        given = chance * np.exp(-pace / life)
        refused = (1 - chance) * math.exp(-model.refusal_seconds / life - model.hazard.refusal)
        order = np.argsort(-weight * given / (1 - given - refused))
        self._left = [int(at) for at in order[::-1] if chance[at] > 0]

    def choose(self) -> Span | None:
        return Span.at(self._left[-1] * SECTOR_BYTES, SECTOR_BYTES) if self._left else None

    def learn(self, attempt: Attempt) -> None:
        if attempt.outcome is Ending.GIVEN:
            self._left.pop()


def lucky_drive(seed: int, weak: bool) -> DriveModel:
    """A small drive on which commands and seeks cost nothing, with two paces; `seed` decides luck only."""
    chance = np.random.default_rng(8)
    some = [0.0, 0.3, 0.8] if weak else [0.0, 0.0, 0.0]
    chances = chance.choice([*some, 1.0], 300, p=[0.1, 0.1, 0.1, 0.7])
    free = {"command_seconds": 0.0, "seek_seconds": (0.0, 0.0)}
    drive = small_drive(chances.tolist(), [(40, 60)], life=400.0, refusal=0.02, seed=seed, **free)
    return replace(drive, pace_at=np.array([0.0, 100, 300]), pace_seconds=np.array([0.0, 50, 250]))


def test_who_knows_everything_attains_the_bound() -> None:
    """So it is no looser than commands, seeks and ignorance make it; and simulator and bound agree."""
    sure = lucky_drive(1, weak=False)
    outcome = read_until_the_end(Clairvoyant(sure), sure)[0].outcome("clairvoyant", 0.0)
    assert outcome.value == pytest.approx(outcome.bound, rel=1e-9)
    values = []
    for seed in range(60):
        drive = lucky_drive(seed, weak=True)
        outcome = read_until_the_end(Clairvoyant(drive), drive)[0].outcome("clairvoyant", 0.0)
        values.append(outcome.value)
    error = np.std(values, ddof=1) / math.sqrt(len(values))
    assert abs(np.mean(values) - outcome.bound) < 3 * error
    assert error < 0.01 * outcome.bound


@pytest.mark.parametrize("policy", ["sequential", "skips", "skips-256", "ours", "ours-told"])
@pytest.mark.parametrize("model", ["isolated", "scratches", "dead-head", "wear-out", "hangs"])
def test_no_order_exceeds_the_bound_on_small_drives(policy: str, model: str) -> None:
    """The expectation over deaths is exact, and no sector is weak: it must hold on every single drive."""
    gained = 0.0
    for seed in range(4):
        drive = draw(model, seed, "reporting", 1 << 14)
        sure = replace(drive, weak=drive.weak[:0], weak_gives=drive.weak_gives[:0])
        outcome = play(policy, sure)
        assert outcome.value <= outcome.bound
        gained += outcome.value
    assert gained > 0


@pytest.mark.parametrize("policy", ["sequential", "skips", "ours", "ours-told"])
def test_no_order_exceeds_the_bound_in_the_mean_where_sectors_are_given_by_luck(policy: str) -> None:
    drive = draw("weak-head", 3, "reporting", 1 << 13)
    outcomes = [play(policy, replace(drive, seed=luck)) for luck in range(8)]
    values = [one.value for one in outcomes]
    assert np.mean(values) <= outcomes[0].bound + 3 * np.std(values, ddof=1) / math.sqrt(len(values))
