"""What two drives bring together, with its numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.core.money import Money
from mendbay.imaging.going_on import Advice, Stakes
from mendbay.jobs.task_advice import task_advice, task_words

GB = 10**9


def advice(
    brings: int,
    lacking: int = 100 * GB,
    *,
    seconds: float = 3600.0,
    refusals: float = 0.0,
    dies: float = 0.02,
    go_on: bool = True,
) -> Advice:
    share = brings / lacking if lacking else 0.0
    return Advice(go_on, seconds, share, refusals, dies, dies / 2, 0.0, 1.0, 0.5, brings, lacking)


def test_in_an_hour_too_short_for_either_both_bring_their_shares() -> None:
    found = task_advice({"1": advice(4 * GB, refusals=3), "2": advice(5 * GB, refusals=4, dies=0.2)})
    assert found is not None
    assert (found.seconds, found.brings_bytes, found.lacking_bytes) == (3600.0, 9 * GB, 100 * GB)
    assert found.refusals == 7.0
    assert found.dies == pytest.approx({"1": 0.02, "2": 0.2})
    assert found.all_die == pytest.approx(0.004)


def test_what_one_refuses_the_other_brings_with_its_own_chance() -> None:
    found = task_advice({"1": advice(40 * GB, seconds=600.0), "2": advice(50 * GB, seconds=600.0)})
    assert found is not None
    assert found.brings_bytes == 70 * GB, "1 - 0.6 x 0.5 of all"


def test_never_more_than_is_lacking_of_the_task() -> None:
    found = task_advice({"1": advice(100 * GB), "2": advice(60 * GB)}, 12 * GB)
    assert found is not None
    assert (found.brings_bytes, found.lacking_bytes) == (12 * GB, 12 * GB)


def test_two_that_could_each_do_it_alone_need_half_the_time_and_bear_half_the_risk() -> None:
    one = advice(30 * GB, 30 * GB, seconds=1000.0, refusals=10.0, dies=0.19)
    found = task_advice({"1": one, "2": one})
    assert found is not None
    assert (found.seconds, found.brings_bytes, found.refusals) == (500.0, 30 * GB, 10.0)
    assert found.dies == pytest.approx({"1": 0.1, "2": 0.1}), "1 - 0.81 ** 0.5"
    alone = task_advice({"1": one})
    assert alone is not None
    assert (alone.seconds, alone.brings_bytes, alone.refusals) == (1000.0, 30 * GB, 10.0)


def test_where_nothing_is_lacking_or_left_to_try_there_is_no_advice() -> None:
    assert task_advice({}) is None
    assert task_advice({"1": advice(0, 0)}) is None
    assert task_advice({"1": advice(GB)}, 0) is None


def test_hopeless_places_are_no_division_by_nothing() -> None:
    found = task_advice({"1": advice(0, GB, seconds=60.0), "2": advice(0, GB, seconds=90.0)})
    assert found is not None
    assert (found.seconds, found.brings_bytes) == (90.0, 0)


@pytest.mark.parametrize(
    ("first", "second", "advised"),
    [
        (True, True, "go on"),
        (True, False, "go on with bay 1 only"),
        (False, False, "stop here, power the drives off"),
    ],
)
def test_the_words_have_the_numbers_for_each_drive_and_both(first: bool, second: bool, advised: str) -> None:
    found = task_advice(
        {"1": advice(40 * GB, refusals=2.7, go_on=first), "2": advice(50 * GB, dies=0.2, go_on=second)}
    )
    assert found is not None
    assert task_words(found).replace("\u2009", " ") == (
        f"Both drives together, recommended: {advised}. The next hour is expected to bring 90.0 GB of the "
        "100 GB that neither half gave (up to 3 refused reads). The chances: 2 % that bay 1 is lost "
        "meanwhile, 20 % that bay 2 is lost meanwhile, 0.4 % that both are."
    )


@pytest.mark.parametrize(
    ("seconds", "worth", "hour", "words"),
    [
        (3600.0, 1000, 60, "What comes is worth 900.00 EUR; the bench costs 60.00 EUR meanwhile."),
        (600.0, 1000, 60, "What comes is worth 700.00 EUR; the bench costs 7.78 EUR meanwhile."),
        (3600.0, 1000, None, "What comes is worth 900.00 EUR."),
        (3600.0, 50, 60, "costs 60.00 EUR meanwhile, more than all that is lacking is worth."),
        (3600.0, 100, 60, "What comes is worth 90.00 EUR; the bench costs 60.00 EUR meanwhile."),
    ],
)
def test_the_worth_of_all_and_the_hour_of_the_bench_count_once(
    seconds: float, worth: int, hour: int | None, words: str
) -> None:
    """40 and 50 of 100 GB: 90 in an hour too short for either, else 100 x (1 - 0.6 x 0.5) = 70, after which
    both are through in 70 / 90 of their 600 s at 90 per 600 s, 466.7 s, or 7.78 of 60 minutes."""
    stakes = Stakes(Money(100 * worth, "EUR"), None if hour is None else Money(100 * hour, "EUR"))
    found = task_advice(
        {"1": advice(40 * GB, seconds=seconds), "2": advice(50 * GB, seconds=seconds)}, stakes=stakes
    )
    assert found is not None
    assert task_words(found).endswith(words)


def test_no_worth_is_told_where_nobody_states_one() -> None:
    found = task_advice({"1": advice(40 * GB)}, stakes=Stakes(head_work_gives=0.0))
    assert found is not None
    assert (found.gain, found.bench) == (None, None)
    assert "worth" not in task_words(found)


def test_of_one_drive_left_only_its_own_numbers_are_told() -> None:
    found = task_advice({"2": advice(0, 4096, seconds=120.0)})
    assert found is not None
    assert task_words(found).replace("\u2009", " ") == (
        "Both drives together, recommended: go on with bay 2 only. What is left to try, about 2 min 00 s, is "
        "expected to bring hardly a sector of the 4.10 kB that neither half gave (hardly a refused read). "
        "The chances: 2 % that bay 2 is lost meanwhile."
    )


def test_what_is_left_of_the_wishes_is_told_as_that() -> None:
    both = {bay: replace(advice(1, 512, seconds=6.0), of_wanted=True) for bay in "12"}
    found = task_advice(both)
    assert found is not None
    assert (
        "What is left to try of what is wanted, about 6 s, is expected to bring hardly a sector of the "
        "512 bytes wanted and that neither half gave"
    ) in task_words(found).replace("\u2009", " ")
    only_one = task_advice({"1": both["1"], "2": advice(1, 512)})
    assert only_one is not None
    assert not only_one.of_wanted
