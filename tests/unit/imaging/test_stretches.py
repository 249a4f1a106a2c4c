"""What is looked at of a drive with many refusals, and what comes of it: as much as of all of them."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.imaging import stretches
from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.slowness import Slowness
from mendbay.imaging.stretches import learn_stretches, seen_of

TERABYTE = 1_953_525_168
SMALL = 1 << 24


def decided(bad: np.ndarray, read_to: int, sectors: int) -> tuple[Density, GivenPlaces]:
    """A drive whose sectors below a place are all decided: refused singly, or given."""
    bad = np.unique(bad)
    starts, stops = np.concatenate(([0], bad + 1)), np.concatenate((bad, [read_to]))
    kept = stops > starts
    starts, stops = starts[kept].astype(np.int64), stops[kept].astype(np.int64)
    given = GivenPlaces(starts, stops)
    damage = Density(sectors, 2e-5, given, Slowness())
    damage.known(starts, stops)
    for one in bad.tolist():
        damage.refused(one, one + 1, 1.0)
    return damage, given


def stretchy(seed: int, share: float) -> np.ndarray:
    """What is bad in 23 stretches of 933 sectors in the mean, in the lower half of a small drive."""
    chance = np.random.default_rng(seed)
    found = []
    for at in chance.integers(0, SMALL // 2, 23).tolist():
        inside = np.arange(at, min(SMALL // 2, at + 1 + int(chance.exponential(933))))
        found.append(inside[chance.random(inside.size) < share])
    return np.concatenate(found)


@pytest.mark.parametrize("share", [0.9, 0.3, 0.08])
def test_of_an_area_read_to_the_end_its_law_is_found(share: float) -> None:
    found = learn_stretches(*decided(stretchy(3, share), SMALL // 2, SMALL), SMALL, 2e-5)
    assert found.refused_share == pytest.approx(share, rel=0.15)
    assert found.enter == pytest.approx(23 / (SMALL // 2), rel=1.0)
    assert 1 / 3000 <= found.leave <= 1 / 300
    assert found.density < 1e-6


@pytest.mark.parametrize("share", [0.9, 0.3, 0.08])
def test_parts_of_many_refusals_tell_what_all_of_them_tell(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    damage, given = decided(stretchy(4, share), SMALL // 2, SMALL)
    in_parts = learn_stretches(damage, given, SMALL, 2e-5)
    looked_at = seen_of(damage, given, SMALL).given.size
    monkeypatch.setattr(stretches, "_MOST_MARKS", 10**9)
    whole = learn_stretches(damage, given, SMALL, 2e-5)
    assert looked_at < seen_of(damage, given, SMALL).given.size, "parts, not all"
    assert in_parts.refused_share == pytest.approx(whole.refused_share, abs=0.05)
    for one in ("enter", "leave", "density"):
        assert getattr(in_parts, one) == pytest.approx(getattr(whole, one), rel=0.5), one


@pytest.mark.parametrize("zone", [0, 4, 100])
def test_a_few_refusals_more_change_little_wherever_they_lie(zone: int) -> None:
    """All damage in one of 256 zones of a terabyte: half of the drive was read, and no more was refused."""
    width = TERABYTE // 256
    places = zone * width + np.random.default_rng(zone).integers(0, width, 610)
    for count in (590, 610):
        found = learn_stretches(*decided(places[:count], TERABYTE // 2, TERABYTE), TERABYTE, 2e-5)
        assert found.density == pytest.approx(count / (TERABYTE / 2), rel=1.5), count
        assert found.enter < 1e-7


def test_what_stands_for_all_counts_as_often_as_there_are() -> None:
    for count in (601, 650, 3_000, 20_000):
        places = np.arange(count) * 1_000
        damage, given = decided(places, count * 1_000, SMALL * 2)
        seen = seen_of(damage, given, SMALL * 2)
        assert float(seen.counts[seen.refused > 0].sum()) == pytest.approx(count, rel=0.02)


def test_hundreds_of_thousands_of_lone_refusals_can_be_learned_from() -> None:
    count = 320_000
    damage, given = decided(np.arange(count) * 100, count * 100, TERABYTE)
    found = learn_stretches(damage, given, TERABYTE, 2e-5)
    assert found.density == pytest.approx(0.01, rel=0.5)
    assert seen_of(damage, given, TERABYTE).given.size < 4_000
