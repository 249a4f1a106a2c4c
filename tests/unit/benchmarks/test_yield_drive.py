"""The simulated drive: what it answers, how long it takes, what life that costs, how a run is summed up."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from imaging_yield.models import Hazard, Heat, draw
from imaging_yield.policies import POLICIES, VALUE_WANTED
from imaging_yield.simulate import PARTS, Books, play
from imaging_yield.simulated_drive import GO_ON_CELSIUS, PAUSE_CELSIUS, SimulatedDrive

from mendbay.imaging.attempt import Outcome
from support.yield_drives import small_drive


@given(
    st.lists(st.sampled_from([0.0, 0.4, 0.9, 1.0]), min_size=2, max_size=200),
    st.data(),
)
@settings(max_examples=80, deadline=None)
def test_a_read_ends_at_its_first_sector_not_given(chances: list[float], data: st.DataObject) -> None:
    """Against asking sector by sector: the same luck, since it depends on place and number of tries only."""
    model = small_drive(chances)
    start = data.draw(st.integers(0, len(chances) - 1))
    stop = data.draw(st.integers(start + 1, len(chances)))
    whole, single = SimulatedDrive(model), SimulatedDrive(model)
    for _ in range(3):
        answer = whole.read(start, stop)
        fails = next(
            (at for at in range(start, stop) if single.read(at, at + 1).outcome is not Outcome.GIVEN), stop
        )
        assert (answer.outcome is Outcome.GIVEN) == (fails == stop)
        assert answer.transfer == pytest.approx((fails - start) * 0.5)
        assert answer.refusal == (0.0 if fails == stop else 3.0)


def test_dead_ranges_refuse_every_read_that_touches_them() -> None:
    model = small_drive([1.0] * 100, dead=(np.array([20, 60]), np.array([30, 61])))
    expected = {
        (0, 20): None,
        (0, 21): 20,
        (25, 28): 25,
        (29, 40): 29,
        (30, 60): None,
        (55, 70): 60,
        (61, 100): None,
    }
    for (start, stop), fails in expected.items():
        answer = SimulatedDrive(model).read(start, stop)
        assert answer.outcome is (Outcome.GIVEN if fails is None else Outcome.REFUSED)
        assert answer.transfer == pytest.approx(((stop if fails is None else fails) - start) * 0.5)


def test_reads_beyond_the_drive_are_refused_as_an_error() -> None:
    drive = SimulatedDrive(small_drive([1.0] * 4))
    for start, stop in ((-1, 2), (2, 2), (3, 5)):
        with pytest.raises(ValueError, match="no sectors"):
            drive.read(start, stop)


def test_weak_sectors_are_given_as_often_as_their_chance_says() -> None:
    chances = [0.1, 0.5, 0.9]
    given_count = np.zeros(3)
    for seed in range(50):
        drive = SimulatedDrive(small_drive(chances, seed=seed))
        given_count += [
            [drive.read(at, at + 1).outcome is Outcome.GIVEN for _ in range(20)].count(True)
            for at in range(3)
        ]
    assert given_count / 1_000 == pytest.approx(chances, abs=0.06)


def test_time_adds_up_and_the_head_stays_where_a_read_ended() -> None:
    model = small_drive([1.0] * 50 + [0.0] + [1.0] * 49)
    drive = SimulatedDrive(model)
    answers = [
        drive.read(0, 10),
        drive.read(10, 20),
        drive.read(45, 60),
        drive.read(50, 51),
        drive.read(90, 100),
    ]
    short, long = model.seek_seconds
    assert [one.seek for one in answers] == pytest.approx(
        [0, 0, short + (long - short) * math.sqrt(0.25), 0, short + (long - short) * math.sqrt(0.4)]
    )
    assert [one.refusal for one in answers] == [0, 0, 3.0, 3.0, 0]
    assert drive.age == pytest.approx(sum(one.seconds + one.pause for one in answers))
    assert drive.refusals == 2


def test_life_is_spent_by_hours_and_refusals_as_stated() -> None:
    model = small_drive([1.0] * 10 + [0.0], hazard=Hazard(100.0, 0.2, wear_out_seconds=50.0, rise=0.5))
    drive = SimulatedDrive(model)
    first = drive.read(0, 10).seconds
    steps = np.linspace(0, first, 200_001)
    by_hand = np.trapezoid((1 + (steps / 50) ** 2) / 100, steps)
    assert drive.spent == pytest.approx(by_hand, rel=1e-6)
    for refusal in range(3):
        before, age = drive.spent, drive.age
        drive.read(10, 11)
        aging = model.hazard.by_age(drive.age) - model.hazard.by_age(age)
        assert drive.spent - before == pytest.approx((1 + 0.5 * refusal) * (aging + 0.2))


def test_a_hang_takes_its_patience_and_a_drop_out_its_power_cycle() -> None:
    hung = small_drive([0.0, 0.0], hangs=np.array([1]), hang_seconds=25.0)
    assert [
        (one.outcome, one.refusal) for one in (SimulatedDrive(hung).read(at, at + 1) for at in (0, 1))
    ] == [
        (Outcome.REFUSED, 3.0),
        (Outcome.HUNG, 25.0),
    ]
    gone = SimulatedDrive(small_drive([0.0], drop_out_chance=1.0, drop_out_seconds=40.0, drop_out_wear=0.3))
    answer = gone.read(0, 1)
    assert (answer.outcome, answer.refusal, answer.wear) == (Outcome.VANISHED, 43.0, 0.3)
    assert gone.spent == pytest.approx(gone.age / 1_000 + 0.01 + 0.3)


def test_drop_outs_come_as_often_as_their_chance_says() -> None:
    counted = 0
    for seed in range(100):
        drive = SimulatedDrive(small_drive([0.0], drop_out_chance=0.05, seed=seed))
        counted += [drive.read(0, 1).outcome for _ in range(40)].count(Outcome.VANISHED)
    assert counted / 4_000 == pytest.approx(0.05, abs=0.012)


def test_a_hot_drive_rests_until_it_is_cool_and_the_rest_is_powered_time() -> None:
    drive = SimulatedDrive(small_drive([1.0] * 4_000, heat=Heat(32.0, 65.0, 100.0)))
    paused = 0.0
    for at in range(0, 4_000, 10):
        before = drive.celsius
        answer = drive.read(at, at + 10)
        assert (answer.pause > 0) == (before >= PAUSE_CELSIUS)
        if answer.pause:  # cooling from `before` to GO_ON towards 32 degrees, by Newton's law
            assert 32 + (before - 32) * math.exp(-answer.pause / 100) == pytest.approx(GO_ON_CELSIUS)
        assert drive.celsius < PAUSE_CELSIUS + 2
        paused += answer.pause
    assert paused > 0
    assert drive.age == pytest.approx(4_000 * 0.5 + 400 * drive.model.command_seconds + paused)


def test_value_counts_each_gain_by_the_chance_of_living_until_it() -> None:
    model = small_drive([1.0, 1.0, 0.0, 1.0], [(0, 1)], life=50.0, refusal=0.1)
    drive, books = SimulatedDrive(model), Books(model)
    for start, stop in ((0, 1), (1, 4), (3, 4)):
        books.add(start, stop, drive.read(start, stop))
    outcome = books.outcome("by hand", 0.0)
    command, (short, long) = model.command_seconds, model.seek_seconds
    seek = short + (long - short) * math.sqrt(1 / 4)
    first = command + 0.5
    second = first + command + 0.5 + 3.0
    third = second + command + seek + 0.5
    alive = [math.exp(-first / 50), math.exp(-second / 50 - 0.1), math.exp(-third / 50 - 0.1)]
    assert outcome.wanted_share == pytest.approx(alive[0])
    assert outcome.total_share == pytest.approx((alive[0] + alive[2]) / 4)
    assert outcome.value == pytest.approx((VALUE_WANTED * alive[0] + alive[2]) / (VALUE_WANTED + 3))
    assert outcome.refusals == pytest.approx(alive[0])
    hours = (first + alive[0] * (second - first) + alive[1] * (third - second)) / 3600
    assert outcome.hours == pytest.approx(hours)
    # the same reads once seeks and commands, then also the transfer before the bad sector, took no time
    values = [VALUE_WANTED * alive[0] + alive[2]]
    for redone in (0.5, 0.0):
        last = math.exp(-(1.0 + redone + 3.0) / 50 - 0.1)
        values.append(VALUE_WANTED * math.exp(-0.5 / 50) + last)
    expected = [(values[at + 1] - values[at]) / (VALUE_WANTED + 3) for at in range(2)]
    assert outcome.lost[:2] == pytest.approx(expected)
    assert outcome.spent[PARTS.index("redone")] == pytest.approx(alive[0] * 0.5)


def test_reading_a_given_sector_again_is_noticed() -> None:
    model = small_drive([1.0] * 4)
    drive, books = SimulatedDrive(model), Books(model)
    for start, stop in ((0, 3), (2, 4)):
        books.add(start, stop, drive.read(start, stop))
    with pytest.raises(AssertionError, match="twice"):
        books.outcome("twice", 0.0)


def _drawn_deaths(model_name: str, seeds: Sequence[int]) -> tuple[list[float], list[float]]:
    outcomes = [play("skips", draw(model_name, seed, sectors=1 << 16)) for seed in seeds]
    return [one.died_wanted for one in outcomes], [one.wanted_share for one in outcomes]


def test_drawn_deaths_agree_with_expectations_in_the_mean() -> None:
    died, expected = _drawn_deaths("dead-head", range(40))
    error = np.std(np.subtract(died, expected), ddof=1) / math.sqrt(len(died))
    assert abs(np.mean(died) - np.mean(expected)) < 3 * error


@pytest.mark.parametrize("name", [name for name in POLICIES if name != "skips-best"])
def test_every_order_reads_everything_that_can_be_read_of_a_drive_that_lives_on(name: str) -> None:
    chances = np.ones(6_000)
    chances[[10, 11, 700, 3_000, 5_999]] = 0
    chances[4_000:4_050] = 0
    model = small_drive(chances.tolist(), [(600, 900), (3_990, 4_100)], life=1e12, refusal=1e-9)
    outcome = play(name, model)
    assert outcome.total_share == pytest.approx((6_000 - 55) / 6_000)
    assert outcome.wanted_share == pytest.approx((410 - 51) / 410)


def test_the_same_run_has_the_same_outcome() -> None:
    one, same = (play("ours", draw("mixed", 1, sectors=1 << 15)) for _ in range(2))
    assert (one.value, one.refusals, one.hours, one.reads) == (
        same.value,
        same.refusals,
        same.hours,
        same.reads,
    )


def test_wanted_sectors_are_counted_as_drawn() -> None:
    drive = draw("isolated", 2)
    outcome = play("skips", drive)
    assert (
        outcome.wanted_share <= 1 - np.isin(drive.bad, _sectors_of(drive.wanted)).sum() / drive.wanted_sectors
    )


def _sectors_of(spans: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    return np.concatenate([np.arange(start, stop) for start, stop in zip(*spans, strict=True)])
