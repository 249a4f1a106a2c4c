"""The chance that one adapter gives what another refused, learned from what was asked of both.

For every two adapters the sectors count that the first refused alone and that the second was asked for in a
later run; the chance is the mean of a Beta distribution,

    (given + 4 x 0.1) / (asked + 4),

so one in ten before anything was counted, with the weight of four sectors (own choice, no source: most
refusals are the drive's and not the way's). What was asked in the other order does not count: what the second
adapter refused first, it refused for certain. Nor does a sector that the first gave itself in the end.

Names of adapters are keys (`adapters.adapter_key`); an empty one may be any adapter, so it has no odds.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mendbay.core.coverage import refused_alone
from mendbay.core.proportion import Proportion
from mendbay.core.span import Bools, Int64s, SpanSet
from mendbay.imaging.adapters import adapter_key
from mendbay.imaging.lacking import Refusal

PRIOR_SHARE = 0.1
PRIOR_WEIGHT = 4.0
WORTH_SECTORS = 1.0
"""An adapter is worth trying from so many sectors on that it is expected to give (own choice)."""

Pair = tuple[str, str]
"""The adapter that refused, and the one that was asked then."""


@dataclass(frozen=True, slots=True)
class Counts:
    """Of `asked` sectors `given` were given."""

    given: int = 0
    asked: int = 0

    @property
    def chance(self) -> float:
        """That the next one is given, with the prior."""
        return (self.given + PRIOR_WEIGHT * PRIOR_SHARE) / (self.asked + PRIOR_WEIGHT)

    def __add__(self, other: Counts) -> Counts:
        return Counts(self.given + other.given, self.asked + other.asked)


NONE = Counts()


@dataclass(frozen=True, slots=True)
class SecondChance:
    """Of `asked` sectors that `refused_through` refused alone and that were asked for through `given_through`
    later, `given` were given. Both are names as a person gave them."""

    refused_through: str
    given_through: str
    given: int
    asked: int

    @property
    def share(self) -> Proportion:
        """As a proportion with its interval."""
        return Proportion(self.given, self.asked)


@dataclass(frozen=True, slots=True)
class Sitting:
    """A run of an image: its number, its adapter as a person named it, and when it began (UTC)."""

    run: int
    adapter: str
    started_at: str


@dataclass(frozen=True, slots=True)
class _Refused:
    """What one adapter refused alone: first bytes, sorted, and the ranks of the first and last such run."""

    starts: Int64s
    first: Int64s
    last: Int64s


class AdapterRecord:
    """What the log of one image tells of its adapters.

    Args:
        sittings: every run.
        refusals: every read not given; which sectors each speaks of: `core.coverage.refused_alone`.
        given_by_run: what each run gave.
        unit_bytes: what fails as one; 0 for a sector.
    """

    def __init__(
        self,
        sittings: Iterable[Sitting],
        refusals: Iterable[Refusal],
        given_by_run: Mapping[int, SpanSet],
        sector_bytes: int,
        unit_bytes: int = 0,
    ) -> None:
        ordered = sorted(sittings, key=lambda one: (one.started_at, one.run))
        self._rank = {one.run: at for at, one in enumerate(ordered)}
        self._key = {one.run: adapter_key(one.adapter) for one in ordered}
        self._given_by_run = given_by_run
        self.names: dict[str, str] = {}
        """How a person first named each adapter, by key; without those that were not stated."""
        for one in ordered:
            if self._key[one.run]:
                self.names.setdefault(self._key[one.run], one.adapter)
        reads: dict[str, list[tuple[int, int, int]]] = defaultdict(list)
        for refusal in refusals:
            span, rank = refusal.span, self._rank[refusal.run]
            reads[self._key[refusal.run]].append((span.start, span.stop, rank))
        self._refused: dict[str, _Refused] = {}
        for key, found in reads.items():
            rows = np.array(found, dtype=np.int64)
            places, which = refused_alone(rows[:, :2], sector_bytes, unit_bytes)
            if places.size:
                self._refused[key] = _refused(places, rows[which, 2])

    def counts(self) -> dict[Pair, Counts]:
        """What each adapter was asked for, and gave, of what each other one had refused before."""
        found: dict[Pair, Counts] = {}
        for one in self.names:
            if one not in self._refused:
                continue
            own = self._given_through(one, self._refused[one].starts)
            for other in self.names:
                if other != one:
                    counts = self._pair(self._refused[one], other, own)
                    if counts.asked:
                        found[one, other] = counts
        return found

    def second_chances(self) -> tuple[SecondChance, ...]:
        """`counts` with the names of the adapters, in order of their keys."""
        return tuple(
            SecondChance(self.names[one], self.names[other], found.given, found.asked)
            for (one, other), found in sorted(self.counts().items())
        )

    def _pair(self, refused: _Refused, other: str, own: Bools) -> Counts:
        given = self._given_through(other, refused.starts, refused.first)
        again = np.zeros(refused.starts.size, dtype=bool)
        theirs = self._refused.get(other)
        if theirs is not None:
            _, mine, at = np.intersect1d(refused.starts, theirs.starts, return_indices=True)
            again[mine] = theirs.last[at] > refused.first[mine]
        asked = (given | again) & ~own
        return Counts(int(np.count_nonzero(given & asked)), int(np.count_nonzero(asked)))

    def _given_through(self, key: str, starts: Int64s, after: Int64s | None = None) -> Bools:
        """For each place, whether an adapter gave it; where `after` is told, in a run of a higher rank."""
        found = np.zeros(starts.size, dtype=bool)
        for run, spans in self._given_by_run.items():
            if self._key[run] == key:
                inside = spans.holds(starts)
                found |= inside if after is None else inside & (after < self._rank[run])
        return found

    def refused_by(self, starts: Int64s) -> tuple[tuple[str, ...], ...]:
        """For each place the adapters that refused it alone, sorted; one not stated is the empty key."""
        keys = sorted(self._refused)
        columns = [np.isin(starts, self._refused[key].starts).tolist() for key in keys]
        rows = zip(*columns, strict=True) if columns else (() for _ in range(starts.size))
        return tuple(tuple(key for key, said in zip(keys, row, strict=True) if said) for row in rows)


def _refused(places: Int64s, ranks: Int64s) -> _Refused:
    starts, which = np.unique(places, return_inverse=True)
    first = np.full(starts.size, np.iinfo(np.int64).max)
    last = np.full(starts.size, -1, dtype=np.int64)
    np.minimum.at(first, which, ranks)
    np.maximum.at(last, which, ranks)
    return _Refused(starts, first, last)


def together(records: Iterable[Mapping[Pair, Counts]]) -> dict[Pair, Counts]:
    """The counts of several images in one."""
    found: dict[Pair, Counts] = {}
    for record in records:
        for pair, counts in record.items():
            found[pair] = found.get(pair, NONE) + counts
    return found


class AdapterOdds:
    """The chances of sectors that only other adapters refused so far, through the present one. Learns.

    Where several refused a sector, the least of their chances counts: it withstood each of them.

    Args:
        present: the present adapter.
        counts: of every two adapters.
        refused_by: by sector number, the adapters that refused it alone.
    """

    def __init__(
        self, present: str, counts: Mapping[Pair, Counts], refused_by: Mapping[int, tuple[str, ...]]
    ) -> None:
        self._counts = {one: counts.get((one, present), NONE) for keys in refused_by.values() for one in keys}
        self._refused_by = refused_by

    def by_units(self, sectors: int) -> AdapterOdds:
        """The same chances, of units of so many sectors, by their numbers; a unit was refused by whoever
        refused a sector of it."""
        refused_by: dict[int, set[str]] = defaultdict(set)
        for at, keys in self._refused_by.items():
            refused_by[at // sectors].update(keys)
        made = AdapterOdds("", {}, {at: tuple(sorted(keys)) for at, keys in refused_by.items()})
        made._counts = dict(self._counts)
        return made

    def chance(self, at: int) -> float:
        """That sector `at` is given; that of the prior where nobody is known to have refused it."""
        keys = self._refused_by.get(at, ())
        return min((self._counts[one].chance for one in keys), default=NONE.chance)

    def note(self, at: int, given: bool) -> None:
        """Notes what came of asking for sector `at`."""
        for one in self._refused_by.get(at, ()):
            self._counts[one] += Counts(int(given), 1)

    @property
    def best(self) -> float:
        """The highest chance any sector may have."""
        return max((one.chance for one in self._counts.values()), default=NONE.chance)


@dataclass(frozen=True, slots=True)
class WorthTrying:
    """An adapter that was not asked for `sectors` that are refused, of which it is expected to give
    `expected`: of `asked` sectors that those who refused them had refused before, it gave `given`.

    `adapter` is empty for one that the case has not seen; then nothing was counted.
    """

    adapter: str
    sectors: int
    expected: float
    given: int
    asked: int


def worth_trying(
    refused_by: Sequence[tuple[str, ...]],
    counts: Mapping[Pair, Counts],
    names: Mapping[str, str],
    present: str,
) -> tuple[WorthTrying, ...]:
    """The adapters of which at least `WORTH_SECTORS` of what is refused now may be expected, the best first.

    Args:
        refused_by: for every sector that is refused, the adapters that refused it alone.
        counts: of every two adapters.
        names: of the adapters the case has seen, by key.
        present: the one in use, which had its tries.
    """
    groups: dict[tuple[str, ...], int] = defaultdict(int)
    for keys in refused_by:
        if keys and "" not in keys:  # one not stated may have been any: nothing is new then
            groups[keys] += 1
    others = [key for key in sorted(names) if key != present] or [""]
    found = [one for key in others if (one := _offer(key, names.get(key, ""), groups, counts)).sectors]
    worth = [one for one in found if one.expected >= WORTH_SECTORS]
    return tuple(sorted(worth, key=lambda one: (-one.expected, one.adapter)))


def _offer(
    key: str, name: str, groups: Mapping[tuple[str, ...], int], counts: Mapping[Pair, Counts]
) -> WorthTrying:
    sectors, expected, pairs = 0, 0.0, set()
    for keys, number in groups.items():
        if key not in keys:
            sectors += number
            expected += number * min(counts.get((one, key), NONE).chance for one in keys)
            pairs |= {(one, key) for one in keys}
    told = sum((counts.get(pair, NONE) for pair in pairs), NONE)
    return WorthTrying(name, sectors, expected, told.given, told.asked)
