"""How well a text that was read fits a number form: a noisy-channel model over the form's automaton.

P(read | form) is the sum over all numbers of the form and all ways of misreading them: each place of the form
takes one of its characters, each equally likely, and each character is read as `Confusions` expects it. A
lookalike costs what its chance says; one character that is lost, added or read as something unlike it is
possible in a longer text, too. The likeliest number comes from the same recursion (forward sums and the
best path beside each other; Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77, 1989).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from mendbay.board.confusable import (
    LONGEST_TEXT,
    READ_CHARACTERS,
    STROKE,
    UNKNOWN,
    Confusions,
    fold_character,
    right_chance,
)
from mendbay.board.number_form import Form, Forms, Kind
from mendbay.board.pattern import Pattern
from mendbay.board.sighting import How, Sighting

LONGEST_NUMBER = 64
"""Characters a number can have at most."""

USUAL_CONFIDENCE = 0.9
"""The confidence in a character at which the chances of `Confusions` hold (own choice, no source)."""
_LEAST_SLACK, _MOST_SLACK = 0.3, 10.0
"""Lookalikes are misread by readers that are sure of themselves, too (common practice, no source)."""
_CODE_SLACK = 1e-4
"""For barcodes, whose own checks hold."""

_DEAD = 1e-8
"""A path this much less likely than a text of no form is not followed further (own choice)."""

_NEGLIGIBLE = 1e-4
"""Forms this much less likely than the best are left out."""

_LEAST_RIVAL = 1e-3
_MOST_RIVALS = 6

_NO_FORM = (
    (0.5, READ_CHARACTERS),
    (0.3, frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ -.l")),
    (0.2, frozenset("0123456789. ")),
)
"""A text of no form: of any characters, of letters, or of digits, with their shares (own choice)."""


@dataclass(frozen=True, slots=True)
class Read:
    """A text in the characters of numbers.

    `slack` says for each character how much likelier a mistake is than usual: below 1 where the reader is
    surer than usual, nearly 0 in barcodes. `text` is what it was before folding.
    """

    symbols: str
    slack: tuple[float, ...]
    text: str

    def cut(self, start: int, stop: int) -> Read:
        """The characters from `start` up to `stop`, outer blanks removed."""
        while start < stop and self.symbols[start] == " ":
            start += 1
        while start < stop and self.symbols[stop - 1] == " ":
            stop -= 1
        symbols = self.symbols[start:stop]
        return Read(symbols, self.slack[start:stop], symbols)

    @property
    def exact(self) -> bool:
        """Whether no character can be misread: it comes from a code."""
        return all(one <= _CODE_SLACK for one in self.slack)


def read_of(sighting: Sighting) -> Read:
    """A sighting as the model takes it; at most its first `LONGEST_TEXT` characters."""
    text = sighting.text[:LONGEST_TEXT]
    known = len(sighting.characters) == len(sighting.text)
    symbols: list[str] = []
    slack: list[float] = []
    for index, one in enumerate(text):
        confidence = sighting.characters[index] if known else sighting.confidence
        for sign in fold_character(one):
            if sign != " " or (symbols and symbols[-1] != " "):
                symbols.append(sign)
                slack.append(_slack(sighting.how, confidence))
    while symbols and symbols[-1] == " ":
        symbols.pop()
        slack.pop()
    return Read("".join(symbols), tuple(slack), text)


def _slack(how: How, confidence: float) -> float:
    if how is not How.TEXT:
        return _CODE_SLACK
    doubt = 1 - confidence if 0 <= confidence <= 1 else 1.0
    return min(max(doubt / (1 - USUAL_CONFIDENCE), _LEAST_SLACK), _MOST_SLACK)


def joined(one: Read, two: Read, between: str) -> Read:
    """Two reads as one text with `between` in the middle."""
    return Read(
        one.symbols + between + two.symbols,
        one.slack + (_LEAST_SLACK,) * len(between) + two.slack,
        one.text + between + two.text,
    )


@dataclass(frozen=True, slots=True)
class Change:
    """A character of a number that was read otherwise: `read` is empty if it was lost, `true` if it was
    added; `true` is `?` if it cannot be told. `place` counts from 0 in the number."""

    place: int
    true: str
    read: str


@dataclass(frozen=True, slots=True)
class Rival:
    """Another number the text can stand for: its named parts and P(number | read, form)."""

    number: str
    parts: tuple[tuple[str, str], ...]
    share: float


@dataclass(frozen=True, slots=True)
class Fit:
    """A text seen as a number of a form.

    Args:
        likelihood: P(read | form).
        share: the part of it that the likeliest number has: P(number | read, form).
        number: the likeliest number in full, before it is brought into the form's normal shape.
        parts: its named parts.
        changes: where it differs from what was read.
        rivals: other numbers and their P(number | read, form), each differing at one place.
    """

    form: Form
    likelihood: float
    share: float
    number: str
    parts: tuple[tuple[str, str], ...]
    changes: tuple[Change, ...]
    rivals: tuple[Rival, ...]


@lru_cache(maxsize=65536)
def no_form_likelihood(symbols: str) -> float:
    """P(read) of a text that is of no form."""
    total = 0.0
    for share, characters in _NO_FORM:
        if share == _NO_FORM[0][0] or all(one in characters for one in symbols):
            total += share * len(characters) ** -float(len(symbols))
    return total


_Step = dict[int, tuple[int, float, int, str]]
"""State -> state before it, weight of the best path, place that was skipped (-1: none), and how the character
was read: `=` right, `~` as a lookalike, `?` as something unlike, `+` added."""


@dataclass(frozen=True, slots=True)
class _Trail:
    """A text followed through a form to state `end`; `lost_last` is the place lost after it, or -1."""

    form: Form
    likelihood: float
    steps: tuple[_Step, ...]
    end: int
    lost_last: int


class Channel:
    """Matches texts with forms under given confusions. It keeps what it computed, so one is made for many
    texts.

    Args:
        forms: the forms to match with.
        confusions: what is expected of the reader.
    """

    def __init__(self, forms: Forms, confusions: Confusions) -> None:
        self.forms = forms.forms
        self.confusions = confusions
        self._emissions: dict[tuple[frozenset[str], str], tuple[float, float, float, str]] = {}
        self._losses: dict[frozenset[str], float] = {}
        self._plain: dict[Kind, int] = {}
        self._stray = confusions.chance("0", UNKNOWN)
        self._added = confusions.chance("", UNKNOWN)
        self._by_length = [0] * (LONGEST_NUMBER + 2)
        self._by_first: dict[str, int] = {}
        self._by_last: dict[str, int] = {}
        for index, form in enumerate(self.forms):
            self._index(form, 1 << index)

    def _index(self, form: Form, bit: int) -> None:
        """Notes by which lengths, first and last characters as read a form comes into question."""
        pattern = form.pattern
        if form.needs_caption:
            self._plain[form.kind] = self._plain.get(form.kind, 0) | bit
        for length in range(pattern.shortest, min(pattern.longest, LONGEST_NUMBER) + 1):
            self._by_length[length] |= bit
        firsts = frozenset[str]().union(*(pattern.places[one] for one in pattern.follow[pattern.start]))
        lasts = frozenset[str]().union(*(pattern.places[one] for one in pattern.ends))
        for read in READ_CHARACTERS:
            alike = {read, *(true for true, _ in self.confusions.lookalikes(read))}
            if alike & firsts:
                self._by_first[read] = self._by_first.get(read, 0) | bit
            if alike & lasts:
                self._by_last[read] = self._by_last.get(read, 0) | bit

    def fits(self, read: Read, one_slip: bool, captioned: Iterable[Kind] = ()) -> list[Fit]:
        """The forms the text fits at least nearly as well as the best of them or no form at all.

        Args:
            one_slip: allow one character that is lost, added or read as something unlike it; not in forms so
                plain that they need a caption.
            captioned: the kinds a caption says it is.
        """
        symbols = read.symbols
        if not 0 < len(symbols) <= LONGEST_NUMBER:
            return []
        possible = self._possible(symbols, one_slip)
        for kind, mask in self._plain.items():
            if kind not in captioned:
                possible &= ~mask
        trails: list[_Trail] = []
        while possible:
            bit = possible & -possible
            possible ^= bit
            form = self.forms[bit.bit_length() - 1]
            trail = self._followed(read, form, one_slip and not form.needs_caption)
            if trail is not None:
                trails.append(trail)
        known = [trail.likelihood * trail.form.prior for trail in trails]
        least = _NEGLIGIBLE * max(known, default=0.0)
        return [
            self._traced(read, trail) for trail, weight in zip(trails, known, strict=True) if weight >= least
        ]

    def _possible(self, symbols: str, one_slip: bool) -> int:
        """The forms that come into question by length and ends, as bits."""
        length = len(symbols)
        first, last = self._by_first.get(symbols[0], 0), self._by_last.get(symbols[-1], 0)
        if not one_slip:
            return self._by_length[length] & first & last
        lengths = self._by_length[length - 1] | self._by_length[length] | self._by_length[length + 1]
        return lengths & (first | last)  # the slip can spoil one end, not both

    def _followed(self, read: Read, form: Form, one_slip: bool) -> _Trail | None:
        """All ways in which the text can be a number of this form, or None if there is none."""
        pattern = form.pattern
        sums: dict[int, float] = {pattern.start: 1.0}
        bests: dict[int, float] = {pattern.start: 1.0}
        steps: list[_Step] = []
        floor = _DEAD
        for sign, slack in zip(read.symbols, read.slack, strict=True):
            floor /= len(READ_CHARACTERS)
            sums, step = self._advance(form, sums, bests, sign, slack, one_slip)
            sums = {state: weight for state, weight in sums.items() if weight > floor}
            if not sums:
                return None
            bests = {state: step[state][1] for state in sums}
            steps.append(step)
        return self._ended(form, sums, bests, steps, one_slip)

    def _ended(
        self,
        form: Form,
        sums: dict[int, float],
        bests: dict[int, float],
        steps: list[_Step],
        one_slip: bool,
    ) -> _Trail | None:
        """The trail of a text that ends here; its last character may be the one that was lost."""
        pattern = form.pattern
        size = pattern.start + 1
        total, best, end, lost_last = 0.0, 0.0, -1, -1
        for state, weight in sums.items():
            place = state % size
            follow = pattern.follow[place]
            if place in pattern.ends:
                stop = 1 / (len(follow) + 1)
                total += weight * stop
                if bests[state] * stop > best:
                    best, end, lost_last = bests[state] * stop, state, -1
            if one_slip and state < size:
                for lost in follow:
                    if lost in pattern.ends:
                        way = self._lost(pattern.places[lost]) / len(follow)
                        total += weight * way
                        share = bests[state] * way / len(pattern.places[lost])
                        if share > best:
                            best, end, lost_last = share, state, lost
        return None if end < 0 else _Trail(form, total, tuple(steps), end, lost_last)

    def _advance(
        self,
        form: Form,
        sums: dict[int, float],
        bests: dict[int, float],
        sign: str,
        slack: float,
        one_slip: bool,
    ) -> tuple[dict[int, float], _Step]:
        """One character further. States are places, plus the number of states once a slip was made."""
        pattern = form.pattern
        size = pattern.start + 1
        next_sums: dict[int, float] = {}
        step: _Step = {}

        def go(state: int, weight: float, best: float, before: int, lost: int, how: str) -> None:
            if state in next_sums:
                next_sums[state] += weight
                if step[state][1] < best:
                    step[state] = (before, best, lost, how)
            else:
                next_sums[state] = weight
                step[state] = (before, best, lost, how)

        for state, weight in sums.items():
            slipped, place = divmod(state, size)
            best = bests[state]
            follow = pattern.follow[place]
            ways = len(follow) + (place in pattern.ends)
            for target in follow:
                all_of, best_of, how = self._emission(pattern.places[target], sign, slack)
                if all_of:
                    target_state = target + slipped * size
                    go(target_state, weight * all_of / ways, best * best_of / ways, state, -1, how)
            if not one_slip or slipped:
                continue
            for target in follow:
                among = len(pattern.places[target])
                if sign not in pattern.places[target]:
                    stray = slack * self._stray / ways
                    go(target + size, weight * stray, best * stray / among, state, -1, "?")
                after_lost = pattern.follow[target]
                lost = (
                    self._lost(pattern.places[target]) / ways / (len(after_lost) + (target in pattern.ends))
                )
                for after in after_lost:
                    all_of, best_of, how = self._emission(pattern.places[after], sign, slack)
                    if all_of:
                        all_of, best_of = weight * lost * all_of, best * lost * best_of / among
                        go(after + size, all_of, best_of, state, target, how)
            if place != pattern.start:
                added = slack * self._added
                go(state + size, weight * added, best * added, state, -1, "+")
        return next_sums, step

    def _lost(self, characters: frozenset[str]) -> float:
        """The chance that a character at a place is not read at all."""
        if characters not in self._losses:
            chances = [self.confusions.chance(one, "") for one in characters]
            self._losses[characters] = sum(chances) / len(chances)
        return self._losses[characters]

    def _emission(self, characters: frozenset[str], sign: str, slack: float) -> tuple[float, float, str]:
        """P(sign | place), the part of it of the likeliest true character, and how it was read then."""
        key = (characters, sign)
        known = self._emissions.get(key)
        if known is None:
            alike = [(share, true) for true, share in self.confusions.lookalikes(sign) if true in characters]
            right = self.confusions.chance(sign, sign) if sign in characters else -1.0
            best, true = max(alike, default=(0.0, ""))
            known = self._emissions[key] = (right, sum(share for share, _ in alike), best, true)
        right, others, best, _ = known
        others, best = min(0.5, slack * others), min(0.5, slack * best)
        if right < 0:
            return others / len(characters), best / len(characters), "~"
        right = right_chance(right, slack)
        among = len(characters)
        return (right + others) / among, max(right, best) / among, "=" if right >= best else "~"

    def _traced(self, read: Read, trail: _Trail) -> Fit:
        """The likeliest number, read back along the best path."""
        pattern = trail.form.pattern
        path: list[int] = []
        number = ""
        changes: list[Change] = []
        spots: list[tuple[int, int]] = []
        channel = 1.0
        for place, index, how in self._way(pattern, trail):
            sign = read.symbols[index] if index >= 0 else ""
            slack = read.slack[index] if index >= 0 else 1.0
            if how == "+":
                changes.append(Change(len(number), "", sign))
                channel *= slack * self._added
                continue
            characters = pattern.places[place]
            true = self._true(characters, sign, how)
            if true != sign:
                changes.append(Change(len(number), true, sign))
            if how in "=~":
                spots.append((len(number), index))
            channel *= self._chance(characters, true, sign, slack, how)
            path.append(place)
            number += true
        share = min(1.0, channel * _number_chance(pattern, number) / trail.likelihood)
        parts = pattern.parts_along(iter(path), number)
        rivals = () if UNKNOWN in number else self._rivals(read, pattern, number, spots, share)
        return Fit(trail.form, trail.likelihood, share, number, parts, tuple(changes), rivals)

    @staticmethod
    def _way(pattern: Pattern, trail: _Trail) -> list[tuple[int, int, str]]:
        """The places of the best path in order, each with its index in the text (-1: lost, `how` is `-`)."""
        size = pattern.start + 1
        backwards: list[tuple[int, int, str]] = []
        if trail.lost_last >= 0:
            backwards.append((trail.lost_last, -1, "-"))
        state = trail.end
        for index in range(len(trail.steps) - 1, -1, -1):
            before, _, lost, how = trail.steps[index][state]
            backwards.append((state % size, index, how))
            if lost >= 0:
                backwards.append((lost, -1, "-"))
            state = before
        return backwards[::-1]

    def _chance(self, characters: frozenset[str], true: str, sign: str, slack: float, how: str) -> float:
        """P(sign | true) on a path."""
        if how == "=":
            return right_chance(self.confusions.chance(sign, sign), slack)
        if how == "~":
            return min(0.5, slack * self.confusions.chance(true, sign))
        return self._lost(characters) if how == "-" else slack * self._stray

    def _rivals(
        self, read: Read, pattern: Pattern, number: str, spots: Sequence[tuple[int, int]], share: float
    ) -> tuple[Rival, ...]:
        """The likeliest other numbers of the form that differ at one place."""
        rivals: list[Rival] = []
        own = _number_chance(pattern, number)
        for at, index in spots:
            sign, slack = read.symbols[index], read.slack[index]
            alike = [sign, *(true for true, _ in self.confusions.lookalikes(sign))]
            chances = self.confusions.posterior(sign, alike, slack)
            for other in alike:
                part = min(1 - share, share * chances[other] / chances[number[at]])
                if other == number[at] or part <= _LEAST_RIVAL:
                    continue
                changed = number[:at] + other + number[at + 1 :]
                match = pattern.match(changed)
                if match is not None:
                    part = min(part * _number_chance(pattern, changed) / own, 1 - share)
                    rivals.append(Rival(changed, match.parts, part))
        return tuple(sorted(rivals, key=lambda one: (-one.share, one.number))[:_MOST_RIVALS])

    def _true(self, characters: frozenset[str], sign: str, how: str) -> str:
        """The true character behind one that was read at a place."""
        if how == "=":
            return sign
        if how == "~":
            return self._emissions[characters, sign][3]
        return next(iter(characters)) if len(characters) == 1 else UNKNOWN


def _number_chance(pattern: Pattern, number: str) -> float:
    """P(number | form); a character that cannot be told counts as any one of its place."""
    live = {pattern.start: 1.0}
    for sign in number:
        step: dict[int, float] = {}
        for state, weight in live.items():
            ways = len(pattern.follow[state]) + (state in pattern.ends)
            for place in pattern.follow[state]:
                if sign in pattern.places[place] or sign == UNKNOWN:
                    step[place] = step.get(place, 0.0) + weight / ways / len(pattern.places[place])
        live = step
    return sum(
        weight / (len(pattern.follow[state]) + 1) for state, weight in live.items() if state in pattern.ends
    )


def shown(changes: Iterable[Change], confusions: Confusions) -> tuple[str, ...]:
    """Changes in words, with the corrections behind them: `I taken for 1 (3 earlier corrections)`."""
    said = []
    for one in changes:
        read = "a stroke" if one.read == STROKE else one.read
        if not one.read:
            what = f"a {_name(one.true)} not read" if one.true != UNKNOWN else "a character not read"
        elif not one.true:
            what = f"an extra {_name(read)} left out"
        elif one.true == UNKNOWN:
            what = f"{_name(read)} cannot be right there"
        else:
            what = f"{_name(read)} taken for {_name(one.true)}"
        times = confusions.count(one.true, one.read)
        earlier = f" ({times} earlier correction{'s' if times > 1 else ''})" if times else ""
        said.append(what + earlier)
    return tuple(said)


def _name(sign: str) -> str:
    return {" ": "blank", "-": "dash", ".": "point"}.get(sign, sign)
