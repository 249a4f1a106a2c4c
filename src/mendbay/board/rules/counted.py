"""Regions whose length is counted in the dump, as of a list that is longer in one drive than in another.

Where filler begins behind such a list, a number before it says so in every dump, and says different things in
dumps whose lists differ. Few numbers do that by chance; those that do are asked for checks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.accept import Found, same_field, uneven
from mendbay.board.rules.algorithm import Algorithm, Bytes, Kind, Order
from mendbay.board.rules.engines import Engine, engine_for
from mendbay.board.rules.material import PLAIN_ORDERS, Material
from mendbay.board.rules.probes import TEMPLATE_MARGIN
from mendbay.board.rules.rule import Hole, Length, Rule
from mendbay.board.rules.scan import Asked, worth_at_most
from mendbay.board.rules.segments import FILLERS

Int64s = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_UNITS = (1, 2, 4, 6, 8, 10, 12, 16, 20, 24, 32, 64)
_BASES = tuple(range(-4, 33, 2))
"""Bytes from the number to the place it counts from."""
_STARTS = tuple(range(2, 33, 2))
"""Bytes from the number to the beginning of the region."""
_FIELDS = tuple(range(-8, 17, 2))
"""Bytes from the number to the stored value."""
_SHORTEST, _MOST_NUMBERS = 8, 512
_MOST_DUMPS = 6


@dataclass(frozen=True, slots=True)
class _Number:
    length: Length
    ends: tuple[int, ...]


def counted(material: Material, asked: Sequence[tuple[Algorithm, float]]) -> list[Found]:
    """Rules over regions whose length is counted in the dump.

    Args:
        material: with one dump of its own nothing is found, since nothing shows that a length varies.
        asked: basic algorithms to try, each with its price in bits.
    """
    numbers = list(islice(_numbers(material), _MOST_NUMBERS + 1)) if material.own > 1 else []
    if not numbers or len(numbers) > _MOST_NUMBERS:
        return []
    tries = [one for number in numbers for one in _tries(material, number)]
    if not tries:
        return []
    found: list[Found] = []
    for base, price in asked:
        engine = engine_for(material.dumps, base)
        found += _asked(material, engine, tries, price + float(np.log2(len(tries))) + 2.0)
        engine.release()
    return _chosen(found)


def _chosen(found: Sequence[Found]) -> list[Found]:
    """One rule for each stored value.

    A number whose further bytes are nought in every dump is taken as wide as it may be: a narrower reading
    says the same of these dumps, and something false of a drive whose list needs the upper bytes.
    """
    chosen: list[Found] = []
    for one in sorted(found, key=lambda one: (-one.gain, one.simplicity, one.rule.start, -_width(one))):
        if not any(same_field(one.rule, other.rule) or _counts_in(one.rule, other.rule) for other in chosen):
            chosen.append(one)
    return chosen


def _width(one: Found) -> int:
    return one.rule.length.width if one.rule.length is not None else 0


def _counts_in(one: Rule, other: Rule) -> bool:
    """Whether the number of a rule reaches into the region or the stored value of another."""
    if one.length is None:
        return False
    first, last = one.length.place, one.length.place + one.length.width // 8
    spans = [(other.start, other.end), (other.place, other.place + other.field_bytes)]
    return any(first < end and start < last for start, end in spans)


def _filler_begins(data: npt.NDArray[np.uint8]) -> Flags:
    """Where a run of filler of four bytes begins, shape (size + 1,)."""
    found = np.zeros(data.size + 1, np.bool_)
    for value in FILLERS:
        same = data == value
        run = same[:-3] & same[1:-2] & same[2:-1] & same[3:]
        run[1:] &= ~same[: run.size - 1]
        found[: run.size] |= run
    return found


def _numbers(material: Material) -> Iterator[_Number]:
    """Numbers that say in every dump where filler begins, and not the same in all."""
    dumps = material.dumps[: min(material.own, _MOST_DUMPS)]
    begins = [_filler_begins(one) for one in dumps]
    for width, orders in ((8, PLAIN_ORDERS[:1]), (16, PLAIN_ORDERS), (32, PLAIN_ORDERS)):
        size = width // 8
        changing = np.unique(np.concatenate([material.varying_places - byte for byte in range(size)]))
        changing = changing[(changing >= 0) & (changing + size <= material.size)]
        changing = changing[changing % min(size, 2) == 0]
        for order in orders:
            values = [
                material.stored(dump, changing, width, order).astype(np.int64) for dump in range(len(dumps))
            ]
            small = np.ones(changing.size, np.bool_)
            for one in values:
                small &= (one > 0) & (one < material.size)
            places, counts = changing[small], [one[small] for one in values]
            for unit in _UNITS:
                for base in _BASES:
                    yield from _agreeing(places, counts, unit, base, begins, width, order)


def _agreeing(
    places: Int64s,
    counts: Sequence[Int64s],
    unit: int,
    base: int,
    begins: Sequence[Flags],
    width: int,
    order: Order,
) -> Iterator[_Number]:
    kept = np.arange(places.size)
    ends: list[Int64s] = []
    for count, begin in zip(counts, begins, strict=True):
        end = places[kept] + base + unit * count[kept]
        inside = (end >= places[kept] + _SHORTEST) & (end < begin.size)
        inside[inside] &= begin[end[inside]]
        kept, ends = kept[inside], [*(one[inside] for one in ends), end[inside]]
        if not kept.size:
            return
    for row, index in enumerate(kept.tolist()):
        own = tuple(int(one[row]) for one in ends)
        place = int(places[index])
        if len(set(own)) > 1 and place + base >= 0:
            yield _Number(Length(place, width, order, unit, place + base), own)


def _tries(material: Material, number: _Number) -> Iterator[tuple[_Number, int, int]]:
    """The number with the beginnings of regions and the places of stored values around it."""
    first = number.length.place
    behind = first + number.length.width // 8
    for step in _STARTS:
        start = first + step
        if start < behind or start + _SHORTEST > min(number.ends):
            continue
        for away in _FIELDS:
            place = first + away
            if 0 <= place < start and not first <= place < behind:
                yield number, start, place


def _asked(
    material: Material, engine: Engine, tries: Sequence[tuple[_Number, int, int]], price: float
) -> Iterator[Found]:
    base, size = engine.base, engine.base.width // 8
    starts = np.array([start for _, start, _ in tries], np.int64)
    places = np.array([place for _, _, place in tries], np.int64)
    numbers = np.array([(one.length.place, one.length.place + one.length.width // 8) for one, _, _ in tries])
    clear = (places + size <= starts) & ((places + size <= numbers[:, 0]) | (places >= numbers[:, 1]))
    ends = np.array([one.ends for one, _, _ in tries], np.int64).T
    for one in ends:
        clear &= engine.fits(starts, one)
    kept = np.flatnonzero(clear)
    if not kept.size:
        return
    raws = [engine.raw(dump, starts[kept], end[kept]) for dump, end in enumerate(ends)]
    for variant in engine.variants:
        values = [
            engine.finished(variant, raw, end[kept] - starts[kept])
            for raw, end in zip(raws, ends, strict=True)
        ]
        for order in material.orders(base.width):
            same = np.ones(kept.size, np.bool_)
            for dump, value in enumerate(values):
                same &= value == material.stored(dump, places[kept], base.width, order)
            hit = np.flatnonzero(same)
            asked = Asked(engine, Hole.NONE, starts[kept[hit]], ends[0][kept[hit]], places[kept[hit]])
            caps = worth_at_most(variant, material, asked).tolist()
            for row, cap in zip(hit.tolist(), caps, strict=True):
                made = _rule(material, variant, order, tries[int(kept[row])], price, cap)
                if made is not None:
                    yield made


def _rule(
    material: Material,
    variant: Algorithm,
    order: Order,
    tried: tuple[_Number, int, int],
    price: float,
    cap: float,
) -> Found | None:
    """`cap`: bits that one value can be worth."""
    number, start, place = tried
    rule = Rule(variant, start, max(number.ends), place, order, dumps=material.own, length=number.length)
    own = material.dumps[: material.own]
    if not all(rule.holds(one) for one in own) or _copied(rule, number, own):
        return None
    values: dict[int, float] = {}
    for dump, one in enumerate(own):
        worth = float(material.surprise(dump, np.array([place]), variant.width)[0])
        values.setdefault(rule.stored(one), min(worth, cap))
    gain = sum(values.values()) - price - 1.0
    if gain < TEMPLATE_MARGIN:
        return None
    return Found(replace(rule, evidence=round(gain, 2), distinct=len(values)), None, gain, price)


def _copied(rule: Rule, number: _Number, own: Sequence[Bytes]) -> bool:
    """Whether an exclusive or holds because the stored value is a copy of the one word of its list that is
    left when equal ones have cancelled."""
    if rule.algorithm.kind is not Kind.XOR:
        return False
    listed = np.zeros((len(own), rule.end - rule.start), np.uint8)
    for row, (one, end) in enumerate(zip(own, number.ends, strict=False)):
        listed[row, : end - rule.start] = one[rule.start : end]
    word = rule.algorithm.word
    left = [uneven(listed[:, lane::word] ^ listed[:1, lane::word]) for lane in range(word)]
    return all(int(one.any(axis=0).sum()) <= 1 for one in left)
