"""Damage drawn by chance the way drives show it: single sectors, near each other, many of them early.

The shape follows the published study of latent sector errors by Schroeder, Damouras and Gill (FAST '10;
ACM Transactions on Storage 6(3), doi 10.1145/1837915.1837917): runs of several bad sectors are less than
2.5 % of the errors; a second error mostly lies within 100 sectors of the first; 20 to 50 % of the errors
lie in the first tenth of the drive. Scratches are our own addition (no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mendbay.core.span import Int64s, SpanSet

NEAR_SECTORS = 100
LONGEST_RUN = 8
ROUNDS = 20


@dataclass(frozen=True, slots=True)
class Chance:
    """How much damage to draw, and of which kind.

    `errors` places are drawn; of these a share `near` lies within 100 sectors of another one, a share
    `runs` is 2 to 8 sectors long, a share `first_tenth` lies in the first tenth of the drive, and a share
    `weak` gives in the end, after 1 to `weak_refuses_most` refusals. `scratches` arcs are added, each
    touching `scratch_tracks` tracks of about `track_sectors` sectors at nearly the same angle.
    """

    errors: int = 0
    near: float = 0.6
    runs: float = 0.02
    first_tenth: float = 0.35
    weak: float = 0.3
    weak_refuses_most: int = 4
    scratches: int = 0
    scratch_tracks: int = 100
    track_sectors: int = 1000


@dataclass(frozen=True, slots=True)
class Damage:
    """Sectors drawn: refused for good, and weak ones (sorted) with how often each refuses."""

    refused: SpanSet
    weak_at: Int64s
    weak_refuses: Int64s


def draw(chance: Chance, sectors: int, seed: int) -> Damage:
    """The damage of a drive of `sectors` sectors; the same for the same arguments.

    Raises:
        ValueError: the drive is too small to hold that many separate places.
    """
    generator = np.random.default_rng(seed)
    places = _places(chance, sectors, generator)
    lengths = np.ones(places.size, dtype=np.int64)
    longer = generator.permutation(places.size)[: int(chance.runs * places.size)]
    lengths[longer] = generator.integers(2, LONGEST_RUN + 1, longer.size)
    room = np.diff(np.append(places, sectors + 1)) - 1
    lengths = np.minimum(lengths, room)  # a longer run never grows into the next place
    is_weak = np.zeros(places.size, dtype=bool)
    is_weak[generator.permutation(places.size)[: round(chance.weak * places.size)]] = True
    scratched = _scratches(chance, sectors, generator)
    refused = SpanSet.from_bounds(
        np.concatenate((places[~is_weak], scratched)),
        np.concatenate((places[~is_weak] + lengths[~is_weak], scratched + 1)),
    )
    weak = SpanSet.from_bounds(places[is_weak], places[is_weak] + lengths[is_weak]) - refused
    weak_at = expand(weak)
    refuses = generator.integers(1, max(chance.weak_refuses_most, 1) + 1, weak_at.size)
    return Damage(refused, weak_at, refuses.astype(np.int64))


def expand(sectors: SpanSet) -> Int64s:
    """Every member of a set, in order."""
    lengths = sectors.stops - sectors.starts
    ahead = np.cumsum(lengths) - lengths
    within = np.arange(int(lengths.sum()), dtype=np.int64)
    return np.asarray(within + np.repeat(sectors.starts - ahead, lengths), dtype=np.int64)


def _places(chance: Chance, sectors: int, generator: np.random.Generator) -> Int64s:
    """Sorted places, no two of them neighbours, so that lengths alone decide what is a run."""
    found = np.empty(0, dtype=np.int64)
    for _ in range(ROUNDS):
        missing = chance.errors - found.size
        if missing <= 0:
            break
        found = np.union1d(found, _draw_places(chance, missing, sectors, generator))
        while found.size and (np.diff(found) < 2).any():
            close = np.flatnonzero(np.diff(found) < 2) + 1
            found = np.delete(found, close[np.insert(np.diff(close) > 1, 0, True)])
    if found.size < chance.errors:
        raise ValueError(f"{sectors:,} sectors are too few for {chance.errors:,} separate errors")
    return found


def _draw_places(chance: Chance, count: int, sectors: int, generator: np.random.Generator) -> Int64s:
    """About `count` places: scattered centres, and the share `near` around them."""
    near = min(round(chance.near * count), count - 1)
    centres = count - near
    early = round(chance.first_tenth * centres)
    tenth = max(sectors // 10, 1)
    at = np.concatenate(
        (
            generator.integers(0, tenth, early),
            generator.integers(min(tenth, sectors - 1), sectors, centres - early),
        )
    )
    # dealt out in turn, so that the shares hold for small numbers too
    around = generator.permutation(at)[np.arange(near) % centres]
    sign = generator.choice(np.array([-1, 1]), near)
    beside = around + sign * generator.integers(2, NEAR_SECTORS, near)
    everything = np.concatenate((at, beside))
    inside = (everything >= 0) & (everything < sectors)
    return np.asarray(everything[inside], dtype=np.int64)


def _scratches(chance: Chance, sectors: int, generator: np.random.Generator) -> Int64s:
    """One sector on each track of each arc; the angle drifts, so the distance is not quite the track."""
    tracks = np.arange(chance.scratch_tracks)
    begin = generator.integers(0, sectors, chance.scratches)[:, None]
    drift = generator.uniform(-0.01, 0.01, chance.scratches)[:, None]
    at = begin + np.rint(tracks * chance.track_sectors * (1 + drift)).astype(np.int64)
    return np.unique(at[at < sectors]).astype(np.int64)
