"""Which changes of a region follow from earlier ones: a linear check of a combination of changes is that
combination of its values, and proves nothing anew.

Regions are compared by random projections, kept as running totals over the varying bytes, so that one costs
the same however long it is. Changes that depend on each other always have projections that do; others hardly
ever.
"""

from __future__ import annotations

import numpy as np

from mendbay.board.rules.changes import Changes

_SEED = 0x696E6465
_PRIME = (1 << 31) - 1
_PROJECTIONS = 5
"""One for each dump but the first that changes are taken of; more would tell no more apart."""


class Bitwise:
    """For checks that are linear in exclusive-ors.

    Args:
        changes: the varying bytes.
    """

    def __init__(self, changes: Changes) -> None:
        masks = np.random.default_rng(_SEED).integers(
            0, 1 << 64, (8, changes.count), np.uint64, endpoint=False
        )
        self._totals = []
        for one in changes.bytes_of[1:]:
            moved = (one ^ changes.bytes_of[0]).astype(np.uint64)
            marks = np.zeros(changes.count + 1, np.uint64)
            for bit, mask in enumerate(masks):
                marks[1:] ^= np.where(moved >> np.uint64(bit) & np.uint64(1), mask, np.uint64(0))
            self._totals.append(np.bitwise_xor.accumulate(marks))

    def fresh(self, first: int, last: int) -> list[bool]:
        """For each dump but the first whether the change of the region from class `first` to class `last` is
        no exclusive or of the changes before it."""
        found, basis = [], list[int]()
        for totals in self._totals:
            left = int(totals[last] ^ totals[first])
            for one in basis:
                left = min(left, left ^ one)
            found.append(left != 0)
            if left:
                basis.append(left)
        return found


class Additive:
    """For checks that add up.

    Args:
        changes: the varying bytes.
    """

    def __init__(self, changes: Changes) -> None:
        weights = np.random.default_rng(_SEED).integers(1, 1 << 20, (_PROJECTIONS, changes.count), np.int64)
        self._totals = []
        for one in changes.bytes_of[1:]:
            moved = one.astype(np.int64) - changes.bytes_of[0]
            totals = np.zeros((_PROJECTIONS, changes.count + 1), np.int64)
            np.cumsum(weights * moved, axis=1, out=totals[:, 1:])
            self._totals.append(totals)

    def fresh(self, first: int, last: int) -> list[bool]:
        """For each dump but the first whether the change of the region from class `first` to class `last` is
        no multiple or sum of the changes before it."""
        found, basis = [], list[tuple[int, list[int]]]()
        for totals in self._totals:
            left = [int(one) % _PRIME for one in totals[:, last] - totals[:, first]]
            for place, row in basis:
                factor = left[place]
                left = [(a - factor * b) % _PRIME for a, b in zip(left, row, strict=True)]
            at = next((number for number, one in enumerate(left) if one), None)
            found.append(at is not None)
            if at is not None:
                scale = pow(left[at], -1, _PRIME)
                basis.append((at, [one * scale % _PRIME for one in left]))
        return found
