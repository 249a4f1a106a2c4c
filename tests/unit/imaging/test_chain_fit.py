"""Good and bad stretches estimated from what was given and refused: against drives drawn by the same law, and
the likelihood against one that walks sector by sector."""

from __future__ import annotations

import itertools
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.imaging.chain_fit import Grid, Seen, fit, log_likelihood
from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.slowness import Slowness
from mendbay.imaging.stretches import learn_stretches

SECTORS = 1 << 20


def drawn(seed: int, good: float, bad: float, refused_share: float, density: float) -> np.ndarray:
    """Which sectors of a drive refuse."""
    chance = np.random.default_rng(seed)
    refuses = chance.random(SECTORS) < density
    at = int(chance.exponential(good))
    while at < SECTORS and bad:
        length = max(1, int(chance.exponential(bad)))
        inside = refuses[at : at + length]
        inside |= chance.random(inside.size) < refused_share
        at += length + max(1, int(chance.exponential(good)))
    return refuses


def read(refuses: np.ndarray, seed: int, reads: int, size: int) -> tuple[Density, GivenPlaces]:
    """What so many reads at places drawn by chance bring; in some refused ones a few sectors are asked for
    singly."""
    chance = np.random.default_rng([seed, 9])
    nothing = np.empty(0, np.int64)
    given, slow = GivenPlaces(nothing, nothing), Slowness()
    damage = Density(SECTORS, 2e-5, given, slow)
    for place in np.sort(chance.choice(SECTORS // size, reads, replace=False)).tolist():
        start, stop = place * size, (place + 1) * size
        if not refuses[start:stop].any():
            given.add(start, stop)
            damage.tried(start, stop)
            continue
        few = chance.random() < 0.3
        for one in range(start, start + 24) if few else ():
            if refuses[one]:
                damage.refused(one, one + 1, 1.0)
            else:
                given.add(one, one + 1)
                damage.tried(one, one + 1)
        first = start + 24 if few else start
        if refuses[first:stop].any():
            damage.refused(first, stop, 1.0)
    return damage, given


def test_lone_bad_sectors_are_no_stretches_however_many_long_reads_they_spoil() -> None:
    for seed in range(4):
        damage, given = read(drawn(seed, 1.0, 0.0, 0.0, 1e-3), seed, 1_500, 256)
        found = learn_stretches(damage, given, SECTORS, 2e-5)
        assert found.enter * 256 < 0.15 * (256 * 1e-3)  # nearly all refusals are for lone sectors
        assert found.density == pytest.approx(1e-3, rel=0.6)


@pytest.mark.parametrize(("good", "bad"), [(30_000, 10_000), (30_000, 30_000), (120_000, 4_000)])
def test_dead_stretches_are_told_from_reads_at_places_drawn_by_chance(good: float, bad: float) -> None:
    shares, lengths = [], []
    for seed in range(6):
        refuses = drawn(seed, good, bad, 1.0, 2e-5)
        found = learn_stretches(*read(refuses, seed, 1_200, 256), SECTORS, 2e-5)
        shares.append(found.enter / (found.enter + found.leave) / (bad / (good + bad)))
        lengths.append(1 / found.leave / bad)
        assert found.refused_share > 0.6
    assert 0.6 < np.median(shares) < 1.6
    assert 0.4 < np.median(lengths) < 2.5


def test_a_weak_head_is_told_from_a_dead_one() -> None:
    for seed in range(4):
        weak = learn_stretches(
            *read(drawn(seed, 30_000, 15_000, 0.08, 2e-5), seed, 1_200, 256), SECTORS, 2e-5
        )
        dead = learn_stretches(*read(drawn(seed, 30_000, 15_000, 1.0, 2e-5), seed, 1_200, 256), SECTORS, 2e-5)
        assert weak.refused_share < 0.25
        assert dead.refused_share > 0.75


def test_nothing_seen_leaves_what_was_assumed_and_a_healthy_drive_makes_it_small() -> None:
    nothing = np.empty(0, np.int64)
    given = GivenPlaces(nothing, nothing)
    damage = Density(SECTORS, 2e-5, given, Slowness())
    before = learn_stretches(damage, given, SECTORS, 2e-5)
    assert before.density == pytest.approx(2e-5, rel=1.0)
    given.add(0, SECTORS)
    damage.tried(0, SECTORS)
    after = learn_stretches(damage, given, SECTORS, 2e-5)
    assert after.enter < 2e-6
    assert after.enter < before.enter / 10
    assert after.density < 5e-6


def walked(kinds: str, enter: float, leave: float, refused: float, density: float) -> float:
    """Log likelihood sector by sector: `g` given, `r` refused, `.` nobody asked."""
    state = np.array([leave, enter]) / (enter + leave)
    moves = np.array([[1 - enter, enter], [leave, 1 - leave]])
    total = 0.0
    for kind in kinds:
        gives = {"g": (1 - density, 1 - refused), "r": (density, refused), ".": (1.0, 1.0)}[kind]
        state = (state * gives) @ moves
        total += float(np.log(state.sum()))
        state = state / state.sum()
    return total


def law_of(grid: Grid, index: int) -> list[float]:
    """One explanation, as `walked` takes it."""
    return [float(one[index]) for one in (grid.enter, grid.leave, grid.refused, grid.density)]


def seen(rows: list[tuple[int, int, int, int, int]]) -> Seen:
    """Entries, each of sectors unread and given, runs, refused range and times, that all count once."""
    unread, given_, runs, refused, times = np.array(rows).T
    begins, counts = np.zeros(len(rows), dtype=np.bool_), np.ones(len(rows))
    return Seen(
        unread.astype(float), given_.astype(float), runs, refused.astype(float), times, begins, counts
    )


def rows_of(kinds: str) -> Seen:
    """The same as entries; what was refused singly in a row is one."""
    rows: list[tuple[int, int, int, int, int]] = []
    unread = 0
    for kind, group in itertools.groupby(kinds):
        length = len(list(group))
        if kind == ".":
            unread = length
        else:
            rows.append((unread, length, 1, 0, 1) if kind == "g" else (unread, 0, 0, 1, length))
            unread = 0
    rows += [(unread, 0, 0, 0, 1)] if unread else []
    return seen(rows)


def same_as_walked(kinds: str) -> None:
    grid, found = log_likelihood(rows_of(kinds), 2e-5)
    for index in range(0, found.size, 41):
        true = walked(kinds, *law_of(grid, index))
        assert found[index] == pytest.approx(true, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    "kinds",
    [
        "gggg....rr..gg....r......gggggg...rrr.ggg",
        "g" * 200 + "rrr" + "g" * 200,
        "r" * 300 + "g" * 3000 + "r" * 300,
        "rg" * 40,
        "g" * 5000,
        "r" * 5000,
    ],
)
def test_the_likelihood_is_that_of_walking_sector_by_sector(kinds: str) -> None:
    same_as_walked(kinds)


@settings(max_examples=30)
@given(st.lists(st.tuples(st.sampled_from("gr."), st.integers(1, 40)), min_size=1, max_size=12))
def test_the_likelihood_is_that_of_walking_along_anything(runs: list[tuple[str, int]]) -> None:
    same_as_walked("".join(kind * length for kind, length in runs))


def test_a_refused_range_is_whatever_may_happen_in_it_but_that_all_is_given() -> None:
    """Summed over every way in which at least one of six sectors is refused."""
    grid, found = log_likelihood(seen([(0, 9, 1, 0, 1), (0, 0, 0, 6, 1), (2, 4, 1, 0, 1)]), 2e-5)
    for index in range(0, found.size, 97):
        law = law_of(grid, index)
        ways = ("".join(one) for one in itertools.product("gr", repeat=6))
        chance = sum(
            float(np.exp(walked("g" * 9 + way + ".." + "g" * 4, *law))) for way in ways if "r" in way
        )
        assert found[index] == pytest.approx(float(np.log(chance)), rel=1e-6, abs=1e-6)


def test_several_runs_alike_are_gaps_and_runs_in_turn() -> None:
    grid, found = log_likelihood(seen([(20, 12, 3, 0, 1)]), 2e-5)
    for index in range(0, found.size, 97):
        law = law_of(grid, index)
        assert found[index] == pytest.approx(walked(".....gggg" * 3 + ".....", *law), rel=1e-6, abs=1e-6)


def long_run(sectors: int, law: list[float], *, refused: bool) -> float:
    """Log likelihood of so many sectors of one kind, by the eigenvalues, to fifty digits."""
    with localcontext(prec=50):
        enter, leave, inside, density = map(Decimal, law)
        good, bad = (density, inside) if refused else (1 - density, 1 - inside)
        a, b, c, d = good * (1 - enter), good * enter, bad * leave, bad * (1 - leave)
        apart = ((a - d) ** 2 + 4 * b * c).sqrt()
        greater, lesser = (a + d + apart) / 2, (a + d - apart) / 2
        share = enter / (enter + leave)
        stays = (1 - share) * (a - lesser + b) + share * (c + d - lesser)
        return float(greater.ln() * sectors + (stays / apart).ln())


def test_no_range_is_too_long_and_no_explanation_too_wrong_to_be_weighed() -> None:
    long = 10**9
    for row, refused in (((0, long, 1, 0, 1), False), ((0, 0, 0, 1, long), True)):
        grid, found = log_likelihood(seen([row]), 2e-5)
        for index in range(0, found.size, 97):
            law = law_of(grid, index)
            assert found[index] == pytest.approx(long_run(long, law, refused=refused), rel=1e-9, abs=1e-5)


def test_fit_is_the_mean_of_its_grid_by_weight() -> None:
    known = seen([(100, 5_000, 1, 0, 1)])
    grid, found = log_likelihood(known, 2e-5)
    weight = np.exp(grid.log_prior + found)
    mean = float((weight / weight.sum()) @ grid.refused)
    assert fit(known, 2e-5).refused_share == pytest.approx(mean)
