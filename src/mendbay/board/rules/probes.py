"""Which regions are tried with which place of the stored value, and what each guess costs.

Every guess has a price in bits, minus log2 of the share of belief it is given; the prices of all guesses
tried together never sum to more than one whole belief. A guess is accepted when the evidence exceeds its
price by a margin: then the expected number of false rules is at most two to the minus margin, however many
guesses are tried (a Bonferroni bound with weights).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Order
from mendbay.board.rules.material import Material
from mendbay.board.rules.rule import Hole

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_SKIPS = (0, 4, 8, 12, 16, 32, 2, 20, 24, 64)
"""Bytes at the start of a block that are left out, as in a header."""


_ONE_BELIEF = 0.61
"""Bits by which all layouts are dearer than their price beside each other, so that they are one belief."""


@dataclass(frozen=True, slots=True)
class Regions:
    """Regions to try; arrays of shape (regions,).

    Args:
        starts, ends: bytes, end exclusive.
        prices: bits of each region inside its list.
        lists: number of the list each belongs to; 0 for natural regions, others are directories, whose
            rows all follow one template.
        list_prices: bits of each list.
    """

    starts: Int64s
    ends: Int64s
    prices: Floats
    lists: Int64s
    list_prices: tuple[float, ...] = (0.0,)


def together(parts: Sequence[Regions]) -> Regions:
    """Several lists as one; each part holds one list, numbered anew in the order given."""
    sizes = [one.starts.size for one in parts]
    return Regions(
        np.concatenate([one.starts for one in parts]),
        np.concatenate([one.ends for one in parts]),
        np.concatenate([one.prices for one in parts]),
        np.repeat(np.arange(len(parts)), sizes),
        tuple(one.list_prices[0] for one in parts),
    )


@dataclass(frozen=True, slots=True)
class Layout:
    """A template: how the check of a block lies with regard to the block.

    Args:
        skip: bytes left out at the start of the block.
        trim: bytes left out at its end.
        from_start: place of the value from the start of the block; None if counted from the end.
        from_end: place of the value from the end of the block (negative: inside).
        hole: what stands for the value if it lies inside.
        price: bits.
    """

    skip: int
    trim: int
    from_start: int | None
    from_end: int
    hole: Hole
    price: float


def layouts(width: int) -> tuple[Layout, ...]:
    """All templates for values of this width."""
    size = width // 8
    found = [
        Layout(0, 0, None, 0, Hole.NONE, 2.0),
        Layout(0, size, None, -size, Hole.NONE, 2.0),
        Layout(0, 0, -size, 0, Hole.NONE, 4.0),
        Layout(size, 0, 0, 0, Hole.NONE, 4.0),
    ]
    tails = sorted({8, 16, 2 * size} - {size})
    found += [Layout(0, one, None, -one, Hole.NONE, 7.0) for one in tails]
    found += [Layout(0, one, None, -size, Hole.NONE, 7.0) for one in tails]
    for skip in _SKIPS[1:]:
        found.append(Layout(skip, 0, None, 0, Hole.NONE, 6.0))
        found.append(Layout(skip, size, None, -size, Hole.NONE, 6.0))
        heads = range(0, min(skip, 32) - size + 1, max(size, 2))
        found += [Layout(skip, 0, one, 0, Hole.NONE, 8.0) for one in heads if (skip, one) != (size, 0)]
    for hole in (Hole.ZEROS, Hole.ONES, Hole.LEFT_OUT):
        extra = 0.0 if hole is Hole.ZEROS else 1.5
        step = max(size, 2)
        found += [Layout(0, 0, one, 0, hole, 7.0 + extra) for one in range(0, 33, step)]
        found += [Layout(0, 0, None, -one, hole, 7.0 + extra) for one in (size, 8, 16) if one >= size]
    return tuple(replace(one, price=one.price + _ONE_BELIEF) for one in found)


@dataclass
class Probe:
    """Guesses for one width and one way of holes; arrays of shape (guesses,).

    `layout` indexes `layouts`; `prices` are of the regions, the price of the layout apart.
    """

    width: int
    hole: Hole
    layouts: tuple[Layout, ...]
    layout: Int64s
    starts: Int64s
    ends: Int64s
    places: Int64s
    prices: Floats
    lists: Int64s
    list_prices: tuple[float, ...]

    @property
    def size(self) -> int:
        """Number of guesses."""
        return int(self.starts.size)

    @cached_property
    def distinct(self) -> tuple[Int64s, Int64s, Int64s]:
        """The different regions, as starts and ends, and for each guess the number of its own."""
        key = self.starts * (int(self.ends.max()) + 1) + self.ends
        _, first, index = np.unique(key, return_index=True, return_inverse=True)
        return self.starts[first], self.ends[first], index

    @cached_property
    def _stored(self) -> dict[tuple[int, Order], npt.NDArray[np.uint32]]:
        return {}

    def stored(self, material: Material, order: Order) -> npt.NDArray[np.uint32]:
        """The values stored at the places in the first dump, kept for the next engine."""
        if (id(material), order) not in self._stored:
            found = material.stored(0, self.places, self.width, order)
            self._stored[id(material), order] = found
        return self._stored[id(material), order]


MEMBER_MARGIN, TEMPLATE_MARGIN = 8.0, 9.0
"""Bits by which evidence must exceed the price: for one block of a template, and for the whole."""
WEAKEST = 4.0
"""Bits by which a guess must exceed its own price to count for what it has in common with others at all."""


def probes(material: Material, regions: Regions, width: int) -> list[Probe]:
    """All guesses of the regions for values of this width, dearer ones than any evidence left out."""
    count = len(material.dumps)
    changing = material.changes(regions.starts, np.minimum(regions.ends + 4, material.size))
    most = np.where(changing, float(width * count), width * (1.0 + (len(material.groups) - 1)))
    kept = regions.prices + np.where(regions.lists > 0, 0.0, 4.0) <= most
    if not kept.any():
        return []
    found = []
    for hole in Hole:
        chosen = tuple(one for one in layouts(width) if one.hole is hole)
        some = Regions(
            regions.starts[kept],
            regions.ends[kept],
            regions.prices[kept],
            regions.lists[kept],
            regions.list_prices,
        )
        found.append(probe_of(material, some, chosen, width, hole))
    return [one for one in found if one.size]


def probe_of(material: Material, regions: Regions, chosen: Sequence[Layout], width: int, hole: Hole) -> Probe:
    """The guesses of all regions with the chosen templates, all of one kind of hole."""
    starts, ends, prices = regions.starts, regions.ends, regions.prices
    size = width // 8
    first = np.concatenate([starts + one.skip for one in chosen])
    last = np.concatenate([ends - one.trim for one in chosen])
    places = np.concatenate(
        [ends + one.from_end if one.from_start is None else starts + one.from_start for one in chosen]
    )
    layout = np.repeat(np.arange(len(chosen)), starts.size)
    inside = (places >= 0) & (places + size <= material.size) & (last - first >= 16)
    if hole is not Hole.NONE:
        inside &= (places >= first) & (places + size <= last)
    else:
        inside &= (places + size <= first) | (places >= last)
    first, last, places, layout = first[inside], last[inside], places[inside], layout[inside]
    return Probe(
        width,
        hole,
        tuple(chosen),
        layout,
        first,
        last,
        places,
        np.tile(prices, len(chosen))[inside],
        np.tile(regions.lists, len(chosen))[inside],
        regions.list_prices,
    )
