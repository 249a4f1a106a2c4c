"""What a read is likely to bring: chance of success, time and harm, learned from the reads so far.

Positions here are sector numbers. Nothing in this module knows an order of phases; it gives the numbers
from which the planner's one rule makes its choice. What it knows lies in parts of its own: how densely single
sectors are bad (`Density`), bad stretches (`BadRuns`), the bands of a head (`BandMap`), slow reads
(`Slowness`) and retries (`Retries`).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from mendbay.core.span import SpanSet
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.band_map import BandMap, BandStretch
from mendbay.imaging.chain_fit import ChainFit
from mendbay.imaging.changes import Changes
from mendbay.imaging.density import BLOCK_CELLS, CELL, Density
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.retries import Retries
from mendbay.imaging.runs import BadRuns, Sign
from mendbay.imaging.slowness import Slowness
from mendbay.imaging.stretches import learn_stretches

_SIZE_FACTOR = 1.4
_RARE = 10.0
_LEAST_CHANCE = 0.02
_REACH = (BLOCK_CELLS + 1) * CELL
"""Damage further away than this is left to the estimates for the whole drive and to the bands."""
_MOST_SIGNS = 5
_LEARN_EVERY, _LEARN_SHARE = 16, 8
_RETRY_PLACE = 16_384
_PACE_BYTES, _PACE_BYTES_SLOW = 100e6, 400e6
"""Over how many bytes the pace is taken; by a slow read it is moved less (own choice, no source)."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known around a piece, for all reads inside it.

    Attributes:
        start, stop: the piece.
        calm: nothing was refused near it, and no bands are known there.
        before, behind: chance of a bad stretch at its two ends, from what lies outside.
        open_sectors: if the piece is part of a refused range, how many sectors of that are open; else 0.
    """

    start: int
    stop: int
    calm: bool
    before: float
    behind: float
    open_sectors: int


class Evidence:
    """The outcomes so far, and what they say about any place of the drive.

    Args:
        sector_bytes: size of a sector.
        sectors: how many the drive has.
        assumed: the priors.
        read: what earlier runs gave, in bytes.
    """

    def __init__(
        self, sector_bytes: int, sectors: int, assumed: Assumptions, read: SpanSet | None = None
    ) -> None:
        self.sector_bytes = sector_bytes
        self.sectors = sectors
        self.assumed = assumed
        earlier = read or SpanSet()
        starts, stops = earlier.starts // sector_bytes, -(-earlier.stops // sector_bytes)
        self.given_places = GivenPlaces(starts, stops)
        self.slow = Slowness()
        self.damage = Density(sectors, assumed.bad_share, self.given_places, self.slow)
        if earlier:
            self.damage.known(starts, stops)
        self.runs = BadRuns()
        self.bands = BandMap()
        self.retries = Retries(assumed.retry_share, _RETRY_PLACE)
        self._changes = Changes(sectors)
        self._refusals = 4.0
        self._refusal_seconds = 4.0 * assumed.refusal_seconds
        self._given_bytes = 64e6
        self._given_seconds = self._given_bytes / assumed.bytes_per_second
        self._since_learned = 0
        self._latest: list[int] = []
        self._explained: tuple[ChainFit, float, int] | None = None

    # ------------------------------------------------------------------ times

    @property
    def refusal_seconds(self) -> float:
        """Mean time until the drive says no."""
        return self._refusal_seconds / self._refusals

    @property
    def refusals(self) -> int:
        """How many reads were refused."""
        return int(self._refusals) - 4

    @property
    def refusal_cost(self) -> float:
        """What a refusal costs in seconds of the drive's life: the wait and the wear."""
        return self.refusal_seconds + self.assumed.refusal_wear_seconds

    @property
    def sector_seconds(self) -> float:
        """Time to transfer one sector."""
        return self._given_seconds / self._given_bytes * self.sector_bytes

    # ------------------------------------------------------------------ taking in

    def assume(self, assumed: Assumptions) -> None:
        """Takes times and wear from these assumptions; every score is stale then."""
        self.assumed = assumed
        self._changes.everywhere()

    def state(self, at: int) -> int:
        """A number that grows whenever what is known around a place has changed much."""
        return self._changes.state(at)

    def given(self, start: int, stop: int, seconds: float) -> None:
        """Notes that sectors `start` to `stop` were given by one read."""
        self._changes.given(start, stop - start)
        expected = self.assumed.command_seconds + (stop - start) * self.sector_seconds
        slow = self.slow.given(start, stop, seconds, expected + self.assumed.seek_seconds)
        if self._refusals > 4:
            self._weigh_bands(self.look(start, stop), start, stop, given=True)
        self.damage.tried(start, stop)
        self.given_places.add(start, stop)
        # Outer tracks are faster than inner ones: the pace follows the drive as it goes.
        size = (stop - start) * self.sector_bytes
        forget = math.exp(-size / (_PACE_BYTES_SLOW if slow else _PACE_BYTES))
        self._given_bytes = self._given_bytes * forget + size
        self._given_seconds = self._given_seconds * forget + seconds

    def refused(self, start: int, stop: int, seconds: float) -> None:
        """Notes a read of sectors `start` to `stop` that was refused."""
        self._changes.refused(start)
        self._since_learned += 1
        self._latest.append(start)
        self._refusals += 1
        self._refusal_seconds += seconds
        self.slow.refused(start, stop)
        view = self.look(start, stop, closely=True)
        share = self._run_share(view, start, stop)
        self._weigh_bands(view, start, stop, given=False)
        self.damage.refused(start, stop, 1 - share)
        self._weigh_changes()

    def _weigh_bands(self, view: Outlook, start: int, stop: int, given: bool) -> None:
        """Holds the bands against the chain by how well each foretold a read."""
        bands = self.bands.around(start)
        if bands is None:
            return
        runs, density = self.runs, self.damage.share
        before = runs.fade(view.before, start - view.start)
        behind = runs.fade(view.behind, max(0, view.stop - stop))
        by_chain = self._given_chance(*runs.stays(stop - start, before, behind), stop - start, density)
        by_bands = self._given_chance(*self._banded_chances(bands, view, start, stop), stop - start, density)
        self.bands.weigh(by_bands, by_chain, given)

    def _run_share(self, view: Outlook, start: int, stop: int) -> float:
        """How far a bad stretch explains a refusal, 0 to 1; the rest is for single bad sectors."""
        density = self.damage.at(start)
        good, bad = self._stretch_chances(view, start, stop)
        ok = self._given_chance(good, bad, stop - start, density)
        return min(1.0, max(0.0, (1 - good) / max(1e-12, 1 - ok))) if ok < 1 else 0.0

    def settled(self, start: int, stop: int) -> None:
        """Forgets the refused range `start` to `stop`: a smaller refusal inside explains it."""
        self.damage.settled(start, stop)

    def retried(self, at: int, tries: int, success: bool) -> None:
        """Notes the outcome of asking again for sector `at`, refused `tries` times before."""
        self._changes.here(at)
        self.retries.note(at, tries, success)

    def learn_anew(self) -> bool:
        """Estimates bad stretches and bands anew if enough was refused since; returns whether that changed
        what is known of the drive."""
        marks = len(self.damage.bad) + len(self.damage.ranges)
        if self._since_learned < max(min(marks // 4, _LEARN_EVERY), marks // _LEARN_SHARE, 2):
            return False
        self._since_learned = 0
        found = self._explain()
        self.runs.take(found)
        self.damage.take(found.density)
        banded = self.bands.learn(self.damage, self.given_places, self._latest)
        self._latest = []
        if banded:
            self._changes.everywhere()
        return self._weigh_changes() or banded

    def explained(self) -> ChainFit:
        """The likeliest explanation of all outcomes; at most a tenth of them came since it was made."""
        if self._explained is not None:
            found, refusals, tried = self._explained
            if self._refusals <= 1.1 * refusals and self.damage.tried_sectors <= 1.1 * tried:
                return found
        return self._explain()

    def _explain(self) -> ChainFit:
        """The same, made anew: some tenths of a second where much was refused."""
        found = learn_stretches(self.damage, self.given_places, self.sectors, self.assumed.bad_share)
        self._explained = found, self._refusals, self.damage.tried_sectors
        return found

    def _weigh_changes(self) -> bool:
        """Whether what holds for the whole drive has changed so much that every score is stale."""
        runs = self.runs
        return self._changes.of_the_drive(
            self.refusal_cost, self.damage.share, runs.enter, runs.leave, 1 - runs.refused_share
        )

    # ------------------------------------------------------------------ what lies around

    def density(self, at: int) -> float:
        """Chance that a single sector near `at` is bad, bad stretches left out."""
        return self.damage.at(at)

    def damage_between(self, low: int, high: int) -> bool:
        """Whether anything was refused or slow between two places."""
        return self.damage.damage_between(low, high)

    def look(self, start: int, stop: int, open_sectors: int = 0, closely: bool = False) -> Outlook:
        """What is known around a piece, from outside.

        Args:
            open_sectors: if it is part of a refused range, how many sectors of that are open; else 0.
            closely: look at what was given nearby even if nothing was refused there.
        """
        banded = self.bands.around(start) is not None
        if not (
            closely or open_sectors or banded or self.damage.damage_between(start - _REACH, stop + _REACH)
        ):
            before = 0.0 if self.given_places.just_before(start) else self.runs.stationary
            return Outlook(start, stop, True, before, self.runs.stationary, 0)
        before = self.runs.message(start, self._signs_before(start))
        behind = self.runs.message(stop, self._signs_behind(stop))
        return Outlook(start, stop, False, before, behind, open_sectors)

    def _signs_before(self, at: int) -> list[Sign]:
        """The nearest decided places below `at`, up to one that settles the state or a few."""
        signs: list[Sign] = []
        low = max(0, at - _REACH)
        bad, ranges = self.damage.bad, self.damage.ranges
        while len(signs) < _MOST_SIGNS and at > low:
            index = bisect_left(bad, at) - 1
            single = bad[index] if index >= 0 else -1
            index = bisect_left(ranges, (at, 0)) - 1
            wide = ranges[index] if index >= 0 else (-1, -1)
            if wide[1] > at:  # the refused range that `at` lies in says nothing about one side of it
                wide = (-1, -1)
            floor = max(low, single, wide[1] - 1)
            run = self.given_places.before(at, floor)
            if run is not None:
                sign = self.runs.given_sign(max(run[0], floor + 1), run[1])
            elif single >= low and single >= wide[1] - 1:
                sign = self.runs.refused_sign(single, single + 1, self.damage.share)
            elif wide[1] > low:
                sign = self.runs.refused_sign(wide[0], wide[1], self.damage.share)
            else:
                break
            signs.append(sign)
            at = sign.start
            if sign.log_odds < -5:
                break
        return signs

    def _signs_behind(self, at: int) -> list[Sign]:
        """The nearest decided places from `at` on, up to one that settles the state or a few."""
        signs: list[Sign] = []
        high = min(self.sectors, at + _REACH)
        bad, ranges = self.damage.bad, self.damage.ranges
        while len(signs) < _MOST_SIGNS and at < high:
            index = bisect_left(bad, at)
            single = bad[index] if index < len(bad) else high
            index = bisect_left(ranges, (at, 0))
            wide = ranges[index] if index < len(ranges) else (high, high)
            ceiling = min(high, single, wide[0])
            run = self.given_places.behind(at, ceiling) if ceiling > at else None
            if run is not None:
                sign = self.runs.given_sign(run[0], min(run[1], ceiling))
            elif single < high and single <= wide[0]:
                sign = self.runs.refused_sign(single, single + 1, self.damage.share)
            elif wide[0] < high:
                sign = self.runs.refused_sign(wide[0], wide[1], self.damage.share)
            else:
                break
            signs.append(sign)
            at = sign.stop
            if sign.log_odds < -5:
                break
        return signs

    # ------------------------------------------------------------------ chances

    def read_chance(self, view: Outlook, start: int, stop: int, density: float) -> float:
        """Chance that the sectors `start` to `stop` of the piece looked at are all given.

        Args:
            density: chance that a single one of them is bad, bad stretches left out.
        """
        sectors = stop - start
        if view.calm:
            before = view.before if start == view.start else self.runs.stationary
            return (1 - before) * math.exp(sectors * (math.log1p(-density) - self.runs.enter))
        good, bad = self._stretch_chances(view, start, stop)
        chance = self._given_chance(good, bad, sectors, density)
        if not view.open_sectors:
            return max(chance, 1e-4)
        good, bad = self._stretch_chances(view, view.start, view.start + view.open_sectors)
        whole = min(chance, self._given_chance(good, bad, view.open_sectors, density))
        return max((chance - whole) / max(1e-9, 1 - whole), _LEAST_CHANCE)

    def _given_chance(self, good: float, bad: float, sectors: int, density: float) -> float:
        slope = math.log1p(-density)
        held = math.log1p(-self.runs.refused_share)
        mixed = max(0.0, 1 - good - bad)
        return (
            good * math.exp(sectors * slope)
            + bad * math.exp(sectors * held)
            + mixed * math.exp(max(1, sectors // 2) * held)
        )

    def _stretch_chances(self, view: Outlook, start: int, stop: int) -> tuple[float, float]:
        """Chances that a read lies wholly in a good stretch, and wholly in a bad one."""
        runs = self.runs
        bands = self.bands.around(start)
        before = runs.fade(view.before, start - view.start)
        behind = runs.fade(view.behind, max(0, view.stop - stop))
        good, bad = runs.stays(stop - start, before, behind)
        if bands is None:
            return good, bad
        trust = self.bands.trust
        banded_good, banded_bad = self._banded_chances(bands, view, start, stop)
        return good + trust * (banded_good - good), bad + trust * (banded_bad - bad)

    def _banded_chances(
        self, bands: BandStretch, view: Outlook, start: int, stop: int
    ) -> tuple[float, float]:
        """The same by the bands alone."""
        level, reach = self.runs.stationary, bands.reach
        first, last = bands.chance(start), bands.chance(stop - 1)
        before = _with_odds(first, view.before, level, (start - view.start) / reach)
        behind = _with_odds(last, view.behind, level, max(0, view.stop - stop) / reach)
        good = (1 - before) * (1 - behind)
        inside = bands.chance((start + stop) // 2)
        if inside > max(first, last):
            good *= 1 - inside
        return good * math.exp(-bands.stray * (stop - start)), before * behind

    def opens(self, start: int, stop: int) -> float:
        """How many good sectors are expected from `start` towards `stop` if what lies before is good."""
        room = abs(stop - start)
        if not room:
            return 0.0
        enter = self.runs.enter
        bands = self.bands.around(start)
        if bands is not None and self.bands.trust > 0.5:
            enter = bands.stray
            room = min(room, bands.bands.good_ahead(start, forwards=stop > start))
        return (1 - math.exp(-enter * room)) / enter

    # ------------------------------------------------------------------ sizes

    def best_sectors(self, density: float) -> int:
        """How many sectors to ask for where each is bad with chance `density`, by maximising sectors
        per second of life; at least 1."""
        command = self.assumed.command_seconds
        slope = self.sector_seconds + density * self.refusal_cost
        best = (math.sqrt(command * command + command * slope / density) - command) / slope
        return max(1, int(_SIZE_FACTOR * best))

    def steady_sectors(self, density: float) -> int:
        """How many sectors to ask for on a long way through land of a density; at least `best_sectors`.

        What a refused read held is not lost, it is read later; over a long way a bad sector costs its
        refusals whatever the size, and size weighs only commands against sectors read twice. While refusals
        are rare (at most one read in `_RARE`) that size counts.
        """
        command = self.assumed.command_seconds
        even = math.sqrt(command / (density * self.sector_seconds))
        return max(self.best_sectors(density), int(min(even, 1 / (_RARE * density))))

    def sectors_after_refusal(self, doubtful: int) -> int:
        """How many sectors to ask for inside a refused range with `doubtful` sectors left; at least 1."""
        return max(1, int(doubtful * math.sqrt(self.assumed.command_seconds / self.refusal_cost)))


def _with_odds(prior: float, told: float, level: float, distance: float) -> float:
    """A band's chance after what a neighbour tells, which fades with the distance in reaches.

    Args:
        prior: the band's chance.
        told: chance from the neighbour, starting from `level`.
    """
    told = level + (told - level) * math.exp(-distance)
    odds = prior / (1 - prior) * (told / (1 - told)) / (level / (1 - level))
    return odds / (1 + odds)
