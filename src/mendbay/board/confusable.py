"""Which character is taken for which when numbers are read from pictures, learned from corrections.

For each true character there is a Dirichlet distribution over what it is read as: itself, another
character, or nothing. It starts from stated priors and is sharpened by the counts of every correction, so a
mistake that was put right is expected from then on. A reading that was corrected as a whole before is
remembered as a whole, too.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from mendbay.board.number_form import Kind
from mendbay.board.pattern import SIGNS, TRUE_CHARACTERS

STROKE = "l"
"""A bare upright stroke as a reader sees it: a small L, a bar or an exclamation mark. Numbers are in
capitals, so it stands for 1, I or L."""
UNKNOWN = "?"
"""A character that numbers do not hold."""
READ_CHARACTERS = TRUE_CHARACTERS | {STROKE, UNKNOWN}

LONGEST_TEXT = 512
"""Characters looked at in one text; codes hold more, but not numbers."""

_STRENGTH = 40.0
"""How many readings of a character the prior counts for (own choice, no source)."""
_STRAY = 0.01
"""Prior share of readings as any character whatever (from memory, no source)."""
_LOST = 0.004
_LOST_SEPARATOR = 0.05
"""Prior share of characters, and of blanks and dashes, that are not read at all (from memory, no source)."""
_ADDED = 0.002
"""Prior share of characters read where there is none (from memory, no source)."""

_BOTH_WAYS: Mapping[float, str] = {
    0.05: "0O 1I",
    0.03: "5S 2Z",
    0.02: "8B OQ",
    0.015: "6G 1L 7T 4A 0D 0Q",
    0.01: "OD IL 17 UV CG -_ .,",
    0.006: "83 EF B3 7Z",
    0.005: "6B 68 S8 9G",
    0.004: "MN PR KX HN VY 56 -. VW",
    0.003: "1T IT 0C DB",
}
"""Shares of readings, and the pairs of which either is taken for the other that often (from memory, no
source)."""
_ONE_WAY: Mapping[tuple[str, str], float] = {
    ("1", STROKE): 0.03,
    ("I", STROKE): 0.03,
    ("L", STROKE): 0.02,
    ("/", "1"): 0.005,
    ("/", STROKE): 0.005,
}
_ALIKE = {
    **dict(zip("|!ǀ∣", STROKE * 4, strict=True)),
    **dict(zip("‐‑‒–—−﹘", "-" * 7, strict=True)),
    **dict(zip("АВЕЗКМНОРСТХУІЅЈ", "ABE3KMHOPCTXYISJ", strict=True)),
    **dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧ", "ABEZHIKMNOPTYX", strict=True)),
    **dict(zip("×•·°;'Ø", "X..0:.0", strict=True)),
}
"""Signs and letters of other scripts that readers give for the ones numbers hold (from memory)."""


_LOOKALIKE_COST, _OTHER_COST, _ADDED_COST, _LOST_COST = 60, 100, 90, 115
"""Costs of an alignment, whole numbers so that sums compare exactly. What was read before and after the
right text costs nothing, so an added character must be cheaper than a substitution and a lost one dearer (own
choice)."""


@dataclass(frozen=True, slots=True)
class Correction:
    """A person's word on a reading.

    Args:
        kind: what the number identifies.
        read_text: as it was read; equal to `right_text` if the reading was confirmed. Empty if nothing was
            read there.
        right_text: what it says; empty if it is no such number at all.
        pictures_sha256: the pictures that showed it; empty if none did.
        also_read: what else was read for the same number, as in another picture.
    """

    kind: Kind
    read_text: str
    right_text: str
    pictures_sha256: tuple[str, ...] = ()
    also_read: tuple[str, ...] = ()


@lru_cache(maxsize=4096)
def fold_character(one: str) -> str:
    """A character as numbers hold it: capitals, plain dashes and blanks; a stroke is `l`, others are `?`.

    Returns one character, or for a few signs (such as a ligature) more, or none for what has no width.
    """
    if one in _ALIKE:
        return _ALIKE[one]
    if one == STROKE or one in TRUE_CHARACTERS:
        return one
    if one.isspace():
        return " "
    if unicodedata.category(one) in ("Cf", "Mn"):
        return ""
    capitals = unicodedata.normalize("NFKC", one).upper()
    plain = "".join(_ALIKE.get(sign, sign) for sign in capitals)
    return "".join(sign if sign in READ_CHARACTERS else UNKNOWN for sign in plain)


def fold(text: str) -> str:
    """A text in the characters of numbers, blanks joined, ends trimmed, at most `LONGEST_TEXT` long."""
    return " ".join("".join(fold_character(one) for one in text[:LONGEST_TEXT]).split())


def compact(text: str) -> str:
    """A text as it is compared with others: folded, a stroke as 1, without blanks and dashes."""
    return fold(text).replace(STROKE, "1").replace(" ", "").replace("-", "")


def align(read: str, right: str) -> tuple[tuple[str, str], ...]:
    """What each character of the right text was read as, by an alignment of the least cost.

    Both texts folded. A pair is (true, read); the first is empty where something was read that is not there,
    the second where a character was lost. What was read before and after the right text belongs to
    something else and is left out. A substitution of likely confusables costs less than another one, so
    that of several alignments the plausible one is counted.
    """
    rows, columns = len(right) + 1, len(read) + 1
    cost = [[0] * columns for _ in range(rows)]
    for row in range(1, rows):
        cost[row][0] = row * _LOST_COST
        for column in range(1, columns):
            cost[row][column] = min(
                cost[row - 1][column - 1] + _swap_cost(right[row - 1], read[column - 1]),
                cost[row - 1][column] + _LOST_COST,
                cost[row][column - 1] + _ADDED_COST,
            )
    row = rows - 1
    column = min(range(columns), key=lambda one: (cost[row][one], -one))
    pairs: list[tuple[str, str]] = []
    while row > 0:
        here = cost[row][column]
        if column and here == cost[row - 1][column - 1] + _swap_cost(right[row - 1], read[column - 1]):
            pairs.append((right[row - 1], read[column - 1]))
            row, column = row - 1, column - 1
        elif here == cost[row - 1][column] + _LOST_COST:
            pairs.append((right[row - 1], ""))
            row -= 1
        else:
            pairs.append(("", read[column - 1]))
            column -= 1
    return tuple(reversed(pairs))


def _swap_cost(true: str, read: str) -> int:
    if true == read:
        return 0
    return _LOOKALIKE_COST if (true, read) in _PRIOR else _OTHER_COST


_PRIOR: Mapping[tuple[str, str], float] = {
    **{(one[0], one[1]): share for share, pairs in _BOTH_WAYS.items() for one in pairs.split()},
    **{(one[1], one[0]): share for share, pairs in _BOTH_WAYS.items() for one in pairs.split()},
    **_ONE_WAY,
}


_ALIKE_TO_THE_EYE = 0.01
"""Share of readings from which two characters count as looking alike to a person, too (own choice)."""


def alike_to_the_eye(one: str, other: str) -> tuple[tuple[str, str], ...]:
    """The pairs of characters in which two numbers differ, in order and each once, if all of them are
    commonly taken for each other, as 0 and O are. Empty if any is not, or the numbers are equal or of another
    length; both are compared by `compact`."""
    first, second = compact(one), compact(other)
    if len(first) != len(second):
        return ()
    pairs = dict.fromkeys((a, b) for a, b in zip(first, second, strict=True) if a != b)
    return tuple(pairs) if all(_PRIOR.get(pair, 0.0) >= _ALIKE_TO_THE_EYE for pair in pairs) else ()


class Confusions:
    """What is expected of the reader after all corrections so far.

    Args:
        corrections: all that were made, in any order. Those that only withdraw a number are passed over.
    """

    def __init__(self, corrections: Iterable[Correction] = ()) -> None:
        self._pairs: Counter[tuple[str, str]] = Counter()
        self._rows: Counter[str] = Counter()
        self._whole: dict[tuple[Kind, str], Counter[str]] = {}
        for one in corrections:
            self._learn(one)
        seen = {pair for pair in self._pairs if pair[0] and pair[1] and pair[0] != pair[1]}
        self._lookalikes: dict[str, list[tuple[str, float]]] = {}
        for true, read in sorted(set(_PRIOR) | seen):
            self._lookalikes.setdefault(read, []).append((true, self.chance(true, read)))

    def _learn(self, one: Correction) -> None:
        read, right = fold(one.read_text)[:128], fold(one.right_text)[:128]
        if not read or not right:
            return
        whole = self._whole.setdefault((one.kind, read), Counter())
        whole[one.right_text.strip()] += 1
        for true, seen in align(read, right):
            if not (true in SIGNS and not seen) and not (not true and seen in SIGNS):
                self._pairs[true, seen] += 1  # separators are often typed otherwise than they are printed
                self._rows[true] += 1

    def count(self, true: str, read: str) -> int:
        """How often corrections showed `true` read as `read`; either may be empty, as in `align`."""
        return self._pairs[true, read]

    def chance(self, true: str, read: str) -> float:
        """P(read | true), the posterior mean. `read` may be empty (lost), `true` may be (added)."""
        alpha = _STRENGTH * _prior_share(true, read)
        return (alpha + self._pairs[true, read]) / (_STRENGTH + self._rows[true])

    def lookalikes(self, read: str) -> tuple[tuple[str, float], ...]:
        """The other true characters that are taken for `read`, each with its chance."""
        return tuple(self._lookalikes.get(read, ()))

    def posterior(self, read: str, among: Iterable[str], slack: float = 1.0) -> dict[str, float]:
        """What a character read as `read` truly is, if all of `among` are equally likely beforehand.

        Args:
            slack: how much likelier mistakes are here than usual; see `Read`.

        Returns:
            P(true | read) of each of `among` that is possible; sums to 1, empty if none is.
        """
        chances = dict(self.lookalikes(read))
        weights: dict[str, float] = {}
        for true in among:
            if true == read:
                weights[true] = right_chance(self.chance(true, true), slack)
            elif true in chances:
                weights[true] = min(0.5, slack * chances[true])
        total = sum(weights.values())
        return {true: weight / total for true, weight in weights.items()} if total else {}

    def remembered(self, kind: Kind, text: str) -> tuple[str, int, int] | None:
        """What exactly this reading was corrected to before.

        Returns:
            The right text, how often it was given, and how often another; None if it never was corrected
            to something else than it says.
        """
        found = self._whole.get((kind, fold(text)))
        if not found:
            return None
        right, times = found.most_common(1)[0]
        return (right, times, sum(found.values()) - times) if fold(right) != fold(text) else None


def right_chance(chance: float, slack: float) -> float:
    """The chance of a character being read right where mistakes are `slack` times as likely as usual."""
    return max(0.05, 1 - slack * (1 - chance))


def _prior_share(true: str, read: str) -> float:
    stray = _STRAY / len(READ_CHARACTERS)
    if not true:
        return _ADDED / len(READ_CHARACTERS) if read else 1 - _ADDED
    lost = _LOST_SEPARATOR if true in SIGNS else _LOST
    if not read:
        return lost
    if true != read:
        return _PRIOR.get((true, read), 0.0) + stray
    others = sum(share for (one, _), share in _PRIOR.items() if one == true)
    return 1 - lost - others - _STRAY + stray
