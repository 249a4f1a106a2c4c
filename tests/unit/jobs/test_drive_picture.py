"""How often a page looks at what takes long to look at."""

from __future__ import annotations

import pytest

from mendbay.jobs.drive_picture import LASTS_SECONDS, MOST_KEPT, PART, Looks


class Watch:
    """A clock by hand, and a look that takes some of its time."""

    def __init__(self, takes: float) -> None:
        self.now = 0.0
        self.takes = takes
        self.looks = 0

    def clock(self) -> float:
        return self.now

    def look(self) -> int:
        self.looks += 1
        self.now += self.takes
        return self.looks


def test_what_did_not_change_is_not_looked_at_again() -> None:
    watch, looks = Watch(0.01), Looks[int](1.0)
    for _ in range(5):
        assert looks.of("a", "same", watch.clock, watch.look) == 1
        watch.now += 10
    watch.now += LASTS_SECONDS
    assert looks.of("a", "same", watch.clock, watch.look) == 2


@pytest.mark.parametrize(("takes", "waits"), [(0.01, 1.0), (2.0, 2.0 * PART)])
def test_what_changes_is_looked_at_the_seldomer_the_longer_it_takes(takes: float, waits: float) -> None:
    watch, looks = Watch(takes), Looks[int](1.0)
    assert looks.of("a", 0, watch.clock, watch.look) == 1
    watch.now += waits * 0.9
    assert looks.of("a", 1, watch.clock, watch.look) == 1
    watch.now += waits * 0.2
    assert looks.of("a", 2, watch.clock, watch.look) == 2


def test_a_look_that_fails_is_made_again() -> None:
    watch, looks = Watch(0.0), Looks[int](1.0)

    def fails() -> int:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        looks.of("a", 0, watch.clock, fails)
    assert looks.of("a", 0, watch.clock, watch.look) == 1


def test_only_so_many_are_kept() -> None:
    watch, looks = Watch(0.0), Looks[int](1.0)
    for key in range(3 * MOST_KEPT):
        looks.of(key, 0, watch.clock, watch.look)
    before = watch.looks
    looks.of(3 * MOST_KEPT - 1, 0, watch.clock, watch.look)
    assert watch.looks == before
    looks.of(0, 0, watch.clock, watch.look)
    assert watch.looks == before + 1
