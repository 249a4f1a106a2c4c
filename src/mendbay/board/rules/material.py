"""The dumps one search works on, and how surprising the bytes of a stored value are."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt

from mendbay.board.rules.algorithm import Order, lanes
from mendbay.board.rules.segments import varying

Bytes = npt.NDArray[np.uint8]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
Floats = npt.NDArray[np.float64]

PLAIN_ORDERS = (Order.LITTLE, Order.BIG)


class Material:
    """Dumps of equal size: those of the revision that is searched, then those of others.

    Args:
        own: dumps of the revision searched, at least one.
        others: dumps of other revisions, by revision.
        orders: byte orders of stored values of 32 bits; of shorter ones the first two are tried.
    """

    def __init__(
        self,
        own: Sequence[Bytes],
        others: Sequence[Sequence[Bytes]] = (),
        orders: Sequence[Order] = PLAIN_ORDERS,
    ) -> None:
        self.dumps: list[Bytes] = [*own, *(one for group in others for one in group)]
        self.own = len(own)
        self.groups: list[tuple[int, ...]] = [tuple(range(self.own))]
        for group in others:
            first = self.groups[-1][-1] + 1
            self.groups.append(tuple(range(first, first + len(group))))
        self._orders = tuple(orders)
        self.vary = varying(own)
        self.varying_places: Int64s = np.flatnonzero(self.vary)

    @property
    def size(self) -> int:
        """Bytes of each dump."""
        return int(self.dumps[0].size)

    def orders(self, width: int) -> tuple[Order, ...]:
        """Byte orders to try for stored values of this width."""
        if width == 8:
            return (Order.LITTLE,)
        return self._orders if width == 32 else self._orders[:2]

    def stored(self, dump: int, places: Int64s, width: int, order: Order) -> UInt32s:
        """The values stored at the places of one dump, shape as given; all must lie inside."""
        data = self.dumps[dump]
        found = np.zeros(places.shape, np.uint32)
        for i, shift in enumerate(lanes(width, order)):
            found |= data[places + i].astype(np.uint32) << np.uint32(shift)
        return found

    @cached_property
    def _bits(self) -> Floats:
        """Surprise of each byte value: minus log2 of a histogram mixed half and half with an even one."""
        share = np.bincount(self.dumps[0], minlength=256) / self.size
        bits: Floats = -np.log2(0.5 / 256 + 0.5 * share)
        return bits

    def surprise(self, dump: int, places: Int64s, width: int) -> Floats:
        """Bits by which the bytes stored at the places surprise; nought below half the width, and for one
        byte repeated, as in filler."""
        found = np.zeros(places.shape, np.float64)
        data = self.dumps[dump]
        alike = np.full(places.shape, width > 8)
        for i in range(width // 8):
            found += self._bits[data[places + i]]
            alike &= data[places + i] == data[places]
        found[alike] = 0.0
        found[found < width / 2] = 0.0
        return np.minimum(found, width)

    @cached_property
    def _telling(self) -> Int64s:
        """Bytes before each place that are not filler: neither FF nor 00."""
        data = self.dumps[0]
        before = np.zeros(self.size + 1, np.int64)
        np.cumsum((data != 0x00) & (data != 0xFF), out=before[1:])
        return before

    def telling(self, starts: Int64s, ends: Int64s) -> Int64s:
        """Bytes of the ranges that are not filler, in the first dump."""
        found: Int64s = self._telling[ends] - self._telling[starts]
        return found

    def changes(self, starts: Int64s, ends: Int64s) -> npt.NDArray[np.bool_]:
        """Which ranges hold a byte that varies from drive to drive."""
        before = np.searchsorted(self.varying_places, starts)
        found: npt.NDArray[np.bool_] = np.searchsorted(self.varying_places, ends) > before
        return found
