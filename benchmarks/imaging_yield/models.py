"""Drives with damage, drawn from a seed: where it lies, how each read will end, what it costs in life.

A drawn drive holds no table of its sectors, only sorted columns of what is wrong with it, so that a read of
any length is answered by a few binary searches.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from imaging_yield.parameters import SETS, Range, Ranges, Spread
from mendbay.core.span import SpanSet

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

SECTOR_BYTES = 512
SECTORS = 1 << 21
WANTED_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Hazard:
    """How the drive's life is spent: exp(-spent) is the chance that it is still alive.

    Attributes:
        life_seconds: mean life at the hazard it starts with.
        refusal: spent by one refusal.
        wear_out_seconds: the hazard is 1 + (age / this)^2 times that of the start; infinite: it stays.
        rise: what one refusal adds to the factor on all further spending.
    """

    life_seconds: float
    refusal: float
    wear_out_seconds: float = math.inf
    rise: float = 0.0

    def by_age(self, seconds: float) -> float:
        """Spent by that many powered seconds alone."""
        return (seconds + seconds**3 / (3 * self.wear_out_seconds**2)) / self.life_seconds


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperature in degrees Celsius: it nears `busy` while reading and `idle` while paused."""

    idle: float = 32.0
    busy: float = 60.0
    constant_seconds: float = 600.0


@dataclass(frozen=True, slots=True)
class Bands:
    """Runs of adjoining addresses on one surface, in order of address; `track` is the sectors of a track."""

    starts: Ints
    stops: Ints
    head: Ints
    track: Ints


@dataclass(frozen=True, slots=True)
class WeakBands:
    """A weak head's runs of addresses, as starts and stops: each sector in them is weak with chance `share`,
    and then given at a try with a chance drawn evenly from `gives`."""

    starts: Ints
    stops: Ints
    share: float
    gives: Range


@dataclass(frozen=True, slots=True)
class Strewn:
    """Single sectors that any place is as likely to hold: `places` were drawn; a sector is never given with
    chance `dead`, and given by chance with chance `weak`, then drawn evenly from `gives`."""

    places: Ints
    dead: float
    weak: float
    gives: Range


@dataclass(frozen=True, slots=True)
class DriveModel:
    """One drawn drive. Places in sectors, times in seconds.

    Attributes:
        wanted: the sectors that matter more, as starts and stops.
        dead: ranges never given, as disjoint starts and stops.
        bad: single sectors never given; none lies in `dead`.
        weak, weak_gives: single sectors given by chance, and that chance of each try.
        weak_bands: where most of `weak` come from; None if no head is weak.
        strewn: those of `bad` and `weak` that lie anywhere; None if there are none such.
        hangs: places among `bad` that answer nothing at all.
        pace_at, pace_seconds: reading from 0 to `pace_at[i]` takes `pace_seconds[i]`, linear in between.
    """

    seed: int
    sectors: int
    wanted: tuple[Ints, Ints]
    pace_at: Floats
    pace_seconds: Floats
    hazard: Hazard
    refusal_seconds: float
    dead: tuple[Ints, Ints] = field(default_factory=lambda: (_none(), _none()))
    bad: Ints = field(default_factory=lambda: _none())
    weak: Ints = field(default_factory=lambda: _none())
    weak_gives: Floats = field(default_factory=lambda: np.empty(0))
    weak_bands: WeakBands | None = None
    strewn: Strewn | None = None
    hangs: Ints = field(default_factory=lambda: _none())
    hang_seconds: float = 30.0
    drop_out_chance: float = 0.0
    drop_out_seconds: float = 30.0
    drop_out_wear: float = 0.0
    heat: Heat | None = None
    command_seconds: float = 0.002
    seek_seconds: tuple[float, float] = (0.005, 0.020)
    """To the next track and across the whole drive, with half a turn of the platter; the rest by the square
    root of the distance. From memory, for drives of 7200 turns a minute."""

    @property
    def wanted_sectors(self) -> int:
        """How many sectors are wanted."""
        return int((self.wanted[1] - self.wanted[0]).sum())

    @property
    def wanted_spans(self) -> SpanSet:
        """What is wanted, in bytes."""
        return SpanSet.from_bounds(self.wanted[0] * SECTOR_BYTES, self.wanted[1] * SECTOR_BYTES)

    @property
    def bytes_per_second(self) -> float:
        """Mean rate over the whole drive, slow zones included."""
        return self.sectors * SECTOR_BYTES / float(self.pace_seconds[-1])


def _none() -> Ints:
    return np.empty(0, np.int64)


def draw(model: str, seed: int, params: str = "tuning", sectors: int = SECTORS) -> DriveModel:
    """The drive number `seed` of a model.

    Args:
        model: one of `MODELS`.
        params: `tuning` or `reporting`: two sets of ranges, and other random numbers.
        sectors: size of the drive; times and counts are those of the usual size scaled with it, single
            refusals are not.

    Raises:
        KeyError: there is no such model or set.
    """
    ranges = SETS[params]
    chance = np.random.default_rng([zlib.crc32(model.encode()), seed, ranges.key])
    drive = _Drawing(chance, ranges, sectors, seed)
    for part in MODELS[model]:
        part(drive)
    return drive.finished()


class _Drawing:
    """A drive while it is drawn: a healthy one, to which parts add damage."""

    def __init__(self, chance: np.random.Generator, ranges: Ranges, sectors: int, seed: int) -> None:
        self.chance, self.ranges, self.sectors = chance, ranges, sectors
        self.scale = sectors / SECTORS
        self.heads = int(chance.choice(np.array(ranges.heads)))
        self.bands = self._bands()
        self.dead_starts: list[Ints] = []
        self.dead_stops: list[Ints] = []
        self.bad: list[Ints] = []
        self.weak: list[Ints] = []
        self.gives: list[Floats] = []
        self.slow: list[tuple[int, int, float]] = []
        self.hang_share = 0.0
        life = self.spread(ranges.life_seconds) * self.scale
        wear = self.spread(ranges.refusal_wear)
        self.drive = DriveModel(
            seed=seed,
            sectors=sectors,
            wanted=self._wanted(),
            pace_at=np.empty(0),
            pace_seconds=np.empty(0),
            hazard=Hazard(life, wear / life),
            refusal_seconds=self.even(ranges.refusal_seconds),
        )

    def even(self, limits: Range) -> float:
        return float(self.chance.uniform(*limits))

    def spread(self, one: Spread) -> float:
        return float(one[0] * math.exp(one[1] * self.chance.standard_normal()))

    def count(self, limits: Range) -> int:
        return int(self.chance.integers(int(limits[0]), int(limits[1]), endpoint=True))

    def _bands(self) -> Bands:
        """The logical order: on each surface some tracks, then the next surface and back again; fewer
        sectors a track further in, and a little different on each surface."""
        ranges, size = self.ranges, self.sectors
        zones = self.count(ranges.zones)
        outer, inner = self.even(ranges.outer_track), self.even(ranges.inner_share)
        tracks = max(2, round(self.even(ranges.tracks_in_a_row) * min(1.0, self.scale * 4)))
        own = 1 + 0.04 * self.chance.uniform(-1, 1, self.heads)
        rows: list[tuple[int, int, int, int]] = []
        at, order = 0, list(range(self.heads))
        while at < size:
            zone = at * zones // size
            length = outer * (1 - (1 - inner) * zone / max(1, zones - 1))
            for head in order:
                track = int(length * own[head])
                rows.append((at, min(size, at + track * tracks), head, track))
                at = rows[-1][1]
                if at >= size:
                    break
            order.reverse()
        starts, stops, heads, track_sizes = np.array(rows, dtype=np.int64).T
        return Bands(starts, stops, heads, track_sizes)

    def _wanted(self) -> tuple[Ints, Ints]:
        """A twentieth of the drive in extents of very different size, in a few folders' neighbourhoods."""
        left = int(self.sectors * WANTED_SHARE)
        wanted = np.zeros(self.sectors + 2, dtype=bool)
        places = self.chance.uniform(0, 1, 8)
        while left > 0:
            length = int(min(left, max(8, 200 * math.exp(1.5 * self.chance.standard_normal()))))
            middle = self.chance.choice(places) + 0.03 * self.chance.standard_normal()
            start = min(int((middle % 1.0) * self.sectors), self.sectors - length)
            extent = wanted[start + 1 : start + 1 + length]
            left -= length - int(extent.sum())
            extent[:] = True
        edges = np.flatnonzero(wanted[1:] != wanted[:-1])
        return edges[::2], edges[1::2]

    def random_places(self, count: int) -> Ints:
        return np.unique(self.chance.integers(0, self.sectors, count))

    def number_of_errors(self) -> int:
        return int(np.clip(self.spread(self.ranges.errors), 10, 4_000))

    def finished(self) -> DriveModel:
        dead = SpanSet.from_bounds(_joined(self.dead_starts), _joined(self.dead_stops))
        bad = _outside(dead, np.unique(_joined(self.bad)))
        weak, first = np.unique(_joined(self.weak), return_index=True)
        gives = np.concatenate([*self.gives, np.empty(0)])[first]
        keep = np.isin(weak, _outside(dead, weak)) & ~np.isin(weak, bad)
        hangs = bad[self.chance.random(bad.size) < self.hang_share]
        pace_at, pace_seconds = self._pace()
        return replace(
            self.drive,
            dead=(dead.starts, dead.stops),
            bad=bad,
            weak=weak[keep],
            weak_gives=gives[keep],
            hangs=hangs,
            pace_at=pace_at,
            pace_seconds=pace_seconds,
        )

    def _pace(self) -> tuple[Floats, Floats]:
        """Reading time along the address: a turn a track, so less in an inner one; slow zones on top."""
        edges = np.unique(
            np.concatenate(
                [self.bands.starts, [self.sectors], *[np.array(zone[:2]) for zone in self.slow]]
            ).astype(np.int64)
        )
        left = edges[:-1]
        track = self.bands.track[np.searchsorted(self.bands.starts, left, side="right") - 1]
        seconds = np.diff(edges) / track
        seconds *= self.even(self.ranges.whole_seconds) * self.scale / seconds.sum()
        for start, stop, factor in self.slow:
            seconds[(left >= start) & (left < stop)] *= factor
        return edges.astype(float), np.concatenate([[0.0], np.cumsum(seconds)])


def _joined(columns: list[Ints]) -> Ints:
    return np.concatenate([*columns, _none()])


def _outside(spans: SpanSet, places: Ints) -> Ints:
    if not spans:
        return places
    at = np.searchsorted(spans.starts, places, side="right") - 1
    return places[(at < 0) | (places >= spans.stops[np.maximum(at, 0)])]


# ---------------------------------------------------------------------- sparse damage


def _add_errors(drive: _Drawing, places: Ints) -> float:
    """Bad sectors, of which some are given now and then; returns the chance of that."""
    share = drive.even(drive.ranges.recovering_share)
    recovers = drive.chance.random(places.size) < share
    drive.bad.append(places[~recovers])
    drive.weak.append(places[recovers])
    drive.gives.append(drive.chance.uniform(*drive.ranges.recovering_chance, int(recovers.sum())))
    return share


def isolated(drive: _Drawing) -> None:
    """Single bad sectors anywhere."""
    places = drive.random_places(drive.number_of_errors())
    recovers, density = _add_errors(drive, places), places.size / drive.sectors
    strewn = Strewn(places, density * (1 - recovers), density * recovers, drive.ranges.recovering_chance)
    drive.drive = replace(drive.drive, strewn=strewn)


def _cluster(drive: _Drawing, middle: int, mean_errors: float, mean_gap: float) -> Ints:
    count = int(drive.chance.geometric(1 / mean_errors))
    gaps = 1 + drive.chance.geometric(1 / (mean_gap - 1), count)
    gaps[drive.chance.random(count) < 0.015] = 1  # adjoining errors are rare, not unheard of
    places = middle + np.cumsum(gaps)
    return places[places < drive.sectors]


def _clusters(drive: _Drawing, first_tenth: float | None = None) -> None:
    left = drive.number_of_errors()
    mean, gap = drive.even(drive.ranges.cluster_errors), drive.even(drive.ranges.cluster_gap)
    found: list[Ints] = []
    while left > 0:
        low, high = 0.0, 1.0
        if first_tenth is not None:
            low, high = (0.0, 0.1) if drive.chance.random() < first_tenth else (0.1, 1.0)
        middle = int(drive.even((low, high)) * (drive.sectors - 1))
        found.append(_cluster(drive, middle, mean, gap)[:left])
        left -= max(1, found[-1].size)
    _add_errors(drive, np.unique(np.concatenate(found)))


def clusters(drive: _Drawing) -> None:
    """Bad sectors in close groups."""
    _clusters(drive)


def first_tenth(drive: _Drawing) -> None:
    """Close groups, of which the first tenth of the drive holds more than its share."""
    _clusters(drive, drive.even(drive.ranges.first_tenth))


# ---------------------------------------------------------------------- damage to surfaces and heads


def dead_head(drive: _Drawing) -> None:
    """One head reads nothing: its bands are gone, with a period that changes by zone."""
    mine = drive.bands.head == int(drive.chance.integers(drive.heads))
    drive.dead_starts.append(drive.bands.starts[mine])
    drive.dead_stops.append(drive.bands.stops[mine])


def weak_head(drive: _Drawing) -> None:
    """One head reads a good part of its sectors only now and then."""
    mine = drive.bands.head == int(drive.chance.integers(drive.heads))
    share = drive.even(drive.ranges.weak_share)
    starts, stops = drive.bands.starts[mine], drive.bands.stops[mine]
    bands = WeakBands(starts, stops, share, drive.ranges.weak_chance)
    drive.drive = replace(drive.drive, weak_bands=bands)
    places = []
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        places.append(start + np.flatnonzero(drive.chance.random(stop - start) < share))
    weak = np.concatenate(places)
    drive.weak.append(weak)
    drive.gives.append(drive.chance.uniform(*bands.gives, weak.size))


def scratches(drive: _Drawing) -> None:
    """Arcs across many tracks of one surface: a short bad run in each, its place drifting."""
    for _ in range(drive.count(drive.ranges.scratches)):
        head = int(drive.chance.integers(drive.heads))
        mine = np.flatnonzero(drive.bands.head == head)
        band = int(drive.chance.integers(mine.size))
        tracks, width = drive.count(drive.ranges.scratch_tracks), drive.even(drive.ranges.scratch_width)
        angle, drift = drive.chance.random(), drive.chance.normal(0, 0.002)
        starts: list[int] = []
        for index in mine[band:]:
            track = int(drive.bands.track[index])
            for at in range(int(drive.bands.starts[index]), int(drive.bands.stops[index]), track):
                starts.append(at + int((angle % 1.0) * track))
                angle += drift
            if len(starts) >= tracks:
                break
        begin = np.array(starts[:tracks], dtype=np.int64)
        runs = np.maximum(1, drive.chance.poisson(width, begin.size))
        drive.dead_starts.append(np.minimum(begin, drive.sectors - 1))
        drive.dead_stops.append(np.minimum(begin + runs, drive.sectors))


# ---------------------------------------------------------------------- slowness, hangs, heat, wear


def slow_zones(drive: _Drawing) -> None:
    """Stretches that are given, but slowly."""
    count = drive.count(drive.ranges.slow_zones)
    share = drive.even(drive.ranges.slow_share) / count
    for slot in range(count):
        length = int(share * drive.sectors)
        room = drive.sectors // count - length
        start = slot * (drive.sectors // count) + int(drive.chance.integers(max(1, room)))
        drive.slow.append((start, start + length, drive.even(drive.ranges.slow_factor)))


def hangs(drive: _Drawing) -> None:
    """Some bad sectors answer nothing until the drive is reset."""
    drive.hang_share = drive.even(drive.ranges.hang_share)
    drive.drive = replace(drive.drive, hang_seconds=drive.even(drive.ranges.hang_seconds))


def drop_outs(drive: _Drawing) -> None:
    """A refusal may throw the drive off the bus until its power is cycled."""
    ranges = drive.ranges
    drive.drive = replace(
        drive.drive,
        drop_out_chance=drive.even(ranges.drop_out_chance),
        drop_out_seconds=drive.even(ranges.drop_out_seconds),
        drop_out_wear=drive.even(ranges.drop_out_wear) / drive.drive.hazard.life_seconds,
    )


def hot(drive: _Drawing) -> None:
    """It grows too hot while reading and has to rest."""
    busy = drive.even(drive.ranges.busy_celsius)
    drive.drive = replace(drive.drive, heat=Heat(busy=busy, constant_seconds=600 * drive.scale))


def wears_out(drive: _Drawing) -> None:
    """The hazard grows with powered hours and with refusals."""
    hazard = replace(
        drive.drive.hazard,
        wear_out_seconds=drive.even(drive.ranges.wear_out_seconds) * drive.scale,
        rise=drive.even(drive.ranges.hazard_rise) / 100,
    )
    drive.drive = replace(drive.drive, hazard=hazard)


MODELS: dict[str, tuple[Callable[[_Drawing], None], ...]] = {
    "isolated": (isolated,),
    "clusters": (clusters,),
    "first-tenth": (first_tenth,),
    "scratches": (scratches, isolated),
    "slow-zones": (slow_zones, isolated),
    "hangs": (clusters, hangs, drop_outs),
    "hot": (clusters, hot),
    "wear-out": (clusters, wears_out),
    "dead-head": (dead_head, isolated),
    "weak-head": (weak_head, isolated),
    "mixed": (weak_head, scratches, clusters, slow_zones, hangs, drop_outs, hot, wears_out),
}
SPARSE = ("isolated", "clusters", "first-tenth", "scratches", "slow-zones")
HEADS = ("dead-head", "weak-head")
