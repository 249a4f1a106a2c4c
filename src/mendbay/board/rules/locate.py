"""Where a single flipped bit lies, as far as the algebra of a failed rule can say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Bytes, Kind, lanes, turned
from mendbay.board.rules.crc import field
from mendbay.board.rules.rule import Hole, Rule

MOST_PLACES = 8


@dataclass(frozen=True, slots=True)
class Flip:
    """One bit whose flip would explain what was found: byte of the dump, and bit 0 (lowest) to 7 in it."""

    offset: int
    bit: int


def flips(rule: Rule, data: Bytes) -> tuple[Flip, ...] | None:
    """The single bits whose flip alone would make a failed rule hold again.

    Only a cyclic check can say: its syndrome, computed against stored value, is a power of x that names the
    bit. Sums and exclusive-ors say no more than the lane (`lane`).

    Returns:
        The candidates, rising, at most eight; empty if no single bit explains it; None if the rule cannot
        say or more than eight bits would do.
    """
    if rule.algorithm.kind is not Kind.CRC:
        return None
    syndrome = rule.computed(data) ^ rule.stored(data)
    found = _in_field(rule, syndrome) + _in_region(rule, data, syndrome)
    return tuple(sorted(found, key=lambda one: (one.offset, one.bit))) if len(found) <= MOST_PLACES else None


def _in_field(rule: Rule, syndrome: int) -> list[Flip]:
    if syndrome.bit_count() != 1:
        return []
    bit = syndrome.bit_length() - 1
    for i, shift in enumerate(lanes(rule.algorithm.width, rule.order)):
        if shift <= bit < shift + 8:
            return [Flip(rule.place + i, bit - shift)]
    return []


def _in_region(rule: Rule, data: Bytes, syndrome: int) -> list[Flip]:
    algorithm = rule.algorithm
    division = field(algorithm.polynomial, algorithm.width)
    wanted = turned(syndrome, algorithm.width) if algorithm.reflected else syndrome
    places = _places(rule, data)
    after = division.power(np.arange(places.size))[::-1]
    found = []
    for bit in range(8):
        entering = 7 - bit if algorithm.reflected else bit
        change = np.array([division.table[1 << entering]], np.uint32)
        for index in np.flatnonzero(division.times(change, after) == np.uint32(wanted)).tolist():
            found.append(Flip(int(places[index]), bit))
    return [one for one in found if not _filled(rule, one.offset)]


def _places(rule: Rule, data: Bytes) -> npt.NDArray[np.int64]:
    """Which byte of the dump enters the check at each step."""
    places = np.arange(rule.start, min(rule.end_in(data), data.size))
    if rule.hole is Hole.LEFT_OUT:
        first = rule.place - rule.start
        places = np.delete(places, slice(first, first + rule.field_bytes))
    swap = rule.algorithm.swap
    if swap > 1:
        whole = places.size - places.size % swap
        inner = places[:whole].reshape(-1, swap)[:, ::-1].reshape(-1)
        places = np.concatenate([inner, places[whole:]])
    return places


def _filled(rule: Rule, offset: int) -> bool:
    if rule.hole not in (Hole.ZEROS, Hole.ONES):
        return False
    return rule.place <= offset < rule.place + rule.field_bytes


def lane(rule: Rule, data: Bytes) -> str:
    """Which bits a single flip could be in, in words; empty if no single flip explains a failed sum or
    exclusive-or, or the rule is of another kind."""
    algorithm = rule.algorithm
    computed, stored = rule.computed(data), rule.stored(data)
    word = algorithm.word
    if algorithm.kind is Kind.XOR:
        change = computed ^ stored
        return _lane_words(change.bit_length() - 1, word) if change.bit_count() == 1 else ""
    if algorithm.kind in (Kind.SUM, Kind.ONES):
        modulus = 0xFFFF if algorithm.kind is Kind.ONES else algorithm.mask + 1
        for change in ((computed - stored) % modulus, (stored - computed) % modulus):
            if change.bit_count() == 1 and change.bit_length() <= 8 * word:
                return _lane_words(change.bit_length() - 1, word)
    return ""


def _lane_words(bit: int, word: int) -> str:
    if word == 1:
        return f"bit {bit} of any byte"
    return f"bit {bit} of any {8 * word}-bit word"
