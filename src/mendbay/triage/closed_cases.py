"""What closed cases tell of the tables' numbers: how often each was met.

A closed case tells what was broken, and not which of two faults came first, what befell the box or how its
drives belong together; these are counted by their chances given all answers and the packaged tables, one
expectation step of A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Stat. Soc. B 39 (1977), from memory. It is
one step from the packaged tables, so the order of the cases does not matter.

What an event makes likelier is met more often than its bare share says, and a drive that came alone cannot
show what is wrong with a box. So a case counts by how rarely it would be met (D. G. Horvitz, D. J. Thompson,
J. Am. Stat. Assoc. 47 (1952), from memory): counted so, cases drawn from the tables leave them as they are.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from operator import attrgetter

import numpy as np

from mendbay.core.errors import UsageError
from mendbay.triage.belief import Asked, sign_of
from mendbay.triage.tables import Seat, Tables
from mendbay.triage.worlds import Floats, Int64s, Place, Subject, Worlds

LIKELY_COUNTS = 0.5
"""What a case counts whose finding is only likely, against one that is sure (own choice)."""
MOST_COUNT = 3.0
"""What one case can count as at most, however rarely it would be met (own choice: a tenth of the prior)."""
MOST_FAULTS = 2
"""Faults of one world."""
SOUND = ""
"""Stands for nothing being broken where faults are counted."""


@dataclass(frozen=True, slots=True, order=True)
class ClosedCase:
    """What a closed case teaches.

    Args:
        number: of the case.
        bays, box: what came in, as `Subject` has it.
        found: what was broken, each a fault and its bay; empty if nothing was.
        sure: proven, or only likely.
        answers: what was known when it was closed, each a sign, its bay and the answer.
    """

    number: int
    bays: tuple[str, ...]
    box: bool
    found: tuple[tuple[str, str], ...]
    sure: bool
    answers: tuple[tuple[str, str, str], ...]

    def __hash__(self) -> int:
        return hash(self.number)  # what is kept of thousands of cases is looked up by all of them

    @property
    def subject(self) -> Subject:
        """
        Raises:
            UsageError: no bay, or more than two.
        """
        return Subject(self.bays, self.box)


@dataclass(slots=True)
class Counts:
    """Expected counts of closed cases, before the prior is added.

    Args:
        whole, part: of faults and of nothing (`SOUND`), from boxes, and from drives that came alone.
        events, layouts: of what happened, and how drives belong together.
        rows: of a row's answers, by sign and number of the row.
        cases: how many cases reached an entry: `faults`, `events`, `layouts` or a row's key.
        taken: the numbers of the cases that count.
        left_out: cases that cannot count, each with why, as sentences.
    """

    whole: dict[str, float] = field(default_factory=dict)
    part: dict[str, float] = field(default_factory=dict)
    events: dict[str, float] = field(default_factory=dict)
    layouts: dict[str, float] = field(default_factory=dict)
    rows: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    cases: dict[str | tuple[str, int], int] = field(default_factory=dict)
    taken: tuple[int, ...] = ()
    left_out: tuple[str, ...] = ()

    def of_fault(self, name: str) -> float:
        """All that counts for a fault, or for nothing being broken (`SOUND`)."""
        return self.whole.get(name, 0.0) + self.part.get(name, 0.0)

    def reached(self, key: str | tuple[str, int]) -> None:
        self.cases[key] = self.cases.get(key, 0) + 1

    def add(self, other: Counts) -> None:
        """Adds what other cases count, which are not among these."""
        for mine, theirs in (
            (self.whole, other.whole),
            (self.part, other.part),
            (self.events, other.events),
            (self.layouts, other.layouts),
        ):
            for name, met in theirs.items():
                mine[name] = mine.get(name, 0.0) + met
        for key, row in other.rows.items():
            so_far = self.rows.setdefault(key, [0.0] * len(row))
            so_far[:] = [one + more for one, more in zip(so_far, row, strict=True)]
        for reached, times in other.cases.items():
            self.cases[reached] = self.cases.get(reached, 0) + times
        self.taken += other.taken
        self.left_out += other.left_out


BLOCKS = (1024, 32)
"""Cases whose numbers follow one another that are counted together, and their sum kept: by large blocks, and
these by small ones."""
BLOCKS_KEPT = 512


_NUMBER = attrgetter("number")


class _Block(tuple[ClosedCase, ...]):
    """Cases by number, with a hash that costs little: sums are looked up by them."""

    def __hash__(self) -> int:
        return hash((len(self), sum(map(_NUMBER, self))))


def _blocks(cases: _Block, size: int) -> Iterator[_Block]:
    """Cut where a number is the first of so many."""
    at = 0
    while at < len(cases):
        after = (cases[at].number // size + 1) * size
        end = bisect_left(cases, after, lo=at, key=_NUMBER)
        yield _Block(cases[at:end])
        at = end


class CaseCounter:
    """Counts how often each number of the tables was met. Sums of blocks of cases are kept, so that counting
    again with one case more or less costs that case's block alone; the result is the same to the last bit.

    Args:
        tables: the packaged ones.
    """

    def __init__(self, tables: Tables) -> None:
        self._tables = tables
        self._shapes: dict[tuple[int, bool], _Shape] = {}
        self._of_block = lru_cache(maxsize=BLOCKS_KEPT)(self._summed)

    def counts(self, cases: Iterable[ClosedCase]) -> Counts:
        """What these cases, in any order, count together."""
        return self._summed(_Block(sorted(cases, key=_NUMBER)), BLOCKS)

    def _summed(self, cases: _Block, sizes: tuple[int, ...]) -> Counts:
        if not sizes:
            return self._counted(cases)
        total = Counts()
        for block in _blocks(cases, sizes[0]):
            total.add(self._of_block(block, sizes[1:]))
        return total

    def _counted(self, cases: tuple[ClosedCase, ...]) -> Counts:
        counts = Counts()
        taken: list[int] = []
        left_out: list[str] = []
        for case in cases:
            try:
                self._shape(case).add(case, counts)
            except UsageError as trouble:
                left_out.append(f"Case {case.number}: {trouble.what}")
                continue
            taken.append(case.number)
        counts.taken, counts.left_out = tuple(taken), tuple(left_out)
        return counts

    def _shape(self, case: ClosedCase) -> _Shape:
        """
        Raises:
            UsageError: the case has no bay, or more than two.
        """
        shape = (len(case.subject.bays), case.box)
        if shape not in self._shapes:
            bays = tuple(str(one + 1) for one in range(shape[0]))
            self._shapes[shape] = _Shape(self._tables, Subject(bays, case.box))
        return self._shapes[shape]


def counted(tables: Tables, cases: Iterable[ClosedCase]) -> Counts:
    """How often each number of the tables was met.

    Args:
        tables: the packaged ones.
        cases: in any order.
    """
    return CaseCounter(tables).counts(cases)


class _Shape:
    """The worlds of all cases of one shape (how many drives, with or without a box), and how often they are
    met against what their shares say."""

    def __init__(self, tables: Tables, subject: Subject) -> None:
        self._tables = tables
        self._worlds = worlds = Worlds(tables, subject)
        self._sets: dict[frozenset[int], Int64s] = {}
        self._rows: dict[Asked, Int64s] = {}
        self._first = np.array([float(tables.faults[one.fault].first.value) for one in worlds.places])
        times = np.ones((len(tables.happenings), len(worlds.places)))
        for at, event in enumerate(tables.happenings.values()):
            for number, place in enumerate(worlds.places):
                if place.fault in event.times:
                    times[at, number] = float(event.times[place.fault].value)
        self._times = times
        besides = np.array([float(tables.faults[one.fault].besides.value) for one in worlds.places]) * times
        self._odds = np.minimum(besides, 0.5) / (1.0 - np.minimum(besides, 0.5))
        self._beside = 1.0 + self._odds.sum(axis=1, keepdims=True) - self._odds
        self._all = float(tables.sound.value) + (times * self._first * self._beside).sum(axis=1)
        """(events), the weight of all that can be the case: the chance of one is its own weight over it."""
        self._shown = share_of(tables, {one.fault for one in worlds.places})

    def add(self, case: ClosedCase, counts: Counts) -> None:
        """Counts a case.

        Raises:
            UsageError: something of it is not in the tables, or more was broken than the model looks at.
        """
        weight = 1.0 if case.sure else LIKELY_COUNTS
        renamed = dict(zip(case.bays, self._worlds.subject.bays, strict=True))
        places = self._places(case, renamed)
        here = self._of(frozenset(places))
        chances = np.log(self._worlds.prior[here])
        heard: list[tuple[Asked, int, Int64s]] = []
        for name, bay, said in case.answers:
            asked = Asked(name, renamed.get(bay, bay))
            try:
                sign = sign_of(self._worlds, asked)
                answer = sign.place(said)
            except KeyError:
                raise UsageError(f"{name} can no longer be {said[:40]!r}.", "It is left out.") from None
            if asked not in self._rows:
                self._rows[asked] = self._worlds.row(sign.rows, asked.bay)
            rows = self._rows[asked][here]
            heard.append((asked, answer, rows))
            chances = chances + np.log(
                np.array([float(one.chances[answer].value) for one in sign.rows])[rows]
            )
        posterior = np.exp(chances - chances.max())
        posterior *= weight / posterior.sum()
        self._share_out(counts, places, here, posterior)
        for asked, answer, rows in heard:
            self._hear(counts, asked, answer, np.bincount(rows, posterior).astype(np.float64))

    def _places(self, case: ClosedCase, renamed: Mapping[str, str]) -> list[int]:
        if len(case.found) > MOST_FAULTS:
            raise UsageError(
                f"{len(case.found)} things were broken at once, and the model looks at {MOST_FAULTS}.",
                "It is left out.",
            )
        found = []
        for fault, bay in case.found:
            place = Place(fault, renamed.get(bay, bay))
            if place not in self._worlds.places:
                where = f" of bay {bay}" if bay else ""
                raise UsageError(f"The tables know no fault {fault[:40]!r}{where}.", "It is left out.")
            found.append(self._worlds.place(place.fault, place.bay))
        return found

    def _of(self, places: frozenset[int]) -> Int64s:
        """The worlds in which these places are broken and no other."""
        if places not in self._sets:
            wanted = np.zeros(len(self._worlds.places), np.bool_)
            wanted[list(places)] = True
            self._sets[places] = np.flatnonzero((self._worlds.faulty == wanted).all(axis=1))
        return self._sets[places]

    def _share_out(self, counts: Counts, places: Sequence[int], here: Int64s, posterior: Floats) -> None:
        """Counts what happened, how the drives belong together, and what came first."""
        events = np.zeros(len(self._tables.happenings))
        for at, name in enumerate(self._tables.happenings):
            events[at] = posterior[self._worlds.of_happening(name)[here]].sum()
            counts.events[name] = counts.events.get(name, 0.0) + float(events[at])
        counts.reached("events")
        if self._worlds.subject.box and len(self._worlds.subject.bays) > 1:
            for name in self._tables.layouts:
                met = float(posterior[self._worlds.of_layout(name)[here]].sum())
                counts.layouts[name] = counts.layouts.get(name, 0.0) + met
            counts.reached("layouts")
        counted = counts.whole if self._worlds.subject.box else counts.part
        counts.reached("faults")
        if not places:
            met = float((events * np.minimum(self._all / self._shown, MOST_COUNT)).sum())
            counted[SOUND] = counted.get(SOUND, 0.0) + met
        for place in places:
            name = self._worlds.places[place].fault
            met = float((events * self._came_first(place, places) * self._rarity(place)).sum())
            counted[name] = counted.get(name, 0.0) + met

    def _came_first(self, place: int, places: Sequence[int]) -> Floats:
        """(events), the chance that the place broke first of those that are broken."""
        if len(places) == 1:
            return np.ones(len(self._times))
        (other,) = (one for one in places if one != place)
        mine = self._first[place] * self._times[:, place] * self._odds[:, other]
        theirs = self._first[other] * self._times[:, other] * self._odds[:, place]
        found: Floats = mine / (mine + theirs)
        return found

    def _rarity(self, place: int) -> Floats:
        """(events), what a case counts in which the place broke first: its share among what such a case can
        show, over the chance of meeting it."""
        of_bay = self._worlds.places[place].bay != ""
        seen = (len(self._worlds.subject.bays) / 2 if of_bay else 1.0) * self._times[:, place]
        found: Floats = np.minimum(self._all / (seen * self._beside[:, place] * self._shown), MOST_COUNT)
        return found

    def _hear(self, counts: Counts, asked: Asked, answer: int, by_row: Floats) -> None:
        size = len(self._tables.signs[asked.sign].answers)
        for number in np.flatnonzero(by_row).tolist():
            key = (asked.sign, number)
            counts.rows.setdefault(key, [0.0] * size)[answer] += float(by_row[number])
            counts.reached(key)


def share_of(tables: Tables, names: Iterable[str]) -> float:
    """What `sound` and these faults have of all cases with a box and two drives."""
    return float(tables.sound.value) + sum(
        float(tables.faults[one].first.value) * drives_of(tables, one) for one in names
    )


def drives_of(tables: Tables, fault: str) -> int:
    """How many places a fault has in a box with two drives."""
    return 2 if tables.faults[fault].seat is Seat.BAY else 1
