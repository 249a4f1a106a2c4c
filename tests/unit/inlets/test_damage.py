"""Drawn damage has the published shape.

The bounds are those of Schroeder, Damouras and Gill, FAST '10 (ACM Transactions on Storage 6(3), doi
10.1145/1837915.1837917), as summed up in a published digest: runs of contiguous sectors are less than 2.5 %
of the errors; most further errors lie within 100 sectors; 20 to 50 % lie in the first tenth of the drive.
"""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.core.span import SpanSet
from mendbay.inlets.damage import Chance, Damage, draw, expand

SECTORS = 4_000_000


def places(damage: Damage) -> SpanSet:
    return damage.refused | SpanSet.from_bounds(damage.weak_at, damage.weak_at + 1)


@pytest.mark.parametrize("errors", [40, 400, 20_000])
@pytest.mark.parametrize("seed", range(5))
def test_the_shape_is_the_published_one(errors: int, seed: int) -> None:
    found = places(draw(Chance(errors=errors), SECTORS, seed))
    assert len(found) == errors
    lengths = found.stops - found.starts
    assert (lengths == 1).mean() >= 0.975
    assert lengths.max() <= 8
    distance = np.diff(found.starts)
    nearest = np.minimum(np.append(distance, SECTORS), np.insert(distance, 0, SECTORS))
    assert (nearest <= 100).mean() > 0.5
    assert 0.2 <= (found.starts < SECTORS // 10).mean() <= 0.5
    assert found.hull().stop <= SECTORS


def test_the_shares_are_as_asked() -> None:
    even = draw(Chance(errors=1000, near=0.0, runs=0.0, weak=0.0, first_tenth=0.0), SECTORS, 1)
    assert (len(even.refused), even.refused.total_bytes, even.weak_at.size) == (1000, 1000, 0)
    assert int(even.refused.starts[0]) >= SECTORS // 10
    soft = draw(Chance(errors=1000, weak=1.0, weak_refuses_most=3), SECTORS, 1)
    assert not soft.refused
    assert set(soft.weak_refuses.tolist()) == {1, 2, 3}
    runs = draw(Chance(errors=1000, near=0.0, runs=1.0, weak=0.0), SECTORS, 1)
    assert ((runs.refused.stops - runs.refused.starts) >= 2).mean() > 0.99


def test_a_seed_always_draws_the_same_and_another_one_something_else() -> None:
    chance = Chance(errors=300, scratches=2)
    first, again, other = (draw(chance, SECTORS, seed) for seed in (7, 7, 8))
    assert first.refused == again.refused
    assert np.array_equal(first.weak_at, again.weak_at)
    assert np.array_equal(first.weak_refuses, again.weak_refuses)
    assert first.refused != other.refused


def test_a_scratch_touches_one_sector_on_each_track() -> None:
    found = draw(Chance(scratches=1, scratch_tracks=50, track_sectors=1000), 10_000_000, 3).refused
    assert len(found) == found.total_bytes == 50
    steps = np.diff(found.starts)
    assert ((steps >= 985) & (steps <= 1015)).all()


def test_no_damage_is_drawn_unless_asked_for() -> None:
    found = draw(Chance(), SECTORS, 0)
    assert not found.refused
    assert found.weak_at.size == 0


def test_a_drive_too_small_for_its_errors_is_said_to_be() -> None:
    with pytest.raises(ValueError, match="100 sectors are too few for 90 separate errors"):
        draw(Chance(errors=90), 100, 0)


def test_expand_names_every_member() -> None:
    assert expand(SpanSet.from_bounds([3, 9], [6, 10])).tolist() == [3, 4, 5, 9]
    assert expand(SpanSet()).tolist() == []
